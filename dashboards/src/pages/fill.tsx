import { useState } from "preact/hooks";
import { freshId } from "../data/identity";
import { discard, outbox, queue } from "../data/outbox";
import { units, type Units } from "../data/prefs";
import { useQuery } from "../data/query";
import { useSignal } from "../data/signal";
import type { FillRecordInput, Shelf, ShelfFeeder, ShelfHive, ShelfYard } from "../data/types";
import { Choice, TextField } from "../parts/fields";
import { say } from "../parts/note";
import { Page, Waiting } from "../parts/page";
import { go, to } from "../route";
import { isSilent, openFlags } from "../shelf/shelf";
import { SHAPES } from "../shelf/shapes";
import { Vessel } from "../shelf/vessel";
import { amount, shown, stored, unitOf } from "../units/units";

interface Spot {
  yard: ShelfYard;
  hive: ShelfHive;
  feeder: ShelfFeeder;
}

export function FillPage({ feeder }: { feeder: string | null }) {
  const answer = useQuery<Shelf>("/api/v1/shelf");
  if (answer.data === undefined) return <Waiting answer={answer} title="Fill" />;
  const spots = answer.data.yards.flatMap((yard) =>
    yard.hives.flatMap((hive) => hive.feeders.map((each): Spot => ({ yard, hive, feeder: each }))),
  );
  const spot = spots.find((s) => s.feeder.id === feeder);
  if (feeder !== null && spot === undefined) return <Waiting answer={{ ...answer, missing: true }} title="Fill" />;
  return spot === undefined ? <ChooseFeeder shelf={answer.data} /> : <FillForm spot={spot} />;
}

function ChooseFeeder({ shelf }: { shelf: Shelf }) {
  const any = shelf.yards.some((yard) => yard.hives.some((hive) => hive.feeders.length > 0));
  return (
    <Page title="Fill" sentence={any ? "Which feeder did you fill?" : "There is no feeder to fill yet."}>
      {!any && (
        <p>
          <a class="button main-action" href={to.setUp()}>
            Put a feeder on a hive
          </a>
        </p>
      )}
      {shelf.yards.map((yard) => {
        const hives = yard.hives.filter((hive) => hive.feeders.length > 0);
        if (hives.length === 0) return null;
        return (
          <section key={yard.id}>
            <h2>{yard.name}</h2>
            <ul class="pick">
              {hives.flatMap((hive) =>
                hive.feeders.map((feeder) => (
                  <li key={feeder.id}>
                    <a href={to.fill(feeder.id)}>
                      <Vessel {...feeder} silent={isSilent(feeder, openFlags(hive, yard))} />
                      <span>
                        {hive.name}
                        {hive.feeders.length > 1 && `, ${SHAPES[feeder.kind].words}`}
                      </span>
                    </a>
                  </li>
                )),
              )}
            </ul>
          </section>
        );
      })}
    </Page>
  );
}

const STRENGTHS = ["1:1", "5:3", "2:1"];

/** Half litres, or half gallons; a small feeder goes by smaller steps. */
function stepOf(capacity_l: number, system: Units): number {
  const small = capacity_l < stored(1, "volume", system) * 2.5;
  return small ? 0.1 : 0.5;
}

/** What was poured last, or what still fits in, whichever is less. */
function usualAmount(feeder: ShelfFeeder, system: Units): number {
  const step = stepOf(feeder.capacity_l, system);
  const room_l = feeder.capacity_l - (feeder.remaining_l?.value ?? 0);
  const usual_l = Math.min(feeder.last_fill?.volume_l?.value ?? room_l, room_l);
  return Math.max(step, Math.round(shown(usual_l, "volume", system) / step) * step);
}

