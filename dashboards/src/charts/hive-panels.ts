/** The panels of a hive's charts. */
import { useMemo } from "preact/hooks";
import { units, type Units } from "../data/prefs";
import { useSignal } from "../data/signal";
import type { Fill, Flag, ShelfHive, ShelfYard, UptakeTotal, WeightDay } from "../data/types";
import { now } from "../parts/clock";
import { sumOf } from "../shelf/totals";
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
    () => scalePanel(known.scale, known.weight, target, zone, system, under),
    [known.scale, known.weight, target, zone, system, under],
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
      paintNotches(handlingNotches(weight, zone, (kg) => change(kg, "mass", system))),
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

function uptakePanel(days: UptakeTotal[], zone: string, today: string, system: Units): Panel | null {
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

/** What a day's fills explain is not marked twice; a quarter of a day's handling is within what fills are known to. */
const EXPLAINED_SHARE = 0.25;

function handlingNotches(days: WeightDay[], zone: string, words: (kg: number) => string): Notch[] {
  const by_hands = ({ handling_kg, beyond_fills_kg }: WeightDay) =>
    Math.abs(handling_kg) >= HANDLING_KG && Math.abs(beyond_fills_kg ?? handling_kg) >= Math.max(HANDLING_KG, Math.abs(handling_kg) * EXPLAINED_SHARE);
  return days.filter(by_hands).map((day) => ({ at: momentOf(day.date, zone, 14), words: words(day.handling_kg), kind: "hands" }));
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

/** One bar a local day on which anything is known of the feeders. */
function dayBars(days: UptakeTotal[], zone: string, today: string, toShown: (l: number) => number): DayBar[] {
  return days.flatMap(({ date, uptake_l }) => {
    const took = sumOf(uptake_l);
    if (took === null) return [];
    return {
      from: momentOf(date, zone),
      to: momentOf(addDays(date, 1), zone),
      estimate: { value: toShown(took.value), lo: toShown(took.lo), hi: toShown(took.hi) },
      soFar: date === today,
    };
  });
}
