import { units } from "../data/prefs";
import { useSignal } from "../data/signal";
import type { UptakeDay } from "../data/types";
import { dayAndMonth } from "../time/words";
import { withInterval } from "../units/units";

interface Props {
  name: string;
  days: UptakeDay[];
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
  const last = days.findLast((day) => day.uptake_l !== null);
  const spoken =
    last?.uptake_l == null ? "uptake not known" : `${withInterval(last.uptake_l, "volume", system)} on ${dayAndMonth(Date.parse(last.date), "UTC")}`;
  return (
    <figure class={`strip ${emphasis ? "strip-own" : ""}`}>
      <figcaption>
        {name}: {spoken}
      </figcaption>
      <svg viewBox={`0 0 ${WIDTH} ${HEIGHT}`} aria-hidden="true" preserveAspectRatio="none">
        {days.map((day, i) =>
          day.uptake_l === null ? (
            <path key={day.date} class="strip-unknown" d={`M${i * 20 + 4} ${HEIGHT - 2}h12`} />
          ) : (
            <g key={day.date}>
              <rect class="syrup" x={i * 20 + 3} width="14" y={y(day.uptake_l.lo)} height={HEIGHT - y(day.uptake_l.lo)} />
              <rect class="syrup-fade" x={i * 20 + 3} width="14" y={y(day.uptake_l.hi)} height={y(day.uptake_l.lo) - y(day.uptake_l.hi)} />
              <path class="strip-mark" d={`M${i * 20 + 2} ${y(day.uptake_l.value)}h16`} />
            </g>
          ),
        )}
        <path class="strip-zero" d={`M0 ${HEIGHT - 0.5}H${WIDTH}`} />
      </svg>
    </figure>
  );
}
