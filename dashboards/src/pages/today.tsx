import { useEffect, useState } from "preact/hooks";
import { useQuery } from "../data/query";
import { units } from "../data/prefs";
import { useSignal } from "../data/signal";
import type { Shelf, ShelfYard } from "../data/types";
import { FlagList } from "../flags/list";
import { now } from "../parts/clock";
import { Fold } from "../parts/fold";
import { Page, Waiting } from "../parts/page";
import { usePrinting } from "../parts/printing";
import { Sheet } from "../parts/sheet";
import { to } from "../route";
import { HowToRead } from "../shelf/key";
import { ShelfRow } from "../shelf/shelf";
import { byNeed, todaySentence, yardFlags } from "../shelf/sums";
import { sumWords, totalsOf, unknownWords } from "../shelf/totals";
import { count } from "../shelf/words";

/** Above so many hives, a yard with nothing to do is one line until it is opened. */
const MANY_HIVES = 80;

/** Today: what must I do? */
export function TodayPage() {
  const answer = useQuery<Shelf>("/api/v1/shelf");
  const printing = usePrinting();
  const drawn = useOneByOne(answer.data?.yards.length ?? 0);
  if (answer.data === undefined) return <Waiting answer={answer} title="Today" />;
  const shelf = answer.data;
  const hives = shelf.yards.reduce((n, yard) => n + yard.hives.length, 0);
  return (
    <Page title="Today" sentence={todaySentence(shelf)} answer={answer}>
      {shelf.yards.length === 0 ? <Begin /> : null}
      <div class="yards">
        {byNeed(shelf.yards)
          .slice(0, drawn)
          .map((yard) => (
            <YardToday key={yard.id} yard={yard} folded={hives > MANY_HIVES} />
          ))}
      </div>
      {hives > 0 && drawn >= shelf.yards.length && <HowToRead />}
      {printing && <Sheet shelf={shelf} />}
    </Page>
  );
}

/** The first yard is drawn at once, the others one by one behind it: fingers come between. */
function useOneByOne(length: number): number {
  const [drawn, setDrawn] = useState(1);
  useEffect(() => {
    if (drawn >= length) return;
    const next = setTimeout(() => setDrawn(drawn + 1), 0);
    return () => clearTimeout(next);
  }, [drawn, length]);
  return drawn;
}

function YardToday({ yard, folded }: { yard: ShelfYard; folded: boolean }) {
  const time = useSignal(now);
  const system = useSignal(units);
  const flags = yardFlags(yard);
  const todo = flags.filter((f) => f.severity !== "info");
  const known = flags.filter((f) => f.severity === "info");
  const remaining = totalsOf(yard)?.remaining_l;
  const left = sumWords(remaining, system);
  const parts = [count(yard.hives.length, "hive", "hives"), left === null ? null : `${left} in the feeders`, unknownWords(remaining)];
  const line = `${parts.filter((part) => part !== null).join(", ")}.`;
  const fold = folded && todo.length === 0;
  return (
    <section class="yard" aria-labelledby={`yard-${yard.id}`}>
      <div class="yard-head">
        <h2 id={`yard-${yard.id}`}>
          <a href={to.yard(yard.id)}>{yard.name}</a>
        </h2>
        <p class="quiet">{line}</p>
      </div>
      {yard.hives.length === 0 && (
        <p>
          No hives yet. <a href={to.setUp("hive")}>Put the first one here.</a>
        </p>
      )}
      {fold ? (
        <Fold summary="Nothing to do; show the shelf">{() => <ShelfRow yard={yard} now={time} />}</Fold>
      ) : (
        <ShelfRow yard={yard} now={time} />
      )}
      {todo.length > 0 && <FlagList flags={todo} yard={yard} />}
      {known.length > 0 && (
        <Fold class="good-to-know" summary={`${count(known.length, "thing", "things")} good to know`}>
          {() => <FlagList flags={known} yard={yard} />}
        </Fold>
      )}
    </section>
  );
}

function Begin() {
  return (
    <>
      <p>
        Begin with a yard, a hive and its feeder; then claim the sensor that speaks. It takes a few minutes, and no file.
      </p>
      <p>
        <a class="button main-action" href={to.setUp()}>
          Make the first yard
        </a>
      </p>
    </>
  );
}
