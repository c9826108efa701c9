/** The panels of a hive's charts. */
import { useMemo } from "preact/hooks";
import { units, type Units } from "../data/prefs";
import { useSignal } from "../data/signal";
import type { Fill, Flag, ShelfHive, ShelfYard, UptakeDay, WeightDay } from "../data/types";
import { now } from "../parts/clock";
import { nights } from "../time/sun";
import { addDays, dateOf, momentOf } from "../time/zone";
import { change, digits, shown, unitOf } from "../units/units";
import type { Known } from "./hive-data";
import { FLAG_ROW, flagRows, paintBars, paintFlags, paintNights, paintNotches, paintRings, paintRule, type DayBar, type Notch, type Painter } from "./paint";
import type { Panel } from "./panel";
import { EMPTY, map, type Series } from "./series";
import type { View } from "./view";

/** The panels, top to bottom. Each is made again only when what it shows has changed. */
export function usePanels(hive: ShelfHive, yard: ShelfYard, known: Known, bounds: View): Panel[] {
  const system = useSignal(units);
  const zone = yard.timezone;
  const { latitude, longitude } = yard;
  const under = useMemo(() => {
    const dark = latitude === null || longitude === null ? [] : nights(bounds.from, bounds.to, latitude, longitude);
    return [paintNights(dark)];
  }, [bounds, latitude, longitude]);
  const target = hive.target_weight_kg;
  const scale = useMemo(
    () => scalePanel(known.scale, known.weight, known.fills, target, zone, system, under),
    [known.scale, known.weight, known.fills, target, zone, system, under],
  );
  const [a, b] = known.volume;
  const volumeA = useVolumePanel(0, a, known.fills, system, under);
  const volumeB = useVolumePanel(1, b, known.fills, system, under);
  const today = dateOf(useSignal(now), zone);
  const uptake = useMemo(() => uptakePanel(known.uptake, zone, today, system), [known.uptake, zone, today, system]);
  const temperature = useMemo(() => temperaturePanel(known.temperature, system, under), [known.temperature, system, under]);
  const flags = useMemo(() => flagPanel(known.flags, Date.now()), [known.flags]);
  return useMemo(() => {
    const charts = [scale, volumeA, volumeB, uptake, temperature].filter((panel) => panel !== null);
    return flags === null || charts.length === 0 ? charts : [...charts, flags];
  }, [scale, volumeA, volumeB, uptake, temperature, flags]);
}

type Volume = Known["volume"][number];

const NO_VOLUME: Volume = { feeder: "", capacity_l: 0, series: EMPTY, left_out: EMPTY };

function useVolumePanel(
  index: number,
  volume: Volume | undefined,
  fills: Fill[],
  system: Units,
  under: Painter[],
): Panel | null {
  const { feeder, capacity_l, series, left_out } = volume ?? NO_VOLUME;
  return useMemo(
    () => volumePanel(index, { feeder, capacity_l, series, left_out }, fills, system, under),
    [index, feeder, capacity_l, series, left_out, fills, system, under],
  );
}

function scalePanel(
  scale: Series,
  weight: WeightDay[],
  fills: Fill[],
  target: number | null,
  zone: string,
  system: Units,
  under: Painter[],
): Panel | null {
  if (scale.at.length === 0) return null;
  return {
    key: "scale",
    title: `Weight, ${unitOf("mass", system)}`,
    height: 190,
    series: map(scale, (kg) => shown(kg, "mass", system)),
    ink: "ink",
    fromZero: false,
    notched: weight.some((day) => Math.abs(day.handling_kg) >= HANDLING_KG),
    under,
    over: [
      paintNotches(handlingNotches(weight, fills, zone, (kg) => change(kg, "mass", system))),
      ...(target === null ? [] : [paintRule(shown(target, "mass", system), "target")]),
    ],
  };
}

