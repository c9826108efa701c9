import { expect, test } from "vitest";
import { momentOf } from "./take-out";

test("a field that is not filled in is no moment", () => {
  expect(momentOf("")).toBeNull();
  expect(momentOf("soon")).toBeNull();
  expect(momentOf("2000-01-01T00:00")).toBe(new Date(2000, 0, 1).toISOString());
});
