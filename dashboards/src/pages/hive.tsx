import { outbox } from "../data/outbox";
import { useQuery, useSeen, type Answer } from "../data/query";
import { units, type Units } from "../data/prefs";
import { useSignal } from "../data/signal";
import type { Shelf, ShelfFeeder, ShelfHive, ShelfYard } from "../data/types";
import { FlagList } from "../flags/list";
import { textsOf } from "../flags/words";
import { now } from "../parts/clock";
import { Fold } from "../parts/fold";
import { later } from "../parts/later";
import { Page, Waiting } from "../parts/page";
import { to } from "../route";
import { isSilent, openFlags } from "../shelf/shelf";
import { SHAPES } from "../shelf/shapes";
import { findHive } from "../shelf/sums";
import { totalsOf, totalWords } from "../shelf/totals";
import { Vessel } from "../shelf/vessel";
import { count } from "../shelf/words";
import { dateWords, dayWords, momentWords } from "../time/words";
import { amount, change, withInterval } from "../units/units";

export const HiveCharts = later(async () => (await import("../charts/hive-charts")).HiveCharts);
const AboutHive = later(async () => (await import("./desk")).AboutHive);

/** The hive's yard alone; until it is there, what the whole shelf said when it was last seen. */
function useHivesShelf(id: string): Answer<Shelf> {
  const own = useQuery<Shelf>(`/api/v1/shelf?hive=${encodeURIComponent(id)}`);
  const whole = useSeen<Shelf>("/api/v1/shelf");
  if (own.data !== undefined || whole.data === undefined || own.missing) return own;
  return { ...own, data: whole.data, at: whole.at };
}

/** Hive: what happened here, and what comes? */
export function HivePage({ id }: { id: string }) {
  const answer = useHivesShelf(id);
  const system = useSignal(units);
  const time = useSignal(now);
  const found = answer.data === undefined ? null : findHive(answer.data, id);
  if (answer.data !== undefined && found === null) return <Waiting answer={{ ...answer, missing: true }} title="Hive" />;
  if (found === null) return <Waiting answer={answer} title="Hive" />;
  const { yard, hive } = found;
  const flags = openFlags(hive, yard);
  const loud = flags.filter((flag) => !flag.quiet);
  const quiet = flags.filter((flag) => flag.quiet);
  const together = totalWords(totalsOf(hive)?.remaining_l, system);
  return (
    <Page
      title={hive.name}
      sentence={hiveSentence(hive, yard, time, system)}
      answer={answer}
      above={<a href={to.yard(yard.id)}>{yard.name}</a>}
    >
      <div class="hive-head">
        {hive.feeders.map((feeder) => (
          <FeederFacts key={feeder.id} feeder={feeder} silent={isSilent(feeder, flags)} yard={yard} time={time} />
        ))}
        {hive.feeders.length === 0 && (
          <p>
            No feeder on. <a href={to.setUp("feeder")}>Put one on.</a>
          </p>
        )}
        <HiveFacts hive={hive} />
      </div>
      {hive.feeders.length > 1 && together !== null && <p>In all its feeders: {together}.</p>}
      {loud.length > 0 && <FlagList flags={loud} yard={yard} here />}
      {quiet.length > 0 && (
        <Fold class="good-to-know" summary={`${count(quiet.length, "thing is", "things are")} quiet`}>
          {() => <FlagList flags={quiet} yard={yard} here />}
        </Fold>
      )}
      <HiveCharts hive={hive} yard={yard} meanwhile={<ChartsComing />} />
      <Fold class="about" summary="About this hive">
        {() => <AboutHive id={hive.id} meanwhile={<p class="quiet">Fetching what is known.</p>} />}
      </Fold>
    </Page>
  );
}

function ChartsComing() {
  return (
    <section class="charts" aria-busy="true">
      <h2>The season</h2>
    </section>
  );
}

