import { describe, expect, it } from "vitest";
import type { Learned } from "../data/types";
import { learnedSentence } from "./learned-words";

function learned(what: Learned["what"], unit: string, value: number, half: number): Learned {
  return { channel: "distance", what, unit, value, lo: value - half, hi: value + half, date: "2026-09-01", since: "2026-08-01T00:00:00Z", hive: "h" };
}

describe("what was learned of an instrument", () => {
  it("says in which direction it is off, and how well that is known", () => {
    expect(learnedSentence(learned("offset", "m", 0.0021, 0.0009), "metric")).toBe("At an empty feeder it reads 2.1 mm more than it should (1.2 to 3.0 mm).");
    expect(learnedSentence(learned("offset", "m", -0.0021, 0.0031), "metric")).toBe("At an empty feeder it reads 2.1 mm less than it should (−1.0 to 5.2 mm).");
  });

  it("does not call nothing more or less", () => {
    expect(learnedSentence(learned("offset", "kg", -0.0002, 0.069), "metric")).toBe("At an empty feeder it reads neither more nor less (−69 to 69 g).");
  });

  it("counts warmth in the keeper's degrees: 10 °F are 10/1.8 K", () => {
    expect(learnedSentence(learned("per_kelvin", "kg/K", 0.009, 0.001), "metric")).toBe("For every 10 °C that it is warmer it reads 90 g more (80 to 100 g).");
    // 9 g/K x 5.556 K = 50 g = 1.76 oz (1 oz = 28.3495 g).
    expect(learnedSentence(learned("per_kelvin", "kg/K", 0.009, 0.001), "us")).toBe("For every 10 °F that it is warmer it reads 1.8 oz more (1.6 to 2.0 oz).");
  });

  it("speaks of geometry as a share and of noise as a size", () => {
    expect(learnedSentence(learned("geometry_share", "1", 0.02, 0.01), "metric")).toBe("By the measures given for the feeder, volumes come out 2.0 % too large (1.0 to 3.0).");
    expect(learnedSentence(learned("noise", "m", 0.0012, 0), "us")).toBe("A single reading strays by about 0.05 in.");
  });
});
