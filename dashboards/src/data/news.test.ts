import { describe, expect, test } from "vitest";
import { concerns } from "./news";

describe("news", () => {
  const results = { yards: ["north"], hives: ["north-01", "north 2"] };

  test("of one yard do not touch the hives of another", () => {
    expect(concerns("/api/v1/hives/north-01/uptake?from=2026-01-01", results)).toBe(true);
    expect(concerns("/api/v1/hives/north%202/flags", results)).toBe(true);
    expect(concerns("/api/v1/hives/south-01/uptake?from=2026-01-01", results)).toBe(false);
    expect(concerns("/api/v1/yards/south", results)).toBe(false);
  });

  test("touch what is about all yards", () => {
    expect(concerns("/api/v1/shelf", results)).toBe(true);
    expect(concerns("/api/v1/flags?open=true", results)).toBe(true);
  });

  test("of a flag touch its hive and yard", () => {
    const flags = { flags: [{ yard: "north", hive: "north-01" }] };
    expect(concerns("/api/v1/hives/north-01/flags", flags)).toBe(true);
    expect(concerns("/api/v1/hives/south-01/flags", flags)).toBe(false);
  });

  test("of an older server, which names nothing, touch everything but curves", () => {
    expect(concerns("/api/v1/hives/south-01/flags", {})).toBe(true);
    expect(concerns("/api/v1/hives/south-01/scale?from=1", {})).toBe(false);
  });
});
