import { queue } from "../data/outbox";
import { units, type Units } from "../data/prefs";
import { useSignal } from "../data/signal";
import type { Device, LearnAnewRequest, Learned } from "../data/types";
import { say } from "../parts/note";
import { dateWords } from "../time/words";
import { inOrder, learnedSentence } from "./learned-words";

/** What Larder found out about an instrument, and a way to begin again after it was mended. */
export function LearnedOf({ device }: { device: Device }) {
  const system = useSignal(units);
  const channels = [...new Set(device.learned.map((one) => one.channel))];
  if (channels.length === 0) return null;
  return (
    <details class="learned">
      <summary>What Larder learned of it</summary>
      {channels.map((channel) => (
        <Channel key={channel} channel={channel} learned={device.learned.filter((one) => one.channel === channel)} system={system} />
      ))}
      <p>Mended, turned round, or set to zero? Then what was learned before does not hold any more. What it measured until now stays as it is.</p>
      <button type="button" class="button" onClick={() => learnAnew(device.id)}>
        Learn anew from now on
      </button>
    </details>
  );
}

function Channel({ channel, learned, system }: { channel: string; learned: Learned[]; system: Units }) {
  const date = learned[0]?.date ?? "";
  return (
    <>
      <p>
        <code>{channel}</code>, as of {dateWords(date)}:
      </p>
      <ul>
        {inOrder(learned).map((one) => (
          <li key={one.what}>{learnedSentence(one, system)}</li>
        ))}
      </ul>
    </>
  );
}

function learnAnew(id: string): void {
  const at = new Date().toISOString();
  const edit = { method: "POST" as const, path: `/api/v1/devices/${encodeURIComponent(id)}/learn-anew`, body: { at } satisfies LearnAnewRequest, words: `${id}: learn anew` };
  queue(edit).then(
    () => say(`${id} is learned anew from now on.`, null),
    (cause: unknown) => say(cause instanceof Error ? cause.message : String(cause)),
  );
}
