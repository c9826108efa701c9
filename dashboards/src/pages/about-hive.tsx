import { useState } from "preact/hooks";
import { queue } from "../data/outbox";
import { useQuery } from "../data/query";
import type { Goal, HiveDeclaration } from "../data/types";
import { Choice, NumberField, TextField } from "../parts/fields";
import { say } from "../parts/note";

const GOALS: { value: Goal; words: string }[] = [
  { value: "winter_stores", words: "Winter stores" },
  { value: "build_up", words: "Build-up" },
  { value: "comb", words: "Drawing comb" },
  { value: "emergency", words: "Emergency" },
];

/** What a keeper says about a hive: its name, what it is fed for, what it should weigh. */
export function AboutHive({ id }: { id: string }) {
  const answer = useQuery<HiveDeclaration>(`/api/v1/hives/${encodeURIComponent(id)}`);
  const [changes, setChanges] = useState<Partial<HiveDeclaration>>({});
  // What the form was filled from when the first thing was changed: what somebody else changes after that
  // must not slip in under it.
  const [base, setBase] = useState<HiveDeclaration | null>(null);
  if (answer.data === undefined) return null;
  const before = base ?? answer.data;
  const hive = { ...before, ...changes };
  const change = (part: Partial<HiveDeclaration>) => {
    setBase(before);
    setChanges({ ...changes, ...part });
  };
  const path = `/api/v1/hives/${encodeURIComponent(id)}`;
  const keep = async (event: Event) => {
    event.preventDefault();
    await queue({ method: "PUT", path, body: hive, words: `${hive.name}: what it is fed for` });
    setChanges({});
    setBase(null);
    say(`${hive.name} is kept.`, () => void queue({ method: "PUT", path, body: before, words: `${before.name}: as it was` }));
  };
  return (
    <form onSubmit={(event) => void keep(event)}>
        <TextField label="Name" value={hive.name} onInput={(name) => change({ name })} required />
        <Choice label="Fed for" value={hive.goal} choices={GOALS} onChoose={(goal) => change({ goal })} />
        <NumberField
          label="Should weigh on the scale"
          quantity="mass"
          value={hive.target_weight_kg}
          onChange={(target_weight_kg) => change({ target_weight_kg })}
        />
        <TextField label="By" type="date" value={hive.target_date ?? ""} onInput={(date) => change({ target_date: date === "" ? null : date })} />
        <label class="check">
          <input type="checkbox" checked={hive.supers_on} onChange={(event) => change({ supers_on: event.currentTarget.checked })} />
          <span>Honey supers are on</span>
        </label>
        <button class="button" type="submit" disabled={Object.keys(changes).length === 0}>
          Keep
        </button>
      </form>
  );
}
