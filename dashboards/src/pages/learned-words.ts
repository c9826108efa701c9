import type { Units } from "../data/prefs";
import type { Learned, Trait } from "../data/types";

const INCH_MM = 25.4;
const POUND_G = 453.59237;
const QUART_ML = 946.352946;

interface Fine {
  unit: string;
  factor: number;
  decimals: number;
}

/** Small amounts, in units that leave a digit or two before the point. */
const FINE: Record<Units, Record<string, Fine>> = {
  metric: {
    m: { unit: "mm", factor: 1000, decimals: 1 },
    kg: { unit: "g", factor: 1000, decimals: 0 },
    l: { unit: "ml", factor: 1000, decimals: 0 },
  },
  us: {
    m: { unit: "in", factor: 1000 / INCH_MM, decimals: 2 },
    kg: { unit: "oz", factor: (1000 / POUND_G) * 16, decimals: 1 },
    l: { unit: "fl oz", factor: (1000 / QUART_ML) * 32, decimals: 1 },
  },
};

const ORDER: Trait[] = ["offset", "per_kelvin", "geometry_share", "noise"];

/** From what matters most to a keeper to what matters least. */
export function inOrder(learned: Learned[]): Learned[] {
  return [...learned].sort((a, b) => ORDER.indexOf(a.what) - ORDER.indexOf(b.what));
}

/** "At an empty feeder it reads 2.1 mm more than it should (1.2 to 3.0)." */
export function learnedSentence(learned: Learned, units: Units): string {
  switch (learned.what) {
    case "offset":
      return `At an empty feeder it reads ${apart(learned, units, "more than it should", "less than it should")}.`;
    case "per_kelvin":
      return `For every ${units === "us" ? "10 °F" : "10 °C"} that it is warmer it reads ${apart(perTenDegrees(learned, units), units, "more", "less")}.`;
    case "geometry_share":
      return `By the measures given for the feeder, volumes come out ${share(learned)}.`;
    case "noise":
      return `A single reading strays by about ${size(learned.value, learned, units)}.`;
  }
}

function perTenDegrees(learned: Learned, units: Units): Learned {
  const kelvin = units === "us" ? 10 / 1.8 : 10;
  return { ...learned, unit: learned.unit.replace("/K", ""), value: learned.value * kelvin, lo: learned.lo * kelvin, hi: learned.hi * kelvin };
}

function apart(learned: Learned, units: Units, more: string, less: string): string {
  const word = learned.value < 0 ? less : more;
  const [from, to] = learned.value < 0 ? [-learned.hi, -learned.lo] : [learned.lo, learned.hi];
  const range = `(${bare(from, learned, units)} to ${bare(to, learned, units)} ${fine(learned, units).unit})`;
  if (Number(bare(learned.value, learned, units).replace("−", "-")) === 0) return `neither more nor less ${range}`;
  return `${size(Math.abs(learned.value), learned, units)} ${word} ${range}`;
}

function share({ value, lo, hi }: Learned): string {
  const word = value < 0 ? "too small" : "too large";
  const [from, to] = value < 0 ? [-hi, -lo] : [lo, hi];
  const percent = (x: number) => minus((100 * x).toFixed(1));
  return `${percent(Math.abs(value))} % ${word} (${percent(from)} to ${percent(to)})`;
}

function size(value: number, learned: Learned, units: Units): string {
  return `${bare(value, learned, units)} ${fine(learned, units).unit}`;
}

function bare(value: number, learned: Learned, units: Units): string {
  const { factor, decimals } = fine(learned, units);
  return minus((value * factor).toFixed(decimals));
}

function fine(learned: Learned, units: Units): Fine {
  return FINE[units][learned.unit] ?? { unit: learned.unit, factor: 1, decimals: 3 };
}

function minus(text: string): string {
  return Number(text) === 0 ? text.replace("-", "") : text.replace("-", "−");
}
