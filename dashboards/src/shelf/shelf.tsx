import type { Flag, ShelfFeeder, ShelfHive, ShelfYard } from "../data/types";
import { units, type Units } from "../data/prefs";
import { useSignal } from "../data/signal";
import { byUrgency, textsOf } from "../flags/words";
import { Mark } from "../flags/mark";
import { to } from "../route";
import { dayWords, momentWords } from "../time/words";
import { amount, digits, interval, unitOf, withInterval } from "../units/units";
import { SHAPES } from "./shapes";
import { Vessel } from "./vessel";

/** A yard as a shelf: each hive's feeders stand on it, filled to their level. */
export function ShelfRow({ yard, now, large = false }: { yard: ShelfYard; now: number; large?: boolean }) {
  return (
    <ul class={`shelf ${large ? "shelf-large" : ""}`}>
      {yard.hives.map((hive) => (
        <Place key={hive.id} hive={hive} yard={yard} now={now} />
      ))}
    </ul>
  );
}

function Place({ hive, yard, now }: { hive: ShelfHive; yard: ShelfYard; now: number }) {
  const system = useSignal(units);
  const open = openFlags(hive, yard);
  const worst = open.find((flag) => !flag.quiet);
  return (
    <li class={`place ${hive.feeders.length > 1 ? "place-wide" : ""}`}>
      <a href={to.hive(hive.id)} aria-label={placeSentence(hive, yard, now, system)}>
        <span class="place-mark">{worst !== undefined && <Mark flag={worst} />}</span>
        <span class="place-vessels">
          {hive.feeders.map((feeder) => (
            <Vessel key={feeder.id} {...feeder} silent={isSilent(feeder, open)} />
          ))}
        </span>
        <span class="place-words">
          <span class="place-name">{shortName(hive, yard)}</span>
          {hive.feeders.map((feeder) => (
            <Under key={feeder.id} feeder={feeder} silent={isSilent(feeder, open)} yard={yard} now={now} />
          ))}
          {hive.feeders.length === 0 && <NoFeeder hive={hive} />}
        </span>
      </a>
    </li>
  );
}

/** The small figure under a vessel: the last day's uptake, or when it was last heard. */
function Under({ feeder, silent, yard, now }: { feeder: ShelfFeeder; silent: boolean; yard: ShelfYard; now: number }) {
  const system = useSignal(units);
  if (silent || (feeder.remaining_l === null && feeder.sensed)) {
    return (
      <span class="place-under">
        <span class="quiet">{feeder.seen_at === null ? "not heard yet" : "last heard"}</span>
        {feeder.seen_at !== null && <span>{momentWords(Date.parse(feeder.seen_at), now, yard.timezone)}</span>}
      </span>
    );
  }
  const took = feeder.last_day?.uptake_l ?? null;
  if (took === null) return <span class="place-under quiet">{feeder.sensed ? "uptake not known" : "no sensor"}</span>;
  return (
    <span class="place-under">
      <b>{digits(took.value, "volume", system)}</b> {unitOf("volume", system)}
      <span class="quiet place-range">{interval(took, "volume", system) ?? ""}</span>
    </span>
  );
}

function NoFeeder({ hive }: { hive: ShelfHive }) {
  const system = useSignal(units);
  return (
    <span class="place-under">
      {hive.weight_kg !== null && <span>{amount(hive.weight_kg.value, "mass", system)}</span>}
      <span class="quiet">no feeder</span>
    </span>
  );
}

/** On its own yard's shelf "Mill meadow 3" is 3 enough. */
export function shortName(hive: ShelfHive, yard: ShelfYard): string {
  const rest = hive.name.startsWith(`${yard.name} `) ? hive.name.slice(yard.name.length + 1) : "";
  return rest !== "" && hive.name.length > 9 ? rest : hive.name;
}

/** The open flags of a hive, with those of the yard that name it, most pressing first. */
export function openFlags(hive: ShelfHive, yard: ShelfYard): Flag[] {
  const feeders = new Set(hive.feeders.map((feeder) => feeder.id));
  const ours = (flag: Flag) => flag.hive === hive.id || (flag.feeder !== null && feeders.has(flag.feeder));
  const all = [...hive.flags, ...yard.flags.filter(ours)].filter((flag) => flag.closed_at === null && flag.state !== "withdrawn");
  const seen = new Set<string>();
  return all.filter((flag) => !seen.has(flag.id) && seen.add(flag.id)).sort(byUrgency);
}

export function isSilent(feeder: ShelfFeeder, flags: Flag[]): boolean {
  return flags.some((flag) => flag.kind === "silent" && flag.feeder === feeder.id);
}

/** Everything the picture says, for those who listen to it. */
export function placeSentence(hive: ShelfHive, yard: ShelfYard, now: number, system: Units): string {
  const flags = openFlags(hive, yard);
  const parts = hive.feeders.map((feeder) => feederSentence(feeder, flags, yard, now, system));
  const states = flags.map((flag) => textsOf(flag).word);
  const states_text = states.length > 0 ? ` ${states.join(", ")}.` : "";
  return `${hive.name}: ${parts.length > 0 ? parts.join(" ") : "no feeder."}${states_text}`;
}

function feederSentence(feeder: ShelfFeeder, flags: Flag[], yard: ShelfYard, now: number, system: Units): string {
  const what = SHAPES[feeder.kind].words;
  if (isSilent(feeder, flags) || feeder.remaining_l === null) {
    const heard = feeder.seen_at === null ? "" : `, last heard ${momentWords(Date.parse(feeder.seen_at), now, yard.timezone)}`;
    return `${what}, level not known${heard}.`;
  }
  const left = `${what}, ${withInterval(feeder.remaining_l, "volume", system)} of ${amount(feeder.capacity_l, "volume", system)} left`;
  const took = feeder.last_day?.uptake_l ?? null;
  const took_text =
    took === null || feeder.last_day === null
      ? ""
      : `, took ${withInterval(took, "volume", system)} ${dayWords(feeder.last_day.date, now, yard.timezone)}`;
  const next =
    feeder.tomorrow_night_l === null ? "" : `, about ${amount(feeder.tomorrow_night_l, "volume", system)} tomorrow night`;
  return `${left}${took_text}${next}.`;
}
