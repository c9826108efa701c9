import type { Flag, FlagKind } from "../data/types";
import { textsOf } from "./words";

/** One shape for each state, drawn on a grid of 24: told apart without colour. */
const GLYPHS: Record<FlagKind, string> = {
  refill_due: "M12 3v11M7 10l5 5 5-5M4 20h16",
  empty: "M6 4v16h12V4M9 16h6",
  stalled: "M8 5v14M16 5v14",
  too_cold: "M12 3v18M4.2 7.5l15.6 9M19.8 7.5l-15.6 9",
  souring: "M8 17a3 3 0 1 0 .01 0M16 12a3 3 0 1 0 .01 0M9 4a2 2 0 1 0 .01 0",
  leaking: "M5 3h14M12 7c3 4 5 6 5 9a5 5 0 0 1-10 0c0-3 2-5 5-9",
  robbed: "M4 12h12M11 7l5 5-5 5M20 4v16",
  displaced: "M8 5l11 4-4 11L4 16zM3 22h18",
  flow_on: "M12 9a3 3 0 1 0 .01 0M12 3v3M12 18v3M3 12h3M18 12h3",
  needs_feed: "M12 4v16M4 12h16",
  behind_target: "M4 18l6-5 3 2 7-4M4 5h16",
  swarmed: "M6 8a1.5 1.5 0 1 0 .01 0M12 5a1.5 1.5 0 1 0 .01 0M17 9a1.5 1.5 0 1 0 .01 0M11 12a1.5 1.5 0 1 0 .01 0M4 20h16",
  tipped: "M3 20h18M6 17l3-9 9 3-3 9",
  opened: "M5 20V10h14v10zM5 10l12-6",
  silent: "M5 12a7 7 0 0 1 3-6M19 12a7 7 0 0 1-3 6M4 4l16 16",
  sensor_fault: "M3 14l4-8 4 12 4-10 3 6h3",
  low_battery: "M3 8h15v8H3zM21 11v2M6 11v2",
};

export function Glyph({ kind }: { kind: FlagKind }) {
  return (
    <svg class="glyph" viewBox="0 0 24 24" aria-hidden="true">
      <path d={GLYPHS[kind]} />
    </svg>
  );
}

/** A state as shape, word and colour together. */
export function Mark({ flag }: { flag: Flag }) {
  return (
    <span class={`mark mark-${flag.severity} ${flag.kind === "too_cold" ? "mark-cold" : ""}`}>
      <Glyph kind={flag.kind} />
      <span>{textsOf(flag).word}</span>
    </span>
  );
}
