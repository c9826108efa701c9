import type { ComponentChildren } from "preact";
import { useId, useState } from "preact/hooks";
import { DayStrip } from "../charts/day-strip";
import { useQuery } from "../data/query";
import { useSignal } from "../data/signal";
import type { Flag, ShelfHive, ShelfYard, Uptake } from "../data/types";
import { now } from "../parts/clock";
import { to } from "../route";
import { totalsOf } from "../shelf/totals";
import { list } from "../shelf/words";
import { inLocalTime, lasting, momentWords } from "../time/words";
import { addDays, dateOf } from "../time/zone";
import { Care, seenTo } from "./care";
import { Mark } from "./mark";
import { textsOf } from "./words";

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
      {grouped(flags).map((group) => {
        const [first] = group;
        if (first === undefined) return null;
        if (group.length < MANY) return group.map((flag) => <Task key={flag.id} flag={flag} yard={yard} here={here} />);
        return <TaskGroup key={`${first.kind} ${first.severity}`} flags={group} first={first} yard={yard} />;
      })}
    </ul>
  );
}

/** So many of one kind in one yard are told as one. */
const MANY = 3;

/** More names than these are counted. */
const NAMED = 6;

/** Flags of one kind and severity together, in the order of their first. */
export function grouped(flags: Flag[]): Flag[][] {
  const groups = new Map<string, Flag[]>();
  for (const flag of flags) {
    const key = `${flag.kind} ${flag.severity}`;
    groups.set(key, [...(groups.get(key) ?? []), flag]);
  }
  return [...groups.values()];
}

/** Many of one kind: a yard without signal is one thing to do, not sixteen. */
function TaskGroup({ flags, first, yard }: { flags: Flag[]; first: Flag; yard: ShelfYard }) {
  const { sentence: alone, many } = textsOf(first);
  const names = [...new Set(flags.map((flag) => hiveOf(flag, yard)?.name ?? textsOf(flag).place))];
  const more = names.length - NAMED;
  const told = list(more > 1 ? [...names.slice(0, NAMED), `${more} more`] : names);
  const sentence = names.length === 1 ? alone : `${told} ${many}.`;
  return (
    <TwoLines flag={first} sentence={sentence} more="Each" seen={flags.every((flag) => flag.quiet) ? null : { words: "I see to all of them", act: () => seenTo(flags, told) }}>
      {() => (
        <ul class="tasks">
          {flags.map((flag) => (
            <Task key={flag.id} flag={flag} yard={yard} here={false} />
          ))}
        </ul>
      )}
    </TwoLines>
  );
}

interface TwoLinesProps {
  flag: Flag;
  sentence: string;
  /** What a tap on the lines opens, in a word. */
  more: string;
  seen: { words: string; act: () => void } | null;
  children: () => ComponentChildren;
}

/** What is so, and what to do about it; a tap opens the rest in place, another says that someone sees to it. */
function TwoLines({ flag, sentence, more, seen, children }: TwoLinesProps) {
  const [open, setOpen] = useState(false);
  const id = useId();
  const { act, caution } = textsOf(flag);
  return (
    <li class={`task task-${flag.severity} ${open ? "task-opened" : ""}`}>
      <button class="task-lines" type="button" aria-expanded={open} aria-controls={open ? id : undefined} onClick={() => setOpen(!open)}>
        <span class="task-sentence">{sentence}</span>
        <span class="task-second">
          <Mark flag={flag} />
          {!open && <span class="task-act">{act}</span>}
          <span class="why">{open ? "Close" : more}</span>
        </span>
      </button>
      {seen !== null && (
        <button class="task-seen" type="button" onClick={seen.act}>
          {seen.words}
        </button>
      )}
      {open && (
        <div class="evidence" id={id}>
          {act !== "" && <p class="task-todo">{act}</p>}
          {caution !== null && <p class="caution">{caution}</p>}
          {children()}
        </div>
      )}
    </li>
  );
}

function hiveOf(flag: Flag, yard: ShelfYard): ShelfHive | undefined {
  return yard.hives.find((h) => h.id === flag.hive || h.feeders.some((f) => f.id === flag.feeder));
}

function Task({ flag, yard, here }: { flag: Flag; yard: ShelfYard; here: boolean }) {
  const time = useSignal(now);
  const { place, sentence, when, sure } = textsOf(flag);
  const hive = yard.hives.find((h) => h.id === flag.hive);
  const seen = flag.quiet ? null : { words: "I see to it", act: () => seenTo([flag], place) };
  return (
    <TwoLines flag={flag} sentence={sentence} more="Why?" seen={seen}>
      {() => (
        <>
          <p>{inLocalTime(flag.evidence, time, yard.timezone)}</p>
          <p>
            Since {momentWords(Date.parse(flag.opened_at), time, yard.timezone)}, {lasting(Date.parse(flag.opened_at), time)}.{" "}
            {capital(sure)}: {Math.round(flag.probability * 100)} in 100. When to act: {when}.
          </p>
          {flag.hive !== null && flag.kind !== "low_battery" && <Neighbours flag={flag} yard={yard} />}
          {hive !== undefined && !here && (
            <p>
              <a class="button" href={to.hive(hive.id)}>
                To {hive.name}
              </a>
            </p>
          )}
          <Care flag={flag} place={place} zone={yard.timezone} />
        </>
      )}
    </TwoLines>
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
  const last = [...own, ...others].map((hive) => totalsOf(hive)?.last_day?.uptake_l.hi ?? 0);
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
  const answer = useQuery<Uptake>(path);
  if (answer.data === undefined) return <p class="quiet">{answer.error ?? `Fetching ${name}.`}</p>;
  return <DayStrip name={name} days={(answer.data.totals ?? []).slice(-14)} emphasis={emphasis} top_l={top_l} />;
}
