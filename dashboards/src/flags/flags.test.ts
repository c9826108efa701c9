import { expect, test } from "vitest";
import type { Flag, ShelfYard } from "../data/types";
import { setKeeper } from "../data/prefs";
import { yardFlags } from "../shelf/sums";
import { act } from "./care";
import { grouped, placeOf } from "./list";
import { FLAG_WORDS, sureness } from "./words";

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

test("a place is named as keepers name it", () => {
  expect(placeOf(flag({ hive: "ridge-1" }), yard)).toBe("Ridge 1");
  expect(placeOf(flag({ hive: "ridge-1", device: "sc-1" }), yard)).toBe("Ridge 1's scale");
  expect(placeOf(flag({ hive: "ridge-1", feeder: "ridge-1-f", device: "lv-1" }), yard)).toBe("Ridge 1's level sensor");
  expect(placeOf(flag({ device: "wx-1" }), yard)).toBe("Ridge's wx-1");
  expect(placeOf(flag({}), yard)).toBe("Ridge");
});

test("no sentence shouts, and each ends", () => {
  for (const words of Object.values(FLAG_WORDS)) {
    const sentence = words.sentence("Ridge 4");
    expect(sentence).toMatch(/^.*Ridge 4.*\.$/);
    expect(sentence + (words.act ?? "") + words.many).not.toContain("!");
  }
  expect(sureness(0.99)).toBe("as good as certain");
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
