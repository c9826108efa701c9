import { useState } from "preact/hooks";
import { queue } from "../data/outbox";
import { useQuery } from "../data/query";
import type { FlagKinds, NoticeState, Notices, People, Person, Shelf } from "../data/types";
import { say } from "../parts/note";
import { Page, Waiting } from "../parts/page";
import { toldFrom, wordOf } from "../flags/words";
import { list } from "../shelf/words";
import { PersonForm } from "./person-form";

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
  const answer = useQuery<People>("/api/v1/people");
  const notices = useQuery<Notices>("/api/v1/notices?limit=20");
  const shelf = useQuery<Shelf>("/api/v1/shelf");
  const kinds = useQuery<FlagKinds>("/api/v1/flag-kinds").data;
  const [editing, setEditing] = useState<Person | null>(null);
  if (answer.data === undefined) return <Waiting answer={answer} title="People and notices" />;
  const people = answer.data.people;
  const yards = (shelf.data?.yards ?? []).map(({ id, name }) => ({ id, name }));
  const trouble = notices.data?.trouble ?? null;
  const sentence =
    trouble !== null ? "Something does not get through." : people.length === 0 ? "Nobody is told of anything yet." : `${people.map((p) => p.name).join(", ")} ${people.length === 1 ? "is" : "are"} told.`;
  return (
    <Page title="People and notices" sentence={sentence} answer={answer}>
      {trouble !== null && <p class="caution">{trouble}</p>}
      <ul class="lines">
        {people.map((person) => (
          <PersonLine key={person.id} person={person} yards={yards} kinds={kinds} onEdit={() => setEditing(person)} />
        ))}
      </ul>
      {editing === null ? (
        <p>
          <button type="button" class="button main-action" onClick={() => setEditing(NOBODY)}>
            Add someone
          </button>
        </p>
      ) : (
        <PersonForm key={editing.id} person={editing} yards={yards} kinds={kinds} taken={people.map((p) => p.id)} onDone={() => setEditing(null)} />
      )}
      {notices.data !== undefined && notices.data.notices.length > 0 && <LastNotices notices={notices.data} />}
    </Page>
  );
}

interface LineProps {
  person: Person;
  yards: { id: string; name: string }[];
  /** Undefined until it was seen once. */
  kinds: FlagKinds | undefined;
  onEdit: () => void;
}

function PersonLine({ person, yards, kinds, onEdit }: LineProps) {
  const named = list(person.yards.map((id) => yards.find((yard) => yard.id === id)?.name ?? id));
  const named_kinds = list(person.kinds.map((kind) => wordOf(kinds, kind)));
  const told = toldFrom(kinds).find(({ value }) => value === person.from_severity)?.words ?? person.from_severity;
  const only = `${named === "" ? "" : `; only of ${named}`}${named_kinds === "" ? "" : `; only ${named_kinds}`}`;
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
          {quiet}; told {told}{only}
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

const STATES: Record<NoticeState, string> = { waiting: "waits", sent: "sent", given_up: "given up", moot: "was over before it was sent" };

function LastNotices({ notices }: { notices: Notices }) {
  return (
    <section>
      <h2>Last notices</h2>
      <ul class="lines">
        {notices.notices.map((notice) => (
          <li key={notice.id}>
            <p>
              {notice.address}: {STATES[notice.state]}
              {notice.error !== null && <span class="quiet"> ({notice.error})</span>}
            </p>
          </li>
        ))}
      </ul>
    </section>
  );
}
