/** An invented apiary with a season behind it, the same on every start but for the clock. */
import type { FeederKind, FillSource, Flag, FlagKind, FlagKinds, FlagTexts, Severity } from "../src/data/types";
import kinds from "./flag-kinds.json" with { type: "json" };

export const HOUR = 3_600_000;
export const DAY = 24 * HOUR;
export const SEASON_DAYS = 90;
export const ZONE = "America/New_York";

export interface InventedFill {
  at: number;
  litres: number;
  strength: string;
  source: FillSource;
}

export interface InventedHive {
  id: string;
  name: string;
  yard: string;
  feeder: string | null;
  kind: FeederKind;
  capacity_l: number;
  area_m2: number;
  /** Litres at each hour of the season. */
  litres: number[];
  /** Kilograms at each hour of the season. */
  kilograms: number[];
  fills: InventedFill[];
  handling: { day: number; kg: number }[];
  silentHours: number;
}

/** The service's own words: a test of the API writes them down. */
export const FLAG_KINDS = kinds as FlagKinds;

function textsFor(kind: FlagKind, severity: Severity, place: string): FlagTexts {
  const words = FLAG_KINDS.kinds.find((each) => each.kind === kind);
  const when = FLAG_KINDS.severities.find((each) => each.severity === severity)?.when ?? severity;
  if (words === undefined) throw new Error(`no words for ${kind}`);
  const { word, one, many, act, caution } = words;
  return { word, place, sentence: `${place} ${one}.`, many, act, caution, when, sure: "very likely" };
}

/** A small generator of our own (mulberry32), so that every start invents the same. */
function dice(seed: number): () => number {
  let state = seed;
  return () => {
    state = (state + 0x6d2b79f5) | 0;
    let t = Math.imul(state ^ (state >>> 15), 1 | state);
    t = (t + Math.imul(t ^ (t >>> 7), 61 | t)) ^ t;
    return ((t ^ (t >>> 14)) >>> 0) / 4294967296;
  };
}

export const YARDS = [
  { id: "ridge", name: "Ridge", hives: 6, latitude: 41.21, longitude: -77.32, weather: "wx-ridge" },
  { id: "mill", name: "Mill meadow", hives: 8, latitude: 41.05, longitude: -77.51, weather: "wx-mill" },
  { id: "orchard", name: "Orchard end", hives: 5, latitude: 40.93, longitude: -77.2, weather: null },
];

const KINDS: { kind: FeederKind; capacity_l: number; area_m2: number }[] = [
  { kind: "tray", capacity_l: 11, area_m2: 0.0759 },
  { kind: "frame", capacity_l: 5.5, area_m2: 0.024 },
  { kind: "pail", capacity_l: 8, area_m2: 0.05 },
  { kind: "jar", capacity_l: 2, area_m2: 0.012 },
  { kind: "entrance", capacity_l: 1, area_m2: 0.008 },
];

/** What goes on where: hive id to story. */
const STORIES: Record<string, "stalled" | "leaking" | "silent" | "empty" | "low" | "bare"> = {
  "ridge-4": "stalled",
  "ridge-2": "low",
  "mill-2": "leaking",
  "mill-5": "silent",
  "orchard-1": "empty",
  "orchard-5": "bare",
};

export function temperatureAt(ms: number): number {
  const day = ms / DAY;
  return 11 + 6 * Math.sin((2 * Math.PI * (ms - 15 * HOUR)) / DAY + Math.PI / 2) + 5 * Math.sin(day / 4.1) - 3 * Math.sin(day / 17);
}

