import { useState } from "preact/hooks";
import { outbox, queue, type Edit } from "../data/outbox";
import { keeper } from "../data/prefs";
import { useSignal } from "../data/signal";
import type { Flag } from "../data/types";
import { say } from "../parts/note";
import { now } from "../parts/clock";
import { momentWords } from "../time/words";

const DAY_MS = 86_400_000;

type Act = "acknowledge" | "snooze" | "note" | "verdict";

/** One act on a flag, ready for the queue. It carries its own moment, so that sending it twice is once. */
export function act(flag: Flag, what: Act, body: object, words: string): Edit {
  const at = new Date().toISOString();
  return {
    method: "POST",
    path: `/api/v1/flags/${encodeURIComponent(flag.id)}/${what}`,
    body: { ...body, who: keeper.get(), at },
    words,
  };
}

function keep(edit: Edit, done: string, undo: Edit | null): void {
  queue(edit).then(
    () => say(done, undo === null ? null : () => void queue({ ...undo, body: { ...(undo.body as object), at: new Date().toISOString() } })),
    (cause: unknown) => say(cause instanceof Error ? cause.message : String(cause)),
  );
}

/** What a keeper does with a flag: one tap says that it is seen to, two say anything else. */
export function CareRow({ flag, place, zone }: { flag: Flag; place: string; zone: string }) {
  const [open, setOpen] = useState(false);
  const [text, setText] = useState("");
  const waiting = useSignal(outbox).filter((edit) => edit.path.includes(encodeURIComponent(flag.id)));
  const snooze = (days: number, words: string) => {
    const until = new Date(Date.now() + days * DAY_MS).toISOString();
    keep(act(flag, "snooze", { until }, `${place}: quiet ${words}`), `${place}: quiet ${words}.`, act(flag, "snooze", { until: null }, `${place}: loud again`));
    setOpen(false);
  };
  const judge = (verdict: "right" | "wrong") => {
    keep(act(flag, "verdict", { verdict }, `${place}: ${verdict}`), `Written down: it was ${verdict}.`, act(flag, "verdict", { verdict: null }, `${place}: not known`));
    setOpen(false);
  };
  const note = (event: Event) => {
    event.preventDefault();
    if (text.trim() === "") return;
    keep(act(flag, "note", { text: text.trim() }, `${place}: a note`), "The note is kept.", null);
    setText("");
    setOpen(false);
  };
  return (
    <div class="care">
      <CareSaid flag={flag} zone={zone} />
      {waiting.map((edit) => (
        <p key={edit.seq} class="quiet">
          {edit.words}: on this device, not sent yet
        </p>
      ))}
      <p class="row">
        {flag.quiet ? (
          <button type="button" class="button" onClick={() => loud(flag, place)}>
            Make it loud again
          </button>
        ) : (
          <button type="button" class="button" onClick={() => seenTo([flag], place)}>
            I see to it
          </button>
        )}
        <button type="button" class="button" aria-expanded={open} onClick={() => setOpen(!open)}>
          {open ? "Less" : "More"}
        </button>
      </p>
      {open && (
        <div class="care-more">
          <p class="row">
            <button type="button" class="button" onClick={() => snooze(1, "until tomorrow")}>
              Quiet until tomorrow
            </button>
            <button type="button" class="button" onClick={() => snooze(7, "for a week")}>
              Quiet for a week
            </button>
            <button type="button" class="button" onClick={() => judge("right")}>
              It was right
            </button>
            <button type="button" class="button" onClick={() => judge("wrong")}>
              It was wrong
            </button>
          </p>
          <form onSubmit={note}>
            <label>
              <span>A note</span>
              <textarea rows={2} maxLength={2000} value={text} onInput={(event) => setText(event.currentTarget.value)} />
            </label>
            <button type="submit" class="button">
              Keep the note
            </button>
          </form>
        </div>
      )}
    </div>
  );
}

/** Says of all these that someone sees to them. */
export function seenTo(flags: Flag[], place: string): void {
  const all = (acknowledged: boolean) =>
    Promise.all(flags.map((flag) => queue(act(flag, "acknowledge", { acknowledged }, `${place}: ${acknowledged ? "seen to" : "open again"}`))));
  all(true).then(
    () => say(`${place}: you see to it.`, () => void all(false)),
    (cause: unknown) => say(cause instanceof Error ? cause.message : String(cause)),
  );
}

function loud(flag: Flag, place: string): void {
  if (flag.care.acknowledged !== null) void queue(act(flag, "acknowledge", { acknowledged: false }, `${place}: open again`));
  if (flag.care.snoozed !== null) void queue(act(flag, "snooze", { until: null }, `${place}: loud again`));
}

/** What was said of it. */
function CareSaid({ flag, zone }: { flag: Flag; zone: string }) {
  const time = useSignal(now);
  const { acknowledged, snoozed, verdict, notes } = flag.care;
  const at = (moment: string) => momentWords(Date.parse(moment), time, zone);
  const who = (name: string) => (name === "" ? "Someone" : name);
  return (
    <>
      {acknowledged !== null && (
        <p class="quiet">
          {who(acknowledged.who)} sees to it, since {at(acknowledged.at)}.
        </p>
      )}
      {snoozed !== null && Date.parse(snoozed.until) > time && <p class="quiet">Quiet until {at(snoozed.until)}.</p>}
      {verdict !== null && (
        <p class="quiet">
          {who(verdict.who)}: it was {verdict.verdict}.
        </p>
      )}
      {notes.map((note) => (
        <p key={note.at + note.text} class="care-note">
          {note.text} <span class="quiet">{[note.who, at(note.at)].filter((part) => part !== "").join(", ")}</span>
        </p>
      ))}
    </>
  );
}