function FillForm({ spot: { yard, hive, feeder } }: { spot: Spot }) {
  const system = useSignal(units);
  const step = stepOf(feeder.capacity_l, system);
  const [poured, setPoured] = useState(() => usualAmount(feeder, system));
  const [strength, setStrength] = useState(feeder.last_fill?.strength ?? "1:1");
  const [other, setOther] = useState(false);
  const [when, setWhen] = useState<string>("");
  const [problem, setProblem] = useState<string | null>(null);
  const choices = STRENGTHS.includes(strength) || other ? STRENGTHS : [...STRENGTHS, strength];
  const top = shown(feeder.capacity_l, "volume", system);

  const done = async () => {
    const wrong = strengthProblem(strength);
    setProblem(wrong);
    if (wrong !== null) return;
    const time = (when === "" ? new Date() : new Date(when)).toISOString();
    const volume_l = Math.round(stored(poured, "volume", system) * 1000) / 1000;
    const words = `Fill at ${hive.name}, ${amount(volume_l, "volume", system)} of ${strength}`;
    const id = freshId();
    try {
      await queue({ method: "POST", path: "/api/v1/fills", body: { id, feeder: feeder.id, time, volume_l, strength } satisfies FillRecordInput, words });
    } catch (cause) {
      setProblem(cause instanceof Error ? cause.message : String(cause));
      return;
    }
    say(`${words}.`, () => void undo(id, feeder.id, time, hive.name));
    go(to.hive(hive.id));
  };

  return (
    <Page title="Fill" sentence={`How much did you pour at ${hive.name}?`} above={<a href={to.yard(yard.id)}>{yard.name}</a>}>
      {hive.supers_on && (
        <p class="caution">Honey supers are on {hive.name}: syrup would end up in the honey. Take them off before you feed.</p>
      )}
      <div class="fill">
        <Vessel {...feeder} silent={isSilent(feeder, openFlags(hive, yard))} />
        <div class="fill-form">
          <div class="stepper" role="group" aria-label={`Amount, ${unitOf("volume", system)}`}>
            <button type="button" aria-label="Less" disabled={poured <= step / 2} onClick={() => setPoured(Math.max(step, poured - step))}>
              −
            </button>
            <output class="big-number">
              {poured.toFixed(system === "us" && step < 0.5 ? 2 : 1)} {unitOf("volume", system)}
            </output>
            <button type="button" aria-label="More" disabled={poured + step > top * 1.5} onClick={() => setPoured(poured + step)}>
              +
            </button>
          </div>
          {poured > top * 1.001 && (
            <p class="hint">The feeder holds {amount(feeder.capacity_l, "volume", system)}; more than that only fits if bees drank meanwhile.</p>
          )}
          <Choice
            label="Strength, sugar to water by weight"
            value={other ? "other" : strength}
            choices={[...choices.map((value) => ({ value, words: value })), { value: "other", words: "other" }]}
            onChoose={(value) => {
              setOther(value === "other");
              if (value !== "other") setStrength(value);
            }}
          />
          {other && <TextField label="Strength" value={strength} onInput={setStrength} error={problem} hint="Parts of sugar to parts of water, like 3:2" />}
          <details>
            <summary>Poured at another time</summary>
            <TextField label="When, by this device's clock" type="datetime-local" value={when} onInput={setWhen} />
          </details>
          {problem !== null && !other && <p class="caution">{problem}</p>}
          <button class="button main-action" type="button" onClick={() => void done()}>
            Done
          </button>
        </div>
      </div>
    </Page>
  );
}

export function strengthProblem(text: string): string | null {
  const match = /^(\d+(?:\.\d+)?):(\d+(?:\.\d+)?)$/.exec(text.trim());
  const [sugar, water] = [Number(match?.[1]), Number(match?.[2])];
  if (match === null || sugar <= 0 || water <= 0) return "Write the strength as two numbers, like 5:3.";
  return null;
}

/** A fill that has not gone out is dropped; one that has is taken back. */
async function undo(id: string, feeder: string, time: string, hive: string): Promise<void> {
  const waiting = outbox.get().find((edit) => (edit.body as Partial<FillRecordInput> | undefined)?.id === id);
  if (waiting !== undefined) await discard(waiting.seq);
  // It may be on its way at this moment: taking back what never arrived changes nothing.
  const query = `feeder=${encodeURIComponent(feeder)}&time=${encodeURIComponent(time)}`;
  await queue({ method: "DELETE", path: `/api/v1/fills?${query}`, words: `Take back the fill at ${hive}` });
}
