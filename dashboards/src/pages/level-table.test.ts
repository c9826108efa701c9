import { expect, test } from "vitest";
import { tableOf, tableProblem } from "./level-table";

const empty = { depth_m: 0, litres: 0 };

test("a table grows from line to line", () => {
  expect(tableProblem([empty, { depth_m: 0.05, litres: 3.1 }, { depth_m: 0.1, litres: 7.5 }])).toBeNull();
  expect(tableProblem([empty, { depth_m: 0.05, litres: 3.1 }, { depth_m: 0.05, litres: 7.5 }])).toMatch(/^Line 3/);
  expect(tableProblem([empty, { depth_m: 0.05, litres: 0 }])).toMatch(/^Line 2/);
});

test("half a line is told, an empty one is left out", () => {
  const blank = { depth_m: null, litres: null };
  expect(tableProblem([empty, { depth_m: 0.05, litres: null }])).toMatch(/needs both/);
  expect(tableProblem([empty, blank])).toMatch(/two lines/);
  expect(tableOf([empty, { depth_m: 0.1, litres: 5 }, blank])).toEqual([
    [0, 0],
    [0.1, 5],
  ]);
});
