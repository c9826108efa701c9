import { useState } from "preact/hooks";
import { DayStrip } from "../charts/day-strip";
import { useQuery } from "../data/query";
import { useSignal } from "../data/signal";
import type { Flag, ShelfYard, UptakeDay } from "../data/types";
import { now } from "../parts/clock";
import { to } from "../route";
import { lasting, momentWords } from "../time/words";
import { addDays, dateOf } from "../time/zone";
import { Mark } from "./mark";
import { FLAG_WORDS, SEVERITY_WORDS, sureness } from "./words";

interface Props {
  flags: Flag[];
  yard: ShelfYard;
  /** Leave out the way to the hive: we are there. */
  here?: boolean;
}

/** What needs doing, each with its reason and, on asking, its evidence. */
export function FlagList({ flags, yard, here = false }: Props) {
  return (
    <ul class="tasks">
      {flags.map((flag) => (
        <Task key={flag.id} flag={flag} yard={yard} here={here} />
      ))}
    </ul>
  );
}

export function placeOf(flag: Flag, yard: ShelfYard): string {
  const hive = yard.hives.find((h) => h.id === flag.hive || h.feeders.some((f) => f.id === flag.feeder));
  if (flag.device !== null && flag.feeder === null) return `Device ${flag.device}`;
  return hive?.name ?? flag.device ?? yard.name;
}

function Task({ flag, yard, here }: { flag: Flag; yard: ShelfYard; here: boolean }) {
  const [open, setOpen] = useState(false);
  const time = useSignal(now);
  const words = FLAG_WORDS[flag.kind];
  const place = placeOf(flag, yard);
  const hive = yard.hives.find((h) => h.id === flag.hive);
  return (
    <li class={`task task-${flag.severity}`}>
      <Mark kind={flag.kind} severity={flag.severity} />
      <div class="task-body">
        <p class="task-sentence">
          {hive !== undefined && !here ? <a href={to.hive(hive.id)}>{words.sentence(place)}</a> : words.sentence(place)}
        </p>
        <p>{flag.evidence}</p>
        {words.act !== null && <p class="task-act">{words.act}</p>}
        <button class="why" type="button" aria-expanded={open} onClick={() => setOpen(!open)}>
          {open ? "Close" : "Why?"}
        </button>
        {open && (
          <div class="evidence">
            <p>
              Since {momentWords(Date.parse(flag.opened_at), time, yard.timezone)}, {lasting(Date.parse(flag.opened_at), time)}.{" "}
              {capital(sureness(flag.probability))}: {Math.round(flag.probability * 100)} in 100. Time to act:{" "}
              {SEVERITY_WORDS[flag.severity]}.
            </p>
            {flag.hive !== null && flag.kind !== "low_battery" && <Neighbours flag={flag} yard={yard} />}
          </div>
        )}
      </div>
    </li>
  );
}

function capital(words: string): string {
  return words.charAt(0).toUpperCase() + words.slice(1);
}

/** How many neighbours are drawn beside the hive: enough to compare, few enough to fetch. */
const NEIGHBOURS = 3;

/** The hive's last days beside its neighbours', on one scale. */
function Neighbours({ flag, yard }: { flag: Flag; yard: ShelfYard }) {
  const others = yard.hives.filter((h) => h.id !== flag.hive && h.feeders.some((f) => f.remaining_l !== null)).slice(0, NEIGHBOURS);
  const own = yard.hives.filter((h) => h.id === flag.hive);
  // Room for days half as good again as the last one.
  const last = [...own, ...others].flatMap((hive) => hive.feeders.map((f) => f.last_day?.uptake_l?.hi ?? 0));
  const top_l = 1.5 * Math.max(0.2, ...last);
  return (
    <div class="strips">
      {[...own, ...others].map((hive) => (
        <HiveStrip key={hive.id} id={hive.id} name={hive.name} zone={yard.timezone} emphasis={hive.id === flag.hive} top_l={top_l} />
      ))}
    </div>
  );
}

interface StripProps {
  id: string;
  name: string;
  zone: string;
  emphasis: boolean;
  top_l: number;
}

function HiveStrip({ id, name, zone, emphasis, top_l }: StripProps) {
  const today = dateOf(Date.now(), zone);
  const path = `/api/v1/hives/${encodeURIComponent(id)}/uptake?from=${addDays(today, -14)}&to=${today}`;
  const answer = useQuery<{ days: UptakeDay[] }>(path);
  if (answer.data === undefined) return <p class="quiet">{answer.error ?? `Fetching ${name}.`}</p>;
  return <DayStrip name={name} days={answer.data.days.slice(-14)} emphasis={emphasis} top_l={top_l} />;
}
