import { useState } from "preact/hooks";
import { useDraft } from "../data/draft";
import { idFrom } from "../data/identity";
import { ApiError, refresh, request, useQuery } from "../data/query";
import type { FeederInput, FeederKind, HiveInput, Shelf, YardInput } from "../data/types";
import { Choice, Field, NumberField, TextField } from "../parts/fields";
import { say } from "../parts/note";
import { Page, Waiting } from "../parts/page";
import { PlaceFields, placeOfFields } from "./place-fields";
import { go, to, useRoute } from "../route";
import { SHAPES } from "../shelf/shapes";
import { Vessel } from "../shelf/vessel";

/** Set-up without a file: yard, hive, feeder, then the device that speaks. */
export function SetUpPage() {
  const route = useRoute();
  const answer = useQuery<Shelf>("/api/v1/shelf");
  if (answer.data === undefined) return <Waiting answer={answer} title="Set-up" />;
  const shelf = answer.data;
  const wanted = route.page === "set-up" ? route.step : null;
  const hives = shelf.yards.flatMap((yard) => yard.hives);
  if (wanted === "yard" || shelf.yards.length === 0) return <YardStep shelf={shelf} />;
  if (wanted === "hive" || hives.length === 0) return <HiveStep shelf={shelf} />;
  return <FeederStep shelf={shelf} />;
}

const STEPS = ["yard", "hive", "feeder", "device"];

function Steps({ at }: { at: number }) {
  return (
    <ol class="steps" aria-label="Steps">
      {STEPS.map((step, i) => (
        <li key={step} aria-current={i === at ? "step" : undefined}>
          {step}
        </li>
      ))}
    </ol>
  );
}

/** Writes a declaration, and says in a sentence why it could not. */
function useWrite(): { problem: string | null; busy: boolean; write: (path: string, body: unknown, then: () => void) => void } {
  const [problem, setProblem] = useState<string | null>(null);
  const [busy, setBusy] = useState(false);
  const write = (path: string, body: unknown, then: () => void) => {
    setBusy(true);
    request("PUT", path, body, { onlyNew: true })
      .then(() => refresh("/api/v1/shelf"))
      .then(
        () => {
          setProblem(null);
          then();
        },
        (cause: unknown) => setProblem(cause instanceof ApiError ? cause.message : String(cause)),
      )
      .finally(() => setBusy(false));
  };
  return { problem, busy, write };
}

function YardStep({ shelf }: { shelf: Shelf }) {
  const here = Intl.DateTimeFormat().resolvedOptions().timeZone;
  const [draft, change, clear] = useDraft("yard", { name: "", timezone: here, latitude: "", longitude: "" });
  const { problem, busy, write } = useWrite();
  const keep = (event: Event) => {
    event.preventDefault();
    const id = idFrom(draft.name, shelf.yards.map((y) => y.id));
    const yard: YardInput = {
      id,
      name: draft.name.trim(),
      timezone: draft.timezone.trim(),
      ...placeOfFields(draft),
      weather: null,
    };
    write(`/api/v1/yards/${id}`, yard, () => {
      clear();
      go(to.setUp("hive"));
    });
  };
  return (
    <Page title="Set-up" sentence="What do you call the yard?" above={<Steps at={0} />}>
      <form onSubmit={keep}>
        <TextField label="Name of the yard" value={draft.name} onInput={(name) => change({ name })} required />
        <Field label="Time zone" hint="Days begin at this zone's midnight.">
          {(id, described) => (
            <input id={id} list="zones" value={draft.timezone} aria-describedby={described} required onInput={(e) => change({ timezone: e.currentTarget.value })} />
          )}
        </Field>
        <datalist id="zones">
          {zones().map((zone) => (
            <option key={zone} value={zone} />
          ))}
        </datalist>
        <details>
          <summary>Where it lies (for sunrise and sunset)</summary>
          <PlaceFields value={draft} onChange={change} />
        </details>
        {problem !== null && <p class="caution">{problem}</p>}
        <button class="button main-action" type="submit" disabled={busy || draft.name.trim() === ""}>
          Make this yard
        </button>
      </form>
    </Page>
  );
}

function zones(): string[] {
  return Intl.supportedValuesOf("timeZone");
}

