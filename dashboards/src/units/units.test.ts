import { expect, test } from "vitest";
import { amount, change, digits, interval, reading, stored, shown, withInterval } from "./units";

test("the US units are exact (NIST SP 811, appendix B)", () => {
  expect(shown(3.785411784, "volume", "us")).toBeCloseTo(1, 12);
  expect(shown(45.359237, "mass", "us")).toBeCloseTo(100, 9);
  expect(shown(-40, "temperature", "us")).toBeCloseTo(-40, 9);
  expect(shown(25.4, "rain", "us")).toBeCloseTo(1, 12);
  expect(shown(0.44704, "wind", "us")).toBeCloseTo(1, 9);
});

test("what is typed comes back as it was", () => {
  for (const units of ["metric", "us"] as const) {
    for (const quantity of ["volume", "mass", "temperature", "length", "area"] as const) {
      expect(stored(shown(7.25, quantity, units), quantity, units)).toBeCloseTo(7.25, 9);
    }
  }
});

test("an estimate carries its interval", () => {
  const took = { value: 0.9, lo: 0.7, hi: 1.1 };
  expect(withInterval(took, "volume", "metric")).toBe("0.9 L (0.7–1.1)");
  expect(withInterval(took, "volume", "us")).toBe("0.24 gal (0.18–0.29)");
  expect(interval({ value: 1, lo: 0.98, hi: 1.02 }, "volume", "metric")).toBeNull();
  expect(interval({ value: 0, lo: -0.2, hi: 0.2 }, "volume", "metric")).toBe("−0.2 to 0.2");
});

test("nothing reads as minus zero", () => {
  expect(digits(-0.01, "volume", "metric")).toBe("0.0");
  expect(change(-0.01, "mass", "metric")).toBe("0.0 kg");
  expect(change(0.42, "mass", "metric")).toBe("+0.4 kg");
  expect(change(-0.42, "mass", "metric")).toBe("−0.4 kg");
});

test("a channel nobody knows still reads", () => {
  expect(reading(3.912, "V", "us")).toBe("3.912 V");
  expect(reading(41.237, "kg", "us")).toBe("90.9 lb");
  expect(amount(18.4, "temperature", "us")).toBe("65 °F");
});
