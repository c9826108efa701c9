/** What is drawn on a chart besides its line. All painters take the chart and draw in its canvas. */
import type uPlot from "uplot";
import type { Estimate, Flag } from "../data/types";
import { textsOf } from "../flags/words";
import { DAY } from "../time/zone";
import type { Inks } from "./inks";
import { lowerBound, type Series } from "./series";

export type Painter = (chart: uPlot, inks: Inks) => void;

/** Nights, while they are wide enough to be told apart. */
export function paintNights(spans: { from: number; to: number }[]): Painter {
  return (chart, inks) => {
    const { left, top, width, height } = chart.bbox;
    const [from, to] = range(chart);
    if (to - from > 24 * DAY) return;
    chart.ctx.fillStyle = inks.night;
    for (const night of spans) {
      const a = Math.max(left, chart.valToPos(night.from, "x", true));
      const b = Math.min(left + width, chart.valToPos(night.to, "x", true));
      if (b > a) chart.ctx.fillRect(a, top, b - a, height);
    }
  };
}

export interface DayBar {
  from: number;
  to: number;
  estimate: Estimate;
  /** The day is not over. */
  soFar: boolean;
}

/**
 * A day's amount as a vessel shows its level: firm to the low end, fading to the high one, a mark
 * between. The day that is not over is an outline with the same interval, and says so.
 */
export function paintBars(bars: DayBar[]): Painter {
  return (chart, inks) => {
    const { ctx } = chart;
    const ratio = devicePixelRatio;
    const zero = chart.valToPos(0, "y", true);
    clipped(chart, () => {
      for (const { from, to, estimate, soFar } of bars) {
        const a = chart.valToPos(from, "x", true);
        const b = chart.valToPos(to, "x", true);
        const gap = Math.min(6 * ratio, (b - a) * 0.18);
        const [x, w] = [a + gap, Math.max(ratio, b - a - 2 * gap)];
        const y = (litres: number) => chart.valToPos(litres, "y", true);
        const [lo, hi] = [Math.max(0, estimate.lo), Math.max(0, estimate.hi)];
        if (soFar) outline(ctx, inks, { x, top: y(lo), width: w, foot: zero });
        else {
          ctx.fillStyle = inks.syrup;
          ctx.fillRect(x, y(lo), w, zero - y(lo));
        }
        ctx.fillStyle = inks.hatched ? hatch(ctx, inks) : fade(ctx, inks, y(lo), y(hi));
        ctx.fillRect(x, y(hi), w, y(lo) - y(hi));
        if (inks.hatched) {
          ctx.fillStyle = inks.paper;
          ctx.fillRect(x, y(estimate.value) - 3 * ratio, w, 6 * ratio);
        }
        ctx.fillStyle = inks.ink;
        ctx.fillRect(x - ratio, y(estimate.value) - ratio, w + 2 * ratio, 2 * ratio);
        if (soFar) wordsOver(chart, inks, "so far", { x: x + w / 2, foot: y(hi) - 3 * ratio });
      }
    });
  };
}

/** A bar of which only the sides are drawn, dashed. */
function outline(ctx: CanvasRenderingContext2D, inks: Inks, { x, top, width, foot }: { x: number; top: number; width: number; foot: number }): void {
  const line = 2 * devicePixelRatio;
  ctx.strokeStyle = inks.syrup;
  ctx.lineWidth = line;
  ctx.setLineDash([2 * line, line]);
  ctx.strokeRect(x + line / 2, top, Math.max(1, width - line), foot - top);
  ctx.setLineDash([]);
}

function wordsOver(chart: uPlot, inks: Inks, words: string, { x, foot }: { x: number; foot: number }): void {
  const { ctx, bbox } = chart;
  ctx.font = font(inks, 13);
  ctx.fillStyle = inks.ink;
  ctx.textAlign = "right";
  ctx.textBaseline = "bottom";
  const right = Math.min(x + ctx.measureText(words).width / 2, bbox.left + bbox.width);
  ctx.fillText(words, right, Math.max(foot, bbox.top + 14 * devicePixelRatio));
}

/** Readings that were left out, behind the line; one beyond the scale stands at its edge. */
export function paintRings(readings: Series): Painter {
  return (chart, inks) => {
    const { ctx, bbox } = chart;
    const ratio = devicePixelRatio;
    // The chart remembers which inks it set last, and goes on with them.
    ctx.save();
    ctx.strokeStyle = inks.quiet;
    ctx.lineWidth = ratio * (inks.hatched ? 2 : 1);
    const [from, to] = range(chart);
    for (let i = lowerBound(readings.at, from); i < readings.at.length && (readings.at[i] ?? to) < to; i++) {
      const value = readings.value[i];
      if (value === null || value === undefined) continue;
      const x = chart.valToPos(readings.at[i] ?? 0, "x", true);
      const y = Math.min(Math.max(chart.valToPos(value, "y", true), bbox.top), bbox.top + bbox.height);
      ctx.beginPath();
      ctx.arc(x, y, 3 * ratio, 0, 2 * Math.PI);
      ctx.stroke();
    }
    ctx.restore();
  };
}

