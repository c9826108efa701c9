import { useMemo, useRef } from "preact/hooks";
import { units } from "../data/prefs";
import { useQuery } from "../data/query";
import { signal, useSignal, type Signal } from "../data/signal";
import type { Columns, Fill, Flag, ShelfHive, ShelfYard, UptakeDay, WeightDay, YardDeclaration } from "../data/types";
import { nights } from "../time/sun";
import { momentWords } from "../time/words";
import { addDays, DAY, dateOf, HOUR, momentOf } from "../time/zone";
import { amount, change, digits, shown, unitOf, withInterval } from "../units/units";
import { DayTable } from "./day-table";
import { FLAG_ROW, flagRows, paintBars, paintFlags, paintNights, paintNotches, paintRule, type DayBar, type Notch } from "./paint";
import { decode, EMPTY, map, nearest, refine, type Series } from "./series";
import type { Panel } from "./panel";
import { ChartStack } from "./stack";
import { detailWindow, pan, span, within, zoom, type View } from "./view";

/** How far back a hive's charts go. */
const SEASON_DAYS = 120;
/** Points for a season, and for a stretch of it: about two for each pixel of a wide screen. */
const POINTS = 1500;

interface Props {
  hive: ShelfHive;
  yard: ShelfYard;
}

export function HiveCharts({ hive, yard }: Props) {
  const zone = yard.timezone;
  // The end stands still while the page is open, so that what is fetched can be kept.
  const bounds = useMemo(() => seasonUntil(Date.now(), zone), [zone]);
  const view = useRef<Signal<View>>(null);
  view.current ??= signal<View>({ from: bounds.to - 30 * DAY, to: bounds.to });
  const pointed = useRef<Signal<number | null>>(null);
  pointed.current ??= signal<number | null>(null);
  const known = useHiveData(hive, yard, bounds, view.current);
  const panels = usePanels(hive, yard, known, bounds);
  const anything = panels.some((panel) => panel.series.at.length > 0 || panel.key === "uptake");
  return (
    <section class="charts" aria-labelledby="charts">
      <div class="charts-head">
        <h2 id="charts">The season</h2>
        <Ranges view={view.current} bounds={bounds} />
      </div>
      {anything ? (
        <>
          <Readout known={known} zone={zone} pointed={pointed.current} view={view.current} />
          <ChartStack
            panels={panels}
            zone={zone}
            view={view.current}
            bounds={bounds}
            pointed={pointed.current}
            label={`Charts of ${hive.name} over time`}
          />
          <p class="quiet" id="chart-keys">
            Drag to move, pinch or press + and − to zoom, tap or use the arrow keys to read a moment.
          </p>
        </>
      ) : (
        <p>No readings yet. They appear here as soon as a scale or a level sensor speaks.</p>
      )}
      <DayTable uptake={known.uptake} weight={known.weight} />
    </section>
  );
}

function seasonUntil(now: number, zone: string): View {
  const to = momentOf(addDays(dateOf(now, zone), 1), zone);
  return { from: momentOf(addDays(dateOf(to, zone), -SEASON_DAYS), zone), to };
}

interface Known {
  scale: Series;
  volume: { feeder: string; capacity_l: number; series: Series }[];
  temperature: Series;
  uptake: UptakeDay[];
  weight: WeightDay[];
  fills: Fill[];
  flags: Flag[];
}