export function hiveSentence(hive: ShelfHive, yard: ShelfYard, time: number, system: Units): string {
  const flags = openFlags(hive, yard).filter((flag) => flag.severity !== "info" && !flag.quiet);
  const worst = flags[0];
  if (worst !== undefined) return textsOf(worst).sentence;
  if (hive.feeders.length === 0) return `${hive.name} has no feeder on.`;
  const totals = totalsOf(hive);
  // Kept by pages that knew no sums yet.
  if (totals === undefined) return `${hive.name} as it was last seen.`;
  const took = totals.last_day;
  if (took !== null && took.uptake_l.value !== null) {
    return `${hive.name} took ${totalWords(took.uptake_l, system, dayWords(took.date, time, yard.timezone)) ?? ""}.`;
  }
  const left = totals.remaining_l;
  if (left.value !== null) return `${hive.name} holds ${totalWords(left, system) ?? ""}.`;
  return `${hive.name}: nothing is known of its ${hive.feeders.length === 1 ? "feeder" : "feeders"} yet.`;
}

function FeederFacts({ feeder, silent, yard, time }: { feeder: ShelfFeeder; silent: boolean; yard: ShelfYard; time: number }) {
  const system = useSignal(units);
  const left = silent ? null : feeder.remaining_l;
  const took = feeder.last_day?.uptake_l ?? null;
  const fill = feeder.last_fill;
  const waiting = useSignal(outbox).filter((edit) => (edit.body as { feeder?: string } | undefined)?.feeder === feeder.id);
  return (
    <section class="feeder-facts" aria-label={SHAPES[feeder.kind].words}>
      <Vessel {...feeder} silent={silent} />
      <div>
        <p class="big-number">
          {left === null ? "level not known" : amount(left.value, "volume", system)}
          {left !== null && <span class="quiet"> of {amount(feeder.capacity_l, "volume", system)}</span>}
        </p>
        <dl>
          {left !== null && <Fact name="Between" words={`${amount(left.lo, "volume", system)} and ${amount(left.hi, "volume", system)}`} />}
          {left === null && feeder.seen_at !== null && (
            <Fact name="Last heard" words={momentWords(Date.parse(feeder.seen_at), time, yard.timezone)} />
          )}
          {took !== null && feeder.last_day !== null && (
            <Fact name={`Took ${dayWords(feeder.last_day.date, time, yard.timezone)}`} words={withInterval(took, "volume", system)} />
          )}
          {feeder.tomorrow_night_l !== null && left !== null && (
            <Fact name="Tomorrow night" words={`about ${amount(feeder.tomorrow_night_l, "volume", system)}`} />
          )}
          {fill !== null && (
            <Fact
              name="Last fill"
              words={`${fill.volume_l === null ? "amount not known" : withInterval(fill.volume_l, "volume", system)}${fill.strength === null ? "" : `, ${fill.strength}`}, ${momentWords(Date.parse(fill.time), time, yard.timezone)}`}
            />
          )}
        </dl>
        {waiting.map((edit) => (
          <p key={edit.seq} class="waiting-fill">
            <a href={to.outbox}>{edit.words}: on this device, not sent yet</a>
          </p>
        ))}
        <a class="button main-action" href={to.fill(feeder.id)}>
          Write down a fill
        </a>
      </div>
    </section>
  );
}

function HiveFacts({ hive }: { hive: ShelfHive }) {
  const system = useSignal(units);
  if (hive.weight_kg === null) return null;
  return (
    <section class="hive-facts" aria-label="Weight">
      <p class="big-number">{amount(hive.weight_kg.value, "mass", system)}</p>
      <dl>
        {hive.weight_date !== null && <Fact name="In the night of" words={dateWords(hive.weight_date)} />}
        {hive.net_change_kg !== null && <Fact name="Last day" words={change(hive.net_change_kg.value, "mass", system)} />}
        {hive.target_weight_kg !== null && (
          <Fact
            name="Should weigh"
            words={`${amount(hive.target_weight_kg, "mass", system)}${hive.target_date === null ? "" : ` by ${dateWords(hive.target_date)}`}`}
          />
        )}
        {hive.supers_on && <Fact name="Supers" words="on: no syrup" />}
      </dl>
    </section>
  );
}

function Fact({ name, words }: { name: string; words: string }) {
  return (
    <div>
      <dt>{name}</dt>
      <dd>{words}</dd>
    </div>
  );
}
