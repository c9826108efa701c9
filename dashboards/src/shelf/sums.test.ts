import { expect, test } from "vitest";
import { makeWorld, shelf } from "../../mock/answers";
import { heightOf, SHAPES } from "./shapes";
import { isSilent, openFlags, placeSentence, shortName } from "./shelf";
import { byNeed, todaySentence, yardSentence } from "./sums";

const now = Date.parse("2026-10-14T18:00:00Z");
const whole = shelf(makeWorld(now));
const mill = whole.yards.find((yard) => yard.id === "mill");
if (mill === undefined) throw new Error("the invented apiary has a yard by the mill");

test("the first line says where to go", () => {
  expect(todaySentence(whole)).toBe("Ridge and Mill meadow need you today.");
  expect(todaySentence({ ...whole, yards: [] })).toBe("Nothing stands here yet.");
  const calm = whole.yards.map((yard) => ({ ...yard, flags: [], hives: yard.hives.map((hive) => ({ ...hive, flags: [] })) }));
  expect(todaySentence({ ...whole, yards: calm })).toBe("Nothing needs doing.");
  expect(yardSentence({ ...mill, flags: [], hives: [] })).toBe("Mill meadow has no hives yet.");
});

test("yards that need someone come first", () => {
  expect(byNeed([...whole.yards].reverse()).map((yard) => yard.id)).toEqual(["mill", "ridge", "orchard"]);
});

test("a silent feeder is never told as a level", () => {
  const hive = mill.hives.find((h) => h.id === "mill-5");
  const [feeder] = hive?.feeders ?? [];
  if (hive === undefined || feeder === undefined) throw new Error("mill-5 has a feeder");
  expect(isSilent(feeder, openFlags(hive, mill))).toBe(true);
  const told = placeSentence({ ...hive, feeders: [{ ...feeder, remaining_l: { value: 2, lo: 1, hi: 3 } }] }, mill, now, "metric");
  expect(told).toContain("level not known, last heard");
  expect(told).not.toContain("2.0 L");
});

test("names are short on their own shelf only where they would not fit", () => {
  const hive = mill.hives[0];
  if (hive === undefined) throw new Error("the mill has hives");
  expect(shortName({ ...hive, name: "Mill meadow 12" }, mill)).toBe("12");
  expect(shortName({ ...hive, name: "Old queen" }, mill)).toBe("Old queen");
});

test("levels stay within their vessel", () => {
  for (const shape of Object.values(SHAPES)) {
    expect(heightOf(shape, -0.2)).toBe(shape.empty);
    expect(heightOf(shape, 1.4)).toBe(shape.full);
    expect(heightOf(shape, 0.5)).toBeCloseTo((shape.full + shape.empty) / 2, 9);
  }
});