/** A point in time with a word at the top of the chart: a fill, or hands on the hive. */
export interface Notch {
  at: number;
  words: string;
  /** `fill`: a filled notch in syrup's colour; `hands`: a hollow triangle. */
  kind: "fill" | "hands";
}

export function paintNotches(notches: Notch[]): Painter {
  return (chart, inks) => {
    const { ctx, bbox } = chart;
    const ratio = devicePixelRatio;
    const size = 6 * ratio;
    ctx.font = font(inks, 13);
    ctx.textAlign = "center";
    ctx.textBaseline = "bottom";
    let free = -Infinity;
    for (const notch of notches) {
      const x = chart.valToPos(notch.at, "x", true);
      if (x < bbox.left || x > bbox.left + bbox.width) continue;
      ctx.beginPath();
      ctx.moveTo(x - size, bbox.top - size * 1.6);
      ctx.lineTo(x + size, bbox.top - size * 1.6);
      ctx.lineTo(x, bbox.top);
      ctx.closePath();
      if (notch.kind === "fill") {
        ctx.fillStyle = inks.syrup;
        ctx.fill();
      }
      ctx.strokeStyle = inks.ink;
      ctx.lineWidth = 1.5 * ratio;
      ctx.stroke();
      const half = ctx.measureText(notch.words).width / 2;
      if (x - half < free) continue;
      ctx.fillStyle = inks.ink;
      ctx.fillText(notch.words, Math.min(Math.max(x, bbox.left + half), bbox.left + bbox.width - half), bbox.top - size * 2);
      free = x + half + 6 * ratio;
    }
  };
}

/** A level that matters: the target, or the brim. */
export function paintRule(value: number, words: string): Painter {
  return (chart, inks) => {
    const { ctx, bbox } = chart;
    const ratio = devicePixelRatio;
    const y = chart.valToPos(value, "y", true);
    if (y < bbox.top || y > bbox.top + bbox.height) return;
    ctx.strokeStyle = inks.ink;
    ctx.lineWidth = ratio;
    ctx.setLineDash([2 * ratio, 4 * ratio]);
    ctx.beginPath();
    ctx.moveTo(bbox.left, y);
    ctx.lineTo(bbox.left + bbox.width, y);
    ctx.stroke();
    ctx.setLineDash([]);
    ctx.font = font(inks, 13);
    ctx.fillStyle = inks.ink;
    ctx.textAlign = "right";
    ctx.textBaseline = "bottom";
    ctx.fillText(words, bbox.left + bbox.width - 2 * ratio, y - 2 * ratio);
  };
}

export const FLAG_ROW = 26;

/** Until when a flag stood; one that was withdrawn stood until it was known to be wrong. */
export function endOf(flag: Flag, now: number): number {
  const end = flag.closed_at ?? flag.withdrawn_at;
  return end === null ? now : Date.parse(end);
}

/** Rows of flags so that none lies on another; those that were withdrawn stand below, apart. */
export function flagRows(flags: Flag[], now: number): Flag[][] {
  const withdrawn = (flag: Flag) => flag.state === "withdrawn";
  return [...inRows(flags.filter((flag) => !withdrawn(flag)), now), ...inRows(flags.filter(withdrawn), now)];
}

function inRows(flags: Flag[], now: number): Flag[][] {
  const rows: { until: number; flags: Flag[] }[] = [];
  for (const flag of [...flags].sort((a, b) => a.opened_at.localeCompare(b.opened_at))) {
    const from = Date.parse(flag.opened_at);
    const until = endOf(flag, now);
    const row = rows.find((r) => r.until < from - DAY);
    if (row === undefined) rows.push({ until, flags: [flag] });
    else {
      row.flags.push(flag);
      row.until = until;
    }
  }
  return rows.map((row) => row.flags);
}

/** Which words of a row have room, each from `x` on and `width` wide, in the order of time. The latest go first. */
export function wordsWithRoom(words: { x: number; width: number }[], gap: number): boolean[] {
  let free = Infinity;
  return words
    .toReversed()
    .map(({ x, width }) => {
      const fits = x + width + gap <= free;
      if (fits) free = x;
      return fits;
    })
    .reverse();
}

