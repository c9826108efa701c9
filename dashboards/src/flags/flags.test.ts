import { expect, test } from "vitest";
import type { Flag, ShelfYard } from "../data/types";
import { setKeeper } from "../data/prefs";
import { yardFlags } from "../shelf/sums";
import { act } from "./care";
import { FLAG_KINDS } from "../../mock/invented";
import { grouped } from "./list";
import { textsOf, toldFrom, wordOf } from "./words";

const texts = { word: "silent", place: "Ridge", sentence: "Ridge is not heard.", many: "are not heard", act: "Check its power.", caution: null, when: "on the next trip", sure: "very likely" };

const flag = (part: Partial<Flag>): Flag => ({
  id: "",
  kind: "silent",
  yard: "ridge",
  hive: null,
  feeder: null,
  device: null,
  opened_at: "2026-10-01T00:00:00Z",
  closed_at: null,
  known_at: null,
  withdrawn_at: null,
  severity: "warning",
  probability: 0.9,
  evidence: "",
  template: "",
  numbers: [],
  channels: [],
  over: null,
  state: "open",
  quiet: false,
  care: { acknowledged: null, snoozed: null, verdict: null, notes: [] },
  texts,
  ...part,
});

const yard = {
  id: "ridge",
  name: "Ridge",
  hives: [{ id: "ridge-1", name: "Ridge 1", feeders: [{ id: "ridge-1-f" }] }],
} as unknown as ShelfYard;

test("flags of one kind stand together, in the order of their first", () => {
  const groups = grouped([flag({}), flag({ kind: "empty" }), flag({})]);
  expect(groups.map((g) => g.map((f) => f.kind))).toEqual([["silent", "silent"], ["empty"]]);
});

test("a flag that was kept before it came with its texts is told by the name of its kind", () => {
  const { texts, ...kept } = flag({ kind: "low_battery", hive: "ridge-1" });
  expect(textsOf(kept)).toMatchObject({ word: "low battery", sentence: "ridge-1 is flagged: low battery." });
  expect(textsOf(flag({}))).toBe(texts);
});

test("kinds and severities are told by their names until their words have been seen", () => {
  expect(wordOf(undefined, "needs_feed")).toBe("needs feed");
  expect(wordOf(FLAG_KINDS, "flow_on")).toBe("flow on");
  expect(toldFrom(undefined).map(({ value }) => value)).toEqual(["urgent", "warning", "info"]);
  expect(toldFrom(FLAG_KINDS).map(({ words }) => words)).toEqual(["what is for today", "what is for the next trip, too", "everything"]);
});

test("an act carries who and when, so that sending it twice is once", () => {
  setKeeper("Ada");
  const edit = act(flag({ id: "silent:sc-1:5" }), "snooze", { until: null }, "Ridge 4: loud again");
  expect(edit).toMatchObject({ method: "POST", path: "/api/v1/flags/silent%3Asc-1%3A5/snooze", body: { until: null, who: "Ada" } });
  expect(Date.parse((edit.body as { at: string }).at)).toBeGreaterThan(0);
});

test("what is quiet or withdrawn asks for nothing", () => {
  const flags = [flag({ id: "a" }), flag({ id: "b", quiet: true }), flag({ id: "c", state: "withdrawn" })];
  const of = { ...yard, flags, hives: [] } as unknown as ShelfYard;
  expect(yardFlags(of).map((f) => f.id)).toEqual(["a"]);
});
