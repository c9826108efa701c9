import { useEffect, useMemo, useRef } from "preact/hooks";
import type uPlot from "uplot";
import type { Signal } from "../data/signal";
import { takeGestures } from "./gestures";
import { PanelChart, type Dates, type Panel } from "./panel";
import type { View } from "./view";

interface Props {
  panels: Panel[];
  zone: string;
  view: Signal<View>;
  bounds: View;
  pointed: Signal<number | null>;
  label: string;
}

/** Charts over one time axis, moved together. */
export function ChartStack({ panels, zone, view, bounds, pointed, label }: Props) {
  const stack = useRef<HTMLDivElement>(null);
  // Any of the charts tells where the plotting area lies; all share it.
  const measure = useRef<uPlot | null>(null);
  const latest = useRef(bounds);
  latest.current = bounds;
  const onChart = useMemo(() => (chart: uPlot | null) => (measure.current = chart ?? measure.current), []);

  useEffect(() => {
    const holder = stack.current;
    if (holder === null) return;
    let frame = 0;
    const show = () => {
      cancelAnimationFrame(frame);
      frame = requestAnimationFrame(() => placeCursor(holder, measure.current, view.get(), pointed.get()));
    };
    const unwatch = [view.watch(show), pointed.watch(show)];
    const letGo = takeGestures(holder, {
      view: view.get,
      bounds: () => latest.current,
      area: () => areaOf(holder, measure.current),
      move: view.set,
      point: pointed.set,
      pointed: pointed.get,
    });
    return () => {
      cancelAnimationFrame(frame);
      letGo();
      for (const stop of unwatch) stop();
    };
  }, [view, pointed]);

  return (
    <div class="stack" ref={stack} tabIndex={0} role="group" aria-label={label} aria-describedby="chart-keys">
      {panels.map((panel, i) => (
        <PanelChart key={panel.key} panel={panel} dates={datesOf(panels, i)} zone={zone} view={view} onChart={onChart} />
      ))}
      <div class="stack-cursor" hidden />
    </div>
  );
}

/** The first panel has the dates above it, the last one with a scale has them below. */
function datesOf(panels: Panel[], i: number): Dates {
  if (panels[i]?.bare === true) return "none";
  if (i === 0) return "top";
  return panels[i + 1] === undefined || panels[i + 1]?.bare === true ? "bottom" : "none";
}

function areaOf(holder: HTMLElement, chart: uPlot | null): { left: number; width: number } {
  if (chart === null) return { left: 0, width: 1 };
  const over = chart.over.getBoundingClientRect();
  return { left: over.left - holder.getBoundingClientRect().left, width: Math.max(1, over.width) };
}

function placeCursor(holder: HTMLElement, chart: uPlot | null, view: View, at: number | null): void {
  const cursor = holder.querySelector<HTMLElement>(".stack-cursor");
  if (cursor === null) return;
  const { left, width } = areaOf(holder, chart);
  const x = at === null ? -1 : ((at - view.from) / (view.to - view.from)) * width;
  cursor.hidden = x < 0 || x > width;
  cursor.style.transform = `translateX(${left + x}px)`;
}