function HiveStep({ shelf }: { shelf: Shelf }) {
  const last = shelf.yards.at(-1)?.id ?? "";
  const [draft, change, clear] = useDraft("hive", { name: "", yard: last });
  const { problem, busy, write } = useWrite();
  const yard = shelf.yards.find((y) => y.id === draft.yard) ?? shelf.yards.at(-1);
  const suggestion = `${yard?.name ?? "Hive"} ${(yard?.hives.length ?? 0) + 1}`;
  const keep = (event: Event) => {
    event.preventDefault();
    if (yard === undefined) return;
    const name = draft.name.trim() === "" ? suggestion : draft.name.trim();
    const id = idFrom(name, shelf.yards.flatMap((y) => y.hives.map((h) => h.id)));
    const hive: HiveInput = {
      id,
      name,
      yard: yard.id,
      scale: [],
      goal: null,
      target_weight_kg: null,
      target_date: null,
      supers_on: false,
      moves: [],
    };
    write(`/api/v1/hives/${id}`, hive, () => {
      clear();
      go(to.setUp("feeder"));
    });
  };
  return (
    <Page title="Set-up" sentence="Which hive stands there?" above={<Steps at={1} />}>
      <form onSubmit={keep}>
        {shelf.yards.length > 1 && (
          <Choice label="Yard" value={yard?.id ?? null} choices={shelf.yards.map((y) => ({ value: y.id, words: y.name }))} onChoose={(id) => change({ yard: id })} />
        )}
        <TextField label="Name of the hive" value={draft.name} onInput={(name) => change({ name })} hint={`Left empty, it is called ${suggestion}.`} />
        {problem !== null && <p class="caution">{problem}</p>}
        <button class="button main-action" type="submit" disabled={busy}>
          Put this hive here
        </button>
      </form>
    </Page>
  );
}

// Common sizes, from memory of what the trade sells; the keeper corrects them.
const KINDS: { kind: FeederKind; capacity_l: number }[] = [
  { kind: "tray", capacity_l: 9 },
  { kind: "frame", capacity_l: 4 },
  { kind: "pail", capacity_l: 7.5 },
  { kind: "jar", capacity_l: 2 },
  { kind: "entrance", capacity_l: 1 },
];

function FeederStep({ shelf }: { shelf: Shelf }) {
  const hives = shelf.yards.flatMap((yard) => yard.hives);
  const bare = hives.filter((hive) => hive.feeders.length === 0);
  const [draft, change, clear] = useDraft<{ hive: string; kind: FeederKind; capacity_l: number | null; on_scale: boolean }>("feeder", {
    hive: "",
    kind: "tray",
    capacity_l: null,
    on_scale: true,
  });
  const { problem, busy, write } = useWrite();
  const hive = hives.find((h) => h.id === draft.hive) ?? bare.at(-1) ?? hives.at(-1);
  const usual = KINDS.find((k) => k.kind === draft.kind)?.capacity_l ?? 5;
  const keep = (event: Event) => {
    event.preventDefault();
    if (hive === undefined) return;
    const id = idFrom(`${hive.id}-${draft.kind}`, hives.flatMap((h) => h.feeders.map((f) => f.id)));
    const feeder: FeederInput = {
      id,
      hive: hive.id,
      kind: draft.kind,
      capacity_l: draft.capacity_l ?? usual,
      on_scale: draft.on_scale,
      sensor: [],
    };
    write(`/api/v1/feeders/${id}`, feeder, () => {
      clear();
      say(`The feeder stands on ${hive.name}. Now claim its sensor and its scale.`);
      go(to.devices);
    });
  };
  return (
    <Page title="Set-up" sentence={`What kind of feeder is on ${hive?.name ?? "the hive"}?`} above={<Steps at={2} />}>
      <form onSubmit={keep}>
        {hives.length > 1 && (
          <Field label="Hive">
            {(id) => (
              <select id={id} value={hive?.id ?? ""} onChange={(event) => change({ hive: event.currentTarget.value })}>
                {hives.map((h) => (
                  <option key={h.id} value={h.id}>
                    {h.name}
                  </option>
                ))}
              </select>
            )}
          </Field>
        )}
        <Choice
          label="Kind"
          value={draft.kind}
          choices={KINDS.map(({ kind }) => ({
            value: kind,
            words: SHAPES[kind].words.replace(" feeder", ""),
            picture: <Vessel kind={kind} capacity_l={1} remaining_l={{ value: 0.6, lo: 0.55, hi: 0.65 }} />,
          }))}
          onChoose={(kind) => change({ kind, capacity_l: null })}
        />
        <NumberField
          label="It holds"
          quantity="volume"
          value={draft.capacity_l ?? usual}
          onChange={(capacity_l) => change({ capacity_l })}
          hint="A common size stands here; put in yours."
        />
        <label class="check">
          <input type="checkbox" checked={draft.on_scale} onChange={(event) => change({ on_scale: event.currentTarget.checked })} />
          <span>The hive's scale carries it too</span>
        </label>
        {problem !== null && <p class="caution">{problem}</p>}
        <button class="button main-action" type="submit" disabled={busy}>
          Put this feeder on
        </button>
      </form>
      <p>
        <a href={to.devices}>No feeder for now; to the devices</a>
      </p>
    </Page>
  );
}
