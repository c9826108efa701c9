import { units } from "../data/prefs";
import { useSignal } from "../data/signal";
import type { Shelf } from "../data/types";
import { FLAG_WORDS } from "../flags/words";
import { isSilent, openFlags } from "../shelf/shelf";
import { Vessel } from "../shelf/vessel";
import { clock, dateWords, momentWords } from "../time/words";
import { dateOf } from "../time/zone";
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
            {yard.name} · as of {dateWords(dateOf(Date.parse(shelf.as_of), yard.timezone))}, {clock(Date.parse(shelf.as_of), yard.timezone)}
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
              const flags = openFlags(hive, yard);
              const silent = feeder !== undefined && isSilent(feeder, flags);
              const left = silent ? null : (feeder?.remaining_l ?? null);
              const seen = feeder?.seen_at ?? null;
              return (
                <tr key={hive.id}>
                  <td>
                    <span class="tick-box" />
                  </td>
                  <td class="sheet-vessel">{feeder !== undefined && <Vessel {...feeder} silent={silent} />}</td>
                  <td>{hive.name}</td>
                  <td class={left === null ? "" : "sheet-level"}>
                    {left === null ? "not known" : amount(left.value, "volume", system)}
                    <small>
                      {left !== null && interval(left, "volume", system)}
                      {left === null && seen !== null && `heard ${momentWords(Date.parse(seen), time, yard.timezone)}`}
                    </small>
                  </td>
                  <td>
                    {flags
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
