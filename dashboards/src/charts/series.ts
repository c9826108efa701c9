/** One channel as a chart takes it: times in ms, values, and a null where the line must break. */
import type { Columns } from "../data/types";

export interface Series {
  at: number[];
  value: (number | null)[];
}

export const EMPTY: Series = { at: [], value: [] };

/** A hole this many times the usual step is a gap, and stays one. */
const GAP_STEPS = 4;

/** No hole shorter than this is a gap: a logger may skip a beat. */
const SHORTEST_GAP_MS = 40 * 60_000;

export function decode(columns: Columns): Series {
  const longest = Math.max(SHORTEST_GAP_MS, GAP_STEPS * usualStep(columns.step_ms));
  const at: number[] = [];
  const value: (number | null)[] = [];
  let time = columns.start_ms;
  columns.step_ms.forEach((step, i) => {
    time += step;
    if (i > 0 && step > longest) {
      at.push(time - step / 2);
      value.push(null);
    }
    at.push(time);
    value.push(columns.value[i] ?? null);
  });
  return { at, value };
}

/** The upper quartile of the steps: reduced columns have two close points for each bin. */
function usualStep(steps: number[]): number {
  const sorted = steps.slice(1).sort((a, b) => a - b);
  return sorted[Math.floor(sorted.length * 0.75)] ?? 0;
}

/** The overview with its middle replaced by the finer detail. */
export function refine(overview: Series, detail: Series, from: number, to: number): Series {
  if (detail.at.length === 0) return overview;
  const head = lowerBound(overview.at, from);
  const tail = lowerBound(overview.at, to);
  return {
    at: overview.at.slice(0, head).concat(detail.at, overview.at.slice(tail)),
    value: overview.value.slice(0, head).concat(detail.value, overview.value.slice(tail)),
  };
}

/** The first index whose time is not before `time`. */
export function lowerBound(at: readonly number[], time: number): number {
  let low = 0;
  let high = at.length;
  while (low < high) {
    const middle = (low + high) >> 1;
    if ((at[middle] ?? 0) < time) low = middle + 1;
    else high = middle;
  }
  return low;
}

/** The value nearest to `time`, no further than `reach` ms away. */
export function nearest(series: Series, time: number, reach: number): { at: number; value: number } | null {
  const right = lowerBound(series.at, time);
  let best: { at: number; value: number } | null = null;
  for (const i of [right - 2, right - 1, right, right + 1]) {
    const at = series.at[i];
    const value = series.value[i];
    if (at === undefined || value === undefined || value === null) continue;
    if (Math.abs(at - time) > reach) continue;
    if (best === null || Math.abs(at - time) < Math.abs(best.at - time)) best = { at, value };
  }
  return best;
}

export function map(series: Series, change: (value: number) => number): Series {
  return { at: series.at, value: series.value.map((v) => (v === null ? null : change(v))) };
}
