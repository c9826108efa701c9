import { units } from "../data/prefs";
import { useSignal } from "../data/signal";
import type { UptakeTotal, WeightDay } from "../data/types";
import { Fold } from "../parts/fold";
import { totalWords } from "../shelf/totals";
import { dateWords } from "../time/words";
import { dateOf } from "../time/zone";
import { amount, change } from "../units/units";

/** The charts' days as numbers, newest first. */
export function DayTable({ uptake, weight, zone }: { uptake: UptakeTotal[]; weight: WeightDay[]; zone: string }) {
  const system = useSignal(units);
  const today = dateOf(Date.now(), zone);
  const dates = [...new Set([...uptake.map((d) => d.date), ...weight.map((d) => d.date)])].sort().reverse();
  if (dates.length === 0) return null;
  return (
    <Fold class="day-table" summary="The same, day by day in numbers">
      {() => (
      <div class="table-scroll" role="region" aria-label="Day by day" tabIndex={0}>
        <table>
          <thead>
            <tr>
              <th scope="col">Day</th>
              <th scope="col">Took</th>
              <th scope="col">Left at night</th>
              <th scope="col">Weight in the night before</th>
              <th scope="col">Change without handling</th>
              <th scope="col">Handling</th>
            </tr>
          </thead>
          <tbody>
            {dates.map((date) => {
              const fed = uptake.find((d) => d.date === date);
              const weighed = weight.find((d) => d.date === date);
              return (
                <tr key={date}>
                  <th scope="row">
                    {dateWords(date)}
                    {date === today && " so far"}
                  </th>
                  <td>{totalWords(fed?.uptake_l, system) ?? "not known"}</td>
                  <td>{totalWords(fed?.remaining_l, system) ?? "not known"}</td>
                  <td>{weighed?.weight_kg == null ? "not known" : amount(weighed.weight_kg.value, "mass", system)}</td>
                  <td>{weighed?.net_change_kg == null ? "not known" : change(weighed.net_change_kg.value, "mass", system)}</td>
                  <td>{weighed === undefined || Math.abs(weighed.handling_kg) < 0.05 ? "" : change(weighed.handling_kg, "mass", system)}</td>
                </tr>
              );
            })}
          </tbody>
        </table>
      </div>
      )}
    </Fold>
  );
}
