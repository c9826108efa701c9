import { useState } from "preact/hooks";
import { idFrom } from "../data/identity";
import { queue } from "../data/outbox";
import type { FlagKind, Person, Severity, WayKind } from "../data/types";
import { FLAG_WORDS } from "../flags/words";
import { Choice, Field, TextField, Ticks } from "../parts/fields";
import { Fold } from "../parts/fold";
import { say } from "../parts/note";
import { list } from "../shelf/words";

const FROM: { value: Severity; words: string }[] = [
  { value: "urgent", words: "what is for today" },
  { value: "warning", words: "what is for the next trip, too" },
  { value: "info", words: "everything" },
];

const KINDS = (Object.keys(FLAG_WORDS) as FlagKind[]).map((value) => ({ value, words: FLAG_WORDS[value].word }));

interface Props {
  person: Person;
  yards: { id: string; name: string }[];
  /** Ids that others have. */
  taken: string[];
  onDone: () => void;
}

/** Who is told, of what, where, and when not. */
export function PersonForm({ person, yards, taken, onDone }: Props) {
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
      <Choice label="Tell" value={from} choices={FROM} onChoose={setFrom} />
      {yards.length > 1 && (
        <Ticks label="Of which yards" choices={yards.map(({ id, name: words }) => ({ value: id, words }))} ticked={ofYards} onChange={setOfYards} hint="None ticked: of all." />
      )}
      <Fold summary={`Of what: ${kinds.length === 0 ? "the usual kinds" : list(kinds.map((kind) => FLAG_WORDS[kind].word))}`}>
        {() => <Ticks label="Of what" choices={KINDS} ticked={kinds} onChange={setKinds} hint="None ticked: of all but needs feed and behind target, which come only if you tick them." />}
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

function TimeField({ label, value, onInput, hint }: { label: string; value: string; onInput: (value: string) => void; hint?: string }) {
  return (
    <Field label={label} {...(hint === undefined ? {} : { hint })}>
      {(id, described) => <input id={id} type="time" value={value} aria-describedby={described} onInput={(event) => onInput(event.currentTarget.value)} />}
    </Field>
  );
}
