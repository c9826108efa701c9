import { expect, test } from "vitest";
import { allTheSame, asOwn, noteOwn } from "./revisions";

const path = "/api/v1/hives/mill-1";

test("what this phone has changed itself is no conflict, also taken back", () => {
  noteOwn(path, { revision: "a" }, { revision: "b" });
  noteOwn(path, { revision: "b" }, { revision: "c" });
  expect(asOwn(path, { name: "Mill 1", revision: "a" })).toEqual({ name: "Mill 1", revision: "c" });
  // Undo leads back to the first state.
  noteOwn(path, { revision: "c" }, { revision: "a" });
  expect(asOwn(path, { revision: "c" })).toEqual({ revision: "a" });
  expect(asOwn(path, { revision: "a" })).toEqual({ revision: "a" });
});

test("other things and other people's states are left as they are", () => {
  noteOwn(path, { revision: "x" }, { revision: "y" });
  expect(asOwn("/api/v1/hives/mill-2", { revision: "x" })).toEqual({ revision: "x" });
  expect(asOwn(path, { revision: "theirs" })).toEqual({ revision: "theirs" });
  expect(asOwn(path, { units: "us" })).toEqual({ units: "us" });
});

test("saved all the same it carries none", () => {
  expect(allTheSame({ name: "Mill 1", revision: "a" })).toEqual({ name: "Mill 1" });
});
