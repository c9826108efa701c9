import { useEffect, useMemo, useRef } from "preact/hooks";
import uPlot from "uplot";
import { theme } from "../data/prefs";
import { useSignal, type Signal } from "../data/signal";
import { clock, dayAndMonth } from "../time/words";
import { ticks } from "../time/zone";
import { takeGestures } from "./gestures";
import { readInks, type Inks } from "./inks";
import type { Painter } from "./paint";
import { EMPTY, type Series } from "./series";
import { tickStep, type View } from "./view";

export interface Panel {
  key: string;
  /** "Weight, kg": stands over the chart in place of a legend. */
  title: string;
  height: number;
  series: Series;
  ink: "ink" | "syrup" | "cool";
  /** Volumes and uptake start at zero; weights never do. */
  fromZero: boolean;
  /** The least top of the scale. */
  top?: number;
  /** No line and no scale: painters only. */
  bare?: boolean;
  /** Leaves room over the chart for notches with their words. */
  notched?: boolean;
  under?: Painter[];
  over?: Painter[];
}

interface Props {
  panels: Panel[];
  zone: string;
  view: Signal<View>;
  bounds: View;
  pointed: Signal<number | null>;
  label: string;
}

const AXIS_WIDTH = 46;
const RIGHT_EDGE = 26;
const NOTCH_ROOM = 26;
const DATE_ROOM = 24;

/** Charts over one time axis, moved together. */
export function ChartStack({ panels, zone, view, bounds, pointed, label }: Props) {
  const stack = useRef<HTMLDivElement>(null);
  const charts = useRef<{ key: string; chart: uPlot; panel: { current: Panel } }[]>([]);
  const inkTheme = useSignal(theme);
  const latest = useRef(bounds);
  latest.current = bounds;
  // Charts are made again only when their kind changes; data flows into those that stand.
  const structure = useMemo(
    () => panels.map((p) => `${p.key}:${p.height}:${p.bare === true}:${p.title}`).join("|"),
    [panels],
  );

  useEffect(() => {
    const holder = stack.current;
    if (holder === null) return;
    const inks = readInks(holder);
    const made = panels.map((panel, i) => {
      const current = { current: panel };
      const place = holder.querySelector<HTMLElement>(`[data-panel="${panel.key}"]`);
      if (place === null) throw new Error(`no place for ${panel.key}`);
      const last = i === panels.length - 1 || panels[i + 1]?.bare === true;
      const dates = panel.bare === true ? "none" : i === 0 ? "top" : last ? "bottom" : "none";
      const options = optionsFor(current, dates, zone, inks, view, place.clientWidth);
      return { key: panel.key, chart: new uPlot(options, dataOf(panel), place), panel: current };
    });
    charts.current = made;

    let frame = 0;
    const show = () => {
      cancelAnimationFrame(frame);
      frame = requestAnimationFrame(() => {
        const { from, to } = view.get();
        for (const { chart } of made) chart.setScale("x", { min: from, max: to });
        placeCursor(holder, made[0]?.chart, pointed.get());
      });
    };
    const unwatch = [view.watch(show), pointed.watch(show)];
    const letGo = takeGestures(holder, {
      view: view.get,
      bounds: () => latest.current,
      area: () => areaOf(holder, made[0]?.chart),
      move: view.set,
      point: pointed.set,
      pointed: pointed.get,
    });
    const sizes = new ResizeObserver(() => {
      for (const { chart, panel } of made) {
        const width = chart.root.parentElement?.clientWidth ?? 0;
        if (width > 0 && width !== chart.width) chart.setSize({ width, height: panel.current.height });
      }
      show();
    });
    sizes.observe(holder);
    show();
    return () => {
      cancelAnimationFrame(frame);
      sizes.disconnect();
      letGo();
      for (const stop of unwatch) stop();
      for (const { chart } of made) chart.destroy();
      charts.current = [];
    };
    // The panels' data is followed by the effect below.
  }, [structure, zone, inkTheme, view, pointed]);

  useEffect(() => {
    for (const standing of charts.current) {
      const panel = panels.find((p) => p.key === standing.key);
      if (panel === undefined || panel === standing.panel.current) continue;
      const sameData = panel.series === standing.panel.current.series;
      standing.panel.current = panel;
      if (sameData) standing.chart.redraw(false, true);
      else standing.chart.setData(dataOf(panel), false);
      const { from, to } = view.get();
      standing.chart.setScale("x", { min: from, max: to });
    }
  }, [panels, view]);

  return (
    <div class="stack" ref={stack} tabIndex={0} role="group" aria-label={label} aria-describedby="chart-keys">
      {panels.map((panel) => (
        <figure class="panel" key={panel.key}>
          <figcaption>{panel.title}</figcaption>
          <div data-panel={panel.key} />
        </figure>
      ))}
      <div class="stack-cursor" hidden />
    </div>
  );
}