/** Everything the charts show: the season's overview at once, the detail of the view as it is asked for. */
function useHiveData(hive: ShelfHive, yard: ShelfYard, bounds: View, view: Signal<View>): Known {
  const shown_view = useSignal(view);
  const base = `/api/v1/hives/${encodeURIComponent(hive.id)}`;
  const days = `from=${dateOf(bounds.from, yard.timezone)}&to=${dateOf(bounds.to, yard.timezone)}`;
  const uptake = useQuery<{ days: UptakeDay[] }>(`${base}/uptake?${days}`);
  const weight = useQuery<{ days: WeightDay[] }>(`${base}/weight?${days}`);
  const moments = `from=${new Date(bounds.from).toISOString()}&to=${new Date(bounds.to).toISOString()}`;
  const fills = useQuery<{ fills: Fill[] }>(`${base}/fills?${moments}`);
  const flags = useQuery<{ flags: Flag[] }>(`${base}/flags`);
  const declared = useQuery<YardDeclaration>(`/api/v1/yards/${encodeURIComponent(yard.id)}`);
  const weather = declared.data?.weather ?? null;
  const first = hive.feeders[0]?.id ?? null;
  const second = hive.feeders[1]?.id ?? null;
  const window = detailWindow(shown_view, bounds);
  const scale = useSeries(`${base}/scale?`, bounds, window);
  const volumeA = useSeries(first === null ? null : `/api/v1/feeders/${encodeURIComponent(first)}/volume?`, bounds, window);
  const volumeB = useSeries(second === null ? null : `/api/v1/feeders/${encodeURIComponent(second)}/volume?`, bounds, window);
  const station = weather === null ? null : `/api/v1/readings?device=${encodeURIComponent(weather)}&channel=temperature&`;
  const temperature = useSeries(station, bounds, window);
  return useMemo(
    () => ({
      scale,
      volume: [volumeA, volumeB].flatMap((series, i) => {
        const feeder = hive.feeders[i];
        return feeder === undefined ? [] : [{ feeder: feeder.id, capacity_l: feeder.capacity_l, series }];
      }),
      temperature,
      uptake: uptake.data?.days ?? [],
      weight: weight.data?.days ?? [],
      fills: fills.data?.fills ?? [],
      flags: flags.data?.flags ?? [],
    }),
    [hive.feeders, scale, volumeA, volumeB, temperature, uptake.data, weight.data, fills.data, flags.data],
  );
}

function useSeries(base: string | null, bounds: View, detail: View | null): Series {
  const path = (view: View) =>
    `${base ?? ""}from=${new Date(view.from).toISOString()}&to=${new Date(view.to).toISOString()}&points=${POINTS}`;
  const overview = useQuery<Columns>(base === null ? null : path(bounds));
  const finer = useQuery<Columns>(base === null || detail === null ? null : path(detail));
  const coarse = useMemo(() => (overview.data === undefined ? EMPTY : decode(overview.data)), [overview.data]);
  const fine = useMemo(() => (finer.data === undefined ? EMPTY : decode(finer.data)), [finer.data]);
  const from = detail?.from ?? 0;
  const to = detail?.to ?? 0;
  return useMemo(() => refine(coarse, fine, from, to), [coarse, fine, from, to]);
}

function usePanels(hive: ShelfHive, yard: ShelfYard, known: Known, bounds: View): Panel[] {
  const system = useSignal(units);
  return useMemo(() => {
    const zone = yard.timezone;
    const now = Date.now();
    const dark =
      yard.latitude === null || yard.longitude === null ? [] : nights(bounds.from, bounds.to, yard.latitude, yard.longitude);
    const under = [paintNights(dark)];
    const panels: Panel[] = [];
    if (known.scale.at.length > 0) {
      const target = hive.target_weight_kg;
      panels.push({
        key: "scale",
        title: `Weight, ${unitOf("mass", system)}`,
        height: 190,
        series: map(known.scale, (kg) => shown(kg, "mass", system)),
        ink: "ink",
        fromZero: false,
        notched: known.weight.some((day) => Math.abs(day.handling_kg) >= HANDLING_KG),
        under,
        over: [
          paintNotches(handlingNotches(known.weight, known.fills, zone, (kg) => change(kg, "mass", system))),
          ...(target === null ? [] : [paintRule(shown(target, "mass", system), "target")]),
        ],
      });
    }
    known.volume.forEach(({ feeder, capacity_l, series }, i) => {
      if (series.at.length === 0) return;
      panels.push({
        key: `volume-${i}`,
        title: `In the feeder, ${unitOf("volume", system)}`,
        height: 170,
        series: map(series, (l) => shown(l, "volume", system)),
        ink: "syrup",
        fromZero: true,
        top: shown(capacity_l, "volume", system) * 1.02,
        notched: true,
        under,
        over: [paintNotches(fillNotches(known.fills, feeder, (l) => digits(l, "volume", system)))],
      });
    });
    const bars = dayBars(known.uptake, zone, (l) => shown(l, "volume", system));
    if (bars.length > 0) {
      const top = Math.max(shown(0.4, "volume", system), ...bars.map((bar) => bar.estimate.hi * 1.08));
      panels.push({
        key: "uptake",
        title: `Taken each day, ${unitOf("volume", system)}`,
        height: 150,
        series: EMPTY,
        ink: "syrup",
        fromZero: true,
        top,
        over: [paintBars(bars)],
      });
    }
    if (known.temperature.at.length > 0) {
      panels.push({
        key: "temperature",
        title: `Temperature in the yard, ${unitOf("temperature", system)}`,
        height: 120,
        series: map(known.temperature, (c) => shown(c, "temperature", system)),
        ink: "cool",
        fromZero: false,
        under,
      });
    }
    const rows = flagRows(known.flags, now);
    if (rows.length > 0 && panels.length > 0) {
      panels.push({
        key: "flags",
        title: "What stood out",
        height: rows.length * FLAG_ROW + 12,
        series: EMPTY,
        ink: "ink",
        fromZero: true,
        bare: true,
        over: [paintFlags(rows, now)],
      });
    }
    return panels;
  }, [hive, yard, known, bounds, system]);
}

