import { units } from "../data/prefs";
import { useSignal } from "../data/signal";
import type { Shelf } from "../data/types";
import { FLAG_WORDS } from "../flags/words";
import { openFlags } from "../shelf/shelf";
import { Vessel } from "../shelf/vessel";
import { momentWords } from "../time/words";
import { amount, interval } from "../units/units";
import { now } from "./clock";

/** The sheet for the truck: hives in order, boxes to tick and lines to write on. Shown on paper only. */
export function Sheet({ shelf }: { shelf: Shelf }) {
  const system = useSignal(units);
  const time = useSignal(now);
  return (
    <div class="sheet" aria-hidden="true">
      {shelf.yards.map((yard) => (
        <table key={yard.id}>
          <caption>
            {yard.name} · as of {momentWords(Date.parse(shelf.as_of), time, yard.timezone)}
          </caption>
          <thead>
            <tr>
              <th>Done</th>
              <th />
              <th>Hive</th>
              <th>In the feeder</th>
              <th>Look for</th>
              <th>Poured</th>
              <th>Notes</th>
            </tr>
          </thead>
          <tbody>
            {yard.hives.map((hive) => {
              const feeder = hive.feeders[0];
              const left = feeder?.remaining_l ?? null;
              return (
                <tr key={hive.id}>
                  <td>
                    <span class="tick-box" />
                  </td>
                  <td class="sheet-vessel">{feeder !== undefined && <Vessel {...feeder} />}</td>
                  <td>{hive.name}</td>
                  <td class="sheet-level">
                    {left === null ? "not known" : amount(left.value, "volume", system)}
                    <small>{left === null ? "" : interval(left, "volume", system)}</small>
                  </td>
                  <td>
                    {openFlags(hive, yard)
                      .map((flag) => FLAG_WORDS[flag.kind].word)
                      .join(", ")}
                  </td>
                  <td class="sheet-line" />
                  <td class="sheet-line sheet-notes" />
                </tr>
              );
            })}
          </tbody>
        </table>
      ))}
    </div>
  );
}