function dataOf(panel: Panel): uPlot.AlignedData {
  // A bare or empty panel still needs two points for its scale to stand.
  const { at, value } = panel.series.at.length > 0 ? panel.series : EMPTY_DATA;
  return [at, value];
}

const EMPTY_DATA: Series = { ...EMPTY, at: [0, 1], value: [null, null] };

function optionsFor(
  panel: { current: Panel },
  dates: "top" | "bottom" | "none",
  zone: string,
  inks: Inks,
  view: Signal<View>,
  width: number,
): uPlot.Options {
  const { height, bare = false, notched: notches = false, ink } = panel.current;
  const axisInk = { stroke: inks.quiet, font: `13px ${inks.font}`, ticks: { show: false } };
  const splits = (chart: uPlot) => ticks(view.get().from, view.get().to, zone, tickStep(view.get(), chart.width, 66));
  const { from, to } = view.get();
  const paint = (which: "under" | "over") => (chart: uPlot) => {
    for (const painter of panel.current[which] ?? []) painter(chart, inks);
  };
  return {
    width: Math.max(100, width),
    height,
    ms: 1,
    legend: { show: false },
    cursor: { show: false },
    padding: [notches && dates !== "top" ? NOTCH_ROOM : 8, RIGHT_EDGE, 4, bare ? AXIS_WIDTH : 0],
    scales: {
      x: { time: true, min: from, max: to, range: (_chart, min, max) => [min, max] },
      y: { range: (_chart, min, max) => scaleRange(panel.current, min, max) },
    },
    axes: [
      {
        ...axisInk,
        show: dates !== "none",
        // Top or bottom; the library's names for them are erased at compile time.
        // eslint-disable-next-line @typescript-eslint/no-unsafe-enum-assignment
        side: dates === "top" ? 0 : 2,
        size: dates === "top" && notches ? DATE_ROOM + NOTCH_ROOM : DATE_ROOM,
        gap: dates === "top" && notches ? NOTCH_ROOM : 4,
        splits,
        values: (_chart, at) => at.map((t) => tickWords(t, zone)),
        grid: { stroke: inks.line, width: 1 },
      },
      {
        ...axisInk,
        show: !bare,
        size: AXIS_WIDTH,
        space: 34,
        gap: 6,
        grid: { stroke: inks.line, width: 1 },
      },
    ],
    series: [
      {},
      { stroke: inks[ink], width: inks.stroke, points: { show: false }, spanGaps: false, show: !bare },
    ],
    hooks: { drawClear: [paint("under")], draw: [paint("over")] },
  };
}

function scaleRange(panel: Panel, min: number | null, max: number | null): [number, number] {
  if (panel.fromZero) return [0, Math.max(panel.top ?? 1, (max ?? 0) * 1.05)];
  if (min === null || max === null) return [0, 1];
  const middle = (min + max) / 2;
  const half = Math.max((max - min) * 0.54, panel.top ?? 0.5);
  return [middle - half, middle + half];
}

function tickWords(at: number, zone: string): string {
  const time = clock(at, zone);
  return time === "00:00" ? dayAndMonth(at, zone) : time;
}

function areaOf(holder: HTMLElement, chart: uPlot | undefined): { left: number; width: number } {
  if (chart === undefined) return { left: 0, width: 1 };
  const over = chart.over.getBoundingClientRect();
  return { left: over.left - holder.getBoundingClientRect().left, width: Math.max(1, over.width) };
}

function placeCursor(holder: HTMLElement, chart: uPlot | undefined, at: number | null): void {
  const cursor = holder.querySelector<HTMLElement>(".stack-cursor");
  if (cursor === null || chart === undefined) return;
  const { left, width } = areaOf(holder, chart);
  const x = at === null ? -1 : chart.valToPos(at, "x");
  cursor.hidden = x < 0 || x > width;
  cursor.style.transform = `translateX(${left + x}px)`;
}
