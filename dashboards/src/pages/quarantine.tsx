import { useState } from "preact/hooks";
import { ApiError, invalidate, request, useQuery } from "../data/query";
import { useSignal } from "../data/signal";
import type { Quarantine, QuarantineEntry, Replay, ReplayRequest } from "../data/types";
import { now } from "../parts/clock";
import { say } from "../parts/note";
import { Page, Waiting } from "../parts/page";
import { to } from "../route";
import { count } from "../shelf/words";
import { age } from "../time/words";

const PAGE = 100;

/** Quarantine: what could not be read, and why? */
export function QuarantinePage() {
  const answer = useQuery<Quarantine>(`/api/v1/quarantine?limit=${PAGE}`);
  const [busy, setBusy] = useState(false);
  if (answer.data === undefined) return <Waiting answer={answer} title="Quarantine" />;
  const { entries, total } = answer.data;

  const replay = async (ids: number[]) => {
    setBusy(true);
    try {
      const done = await request<Replay>("POST", "/api/v1/quarantine/replay", { ids } satisfies ReplayRequest);
      say(`${done.released} could be read now, ${done.kept} still not.`);
    } catch (cause) {
      say(cause instanceof ApiError ? cause.message : String(cause));
    }
    invalidate((path) => path.startsWith("/api/v1/quarantine"));
    setBusy(false);
  };

  const sentence =
    total === 0 ? "Everything that came could be read." : `${count(total, "message", "different messages")} could not be read and ${total === 1 ? "is" : "are"} kept here.`;
  return (
    <Page title="Quarantine" sentence={sentence} answer={answer} above={<a href={to.devices}>Devices</a>}>
      {total === 0 && <p>A message that does not parse, or a value that can't be, would stand here with its reason. Nothing is thrown away.</p>}
      {total > 0 && (
        <p>
          After a device, a mapping or a clock is put right, read them again: what fits goes into the record at its own time.
        </p>
      )}
      {total > 0 && (
        <p>
          <button class="button main-action" type="button" disabled={busy} onClick={() => void replay(entries.map((e) => e.id))}>
            Read {total > entries.length ? `these ${entries.length}` : "all"} again
          </button>
        </p>
      )}
      <ul class="lines">
        {entries.map((entry) => (
          <EntryLine key={entry.id} entry={entry} busy={busy} onReplay={() => void replay([entry.id])} />
        ))}
      </ul>
    </Page>
  );
}

function EntryLine({ entry, busy, onReplay }: { entry: QuarantineEntry; busy: boolean; onReplay: () => void }) {
  const time = useSignal(now);
  const last = age(Date.parse(entry.last_at), time);
  return (
    <li>
      <p>
        <b>{entry.reason}</b>
      </p>
      <p class="quiet">
        <code>{entry.topic}</code> · {entry.count === 1 ? last : `${entry.count} times, last ${last}`}
        {entry.record !== null && ` · record ${entry.record} of its pack`}
      </p>
      <details>
        <summary>What came</summary>
        <pre tabIndex={0}>{asText(entry.bytes)}</pre>
        <button type="button" class="button" disabled={busy} onClick={onReplay}>
          Read it again
        </button>
      </details>
    </li>
  );
}

/** Bytes as text where they are text, else as hexadecimal. */
export function asText(base64: string): string {
  const bytes = Uint8Array.from(atob(base64), (c) => c.charCodeAt(0));
  try {
    const text = new TextDecoder("utf-8", { fatal: true }).decode(bytes);
    const control = Array.from(text).some((c) => c < " " && !"\n\t\r".includes(c));
    if (!control) return text;
  } catch {
    // Not text.
  }
  return [...bytes].map((byte) => byte.toString(16).padStart(2, "0")).join(" ");
}
