import type { Flag, FlagKind, Severity } from "../data/types";

interface FlagWords {
  /** The state in a word or two. */
  word: string;
  /** The state in a sentence about `place`. */
  sentence: (place: string) => string;
  /** What several of them do: "are not heard". */
  many: string;
  /** What to do about it; null where there is nothing to do. */
  act: string | null;
}

export const FLAG_WORDS: Record<FlagKind, FlagWords> = {
  refill_due: { word: "refill due", sentence: (p) => `${p} needs syrup soon.`, many: "need syrup soon", act: "Fill it on the next trip." },
  empty: { word: "empty", sentence: (p) => `${p} has no syrup left.`, many: "have no syrup left", act: "Fill it, or take the feeder off." },
  stalled: {
    word: "stalled",
    sentence: (p) => `${p} has stopped taking syrup.`, many: "have stopped taking syrup",
    act: "Look in: queen, disease, a blocked feeder, or no room left.",
  },
  too_cold: {
    word: "too cold",
    sentence: (p) => `${p} takes nothing while it is cold.`, many: "take nothing while it is cold",
    act: null,
  },
  souring: {
    word: "souring",
    sentence: (p) => `The syrup at ${p} may be going off.`, many: "may hold syrup that is going off",
    act: "Smell it; if it smells of yeast, empty the feeder and clean it before you fill again.",
  },
  leaking: {
    word: "leaking",
    sentence: (p) => `${p} loses syrup that the bees do not take.`, many: "lose syrup that the bees do not take",
    act: "Look for a crack or a tilt, and wash spilt syrup away: it starts robbing.",
  },
  robbed: {
    word: "robbed",
    sentence: (p) => `${p} is being robbed.`, many: "are being robbed",
    act: "Narrow the entrance and stop feeding in the open; do not fill before evening.",
  },
  displaced: {
    word: "displaced",
    sentence: (p) => `${p} has been moved or knocked over.`, many: "have been moved or knocked over",
    act: "Go and look.",
  },
  flow_on: {
    word: "flow on",
    sentence: (p) => `${p} gains from flowers.`, many: "gain from flowers",
    act: "Stop feeding: syrup must not end up in honey.",
  },
  needs_feed: { word: "needs feed", sentence: (p) => `${p} runs short and has no feed on.`, many: "run short and have no feed on", act: "Put a feeder on." },
  behind_target: {
    word: "behind target",
    sentence: (p) => `${p} will miss its weight at this pace.`, many: "will miss their weight at this pace",
    act: "Feed more, or join it with another colony in time.",
  },
  silent: { word: "silent", sentence: (p) => `${p} is not heard.`, many: "are not heard", act: "Check its power and its signal." },
  sensor_fault: {
    word: "sensor fault",
    sentence: (p) => `${p} reports values that can't be right.`, many: "report values that can't be right",
    act: "Clean the sensor and check how it sits.",
  },
  low_battery: { word: "low battery", sentence: (p) => `${p} has a nearly empty battery.`, many: "have nearly empty batteries", act: "Take a battery along." },
};

const ORDER: readonly Severity[] = ["urgent", "warning", "info"];

/** Most pressing first, then the surest. */
export function byUrgency(a: Flag, b: Flag): number {
  return ORDER.indexOf(a.severity) - ORDER.indexOf(b.severity) || b.probability - a.probability;
}

/** "today", "next trip", "good to know": when someone should act. */
export const SEVERITY_WORDS: Record<Severity, string> = {
  urgent: "today",
  warning: "next trip",
  info: "good to know",
};

/** How sure the service is, in words; numbers would promise more than it knows. */
export function sureness(probability: number): string {
  if (probability >= 0.97) return "as good as certain";
  if (probability >= 0.85) return "very likely";
  if (probability >= 0.65) return "likely";
  return "may be";
}
