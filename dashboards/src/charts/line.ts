/** A chart's line. Ten thousands of points are drawn as what they cover, not as strokes: a pan has 16 ms. */
import type uPlot from "uplot";
import { lowerBound } from "./series";

interface Ink {
  stroke: string;
  /** Canvas pixels. */
  width: number;
}

/** Draws the first series of `chart` as far as it is in view. */
export function paintLine(chart: uPlot, { stroke, width }: Ink): void {
  const { ctx, bbox } = chart;
  const [at, value] = chart.data as unknown as [number[], (number | null)[]];
  const x = chart.scales["x"];
  const y = chart.scales["y"];
  if (x?.min == null || x.max == null || y?.min == null || y.max == null) return;
  const first = Math.max(0, lowerBound(at, x.min) - 1);
  const last = Math.min(at.length - 1, lowerBound(at, x.max));
  const place: Place = {
    left: bbox.left,
    perMs: bbox.width / (x.max - x.min),
    from: x.min,
    foot: bbox.top + bbox.height,
    perUnit: bbox.height / (y.max - y.min),
    least: y.min,
  };
  ctx.save();
  ctx.beginPath();
  ctx.rect(bbox.left, bbox.top - width, bbox.width, bbox.height + 2 * width);
  ctx.clip();
  if (last - first > bbox.width) {
    ctx.fillStyle = stroke;
    for (const { px, top, foot } of columns(at, value, first, last, place)) {
      ctx.fillRect(px - width / 2, top - width / 2, width, foot - top + width);
    }
  } else {
    ctx.strokeStyle = stroke;
    ctx.lineWidth = width;
    ctx.lineJoin = "bevel";
    trace(ctx, at, value, first, last, place);
  }
  ctx.restore();
}

interface Place {
  left: number;
  perMs: number;
  from: number;
  foot: number;
  perUnit: number;
  least: number;
}

function trace(ctx: CanvasRenderingContext2D, at: number[], value: (number | null)[], first: number, last: number, place: Place): void {
  ctx.beginPath();
  let down = false;
  for (let i = first; i <= last; i++) {
    const v = value[i];
    if (v === null || v === undefined) {
      down = false;
      continue;
    }
    const px = place.left + ((at[i] ?? 0) - place.from) * place.perMs;
    const py = place.foot - (v - place.least) * place.perUnit;
    if (down) ctx.lineTo(px, py);
    else ctx.moveTo(px, py);
    down = true;
  }
  ctx.stroke();
}

export interface Column {
  px: number;
  top: number;
  foot: number;
}

/** What each column of pixels is covered by: from the least to the greatest value, joined to the column before. */
export function columns(at: readonly number[], value: readonly (number | null)[], first: number, last: number, place: Place): Column[] {
  const found: Column[] = [];
  let column = null as Column | null;
  let before: number | null = null;
  for (let i = first; i <= last; i++) {
    const v = value[i];
    if (v === null || v === undefined) {
      before = null;
      column = null;
      continue;
    }
    const px = Math.round(place.left + ((at[i] ?? 0) - place.from) * place.perMs);
    const py = place.foot - (v - place.least) * place.perUnit;
    if (column?.px !== px) {
      column = { px, top: Math.min(py, before ?? py), foot: Math.max(py, before ?? py) };
      found.push(column);
    } else {
      if (py < column.top) column.top = py;
      if (py > column.foot) column.foot = py;
    }
    before = py;
  }
  return found;
}
