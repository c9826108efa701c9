import { useQuery } from "../data/query";
import { units } from "../data/prefs";
import { useSignal } from "../data/signal";
import type { Device, Devices, Quarantine, Shelf } from "../data/types";
import { now } from "../parts/clock";
import { Page, Waiting } from "../parts/page";
import { to } from "../route";
import { count } from "../shelf/words";
import { age } from "../time/words";
import { HOUR } from "../time/zone";
import { reading } from "../units/units";
import { LearnedOf } from "./learned";
import { TakeOut } from "./take-out";
import { Claim, Placed } from "./claim";

/** A device that says nothing for so long is worth a look. Common practice, not a law. */
const QUIET_MS = 6 * HOUR;

/** Devices: do they all speak, and does each have its place? */
export function DevicesPage() {
  const answer = useQuery<Devices>("/api/v1/devices");
  const shelf = useQuery<Shelf>("/api/v1/shelf");
  const quarantine = useQuery<Quarantine>("/api/v1/quarantine?limit=1");
  const time = useSignal(now);
  if (answer.data === undefined) return <Waiting answer={answer} title="Devices" />;
  const { devices } = answer.data;
  const free = devices.filter((device) => device.assigned.length === 0 && device.latest.length > 0);
  const placed = devices.filter((device) => !free.includes(device));
  const quiet = placed.filter((device) => isQuiet(device, time));
  const ordered = [...placed].sort((a, b) => Number(isQuiet(b, time)) - Number(isQuiet(a, time)) || a.id.localeCompare(b.id));
  const setAside = quarantine.data?.total ?? 0;
  return (
    <Page title="Devices" sentence={devicesSentence(devices, free, quiet)} answer={answer}>
      {devices.length === 0 && <NothingSpeaks />}
      {free.length > 0 && shelf.data !== undefined && (
        <section aria-labelledby="free">
          <h2 id="free">Without a place</h2>
          <ul class="lines">
            {free.map((device) => (
              <Claim key={device.id} device={device} devices={devices} shelf={shelf.data as Shelf} />
            ))}
          </ul>
        </section>
      )}
      {setAside > 0 && (
        <p>
          <a href={to.quarantine}>{count(setAside, "message", "messages")} could not be read</a>
        </p>
      )}
      {ordered.length > 0 && shelf.data !== undefined && (
        <section aria-labelledby="placed">
          <h2 id="placed">In their places</h2>
          <ul class="lines device-list">
            {ordered.map((device) => (
              <DeviceLine key={device.id} device={device} devices={devices} shelf={shelf.data as Shelf} time={time} />
            ))}
          </ul>
        </section>
      )}
    </Page>
  );
}

function devicesSentence(all: Device[], free: Device[], quiet: Device[]): string {
  if (all.length === 0) return "No device has spoken yet.";
  const parts = [];
  if (free.length > 0) parts.push(`${count(free.length, "device has", "devices have")} no place yet`);
  if (quiet.length > 0) parts.push(`${count(quiet.length, "is", "are")} quiet`.toLowerCase());
  if (parts.length === 0) return `All ${all.length} devices speak and have their place.`;
  const [first = ""] = parts;
  return `${first.charAt(0).toUpperCase()}${first.slice(1)}${parts[1] === undefined ? "" : `, ${parts[1]}`}.`;
}

function isQuiet(device: Device, time: number): boolean {
  return device.last_heard === null || time - Date.parse(device.last_heard) > QUIET_MS;
}

function DeviceLine({ device, devices, shelf, time }: { device: Device; devices: Device[]; shelf: Shelf; time: number }) {
  const system = useSignal(units);
  const quiet = isQuiet(device, time);
  const said = device.latest.filter((l) => !/(^|\/)(battery|rssi)$/.test(l.channel));
  const odd = device.impossible_count_7d;
  return (
    <li>
      <code>{device.id}</code>
      <div>
        {device.assigned.map((place) => (
          <Placed key={`${place.hive ?? ""}${place.feeder ?? ""}${place.yard ?? ""}${place.channel ?? ""}`} device={device} place={place} devices={devices} shelf={shelf} />
        ))}
      </div>
      <span class={quiet ? "device-quiet" : ""}>
        {quiet && "quiet, "}
        {device.last_heard === null ? "never heard" : `heard ${age(Date.parse(device.last_heard), time)}`}
      </span>
      <span>
        {said.map((l) => `${l.channel} ${reading(l.value, l.unit, system)}`).join(", ")}
        {device.excess !== null && (
          <b class="device-odd" title="More than 50 messages a second. None is lost, but it fills the disk and, at the built-in broker, has to wait: let it report less often.">
            sends too fast: {count(device.excess.messages, "message", "messages")} over the limit, the last {age(Date.parse(device.excess.last_at), time)}
          </b>
        )}
        {odd > 0 && <b class="device-odd">{count(odd, "impossible value", "impossible values")} in 7 days</b>}
      </span>
      <span>{device.battery_v === null ? "" : `battery ${device.battery_v.toFixed(2)} V`}</span>
      <LearnedOf device={device} />
      <TakeOut device={device} />
    </li>
  );
}

function NothingSpeaks() {
  return (
    <>
      <p>Point a scale or a level sensor at the broker. Larder listens for readings on this topic, and anything that any MQTT client sends will do for a first try:</p>
      <pre tabIndex={0}>{`mosquitto_pub -q 1 -t larder/my-scale/readings -m '{"weight_kg": 41.2}'`}</pre>
      <p>It shows up here as soon as it has spoken; then say where it stands.</p>
    </>
  );
}
