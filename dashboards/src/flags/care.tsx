import { useState } from "preact/hooks";
import { outbox, queue, type Edit } from "../data/outbox";
import { keeper } from "../data/prefs";
import { useSignal } from "../data/signal";
import type { Flag, Verdict } from "../data/types";
import { say } from "../parts/note";
import { now } from "../parts/clock";
import { momentWords } from "../time/words";
import { DAY } from "../time/zone";

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

/** What was said of a flag, and what else there is to say than that someone sees to it. */
export function Care({ flag, place, zone }: { flag: Flag; place: string; zone: string }) {
  const [text, setText] = useState<string | null>(null);
  const waiting = useSignal(outbox).filter((edit) => edit.path.includes(encodeURIComponent(flag.id)));
  const snooze = (days: number, words: string) => {
    const until = new Date(Date.now() + days * DAY).toISOString();
    keep(act(flag, "snooze", { until }, `${place}: quiet ${words}`), `${place}: quiet ${words}.`, act(flag, "snooze", { until: null }, `${place}: loud again`));
  };
  const judge = (verdict: Verdict) =>
    keep(act(flag, "verdict", { verdict }, `${place}: ${verdict}`), `Written down: it was ${verdict}.`, act(flag, "verdict", { verdict: null }, `${place}: not known`));
  const note = (event: Event) => {
    event.preventDefault();
    const words = text?.trim() ?? "";
    if (words === "") return;
    keep(act(flag, "note", { text: words }, `${place}: a note`), "The note is kept.", null);
    setText(null);
  };
  const buttons: [string, () => void][] = [
    ...(flag.quiet ? [["Make it loud again", () => loud(flag, place)] as [string, () => void]] : []),
    ["Quiet until tomorrow", () => snooze(1, "until tomorrow")],
    ["Quiet for a week", () => snooze(7, "for a week")],
    ["It was right", () => judge("right")],
    ["It was wrong", () => judge("wrong")],
    ["Write a note", () => setText("")],
  ];
  return (
    <div class="care">
      <CareSaid flag={flag} zone={zone} />
      {waiting.map((edit) => (
        <p key={edit.seq} class="quiet">
          {edit.words}: on this device, not sent yet
        </p>
      ))}
      <p class="care-row">
        {buttons.map(([words, press]) => (
          <button key={words} type="button" class="button" onClick={press}>
            {words}
          </button>
        ))}
      </p>
      {text !== null && (
        <form onSubmit={note}>
          <label>
            <span>A note</span>
            <textarea rows={2} maxLength={2000} value={text} onInput={(event) => setText(event.currentTarget.value)} />
          </label>
          <button type="submit" class="button">
            Keep the note
          </button>
        </form>
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
