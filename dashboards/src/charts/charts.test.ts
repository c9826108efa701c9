import { describe, expect, test } from "vitest";
import { DAY, HOUR } from "../time/zone";
import type { Flag } from "../data/types";
import { endOf, flagRows, flagWords, wordsWithRoom } from "./paint";
import { columns } from "./line";
import { decode, lowerBound, nearest, refine } from "./series";
import { detailWindow, pan, pinch, span, tickStep, within, zoom } from "./view";

const MIN5 = 300_000;

describe("columns", () => {
  test("steps add up from the start", () => {
    const series = decode({ unit: "kg", reduced: false, start_ms: 1000, step_ms: [0, MIN5, MIN5], value: [1, 2, 3] });
    expect(series.at).toEqual([1000, 1000 + MIN5, 1000 + 2 * MIN5]);
  });

  test("a gap stays a gap", () => {
    const steps = [0, ...Array<number>(20).fill(MIN5), 6 * HOUR, MIN5];
    const series = decode({ unit: "kg", reduced: false, start_ms: 0, step_ms: steps, value: steps.map(() => 1) });
    expect(series.value.filter((v) => v === null)).toHaveLength(1);
  });

  test("a skipped beat is no gap", () => {
    const steps = [0, MIN5, MIN5, 3 * MIN5, MIN5];
    const series = decode({ unit: "kg", reduced: false, start_ms: 0, step_ms: steps, value: steps.map(() => 1) });
    expect(series.value).not.toContain(null);
  });

  test("detail replaces the middle", () => {
    const overview = { at: [0, 10, 20, 30, 40], value: [0, 1, 2, 3, 4] };
    const both = refine(overview, { at: [12, 14, 16], value: [7, 8, 9] }, 10, 25);
    expect(both.at).toEqual([0, 12, 14, 16, 30, 40]);
    expect(both.value).toEqual([0, 7, 8, 9, 3, 4]);
  });

  test("the nearest value has a reach, and is never made up in a gap", () => {
    const series = { at: [0, 50, 100], value: [1, null, 3] };
    expect(nearest(series, 40, 100)?.value).toBe(1);
    expect(nearest(series, 60, 100)?.value).toBe(3);
    expect(nearest(series, 500, 100)).toBeNull();
    expect(lowerBound([1, 2, 2, 3], 2)).toBe(1);
  });
});

describe("many points on few pixels", () => {
  const place = { left: 0, perMs: 0.1, from: 0, foot: 100, perUnit: 10, least: 0 };
  test("a column reaches from the least to the greatest value and to the column before", () => {
    const at = [0, 1, 2, 3, 10, 11];
    const value = [1, 4, 2, 3, 6, 7];
    expect(columns(at, value, 0, 5, place)).toEqual([
      { px: 0, top: 60, foot: 90 },
      { px: 1, top: 30, foot: 70 },
    ]);
  });
  test("a gap stays a gap", () => {
    expect(columns([0, 5, 10], [1, null, 5], 0, 2, place)).toEqual([
      { px: 0, top: 90, foot: 90 },
      { px: 1, top: 50, foot: 50 },
    ]);
  });
});

describe("views", () => {
  const bounds = { from: 0, to: 120 * DAY };
  test("hands cannot leave the bounds or the hour", () => {
    expect(pan({ from: 0, to: DAY }, -DAY, bounds)).toEqual({ from: 0, to: DAY });
    expect(span(zoom({ from: DAY, to: 2 * DAY }, 1e-6, 1.5 * DAY, bounds))).toBe(HOUR);
    expect(within({ from: -DAY, to: 200 * DAY }, bounds)).toEqual(bounds);
  });
  test("what is under the pointer stays there", () => {
    const view = { from: 10 * DAY, to: 20 * DAY };
    const near = zoom(view, 0.5, 12.5 * DAY, bounds);
    expect((12.5 * DAY - near.from) / span(near)).toBeCloseTo(0.25, 9);
  });
  test("fingers keep the times under them", () => {
    const view = { from: 10 * DAY, to: 20 * DAY };
    const spots = (a: number, b: number): [{ x: number; y: number }, { x: number; y: number }] => [{ x: a, y: 5 }, { x: b, y: 5 }];
    const near = pinch(view, spots(100, 200), spots(50, 250), 400, bounds);
    const time = (x: number) => near.from + (x / 400) * span(near);
    expect(time(50)).toBeCloseTo(12.5 * DAY, 0);
    expect(time(250)).toBeCloseTo(15 * DAY, 0);
  });
  test("fingers one above the other zoom as well", () => {
    const view = { from: 10 * DAY, to: 20 * DAY };
    const near = pinch(view, [{ x: 200, y: 0 }, { x: 200, y: 50 }], [{ x: 200, y: 0 }, { x: 200, y: 100 }], 400, bounds);
    expect(span(near)).toBeCloseTo(5 * DAY, 0);
    expect((near.from + near.to) / 2).toBeCloseTo(15 * DAY, 0);
  });
  test("small moves ask for the same detail", () => {
    const a = detailWindow({ from: 50 * DAY, to: 51 * DAY }, bounds);
    const b = detailWindow({ from: 50 * DAY + HOUR, to: 51 * DAY + HOUR }, bounds);
    expect(a).toEqual(b);
    expect(a !== null && a.from <= 50 * DAY && a.to >= 51 * DAY).toBe(true);
    expect(detailWindow(bounds, bounds)).toBeNull();
  });
  test("ticks have room", () => {
    expect(tickStep({ from: 0, to: DAY }, 600, 64)).toEqual({ hours: 3 });
    expect(tickStep({ from: 0, to: 90 * DAY }, 600, 64)).toEqual({ days: 14 });
  });
});

describe("flags", () => {
  const flag = (part: Partial<Flag>): Flag => ({ kind: "stalled", state: "open", opened_at: "2026-10-01T00:00:00Z", closed_at: null, withdrawn_at: null, ...part }) as Flag;
  const now = Date.parse("2026-10-20T00:00:00Z");
  test("one that was withdrawn ends where it was known to be wrong, and says so", () => {
    const gone = flag({ state: "withdrawn", withdrawn_at: "2026-10-03T00:00:00Z" });
    expect(endOf(gone, now)).toBe(Date.parse("2026-10-03T00:00:00Z"));
    expect(endOf(flag({}), now)).toBe(now);
    expect(flagWords(gone)).toBe("stalled, withdrawn");
    expect(flagWords(flag({}))).toBe("stalled");
    const later = { opened_at: "2026-10-06T00:00:00Z" };
    // Two days later there is room for another of its kind in its row, but never for one that holds.
    expect(flagRows([gone, flag({ ...gone, ...later })], now)).toHaveLength(1);
    expect(flagRows([gone, flag(later)], now)).toEqual([[flag(later)], [gone]]);
  });

  test("of words that would lie on each other the latest stays", () => {
    const at = (x: number) => ({ x, width: 50 });
    expect(wordsWithRoom([at(0), at(100), at(130)], 6)).toEqual([true, false, true]);
    expect(wordsWithRoom([at(0), at(56), at(112)], 6)).toEqual([true, true, true]);
    expect(wordsWithRoom([at(0), at(55)], 6)).toEqual([false, true]);
    expect(wordsWithRoom([], 6)).toEqual([]);
  });
});
