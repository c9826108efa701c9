import { useState } from "preact/hooks";
import { units } from "../data/prefs";
import { useSignal } from "../data/signal";
import type { Columns } from "../data/types";
import { weekday } from "../time/words";
import { ticks } from "../time/zone";
import { amount, type Quantity } from "../units/units";
import { decode } from "./series";

interface Props {
  columns: Columns;
  quantity: Quantity;
  zone: string;
  from: number;
  to: number;
  label: string;
}

const HEIGHT = 96;
const FOOT = 20;

/** A phone gets a drawing of its own width, so that the words keep their size. */
const widthNow = () => (innerWidth < 600 ? 360 : 760);

/** A small line over a few local days, its highest and lowest named. */
export function Spark({ columns, quantity, zone, from, to, label }: Props) {
  const system = useSignal(units);
  const [width] = useState(widthNow);
  const { at, value } = decode(columns);
  const known = value.filter((v) => v !== null);
  const [low, high] = [Math.min(...known), Math.max(...known)];
  const x = (ms: number) => ((ms - from) / (to - from)) * width;
  const y = (v: number) => 22 + (1 - (v - low) / Math.max(1e-9, high - low)) * (HEIGHT - FOOT - 44);
  let drawn = false;
  const path = at
    .map((ms, i) => {
      const v = value[i];
      if (v === null || v === undefined) {
        drawn = false;
        return "";
      }
      const step = `${drawn ? "L" : "M"}${x(ms).toFixed(1)} ${y(v).toFixed(1)}`;
      drawn = true;
      return step;
    })
    .join("");
  const place = (v: number) => x(at[value.indexOf(v)] ?? from);
  const words = `${label}: from ${amount(low, quantity, system)} to ${amount(high, quantity, system)}`;
  return (
    <svg class="spark" viewBox={`0 0 ${width} ${HEIGHT}`} role="img" aria-label={words}>
      {ticks(from, to, zone, { days: 1 }).map((midnight) => (
        <g key={midnight}>
          <path class="spark-day" d={`M${x(midnight)} 16V${HEIGHT - FOOT}`} />
          <text class="spark-text" x={x(midnight) + 4} y={HEIGHT - 4}>
            {weekday(midnight, zone)}
          </text>
        </g>
      ))}
      <path class="spark-line" d={path} />
      <Extreme x={place(high)} width={width} y={y(high) - 6} words={amount(high, quantity, system)} />
      <Extreme x={place(low)} width={width} y={y(low) + 17} words={amount(low, quantity, system)} />
    </svg>
  );
}

function Extreme({ x, y, width, words }: { x: number; y: number; width: number; words: string }) {
  const anchor = x < 40 ? "start" : x > width - 40 ? "end" : "middle";
  return (
    <text class="spark-text spark-extreme" x={x} y={y} text-anchor={anchor}>
      {words}
    </text>
  );
}
