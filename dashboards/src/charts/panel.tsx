import { useEffect, useRef } from "preact/hooks";
import uPlot from "uplot";
import { theme } from "../data/prefs";
import { useSignal, type Signal } from "../data/signal";
import { clock, dayAndMonth } from "../time/words";
import { ticks } from "../time/zone";
import { readInks, type Inks } from "./inks";
import { paintLine } from "./line";
import { whenNear } from "./on-screen";
import type { Painter } from "./paint";
import { EMPTY, type Series } from "./series";
import { inTurn } from "./turns";
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

const AXIS_WIDTH = 46;
const RIGHT_EDGE = 26;
const NOTCH_ROOM = 34;
const DATE_ROOM = 24;

/** Where a panel shows the dates of the axis that all share. */
export type Dates = "top" | "bottom" | "none";

interface Props {
  panel: Panel;
  dates: Dates;
  zone: string;
  view: Signal<View>;
  /** Hears of the chart when it stands, and null when it goes. */
  onChart: (chart: uPlot | null) => void;
}

/** One chart. It is made again when its kind, its theme or its place changes; data flows into the one that stands. */
export function PanelChart({ panel, dates, zone, view, onChart }: Props) {
  const place = useRef<HTMLDivElement>(null);
  const chart = useRef<uPlot | null>(null);
  const current = useRef(panel);
  const inkTheme = useSignal(theme);
  const { height, title, notched = false } = panel;

  useEffect(() => {
    const holder = place.current;
    if (holder === null) return;
    let takeDown = () => {};
    let notYet = () => {};
    const draw = () => {
      const made = new uPlot(
        optionsFor(current, dates, zone, readInks(holder), view, holder.clientWidth),
        dataOf(current.current),
        holder,
      );
      chart.current = made;
      onChart(made);
      const show = () => {
        const { from, to } = view.get();
        made.setScale("x", { min: from, max: to });
      };
      // Several movements within one frame are drawn once.
      let frame = 0;
      const unwatch = view.watch(() => {
        cancelAnimationFrame(frame);
        frame = requestAnimationFrame(show);
      });
      const sizes = new ResizeObserver(() => {
        if (holder.clientWidth > 0 && holder.clientWidth !== made.width) made.setSize({ width: holder.clientWidth, height });
      });
      sizes.observe(holder);
      takeDown = () => {
        cancelAnimationFrame(frame);
        unwatch();
        sizes.disconnect();
        made.destroy();
        chart.current = null;
        onChart(null);
      };
    };
    const unwatched = whenNear(holder, (paper) => {
      if (paper) draw();
      else notYet = inTurn(draw);
    });
    return () => {
      unwatched();
      notYet();
      takeDown();
    };
  }, [height, title, notched, dates, zone, inkTheme, view, onChart]);

  useEffect(() => {
    const before = current.current;
    current.current = panel;
    if (chart.current === null || before === panel) return;
    if (before.series === panel.series) {
      chart.current.redraw(false, true);
      return;
    }
    chart.current.setData(dataOf(panel), false);
    const { from, to } = view.get();
    chart.current.setScale("x", { min: from, max: to });
  }, [panel, view]);

  return (
    <figure class="panel">
      <figcaption>{title}</figcaption>
      <div ref={place} style={{ minHeight: `${height}px` }} />
    </figure>
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
  dates: Dates,
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
      { show: !bare, points: { show: false }, paths: () => null },
    ],
    hooks: {
      drawClear: [paint("under")],
      drawSeries: [(chart) => paintLine(chart, { stroke: inks[ink], width: Math.round(inks.stroke * devicePixelRatio) })],
      draw: [paint("over")],
    },
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
