import { useEffect, useState } from "preact/hooks";
import { queue } from "../data/outbox";
import { keeper, setKeeper, setTheme, setUnits, theme, units, type Theme, type Units } from "../data/prefs";
import { database } from "../data/database";
import { useSignal } from "../data/signal";
import type { Settings } from "../data/types";
import { Choice, TextField } from "../parts/fields";
import { Page } from "../parts/page";
import { to } from "../route";

const UNITS: { value: Units; words: string }[] = [
  { value: "metric", words: "kg, litres, °C" },
  { value: "us", words: "lb, US gallons, °F" },
];

const THEMES: { value: Theme; words: string }[] = [
  { value: "day", words: "Day" },
  { value: "night", words: "Night" },
  { value: "sun", words: "Sun: black on white, heavy" },
];

export function SettingsPage() {
  const system = useSignal(units);
  const look = useSignal(theme);
  const name = useSignal(keeper);
  const choose = (next: Units) => {
    setUnits(next);
    void queue({ method: "PUT", path: "/api/v1/settings", body: { units: next } satisfies Settings, words: "Units" });
  };
  return (
    <Page title="Settings" sentence="How shall Larder speak to you?">
      <section>
        <Choice label="Units, for everyone here" value={system} choices={UNITS} onChoose={choose} />
        <Choice label="Theme, on this device" value={look} choices={THEMES} onChoose={setTheme} />
        <TextField label="Your name, on this device" value={name} onInput={setKeeper} hint="Stands beside what you do with a flag." />
      </section>
      <section>
        <h2>People and notices</h2>
        <p>Who is told of what, by mail or by a program.</p>
        <p>
          <a class="button" href={to.people}>
            People and notices
          </a>
        </p>
      </section>
      <section>
        <h2>Yards, hives, feeders</h2>
        <p class="row">
          <a class="button" href={to.setUp("yard")}>
            Add a yard
          </a>
          <a class="button" href={to.setUp("hive")}>
            Add a hive
          </a>
          <a class="button" href={to.setUp("feeder")}>
            Add a feeder
          </a>
        </p>
      </section>
      <WithoutSignal />
    </Page>
  );
}

/** What this device can do without signal, and why not where it can't. */
function WithoutSignal() {
  const [kept, setKept] = useState<number | null>(null);
  const [lasting, setLasting] = useState<boolean | null>(null);
  useEffect(() => {
    void database.keys("seen").then((keys) => setKept(keys.length), () => undefined);
    // Only a secure context has it, whatever the type says.
    const storage = navigator.storage as StorageManager | undefined;
    void storage?.persisted().then(setLasting, () => undefined);
  }, []);
  const secure = isSecureContext;
  return (
    <section>
      <h2>Without signal</h2>
      {secure ? (
        <p>This device opens Larder without signal, shows what was last seen, and sends what you wrote down later.</p>
      ) : (
        <p>
          This address is not encrypted, so the browser does not let these pages open without signal. What you write down is kept and sent all the same. Ask whoever
          runs Larder for its https address.
        </p>
      )}
      {kept !== null && <p class="quiet">{kept} answers are kept on this device.</p>}
      {secure && lasting === false && (
        <p>
          <button class="button" type="button" onClick={() => void navigator.storage.persist().then(setLasting)}>
            Ask the browser to keep them
          </button>
        </p>
      )}
    </section>
  );
}
