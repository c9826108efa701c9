import { useEffect, useState } from "preact/hooks";
import { useDraft } from "../data/draft";
import { units, type Units } from "../data/prefs";
import { reckoned, useQuery } from "../data/query";
import { useSignal } from "../data/signal";
import type { MixRequest, MixResponse } from "../data/types";
import { Choice, TextField } from "../parts/fields";
import { Page } from "../parts/page";

type Given = keyof Pick<MixRequest, "volume" | "sugar" | "water" | "raise">;

interface Wish {
  strength: string;
  given: Given;
  amount: string;
  leftovers: string;
  bags: string;
  vessels: string;
  hot: string;
}

const NOTHING: Wish = { strength: "1:1", given: "volume", amount: "", leftovers: "", bags: "", vessels: "", hot: "" };

const STRENGTHS = ["1:1", "5:3", "2:1"];

const GIVEN: { value: Given; words: string; unit: Record<Units, string>; example: Record<Units, string> }[] = [
  { value: "volume", words: "so much syrup", unit: { metric: "L", us: "gal" }, example: { metric: "20 L", us: "5 gal" } },
  { value: "sugar", words: "so much sugar", unit: { metric: "kg", us: "lb" }, example: { metric: "25 kg", us: "2 x 25 lb" } },
  { value: "water", words: "so much water", unit: { metric: "L", us: "gal" }, example: { metric: "10 L", us: "3 gal" } },
  { value: "raise", words: "stores for a hive", unit: { metric: "kg", us: "lb" }, example: { metric: "8 kg", us: "20 lb" } },
];

/** How long typing rests before it is reckoned. */
const REST_MS = 350;

/** Mix: what goes into which vessel? */
export function MixPage() {
  const system = useSignal(units);
  const [wish, change] = useDraft<Wish>("mix", NOTHING);
  const [other, setOther] = useState(!STRENGTHS.includes(wish.strength));
  const asked = useRested(bodyOf(wish, system));
  const answer = useQuery<MixResponse>(asked === null ? null : reckoned("/api/v1/mix", asked));
  const given = GIVEN.find((g) => g.value === wish.given) ?? GIVEN[0];
  const current = asked === null ? undefined : answer.data;
  return (
    <Page title="Mix" sentence={current?.sentence ?? "What do you want to mix?"}>
      <div class="mix">
        <form onSubmit={(event) => event.preventDefault()}>
          <Choice
            label="Strength, sugar to water by weight"
            value={other ? "other" : wish.strength}
            choices={[...STRENGTHS, "other"].map((value) => ({ value, words: value }))}
            onChoose={(value) => {
              setOther(value === "other");
              if (value !== "other") change({ strength: value });
            }}
          />
          {other && <TextField label="Strength" value={wish.strength} onInput={(strength) => change({ strength })} hint="3:2, or 60 %, or 2:1 by volume" />}
          <Choice label="I have, or want" value={wish.given} choices={GIVEN} onChoose={(value) => change({ given: value })} />
          <TextField label="How much" value={wish.amount} onInput={(amount) => change({ amount })} hint={`Like ${given?.example[system] ?? ""}`} error={asked === null ? null : answer.error} />
          <details open={[wish.leftovers, wish.bags, wish.vessels, wish.hot].some((text) => text !== "")}>
            <summary>Leftovers, bags, vessels, hot water</summary>
            <div class="mix-more">
              <TextField label="Left over, goes in too" value={wish.leftovers} onInput={(leftovers) => change({ leftovers })} hint={system === "us" ? "2 gal of 1:1" : "10 L of 1:1"} />
              <TextField label="Bags to use whole" value={wish.bags} onInput={(bags) => change({ bags })} hint={system === "us" ? "25 lb" : "25 kg"} />
              <TextField label="Vessels to fill, in order" value={wish.vessels} onInput={(vessels) => change({ vessels })} hint={system === "us" ? "4 x 5 gal, drum" : "4 x 20 L, drum"} />
              <TextField label="Temperature of the hot water" value={wish.hot} onInput={(hot) => change({ hot })} hint={system === "us" ? "140 F" : "60 C"} />
            </div>
          </details>
        </form>
        {current !== undefined && <Recipe answer={current} />}
      </div>
    </Page>
  );
}

function Recipe({ answer }: { answer: MixResponse }) {
  return (
    <div class="recipe">
      {answer.cautions.length > 0 && (
        <ul class="cautions" aria-label="Mind">
          {answer.cautions.map((caution) => (
            <li key={caution.text} class="caution">
              {caution.text}
            </li>
          ))}
        </ul>
      )}
      {answer.sections.map((section) => (
        <section key={section.title}>
          <h2>{section.title}</h2>
          <dl class="recipe-rows">
            {section.rows.map((row) => (
              <div key={`${row.label}${row.note}`}>
                <dt>{row.label}</dt>
                <dd>
                  <b>
                    {row.number} {row.unit}
                  </b>{" "}
                  {row.note}
                </dd>
              </div>
            ))}
          </dl>
        </section>
      ))}
    </div>
  );
}

/** The request, or null while there is nothing to reckon. */
export function bodyOf(wish: Wish, system: Units): MixRequest | null {
  const given = GIVEN.find((g) => g.value === wish.given);
  if (wish.amount.trim() === "" || wish.strength.trim() === "" || given === undefined) return null;
  const bare = /^[\d.,]+$/.test(wish.amount.trim());
  const amount = bare ? `${wish.amount.trim()} ${given.unit[system]}` : wish.amount.trim();
  const list = (text: string) => text.split(/[,;]/).map((part) => part.trim()).filter((part) => part !== "");
  return {
    strength: wish.strength.trim(),
    [wish.given]: amount,
    units: system,
    ...(wish.leftovers.trim() === "" ? {} : { leftovers: list(wish.leftovers) }),
    ...(wish.bags.trim() === "" ? {} : { bags: list(wish.bags) }),
    ...(wish.vessels.trim() === "" ? {} : { vessels: list(wish.vessels) }),
    ...(wish.hot.trim() === "" ? {} : { hot: wish.hot.trim() }),
  };
}

/** The value once it has stopped changing. */
function useRested(body: MixRequest | null): MixRequest | null {
  const key = JSON.stringify(body);
  const [rested, setRested] = useState(key);
  useEffect(() => {
    const timer = setTimeout(() => setRested(key), REST_MS);
    return () => clearTimeout(timer);
  }, [key]);
  return JSON.parse(rested) as MixRequest | null;
}
