import { useQuery } from "../data/query";
import { units } from "../data/prefs";
import { useSignal } from "../data/signal";
import type { Columns, Estimate, Shelf, ShelfHive, ShelfYard, Total, YardDeclaration } from "../data/types";
import { Spark } from "../charts/spark";
import { FlagList } from "../flags/list";
import { now } from "../parts/clock";
import { Fold } from "../parts/fold";
import { later } from "../parts/later";
import { Page, Waiting } from "../parts/page";
import { to } from "../route";
import { ShelfRow } from "../shelf/shelf";
import { yardFlags, yardSentence } from "../shelf/sums";
import { sumOf, totalsOf, totalWords, unknownWords } from "../shelf/totals";
import { age, dayWords } from "../time/words";
import { DAY, HOUR } from "../time/zone";
import { amount, change, unitOf, withInterval } from "../units/units";

const AboutYard = later(async () => (await import("./desk")).AboutYard);

/** Yard: how does this one stand against its neighbours? */
export function YardPage({ id }: { id: string }) {
  const answer = useQuery<Shelf>("/api/v1/shelf");
  const time = useSignal(now);
  const yard = answer.data?.yards.find((y) => y.id === id);
  if (answer.data !== undefined && yard === undefined) {
    return <Waiting answer={{ ...answer, missing: true }} title="Yard" />;
  }
  if (yard === undefined) return <Waiting answer={answer} title="Yard" />;
  const flags = yardFlags(yard);
  return (
    <Page title={yard.name} sentence={yardSentence(yard)} answer={answer} above={<a href={to.today}>Today</a>}>
      {yard.hives.length === 0 && (
        <p>
          <a class="button main-action" href={to.setUp("hive")}>
            Put the first hive here
          </a>
        </p>
      )}
      <ShelfRow yard={yard} now={time} large />
      {flags.length > 0 && <FlagList flags={flags} yard={yard} />}
      {yard.hives.some((h) => h.feeders.length > 0) && <Compare yard={yard} />}
      <WeatherStrip yard={yard} />
      <Fold class="about" summary="About this yard">
        {() => <AboutYard id={yard.id} meanwhile={<p class="quiet">Fetching what is known.</p>} />}
      </Fold>
    </Page>
  );
}

interface Row {
  hive: ShelfHive;
  total: Total | undefined;
  took: Estimate | null;
}

/** The last day's uptake of each hive on one axis, with where the middle half of the yard lies. */
function Compare({ yard }: { yard: ShelfYard }) {
  const system = useSignal(units);
  const time = useSignal(now);
  const whole = totalsOf(yard)?.last_day ?? null;
  const rows: Row[] = yard.hives.map((hive) => {
    const own = totalsOf(hive)?.last_day ?? null;
    // Older than the yard's: nothing is known of that hive's feeders on the day that is compared.
    const total = own === null || own.date !== whole?.date ? undefined : own.uptake_l;
    return { hive, total, took: sumOf(total) };
  });
  const day = whole === null ? "" : dayWords(whole.date, time, yard.timezone);
  const together = whole === null ? null : totalWords(whole.uptake_l, system, day);
  const values = rows.flatMap((r) => (r.took === null ? [] : [r.took.value])).sort((a, b) => a - b);
  const top = Math.max(0.5, ...rows.map((r) => r.took?.hi ?? 0)) * 1.05;
  const quarter = (share: number) => values[Math.min(values.length - 1, Math.floor(values.length * share))] ?? 0;
  const share = (litres: number) => `${(Math.max(0, litres) / top) * 100}%`;
  const middle = { left: share(quarter(0.25)), width: share(quarter(0.75) - quarter(0.25)) };
  return (
    <section aria-labelledby="compare">
      <h2 id="compare">What each took on the last whole day</h2>
      {together !== null && <p>Together {together}.</p>}
      <table class="compare">
        <thead>
          <tr>
            <th scope="col">Hive</th>
            <th scope="col">
              Uptake, 0 to {amount(top, "volume", system)}
              {values.length >= 4 && <span class="quiet"> (shaded: the middle half)</span>}
            </th>
            <th scope="col" class="number">
              Took, {unitOf("volume", system)}
            </th>
            <th scope="col" class="number">
              Hive, {unitOf("mass", system)} a day
            </th>
          </tr>
        </thead>
        <tbody>
          {rows.map(({ hive, total, took }) => (
            <tr key={hive.id}>
              <th scope="row">
                <a href={to.hive(hive.id)}>{hive.name}</a>
              </th>
              <td class="compare-axis">
                {values.length >= 4 && <span class="compare-middle" style={middle} />}
                {took !== null && (
                  <>
                    <span class="compare-interval" style={{ left: share(took.lo), width: share(took.hi - Math.max(0, took.lo)) }} />
                    <span class="compare-mark" style={{ left: share(took.value) }} />
                  </>
                )}
              </td>
              <td class="number">
                {took === null ? "not known" : withInterval(took, "volume", system).replace(` ${unitOf("volume", system)}`, "")}
                {took !== null && <span class="quiet">{unknownWords(total)}</span>}
              </td>
              <td class="number">
                {hive.net_change_kg === null ? "not known" : change(hive.net_change_kg.value, "mass", system).replace(` ${unitOf("mass", system)}`, "")}
              </td>
            </tr>
          ))}
        </tbody>
      </table>
    </section>
  );
}

/** The weather now, and a week of its temperature. */
function WeatherStrip({ yard }: { yard: ShelfYard }) {
  const system = useSignal(units);
  const time = useSignal(now);
  const declared = useQuery<YardDeclaration>(`/api/v1/yards/${encodeURIComponent(yard.id)}`);
  const device = declared.data?.weather ?? null;
  const to_ms = Math.ceil(time / HOUR) * HOUR;
  const from = new Date(to_ms - 7 * DAY).toISOString();
  const until = new Date(to_ms).toISOString();
  const path = `/api/v1/readings?device=${encodeURIComponent(device ?? "")}&channel=temperature&from=${from}&to=${until}&points=700`;
  const week = useQuery<Columns>(device === null ? null : path);
  const weather = yard.weather;
  if (weather === null) return null;
  const parts = [
    weather.temperature_c === null ? null : amount(weather.temperature_c, "temperature", system),
    weather.rain_mm_24h === null ? null : `${amount(weather.rain_mm_24h, "rain", system)} of rain in 24 hours`,
    weather.wind_m_s === null ? null : `wind ${amount(weather.wind_m_s, "wind", system)}`,
  ].filter((part) => part !== null);
  return (
    <section class="weather" aria-labelledby="weather">
      <h2 id="weather">Weather</h2>
      <p>
        {parts.join(", ")}. <span class="quiet">Heard {age(Date.parse(weather.at), time)}.</span>
      </p>
      {week.data !== undefined && week.data.value.length > 1 && (
        <Spark columns={week.data} quantity="temperature" zone={yard.timezone} from={to_ms - 7 * DAY} to={to_ms} label="Temperature in the last seven days" />
      )}
    </section>
  );
}
