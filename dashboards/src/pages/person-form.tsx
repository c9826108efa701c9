import { useState } from "preact/hooks";
import { idFrom } from "../data/identity";
import { queue } from "../data/outbox";
import type { FlagKinds, Person, Severity, WayKind } from "../data/types";
import { toldFrom, wordOf } from "../flags/words";
import { Choice, Field, TextField, Ticks } from "../parts/fields";
import { Fold } from "../parts/fold";
import { say } from "../parts/note";
import { list } from "../shelf/words";

interface Props {
  person: Person;
  yards: { id: string; name: string }[];
  /** Undefined until it was seen once: then only what the person has already can be chosen. */
  kinds: FlagKinds | undefined;
  /** Ids that others have. */
  taken: string[];
  onDone: () => void;
}

/** Who is told, of what, where, and when not. */
export function PersonForm({ person, yards, kinds: known, taken, onDone }: Props) {
  const way = (kind: WayKind) => person.ways.find((w) => w.way === kind)?.address ?? "";
  const [name, setName] = useState(person.name);
  const [mail, setMail] = useState(way("mail"));
  const [hook, setHook] = useState(way("webhook"));
  const [from, setFrom] = useState<Severity>(person.from_severity);
  const [digest, setDigest] = useState(person.digest_at ?? "");
  const [quietFrom, setQuietFrom] = useState(person.quiet?.from ?? "");
  const [quietTo, setQuietTo] = useState(person.quiet?.to ?? "");
  const [ofYards, setOfYards] = useState(person.yards);
  const [kinds, setKinds] = useState(person.kinds);
  const choices = (known?.kinds.map(({ kind }) => kind) ?? person.kinds).map((value) => ({ value, words: wordOf(known, value) }));
  const halfQuiet = (quietFrom === "") !== (quietTo === "");
  const nameless = name.trim() === "";
  const wayless = mail.trim() === "" && hook.trim() === "";
  const keep = (event: Event) => {
    event.preventDefault();
    if (nameless || wayless || halfQuiet) return;
    const id = person.id === "" ? idFrom(name, taken) : person.id;
    const others = person.ways.filter((w) => w.address !== way("mail") && w.address !== way("webhook"));
    const ways = [...(mail.trim() === "" ? [] : [{ way: "mail" as const, address: mail.trim() }]), ...(hook.trim() === "" ? [] : [{ way: "webhook" as const, address: hook.trim() }]), ...others];
    const body: Person = {
      ...person,
      id,
      name: name.trim(),
      ways,
      yards: ofYards,
      kinds,
      from_severity: from,
      digest_at: digest === "" ? null : digest,
      quiet: quietFrom === "" ? null : { from: quietFrom, to: quietTo },
    };
    queue({ method: "PUT", path: `/api/v1/people/${encodeURIComponent(id)}`, body, words: `Notices to ${body.name}` }).then(
      () => {
        say(`${body.name} is told.`);
        onDone();
      },
      (cause: unknown) => say(cause instanceof Error ? cause.message : String(cause)),
    );
  };
  return (
    <form onSubmit={keep} aria-label="Someone who is told">
      <TextField label="Name" value={name} onInput={setName} required />
      <TextField label="Mail address" value={mail} onInput={setMail} hint="Where notices go. Or a webhook below." />
      <Choice label="Tell" value={from} choices={toldFrom(known)} onChoose={setFrom} />
      {yards.length > 1 && (
        <Ticks label="Of which yards" choices={yards.map(({ id, name: words }) => ({ value: id, words }))} ticked={ofYards} onChange={setOfYards} hint="None ticked: of all." />
      )}
      <Fold summary={`Of what: ${kinds.length === 0 ? "the usual kinds" : list(kinds.map((kind) => wordOf(known, kind)))}`}>
        {() => <Ticks label="Of what" choices={choices} ticked={kinds} onChange={setKinds} hint={hintOf(known)} />}
      </Fold>
      <TimeField label="Once a day at" value={digest} onInput={setDigest} hint="Left empty: at once." />
      <TimeField label="Nothing from" value={quietFrom} onInput={setQuietFrom} />
      <TimeField label="Until" value={quietTo} onInput={setQuietTo} hint={halfQuiet ? "Write both times, or neither." : "Local time of the yard. What there is to say waits."} />
      <TextField label="Webhook" value={hook} onInput={setHook} hint="For programs: a URL that takes CloudEvents." />
      <p class="row">
        <button type="submit" class="button main-action" disabled={nameless || wayless || halfQuiet}>
          Keep
        </button>
        <button type="button" class="button" onClick={onDone}>
          Leave it
        </button>
      </p>
    </form>
  );
}

/** What ticking none means. */
function hintOf(known: FlagKinds | undefined): string {
  if (known === undefined) return "The other kinds come as soon as there is signal.";
  const named = known.kinds.filter((each) => each.only_when_named).map(({ word }) => word);
  return `None ticked: of all but ${list(named)}, which come only if you tick them.`;
}

function TimeField({ label, value, onInput, hint }: { label: string; value: string; onInput: (value: string) => void; hint?: string }) {
  return (
    <Field label={label} {...(hint === undefined ? {} : { hint })}>
      {(id, described) => <input id={id} type="time" value={value} aria-describedby={described} onInput={(event) => onInput(event.currentTarget.value)} />}
    </Field>
  );
}
