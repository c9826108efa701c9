import type { ComponentChildren } from "preact";
import { useEffect } from "preact/hooks";
import { useSignal } from "../data/signal";
import type { Answer } from "../data/query";
import { offline } from "../data/query";
import { age } from "../time/words";
import { now } from "./clock";

interface Props {
  /** The page's answer to its question, in a sentence. */
  sentence: string;
  /** For the window's title. */
  title: string;
  /** Where the page stands: the yard above the hive. */
  above?: ComponentChildren;
  answer?: Answer<unknown>;
  children?: ComponentChildren;
}

export function Page({ sentence, title, above, answer, children }: Props) {
  useEffect(() => {
    document.title = `${title} · Larder`;
  }, [title]);
  return (
    <main id="content">
      <div class="page-head">
        {above !== undefined && <p class="above">{above}</p>}
        <h1 tabIndex={-1}>{sentence}</h1>
        {answer !== undefined && <Age answer={answer} />}
      </div>
      {children}
    </main>
  );
}

/** How old what we see is; offline is a state, not an error. */
export function Age({ answer }: { answer: Answer<unknown> }) {
  const time = useSignal(now);
  const away = useSignal(offline);
  if (answer.at === null) return null;
  const old = age(answer.at, Math.max(time, answer.at));
  const words = away ? `No signal. As seen ${old}.` : `As of ${old === "just now" ? "now" : old}.`;
  return (
    <p class="age" role="status">
      {words}
      {!away && answer.error !== null && <> {answer.error}</>}
    </p>
  );
}

/** What stands where an answer is not there yet, or is not to be had. */
export function Waiting({ answer, title }: { answer: Answer<unknown>; title: string }) {
  if (answer.missing) {
    return (
      <Page title={title} sentence="There is no such place.">
        <p>It may have been taken out, or its name changed.</p>
        <p>
          <a class="button" href="/">
            To today's page
          </a>
        </p>
      </Page>
    );
  }
  if (answer.error !== null) {
    return (
      <Page title={title} sentence="This page has not been seen on this device yet.">
        <p>{answer.error} It opens as soon as there is signal, and from then on also without.</p>
      </Page>
    );
  }
  return <Coming />;
}

/** Before there is anything to show. */
export function Coming() {
  return (
    <main id="content" aria-busy="true">
      <p class="quiet waiting">Fetching what is known.</p>
    </main>
  );
}
