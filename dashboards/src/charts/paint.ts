/** What is drawn on a chart besides its line. All painters take the chart and draw in its canvas. */
import type uPlot from "uplot";
import type { Estimate, Flag } from "../data/types";
import { FLAG_WORDS } from "../flags/words";
import { DAY } from "../time/zone";
import type { Inks } from "./inks";

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
}

/** A day's amount as a vessel shows its level: firm to the low end, fading to the high one, a mark between. */
export function paintBars(bars: DayBar[]): Painter {
  return (chart, inks) => {
    const { ctx } = chart;
    const ratio = devicePixelRatio;
    const zero = chart.valToPos(0, "y", true);
    clipped(chart, () => {
      for (const { from, to, estimate } of bars) {
        const a = chart.valToPos(from, "x", true);
        const b = chart.valToPos(to, "x", true);
        const gap = Math.min(6 * ratio, (b - a) * 0.18);
        const [x, w] = [a + gap, Math.max(ratio, b - a - 2 * gap)];
        const y = (litres: number) => chart.valToPos(litres, "y", true);
        const [lo, hi] = [Math.max(0, estimate.lo), Math.max(0, estimate.hi)];
        ctx.fillStyle = inks.syrup;
        ctx.fillRect(x, y(lo), w, zero - y(lo));
        ctx.fillStyle = inks.hatched ? hatch(ctx, inks) : fade(ctx, inks, y(lo), y(hi));
        ctx.fillRect(x, y(hi), w, y(lo) - y(hi));
        if (inks.hatched) {
          ctx.fillStyle = inks.paper;
          ctx.fillRect(x, y(estimate.value) - 3 * ratio, w, 6 * ratio);
        }
        ctx.fillStyle = inks.ink;
        ctx.fillRect(x - ratio, y(estimate.value) - ratio, w + 2 * ratio, 2 * ratio);
      }
    });
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

/** Rows of flags so that none lies on another. */
export function flagRows(flags: Flag[], now: number): Flag[][] {
  const rows: { until: number; flags: Flag[] }[] = [];
  for (const flag of [...flags].sort((a, b) => a.opened_at.localeCompare(b.opened_at))) {
    const from = Date.parse(flag.opened_at);
    const until = flag.closed_at === null ? now : Date.parse(flag.closed_at);
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

/** Flags as spans with their word, where it has room. An open one has no end stroke. */
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
        const closed = flag.closed_at !== null;
        const end = flag.closed_at === null ? now : Date.parse(flag.closed_at);
        const a = Math.max(bbox.left, chart.valToPos(Date.parse(flag.opened_at), "x", true));
        const b = Math.min(bbox.left + bbox.width, chart.valToPos(end, "x", true));
        if (b < bbox.left || a > bbox.left + bbox.width) continue;
        const ink = closed ? inks.quiet : flag.severity === "info" ? inks.ink : inks.act;
        ctx.fillStyle = ink;
        ctx.fillRect(a, y + 2 * ratio, Math.max(3 * ratio, b - a), 4 * ratio);
        ctx.fillRect(a, y, 2 * ratio, 8 * ratio);
        if (closed) ctx.fillRect(b, y, 2 * ratio, 8 * ratio);
        const words = FLAG_WORDS[flag.kind].word;
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
