/** Sums of uncertain numbers, as the API adds them up, in words. Nothing is added up here. */
import type { Units } from "../data/prefs";
import type { Estimate, Total, Totals } from "../data/types";
import { withInterval } from "../units/units";

/** What a yard's or a hive's feeders come to; undefined in what was kept before the API sent it. */
export function totalsOf(place: { totals?: Totals }): Totals | undefined {
  return place.totals;
}

/** The sum of what is known; null where nothing is. */
export function sumOf(total: Total | undefined): Estimate | null {
  if (total === undefined || total.value === null || total.lo === null || total.hi === null) return null;
  return { value: total.value, lo: total.lo, hi: total.hi };
}

/** "about 12.0 L (10.4–13.6)"; "at least" where some feeders are not in it. Null where nothing is known. */
export function sumWords(total: Total | undefined, system: Units): string | null {
  const sum = sumOf(total);
  if (total === undefined || sum === null) return null;
  const words = withInterval(sum, "volume", system);
  if (total.n_unknown > 0) return `at least ${words}`;
  return total.n_known > 1 ? `about ${words}` : words;
}

/** "2 feeders unknown"; null where all are known. */
export function unknownWords(total: Total | undefined): string | null {
  if (total === undefined || total.n_unknown === 0) return null;
  return `${total.n_unknown} ${total.n_unknown === 1 ? "feeder" : "feeders"} unknown`;
}

/** Both together: "at least 12.0 L (10.4–13.6) yesterday, 2 feeders unknown". Null where there is no feeder. */
export function totalWords(total: Total | undefined, system: Units, when?: string): string | null {
  const sum = sumWords(total, system);
  const told = sum === null || when === undefined ? sum : `${sum} ${when}`;
  const parts = [told, unknownWords(total)].filter((part) => part !== null);
  return parts.length === 0 ? null : parts.join(", ");
}
