import { units } from "../data/prefs";
import { useSignal } from "../data/signal";
import type { Shelf } from "../data/types";
import { textsOf } from "../flags/words";
import { isSilent, openFlags } from "../shelf/shelf";
import { sumOf, totalsOf, unknownWords } from "../shelf/totals";
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
              const flags = openFlags(hive, yard);
              const remaining = totalsOf(hive)?.remaining_l;
              const left = sumOf(remaining);
              const unknown = unknownWords(remaining);
              const seen = hive.feeders[0]?.seen_at ?? null;
              return (
                <tr key={hive.id}>
                  <td>
                    <span class="tick-box" />
                  </td>
                  <td class="sheet-vessel">
                    {hive.feeders.map((feeder) => (
                      <Vessel key={feeder.id} {...feeder} silent={isSilent(feeder, flags)} />
                    ))}
                  </td>
                  <td>{hive.name}</td>
                  <td class={left === null ? "" : "sheet-level"}>
                    {left === null ? (hive.feeders.length === 0 ? "no feeder" : "not known") : `${unknown === null ? "" : "≥ "}${amount(left.value, "volume", system)}`}
                    <small>
                      {left !== null && [interval(left, "volume", system), unknown].filter((part) => part !== null).join(", ")}
                      {left === null && seen !== null && `heard ${momentWords(Date.parse(seen), time, yard.timezone)}`}
                    </small>
                  </td>
                  <td>{flags.map((flag) => textsOf(flag).word).join(", ")}</td>
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
