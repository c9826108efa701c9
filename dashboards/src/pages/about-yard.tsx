import { useState } from "preact/hooks";
import { queue } from "../data/outbox";
import { useQuery } from "../data/query";
import type { YardDeclaration } from "../data/types";
import { TextField } from "../parts/fields";
import { say } from "../parts/note";
import { PlaceFields, placeOfFields, placeToFields } from "./place-fields";

/** What a keeper says about a yard: its name and where it lies. */
export function AboutYard({ id }: { id: string }) {
  const path = `/api/v1/yards/${encodeURIComponent(id)}`;
  const answer = useQuery<YardDeclaration>(path);
  const [name, setName] = useState<string | null>(null);
  const [place, setPlace] = useState<{ latitude: string; longitude: string } | null>(null);
  // What the form was filled from when the first thing was changed: what somebody else changes after that
  // must not slip in under it.
  const [base, setBase] = useState<YardDeclaration | null>(null);
  if (answer.data === undefined) return <p class="quiet">{answer.error ?? "Fetching what is known."}</p>;
  const newest = answer.data;
  const before = base ?? newest;
  const changed =
    <T,>(set: (value: T) => void) =>
    (value: T) => {
      setBase(before);
      set(value);
    };
  const keep = async (event: Event) => {
    event.preventDefault();
    const after = { ...before, ...(name === null ? {} : { name: name.trim() }), ...(place === null ? {} : placeOfFields(place)) };
    await queue({ method: "PUT", path, body: after, words: `${after.name}: its name and place` });
    setName(null);
    setPlace(null);
    setBase(null);
    say(`${after.name} is kept.`, () => void queue({ method: "PUT", path, body: before, words: `${before.name}: as it was` }));
  };
  return (
    <form onSubmit={(event) => void keep(event)}>
      <TextField label="Name" value={name ?? before.name} onInput={changed(setName)} required />
      <PlaceFields value={place ?? placeToFields(before)} onChange={changed(setPlace)} />
      <button class="button" type="submit" disabled={(name === null && place === null) || name?.trim() === ""}>
        Keep
      </button>
    </form>
  );
}