/** Flags as spans with their word, where it has room. */
export function paintFlags(rows: Flag[][], now: number): Painter {
  return (chart, inks) => {
    const { ctx, bbox } = chart;
    const ratio = devicePixelRatio;
    ctx.font = font(inks, 13);
    ctx.textAlign = "left";
    ctx.textBaseline = "top";
    rows.forEach((flags, row) => {
      const y = bbox.top + row * FLAG_ROW * ratio;
      const written: { ink: string; words: string; x: number; width: number }[] = [];
      for (const flag of flags) {
        const a = Math.max(bbox.left, chart.valToPos(Date.parse(flag.opened_at), "x", true));
        const b = Math.min(bbox.left + bbox.width, chart.valToPos(endOf(flag, now), "x", true));
        if (b < bbox.left || a > bbox.left + bbox.width) continue;
        const ink = inkOf(flag, inks);
        paintSpan(ctx, flag.state, ink, { from: a, to: b, y });
        const words = flagWords(flag);
        const { width } = ctx.measureText(words);
        const x = Math.max(bbox.left, Math.min(a, bbox.left + bbox.width - width));
        written.push({ ink, words, x, width });
      }
      const room = wordsWithRoom(written, 6 * ratio);
      written.forEach(({ ink, words, x }, i) => {
        if (room[i] !== true) return;
        ctx.fillStyle = ink;
        ctx.fillText(words, x, y + 9 * ratio);
      });
    });
  };
}

function inkOf(flag: Flag, inks: Inks): string {
  if (flag.state !== "open") return inks.quiet;
  return flag.severity === "info" ? inks.ink : inks.act;
}

/** A flag's word on the time axis. */
export function flagWords(flag: Flag): string {
  const { word } = textsOf(flag);
  return flag.state === "withdrawn" ? `${word}, withdrawn` : word;
}

/** Open: a bar without an end. Over: with one. Withdrawn: hollow, and crossed out at its end. */
function paintSpan(ctx: CanvasRenderingContext2D, state: Flag["state"], ink: string, { from, to, y }: { from: number; to: number; y: number }): void {
  const ratio = devicePixelRatio;
  const width = Math.max(3 * ratio, to - from);
  ctx.fillStyle = ink;
  ctx.fillRect(from, y, 2 * ratio, 8 * ratio);
  if (state !== "withdrawn") {
    ctx.fillRect(from, y + 2 * ratio, width, 4 * ratio);
    if (state === "closed") ctx.fillRect(to, y, 2 * ratio, 8 * ratio);
    return;
  }
  ctx.strokeStyle = ink;
  ctx.lineWidth = 1.5 * ratio;
  ctx.strokeRect(from, y + 2 * ratio, width, 4 * ratio);
  const end = from + width + 2 * ratio;
  ctx.beginPath();
  for (const side of [0, 8]) {
    ctx.moveTo(end, y + side * ratio);
    ctx.lineTo(end + 8 * ratio, y + (8 - side) * ratio);
  }
  ctx.stroke();
}

function range(chart: uPlot): [number, number] {
  const x = chart.scales["x"];
  return [x?.min ?? 0, x?.max ?? 1];
}

function clipped(chart: uPlot, draw: () => void): void {
  const { ctx, bbox } = chart;
  ctx.save();
  ctx.beginPath();
  ctx.rect(bbox.left, bbox.top - 2, bbox.width, bbox.height + 4);
  ctx.clip();
  draw();
  ctx.restore();
}

function font(inks: Inks, size: number): string {
  return `${size * devicePixelRatio}px ${inks.font}`;
}

/** From syrup to nothing. */
function fade(ctx: CanvasRenderingContext2D, inks: Inks, from: number, to: number): CanvasGradient {
  const gradient = ctx.createLinearGradient(0, from, 0, to - 1);
  gradient.addColorStop(0, inks.syrup);
  gradient.addColorStop(1, clear(inks.syrup));
  return gradient;
}

/** The same hex colour with nothing of it; a plain "transparent" would pass through grey. */
function clear(hex: string): string {
  return hex.length === 4 ? `${hex}0` : `${hex}00`;
}

/** In bright sun nothing fades: the uncertain part is hatched. */
function hatch(ctx: CanvasRenderingContext2D, inks: Inks): CanvasPattern | string {
  const size = 6 * devicePixelRatio;
  const tile = new OffscreenCanvas(size, size);
  const ink = tile.getContext("2d");
  if (ink === null) return inks.quiet;
  ink.strokeStyle = inks.syrup;
  ink.lineWidth = size / 3;
  ink.beginPath();
  for (const shift of [-size, 0, size]) {
    ink.moveTo(shift - 1, size + 1);
    ink.lineTo(shift + size + 1, -1);
  }
  ink.stroke();
  return ctx.createPattern(tile, "repeat") ?? inks.quiet;
}