/** Less than this was wind or rain, not hands. */
const HANDLING_KG = 0.5;

/** A litre of feeding syrup weighs 1.2 to 1.35 kg: what the fills of a day explain is not marked twice. */
const FILL_KG_PER_L = 1.27;

function handlingNotches(days: WeightDay[], fills: Fill[], zone: string, words: (kg: number) => string): Notch[] {
  const poured = (date: string) =>
    fills
      .filter((fill) => dateOf(Date.parse(fill.time), zone) === date)
      .reduce((kg, fill) => kg + (fill.volume_l?.value ?? 0) * FILL_KG_PER_L, 0);
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
function dayBars(days: UptakeDay[], zone: string, toShown: (l: number) => number): DayBar[] {
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
  }));
}

const RANGES = [
  { words: "Day", length: DAY },
  { words: "Week", length: 7 * DAY },
  { words: "Month", length: 30 * DAY },
  { words: "Season", length: SEASON_DAYS * DAY },
];

function Ranges({ view, bounds }: { view: Signal<View>; bounds: View }) {
  const current = useSignal(view);
  const middle = (current.from + current.to) / 2;
  const show = (length: number) => {
    // Widening or narrowing keeps the end where it is, so that "today" stays in sight.
    view.set(within({ from: current.to - length, to: current.to }, bounds));
  };
  return (
    <div class="ranges" role="group" aria-label="Stretch of time">
      <div>
      {RANGES.map(({ words, length }) => (
        <button key={words} type="button" aria-pressed={Math.abs(span(current) - length) < HOUR * 2} onClick={() => show(length)}>
          {words}
        </button>
      ))}
      </div>
      <div>
      <button type="button" aria-label="Earlier" onClick={() => view.set(pan(current, -span(current) / 2, bounds))}>
        ←
      </button>
      <button type="button" aria-label="Later" onClick={() => view.set(pan(current, span(current) / 2, bounds))}>
        →
      </button>
      <button type="button" aria-label="Zoom in" onClick={() => view.set(zoom(current, 0.5, middle, bounds))}>
        +
      </button>
      <button type="button" aria-label="Zoom out" onClick={() => view.set(zoom(current, 2, middle, bounds))}>
        −
      </button>
      </div>
    </div>
  );
}

/** The numbers at the moment pointed at. */
function Readout({ known, zone, pointed, view }: { known: Known; zone: string; pointed: Signal<number | null>; view: Signal<View> }) {
  const system = useSignal(units);
  const at = useSignal(pointed);
  const current = useSignal(view);
  if (at === null) return <p class="readout quiet">Point at a moment to read it.</p>;
  const reach = Math.max(HOUR, span(current) / 100);
  const kg = nearest(known.scale, at, reach);
  const celsius = nearest(known.temperature, at, reach);
  const day = known.uptake.find((d) => d.date === dateOf(at, zone));
  const parts = [
    kg === null ? null : amount(kg.value, "mass", system),
    ...known.volume.map(({ series }) => {
      const litres = nearest(series, at, reach);
      return litres === null ? null : `${amount(litres.value, "volume", system)} in the feeder`;
    }),
    day?.uptake_l == null ? null : `took ${withInterval(day.uptake_l, "volume", system)} that day`,
    celsius === null ? null : amount(celsius.value, "temperature", system),
  ].filter((part) => part !== null);
  return (
    <p class="readout" role="status">
      <b>{momentWords(at, Date.now(), zone)}</b>
      {parts.length > 0 ? ` ${parts.join(" · ")}` : " no readings"}
    </p>
  );
}
