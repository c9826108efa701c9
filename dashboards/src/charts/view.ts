/** The stretch of time on the screen, and how hands move it. Pure. */
import { DAY, HOUR } from "../time/zone";

export interface View {
  from: number;
  to: number;
}

export const SHORTEST_VIEW = HOUR;

export function span(view: View): number {
  return view.to - view.from;
}

/** Keeps a view inside its bounds, moving it before shortening it. */
export function within(view: View, bounds: View): View {
  const length = Math.min(span(bounds), Math.max(SHORTEST_VIEW, span(view)));
  const from = Math.min(bounds.to - length, Math.max(bounds.from, view.from));
  return { from, to: from + length };
}

export function pan(view: View, by: number, bounds: View): View {
  return within({ from: view.from + by, to: view.to + by }, bounds);
}

/** Shows `factor` times as much; what stands under `around` stays there. */
export function zoom(view: View, factor: number, around: number, bounds: View): View {
  const wanted = Math.min(span(bounds), Math.max(SHORTEST_VIEW, span(view) * factor));
  const share = (around - view.from) / span(view);
  const from = around - share * wanted;
  return within({ from, to: from + wanted }, bounds);
}

export interface Spot {
  x: number;
  y: number;
}

/** Closer than this, two fingers say nothing about a distance. */
const LEAST_PINCH = 16;

/** Two fingers, in pixels of the plotting area: what was between them stays there, spread as they are. */
export function pinch(start: View, before: [Spot, Spot], now: [Spot, Spot], width: number, bounds: View): View {
  const apart = ([a, b]: [Spot, Spot]) => Math.max(LEAST_PINCH, Math.hypot(a.x - b.x, a.y - b.y));
  const between = ([a, b]: [Spot, Spot]) => (a.x + b.x) / 2;
  const held = start.from + (between(before) / width) * span(start);
  const length = Math.min(span(bounds), Math.max(SHORTEST_VIEW, (span(start) * apart(before)) / apart(now)));
  const from = held - (between(now) / width) * length;
  return within({ from, to: from + length }, bounds);
}

/**
 * The window of finer readings that a view asks for: a power of two of hours, snapped to its half,
 * so that moving about asks for few windows and mostly for those already here.
 */
export function detailWindow(view: View, bounds: View): View | null {
  if (span(view) > span(bounds) / 3) return null;
  let hours = 4;
  while (hours * HOUR < span(view) * 1.6) hours *= 2;
  const half = (hours * HOUR) / 2;
  const from = Math.floor((view.from - span(view) * 0.3) / half) * half;
  return { from, to: from + 3 * half };
}

/** Step between ticks so that labels have room. */
export function tickStep(view: View, width: number, room: number): { hours?: number; days?: number } {
  const perTick = (span(view) / Math.max(1, width)) * room;
  for (const hours of [1, 2, 3, 6, 12]) if (hours * HOUR >= perTick) return { hours };
  for (const days of [1, 2, 7, 14, 28]) if (days * DAY >= perTick) return { days };
  return { days: 56 };
}
