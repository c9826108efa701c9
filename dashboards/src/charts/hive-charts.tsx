import { useMemo, useRef } from "preact/hooks";
import "uplot/dist/uPlot.min.css";
import { units } from "../data/prefs";
import { signal, useSignal, type Signal } from "../data/signal";
import type { ShelfHive, ShelfYard } from "../data/types";
import { totalWords } from "../shelf/totals";
import { momentWords } from "../time/words";
import { addDays, DAY, dateOf, HOUR, momentOf } from "../time/zone";
import { amount } from "../units/units";
import { DayTable } from "./day-table";
import { useHiveData, type Known } from "./hive-data";
import { usePanels } from "./hive-panels";
import { nearest } from "./series";
import { ChartStack } from "./stack";
import { pan, span, within, zoom, type View } from "./view";

/** How far back a hive's charts go. */
const SEASON_DAYS = 120;
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
      <DayTable uptake={known.uptake} weight={known.weight} zone={zone} />
    </section>
  );
}

function seasonUntil(now: number, zone: string): View {
  const to = momentOf(addDays(dateOf(now, zone), 1), zone);
  return { from: momentOf(addDays(dateOf(to, zone), -SEASON_DAYS), zone), to };
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
    day === undefined || day.uptake_l.value === null ? null : `took ${totalWords(day.uptake_l, system, day.date === dateOf(Date.now(), zone) ? "so far today" : "that day") ?? ""}`,
    ...known.volume.map(({ left_out }) => {
      const ring = nearest(left_out, at, reach);
      return ring === null ? null : `left out: ${amount(ring.value, "volume", system)}`;
    }),
    celsius === null ? null : amount(celsius.value, "temperature", system),
  ].filter((part) => part !== null);
  return (
    <p class="readout" role="status">
      <b>{momentWords(at, Date.now(), zone)}</b>
      {parts.length > 0 ? ` ${parts.join(" · ")}` : " no readings"}
    </p>
  );
}
