import { units } from "../data/prefs";
import { useSignal } from "../data/signal";
import type { UptakeTotal } from "../data/types";
import { sumOf, totalWords } from "../shelf/totals";
import { dayAndMonth } from "../time/words";

interface Props {
  name: string;
  days: UptakeTotal[];
  emphasis: boolean;
  /** Litres at the top of the strip; the same for strips that are compared. */
  top_l: number;
}

const WIDTH = 14 * 20;
const HEIGHT = 44;

/** Two weeks of daily uptake in a line: firm to the low end, fading to the high one. */
export function DayStrip({ name, days, emphasis, top_l }: Props) {
  const system = useSignal(units);
  const y = (litres: number) => HEIGHT - Math.min(1, Math.max(0, litres) / top_l) * (HEIGHT - 4);
  const last = days.findLast((day) => day.uptake_l.value !== null);
  const spoken = last === undefined ? "uptake not known" : (totalWords(last.uptake_l, system, `on ${dayAndMonth(Date.parse(last.date), "UTC")}`) ?? "");
  return (
    <figure class={`strip ${emphasis ? "strip-own" : ""}`}>
      <figcaption>
        {name}: {spoken}
      </figcaption>
      <svg viewBox={`0 0 ${WIDTH} ${HEIGHT}`} aria-hidden="true" preserveAspectRatio="none">
        {days.map((day, i) => {
          const took = sumOf(day.uptake_l);
          return took === null ? (
            <path key={day.date} class="strip-unknown" d={`M${i * 20 + 4} ${HEIGHT - 2}h12`} />
          ) : (
            <g key={day.date}>
              <rect class="syrup" x={i * 20 + 3} width="14" y={y(took.lo)} height={HEIGHT - y(took.lo)} />
              <rect class="syrup-fade" x={i * 20 + 3} width="14" y={y(took.hi)} height={y(took.lo) - y(took.hi)} />
              <path class="strip-mark" d={`M${i * 20 + 2} ${y(took.value)}h16`} />
            </g>
          );
        })}
        <path class="strip-zero" d={`M0 ${HEIGHT - 0.5}H${WIDTH}`} />
      </svg>
    </figure>
  );
}
