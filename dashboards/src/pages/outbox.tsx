import { discard, outbox, sendAgain, type QueuedEdit } from "../data/outbox";
import { useSignal } from "../data/signal";
import { now } from "../parts/clock";
import { Page } from "../parts/page";
import { count } from "../shelf/words";
import { age } from "../time/words";

/** What was written down and has not reached Larder yet. */
export function OutboxPage() {
  const edits = useSignal(outbox);
  const sentence = edits.length === 0 ? "Everything has been sent." : `${count(edits.length, "note waits", "notes wait")} on this device.`;
  return (
    <Page title="To send" sentence={sentence}>
      {edits.length > 0 && <p>They go out in this order as soon as there is signal. Nothing needs to be done for it.</p>}
      <ul class="lines">
        {edits.map((edit) => (
          <EditLine key={edit.seq} edit={edit} />
        ))}
      </ul>
    </Page>
  );
}

function EditLine({ edit }: { edit: QueuedEdit }) {
  const time = useSignal(now);
  return (
    <li>
      <p>
        <b>{edit.words}</b> <span class="quiet">written {age(edit.queued_at, time)}</span>
      </p>
      {edit.refused !== null && (
        <>
          <p class="caution">Larder did not take it: {edit.refused}</p>
          <p class="row">
            <button type="button" class="button" onClick={() => void sendAgain(edit)}>
              {edit.stale === true ? "Save mine all the same" : "Send again"}
            </button>
            <button type="button" class="button" onClick={() => void discard(edit.seq)}>
              Drop it
            </button>
          </p>
        </>
      )}
    </li>
  );
}