function inventHive(yard: string, yardName: string, number: number, start: number): InventedHive {
  const id = `${yard}-${number}`;
  const random = dice(yard.length * 7919 + number * 104_729);
  const story = STORIES[id];
  const vessel = KINDS[(number * 2 + yard.length) % KINDS.length] ?? { kind: "tray", capacity_l: 11, area_m2: 0.0759 };
  const { kind, capacity_l, area_m2 } = vessel;
  const appetite = (0.4 + 0.7 * random()) * Math.min(1, capacity_l / 4);
  const litres: number[] = [];
  const kilograms: number[] = [];
  const fills: InventedFill[] = [];
  const handling: { day: number; kg: number }[] = [];
  let left = 0;
  let weight = 30 + 9 * random();
  let wait = Math.floor(30 + 50 * random());
  for (let hour = 0; hour < SEASON_DAYS * 24; hour++) {
    const toGo = SEASON_DAYS * 24 - hour;
    const warm = temperatureAt(start + hour * HOUR);
    const stopped = story === "stalled" && toGo < 84;
    const starved = story === "empty" && toGo < 150;
    const eager = Math.max(0.12, Math.min(1, (warm - 3) / 10));
    const takes = stopped ? 0.004 : Math.min(left, ((appetite * eager) / 24) * (1.2 + 0.6 * random()));
    const leaks = story === "leaking" && toGo < 60 ? Math.min(left - takes, 0.03) : 0;
    left -= takes + leaks;
    weight += takes * 1.23 * 0.82 - 0.006 - 0.004 * random() - (takes + leaks) * 1.23 + takes * 1.23;
    if (left < capacity_l * 0.12 && !starved && toGo > (story === "low" ? 96 : 20)) wait -= 1;
    if (wait <= 0 && (hour + 5) % 24 === 14) {
      const poured = Math.min(capacity_l - left, capacity_l * (0.8 + 0.15 * random()));
      left += poured;
      weight += poured * 1.23;
      fills.push({
        at: start + hour * HOUR,
        litres: poured,
        strength: hour < 30 * 24 ? "1:1" : "5:3",
        source: random() < 0.7 ? "both" : "detected",
      });
      wait = Math.floor(10 + 40 * random());
    }
    if (hour === 40 * 24 + 15 && number % 3 === 0) {
      weight -= 14.2;
      handling.push({ day: 40, kg: -14.2 });
    }
    litres.push(left);
    kilograms.push(weight);
  }
  return {
    id,
    name: `${yardName} ${number}`,
    yard,
    feeder: story === "bare" ? null : `${id}-f`,
    kind,
    capacity_l,
    area_m2,
    litres,
    kilograms,
    fills,
    handling,
    silentHours: story === "silent" ? 41 : 0,
  };
}

export interface Invented {
  start: number;
  hives: InventedHive[];
  flags: Flag[];
}

export function invent(now: number): Invented {
  const start = Math.floor(now / HOUR) * HOUR - (SEASON_DAYS * 24 - 1) * HOUR;
  const hives = YARDS.flatMap((yard) =>
    Array.from({ length: yard.hives }, (_, i) => inventHive(yard.id, yard.name.split(" ")[0] ?? yard.name, i + 1, start)),
  );
  return { start, hives, flags: inventFlags(now) };
}

function inventFlags(now: number): Flag[] {
  const nameOf = (hive: string) => hive.charAt(0).toUpperCase() + hive.slice(1).replace("-", " ");
  const flag = (kind: FlagKind, hive: string, hours: number, severity: Severity, probability: number, evidence: string, closedHours?: number): Flag => ({
    id: `${kind}:${hive}-f:${Math.round(now / DAY) - hours}`,
    kind,
    yard: hive.split("-")[0] ?? null,
    hive,
    feeder: `${hive}-f`,
    device: null,
    opened_at: new Date(now - hours * HOUR).toISOString(),
    closed_at: closedHours === undefined ? null : new Date(now - closedHours * HOUR).toISOString(),
    known_at: new Date(now - hours * HOUR).toISOString(),
    withdrawn_at: null,
    severity,
    probability,
    evidence,
    template: evidence,
    numbers: [],
    channels: [],
    over: null,
    state: closedHours === undefined ? "open" : "closed",
    quiet: false,
    care: { acknowledged: null, snoozed: null, verdict: null, notes: [] },
    texts: textsFor(kind, severity, nameOf(hive)),
  });
  return [
    flag("stalled", "ridge-4", 62, "urgent", 0.93, "Took 0.1 L in the last three days (0.0–0.2); the five hives beside it took 0.4 to 0.9 L a day. It was warm enough to fly on each of them."),
    flag("refill_due", "ridge-2", 9, "warning", 0.88, "Runs empty on Friday night at this pace."),
    flag("leaking", "mill-2", 50, "urgent", 0.97, "The feeder lost 1.6 L in two days, and the scale lost 1.9 kg: it does not stay in the hive."),
    { ...flag("silent", "mill-5", 41, "warning", 0.99, "The last reading is 41 hours old; it reported every five minutes."), device: "lv-mill-5", texts: textsFor("silent", "warning", "Mill 5's level sensor") },
    flag("empty", "orchard-1", 70, "warning", 0.95, "Nothing has stood in the feeder for three days."),
    flag("too_cold", "orchard-3", 20, "info", 0.8, "Nights under 4 °C; the whole yard takes a third of what it took last week."),
    flag("flow_on", "ridge-3", 45 * 24, "info", 0.9, "Gained 1.1 kg a day with an empty feeder.", 40 * 24),
    flag("stalled", "ridge-4", 30 * 24, "warning", 0.8, "Took 0.1 L a day while its neighbours took 0.7 L.", 27 * 24),
    {
      ...flag("robbed", "ridge-4", 16 * 24, "urgent", 0.7, "The feeder lost 0.9 L in two hours."),
      state: "withdrawn",
      withdrawn_at: new Date(now - 14 * DAY).toISOString(),
    },
    { ...flag("low_battery", "mill-7", 30, "warning", 0.9, "3.31 V and falling 20 mV a day."), hive: null, feeder: null, device: "sc-mill-7", texts: textsFor("low_battery", "warning", "Mill meadow's sc-mill-7") },
  ];
}
