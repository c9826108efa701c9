import { useState } from "preact/hooks";
import { ApiError, invalidate, offline, request } from "../data/query";
import { useSignal } from "../data/signal";
import type { Device, Removed } from "../data/types";
import { TextField } from "../parts/fields";
import { say } from "../parts/note";
import { count } from "../shelf/words";

/** The moment that a datetime-local field shows, in the browser's zone; null where it is not filled in. */
export function momentOf(field: string): string | null {
  const at = new Date(field);
  return field === "" || Number.isNaN(at.getTime()) ? null : at.toISOString();
}

/** Takes readings out that should not be there: of a clock that was off, of a scale on the kitchen table. */
export function TakeOut({ device }: { device: Device }) {
  const isOffline = useSignal(offline);
  const channels = device.latest.map((latest) => latest.channel);
  const [channel, setChannel] = useState(channels[0] ?? "");
  const [from, setFrom] = useState("");
  const [to, setTo] = useState("");
  const [found, setFound] = useState<number | null>(null);
  const [problem, setProblem] = useState<string | null>(null);
  const [busy, setBusy] = useState(false);
  if (channels.length === 0) return null;

  const span = [momentOf(from), momentOf(to)] as const;
  const path = (dry: boolean) =>
    `/api/v1/devices/${encodeURIComponent(device.id)}/readings?${new URLSearchParams({ channel, from: span[0] ?? "", to: span[1] ?? "", dry_run: String(dry) }).toString()}`;
  const changed = <T,>(set: (value: T) => void) => (value: T) => {
    set(value);
    setFound(null);
    setProblem(null);
  };
  const ask = (dry: boolean, then: (removed: Removed) => void) => {
    setBusy(true);
    request<Removed>("DELETE", path(dry))
      .then(then, (cause: unknown) => setProblem(cause instanceof ApiError ? cause.message : String(cause)))
      .finally(() => setBusy(false));
  };
  const takeOut = () =>
    ask(false, (removed) => {
      setFound(null);
      invalidate(() => true);
      say(`${count(removed.readings, "reading is", "readings are")} in the quarantine; Read again brings them back.`);
    });
  return (
    <details class="learned">
      <summary>Take readings out</summary>
      <p>For readings that should not be there: a clock that was off, a scale on the kitchen table. They go to the quarantine, from where they can come back, and the days are estimated again.</p>
      <form
        onSubmit={(event) => {
          event.preventDefault();
          ask(true, (removed) => setFound(removed.readings));
        }}
      >
        <div class="field">
          <label for={`take-out-${device.id}`}>Channel</label>
          <select id={`take-out-${device.id}`} value={channel} onChange={(event) => changed(setChannel)(event.currentTarget.value)}>
            {channels.map((name) => (
              <option key={name}>{name}</option>
            ))}
          </select>
        </div>
        <TextField label="From" type="datetime-local" value={from} onInput={changed(setFrom)} required />
        <TextField label="Until just before" type="datetime-local" value={to} onInput={changed(setTo)} required />
        {problem !== null && <p class="caution">{problem}</p>}
        {isOffline && <p class="caution">This needs a connection to Larder.</p>}
        <p class="row">
          <button type="submit" class="button" disabled={busy || isOffline || span.includes(null)}>
            Count them
          </button>
          {found !== null && found > 0 && (
            <button type="button" class="button" disabled={busy || isOffline} onClick={takeOut}>
              Take {count(found, "reading", "readings")} out
            </button>
          )}
        </p>
        {found === 0 && <p>There are no readings of {channel} in that time.</p>}
      </form>
    </details>
  );
}
