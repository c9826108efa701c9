/** From the API's units to the keeper's, and the words for both. */
import type { Estimate } from "../data/types";
import type { Units } from "../data/prefs";

export type Quantity = "volume" | "mass" | "temperature" | "rain" | "wind" | "length" | "area";

interface Scale {
  unit: string;
  /** shown = stored * factor + offset */
  factor: number;
  offset: number;
  decimals: number;
}

// Exact by definition: US gallon 231 in3, pound 0.45359237 kg, inch 25.4 mm, mile 1609.344 m
// (NIST Special Publication 811, appendix B).
const GALLON_L = 3.785411784;
const POUND_KG = 0.45359237;
const INCH_M = 0.0254;
const MILE_M = 1609.344;

const SCALES: Record<Units, Record<Quantity, Scale>> = {
  metric: {
    volume: { unit: "L", factor: 1, offset: 0, decimals: 1 },
    mass: { unit: "kg", factor: 1, offset: 0, decimals: 1 },
    temperature: { unit: "°C", factor: 1, offset: 0, decimals: 0 },
    rain: { unit: "mm", factor: 1, offset: 0, decimals: 0 },
    wind: { unit: "km/h", factor: 3.6, offset: 0, decimals: 0 },
    length: { unit: "cm", factor: 100, offset: 0, decimals: 1 },
    area: { unit: "cm²", factor: 10_000, offset: 0, decimals: 0 },
  },
  us: {
    volume: { unit: "gal", factor: 1 / GALLON_L, offset: 0, decimals: 2 },
    mass: { unit: "lb", factor: 1 / POUND_KG, offset: 0, decimals: 1 },
    temperature: { unit: "°F", factor: 1.8, offset: 32, decimals: 0 },
    rain: { unit: "in", factor: 1 / (INCH_M * 1000), offset: 0, decimals: 2 },
    wind: { unit: "mph", factor: 3600 / MILE_M, offset: 0, decimals: 0 },
    length: { unit: "in", factor: 1 / INCH_M, offset: 0, decimals: 2 },
    area: { unit: "in²", factor: 1 / (INCH_M * INCH_M), offset: 0, decimals: 1 },
  },
};

export function unitOf(quantity: Quantity, units: Units): string {
  return SCALES[units][quantity].unit;
}

export function shown(value: number, quantity: Quantity, units: Units): number {
  const scale = SCALES[units][quantity];
  return value * scale.factor + scale.offset;
}

export function stored(value: number, quantity: Quantity, units: Units): number {
  const scale = SCALES[units][quantity];
  return (value - scale.offset) / scale.factor;
}

/** The bare number, rounded as the quantity is; never "-0.0". */
export function digits(value: number, quantity: Quantity, units: Units): string {
  const text = shown(value, quantity, units).toFixed(SCALES[units][quantity].decimals);
  return Number(text) === 0 ? text.replace("-", "") : text.replace("-", "−");
}

/** "5.3 L" */
export function amount(value: number, quantity: Quantity, units: Units): string {
  return `${digits(value, quantity, units)} ${unitOf(quantity, units)}`;
}

/** "0.7–1.1"; null where both ends read the same. */
export function interval(estimate: Estimate, quantity: Quantity, units: Units): string | null {
  const lo = digits(estimate.lo, quantity, units);
  const hi = digits(estimate.hi, quantity, units);
  if (lo === hi) return null;
  return lo.startsWith("−") || hi.startsWith("−") ? `${lo} to ${hi}` : `${lo}–${hi}`;
}

/** "0.9 L (0.7–1.1)" */
export function withInterval(estimate: Estimate, quantity: Quantity, units: Units): string {
  const range = interval(estimate, quantity, units);
  const middle = amount(estimate.value, quantity, units);
  return range === null ? middle : `${middle} (${range})`;
}

/** A change with its sign: "+0.4 kg". */
export function change(value: number, quantity: Quantity, units: Units): string {
  const text = amount(value, quantity, units);
  return Number(shown(value, quantity, units).toFixed(3)) > 0 ? `+${text}` : text;
}

/** What an unknown channel's unit reads as. */
export function plainUnit(unit: string): string {
  const names: Record<string, string> = { Cel: "°C", "%RH": "%", l: "L", "W/m2": "W/m²" };
  return names[unit] ?? unit;
}

/** A reading in the keeper's units, by the unit it was stored in. */
export function reading(value: number, unit: string, units: Units): string {
  const quantity: Partial<Record<string, Quantity>> = { kg: "mass", l: "volume", Cel: "temperature", "m/s": "wind", m: "length" };
  const found = quantity[unit];
  if (found === undefined) return `${Number(value.toPrecision(4))} ${plainUnit(unit)}`;
  return amount(value, found, units);
}