function volumePanel(
  index: number,
  { feeder, capacity_l, series, left_out }: Volume,
  fills: Fill[],
  system: Units,
  under: Painter[],
): Panel | null {
  if (series.at.length === 0) return null;
  const rings = left_out.at.length > 0;
  return {
    key: `volume-${index}`,
    title: `In the feeder, ${unitOf("volume", system)}${rings ? "; rings: readings that were left out" : ""}`,
    height: 170,
    series: map(series, (l) => shown(l, "volume", system)),
    ink: "syrup",
    fromZero: true,
    top: shown(capacity_l, "volume", system) * 1.02,
    notched: true,
    under: rings ? [...under, paintRings(map(left_out, (l) => shown(l, "volume", system)))] : under,
    over: [paintNotches(fillNotches(fills, feeder, (l) => digits(l, "volume", system)))],
  };
}

function uptakePanel(days: UptakeDay[], zone: string, today: string, system: Units): Panel | null {
  const bars = dayBars(days, zone, today, (l) => shown(l, "volume", system));
  if (bars.length === 0) return null;
  return {
    key: "uptake",
    title: `Taken each day, ${unitOf("volume", system)}`,
    height: 150,
    series: EMPTY,
    ink: "syrup",
    fromZero: true,
    top: Math.max(shown(0.4, "volume", system), ...bars.map((bar) => bar.estimate.hi * 1.08)),
    over: [paintBars(bars)],
  };
}

function temperaturePanel(temperature: Series, system: Units, under: Painter[]): Panel | null {
  if (temperature.at.length === 0) return null;
  return {
    key: "temperature",
    title: `Temperature in the yard, ${unitOf("temperature", system)}`,
    height: 120,
    series: map(temperature, (c) => shown(c, "temperature", system)),
    ink: "cool",
    fromZero: false,
    under,
  };
}

function flagPanel(flags: Flag[], now: number): Panel | null {
  const rows = flagRows(flags, now);
  if (rows.length === 0) return null;
  return {
    key: "flags",
    title: "What stood out",
    height: rows.length * FLAG_ROW + 12,
    series: EMPTY,
    ink: "ink",
    fromZero: true,
    bare: true,
    over: [paintFlags(rows, now)],
  };
}

/** Less than this was wind or rain, not hands. */
const HANDLING_KG = 0.5;

/** Times at which hands were at the hive for something else: what the fills of a day explain is not marked twice. */
function handlingNotches(days: WeightDay[], fills: Fill[], zone: string, words: (kg: number) => string): Notch[] {
  const poured = (date: string) =>
    fills
      .filter((fill) => dateOf(Date.parse(fill.time), zone) === date)
      .reduce((kg, fill) => kg + (fill.mass_kg?.value ?? 0), 0);
  return days
    .filter((day) => Math.abs(day.handling_kg) >= HANDLING_KG)
    .filter((day) => Math.abs(day.handling_kg - poured(day.date)) >= Math.max(HANDLING_KG, poured(day.date) * 0.25))
    .map((day) => ({ at: momentOf(day.date, zone, 14), words: words(day.handling_kg), kind: "hands" }));
}

function fillNotches(fills: Fill[], feeder: string, words: (l: number) => string): Notch[] {
  return fills
    .filter((fill) => fill.feeder === feeder)
    .map((fill) => ({
      at: Date.parse(fill.time),
      words: fill.volume_l === null ? "?" : words(fill.volume_l.value),
      kind: "fill",
    }));
}

/** One bar a local day; two feeders of a hive are added up. */
function dayBars(days: UptakeDay[], zone: string, today: string, toShown: (l: number) => number): DayBar[] {
  const byDate = new Map<string, { value: number; lo: number; hi: number }>();
  for (const { date, uptake_l } of days) {
    if (uptake_l === null) continue;
    const before = byDate.get(date) ?? { value: 0, lo: 0, hi: 0 };
    byDate.set(date, {
      value: before.value + toShown(uptake_l.value),
      lo: before.lo + toShown(uptake_l.lo),
      hi: before.hi + toShown(uptake_l.hi),
    });
  }
  return [...byDate].map(([date, estimate]) => ({
    from: momentOf(date, zone),
    to: momentOf(addDays(date, 1), zone),
    estimate,
    soFar: date === today,
  }));
}

