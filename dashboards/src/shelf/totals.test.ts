import { expect, test } from "vitest";
import type { Total } from "../data/types";
import { sumOf, totalsOf, totalWords } from "./totals";

const twelve: Total = { value: 12, lo: 10.4, hi: 13.6, n_known: 6, n_unknown: 0 };
const nothing: Total = { value: null, lo: null, hi: null, n_known: 0, n_unknown: 0 };

test("a sum is told with its interval, and with how many feeders are not in it", () => {
  expect(totalWords(twelve, "metric")).toBe("about 12.0 L (10.4–13.6)");
  expect(totalWords({ ...twelve, n_unknown: 2 }, "metric")).toBe("at least 12.0 L (10.4–13.6), 2 feeders unknown");
  expect(totalWords({ ...twelve, n_unknown: 1 }, "us")).toBe("at least 3.17 gal (2.75–3.59), 1 feeder unknown");
  expect(totalWords({ ...twelve, n_unknown: 1 }, "metric", "yesterday")).toBe("at least 12.0 L (10.4–13.6) yesterday, 1 feeder unknown");
});

test("a single feeder is not called a sum", () => {
  expect(totalWords({ ...twelve, n_known: 1 }, "metric")).toBe("12.0 L (10.4–13.6)");
});

test("what nobody knows is said and is not nothing", () => {
  expect(totalWords({ ...nothing, n_unknown: 3 }, "metric")).toBe("3 feeders unknown");
  expect(totalWords(nothing, "metric")).toBeNull();
  expect(sumOf({ ...nothing, n_unknown: 3 })).toBeNull();
});

test("a shelf that was kept before there were sums has none", () => {
  expect(totalWords(totalsOf({})?.remaining_l, "metric")).toBeNull();
});
