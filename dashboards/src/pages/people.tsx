import { useState } from "preact/hooks";
import { idFrom } from "../data/identity";
import { queue } from "../data/outbox";
import { useQuery } from "../data/query";
import type { Notices, Person, Severity } from "../data/types";
import { Choice, Field, TextField } from "../parts/fields";
import { say } from "../parts/note";
import { Page, Waiting } from "../parts/page";
import { SEVERITY_WORDS } from "../flags/words";

const FROM: { value: Severity; words: string }[] = [
  { value: "urgent", words: "what is for today" },
  { value: "warning", words: "what is for the next trip, too" },
  { value: "info", words: "everything" },
];

const NOBODY: Person = {
  id: "",
  name: "",
  ways: [],
  yards: [],
  kinds: [],
  from_severity: "warning",
  quiet: null,
  digest_at: null,
  units: null,
};

/** People and notices: who hears of what, and does it get through? */
export function PeoplePage() {
  const answer = useQuery<{ people: Person[] }>("/api/v1/people");
  const notices = useQuery<Notices>("/api/v1/notices?limit=20");
  const [editing, setEditing] = useState<Person | null>(null);
  if (answer.data === undefined) return <Waiting answer={answer} title="People and notices" />;
  const people = answer.data.people;
  const trouble = notices.data?.trouble ?? null;
  const sentence =
    trouble !== null ? "Something does not get through." : people.length === 0 ? "Nobody is told of anything yet." : `${people.map((p) => p.name).join(", ")} ${people.length === 1 ? "is" : "are"} told.`;
  return (
    <Page title="People and notices" sentence={sentence} answer={answer}>
      {trouble !== null && <p class="caution">{trouble}</p>}
      <ul class="lines">
        {people.map((person) => (
          <PersonLine key={person.id} person={person} onEdit={() => setEditing(person)} />
        ))}
      </ul>
      {editing === null ? (
        <p>
          <button type="button" class="button main-action" onClick={() => setEditing(NOBODY)}>
            Add someone
          </button>
        </p>
      ) : (
        <PersonForm key={editing.id} person={editing} taken={people.map((p) => p.id)} onDone={() => setEditing(null)} />
      )}
      {notices.data !== undefined && notices.data.notices.length > 0 && <LastNotices notices={notices.data} />}
    </Page>
  );
}

function PersonLine({ person, onEdit }: { person: Person; onEdit: () => void }) {
  const when = person.digest_at === null ? "at once" : `once a day at ${person.digest_at}`;
  const quiet = person.quiet === null ? "" : `, nothing from ${person.quiet.from} to ${person.quiet.to}`;
  const path = `/api/v1/people/${encodeURIComponent(person.id)}`;
  const remove = () => {
    void queue({ method: "DELETE", path, words: `${person.name} is told no more` });
    say(`${person.name} is told no more.`, () => void queue({ method: "PUT", path, body: person, words: `${person.name} is told again` }));
  };
  const test = () => {
    void queue({ method: "POST", path: `${path}/test`, body: {}, words: `A test to ${person.name}` });
    say("A test is on its way.");
  };
  return (
    <li>
      <p>
        <b>{person.name}</b>{" "}
        <span class="quiet">
          {person.ways.map((way) => way.address).join(", ") || "no address"}; {when}
          {quiet}; from "{SEVERITY_WORDS[person.from_severity]}" on
        </span>
      </p>
      <p class="row">
        <button type="button" class="button" onClick={onEdit} aria-label={`Change ${person.name}`}>
          Change
        </button>
        <button type="button" class="button" onClick={test} aria-label={`Send a test to ${person.name}`}>
          Send a test
        </button>
        <button type="button" class="button" onClick={remove} aria-label={`Take ${person.name} out`}>
          Take out
        </button>
      </p>
    </li>
  );
}

function PersonForm({ person, taken, onDone }: { person: Person; taken: string[]; onDone: () => void }) {
  const way = (kind: "mail" | "webhook") => person.ways.find((w) => w.way === kind)?.address ?? "";
  const [name, setName] = useState(person.name);
  const [mail, setMail] = useState(way("mail"));
  const [hook, setHook] = useState(way("webhook"));
  const [from, setFrom] = useState<Severity>(person.from_severity);
  const [digest, setDigest] = useState(person.digest_at ?? "");
  const [quietFrom, setQuietFrom] = useState(person.quiet?.from ?? "");
  const [quietTo, setQuietTo] = useState(person.quiet?.to ?? "");
  const nameless = name.trim() === "";
  const wayless = mail.trim() === "" && hook.trim() === "";
  const keep = (event: Event) => {
    event.preventDefault();
    if (nameless || wayless) return;
    const id = person.id === "" ? idFrom(name, taken) : person.id;
    const others = person.ways.filter((w) => w.address !== way("mail") && w.address !== way("webhook"));
    const ways = [...(mail.trim() === "" ? [] : [{ way: "mail" as const, address: mail.trim() }]), ...(hook.trim() === "" ? [] : [{ way: "webhook" as const, address: hook.trim() }]), ...others];
    const body: Person = {
      ...person,
      id,
      name: name.trim(),
      ways,
      from_severity: from,
      digest_at: digest === "" ? null : digest,
      quiet: quietFrom === "" || quietTo === "" ? null : { from: quietFrom, to: quietTo },
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
      <TimeField label="Once a day at" value={digest} onInput={setDigest} hint="Left empty: at once." />
      <TimeField label="Nothing from" value={quietFrom} onInput={setQuietFrom} />
      <TimeField label="Until" value={quietTo} onInput={setQuietTo} hint="Local time of the yard. What there is to say waits." />
      <TextField label="Webhook" value={hook} onInput={setHook} hint="For programs: a URL that takes CloudEvents." />
      <p class="row">
        <button type="submit" class="button main-action" disabled={nameless || wayless}>
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

const STATES: Record<string, string> = { waiting: "waits", sent: "sent", given_up: "given up", moot: "was over before it was sent" };

function LastNotices({ notices }: { notices: Notices }) {
  return (
    <section>
      <h2>Last notices</h2>
      <ul class="lines">
        {notices.notices.map((notice) => (
          <li key={notice.id}>
            <p>
              {notice.address}: {STATES[notice.state] ?? notice.state}
              {notice.error !== null && <span class="quiet"> ({notice.error})</span>}
            </p>
          </li>
        ))}
      </ul>
    </section>
  );
}
