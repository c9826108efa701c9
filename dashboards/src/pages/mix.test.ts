import { expect, test } from "vitest";
import { bodyOf } from "./mix";

const wish = { strength: "2:1", given: "volume", amount: "20", leftovers: "", bags: "", vessels: "", hot: "" } as const;

test("a bare number gets the unit of the house", () => {
  expect(bodyOf(wish, "metric")).toEqual({ strength: "2:1", volume: "20 L", units: "metric" });
  expect(bodyOf({ ...wish, given: "sugar" }, "us")).toEqual({ strength: "2:1", sugar: "20 lb", units: "us" });
});

test("what is typed with its unit stays as it is, lists are split", () => {
  expect(bodyOf({ ...wish, amount: "2 x 25 lb", given: "sugar", vessels: "4 x 5 gal, drum" }, "us")).toEqual({
    strength: "2:1",
    sugar: "2 x 25 lb",
    units: "us",
    vessels: ["4 x 5 gal", "drum"],
  });
});

test("nothing is asked while nothing is given", () => {
  expect(bodyOf({ ...wish, amount: " " }, "us")).toBeNull();
});
