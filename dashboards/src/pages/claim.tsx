import { useState } from "preact/hooks";
import { units } from "../data/prefs";
import { useSignal } from "../data/signal";
import type { Device, Place, Shelf } from "../data/types";
import { now } from "../parts/clock";
import { to } from "../route";
import { age, momentWords } from "../time/words";
import { reading } from "../units/units";
import { useOf } from "./places";
import { Since } from "./since";
import { WeatherWhere, Where } from "./where";

interface Props {
  device: Device;
  devices: Device[];
  shelf: Shelf;
}

/** A device that spoke and has no place: what it says, and where it may stand. */
export function Claim({ device, devices, shelf }: Props) {
  const system = useSignal(units);
  const time = useSignal(now);
  const [chosen, setChosen] = useState<string | null>(null);
  const usable = device.latest.filter((l) => useOf(l.channel) !== null);
  const hives = shelf.yards.flatMap((yard) => yard.hives);
  return (
    <li class="claim">
      <p>
        <b>
          <code>{device.id}</code>
        </b>{" "}
        <span class="quiet">
          spoke {device.last_heard === null ? "some time ago" : age(Date.parse(device.last_heard), time)}
          {device.free_since !== null && `, taken off ${age(Date.parse(device.free_since), time)}`}
        </span>
      </p>
      {hives.length === 0 ? (
        <p>
          Make its hive first. <a href={to.setUp()}>To the set-up</a>
        </p>
      ) : (
        <p class="row">
          {usable.map(({ channel, value, unit }) => (
            <button key={channel} class="button" type="button" aria-pressed={chosen === channel} onClick={() => setChosen(channel)}>
              {channel} {reading(value, unit, system)}
            </button>
          ))}
          {usable.length === 0 && <span>It sends nothing that Larder knows a place for.</span>}
        </p>
      )}
      {chosen !== null && <ToAPlace key={chosen} device={device} channel={chosen} place={null} devices={devices} shelf={shelf} onDone={() => setChosen(null)} />}
    </li>
  );
}

interface ToAPlaceProps extends Props {
  channel: string;
  /** Where it stands until then; null: nowhere. */
  place: Place | null;
  onDone: () => void;
}

/** Where one channel goes, and since when. */
function ToAPlace({ device, channel, place, devices, shelf, onDone }: ToAPlaceProps) {
  // What never had a place counts from its first reading; anything else changes at a moment.
  const fresh = place === null && device.free_since === null;
  const [since, setSince] = useState<number | null>(() => (fresh ? null : Date.now()));
  if (useOf(channel) === "weather") return <WeatherWhere device={device.id} shelf={shelf} />;
  return (
    <>
      <Since fresh={fresh} value={since} onChange={setSince} />
      <Where device={device.id} channel={channel} since={since} place={place} devices={devices} shelf={shelf} onDone={onDone} />
    </>
  );
}

interface PlacedProps extends Props {
  place: Place;
}

/** Where a device stands, and how it gets elsewhere. */
export function Placed({ device, place, devices, shelf }: PlacedProps) {
  const time = useSignal(now);
  const [open, setOpen] = useState(false);
  const hives = shelf.yards.flatMap((yard) => yard.hives);
  const hive = hives.find((h) => h.id === place.hive || h.feeders.some((f) => f.id === place.feeder));
  const yard = shelf.yards.find((y) => y.id === place.yard || y.hives.some((h) => h === hive));
  const { channel } = place;
  return (
    <div class="placed">
      <p class="row">
        {hive !== undefined ? (
          <a href={to.hive(hive.id)}>
            {hive.name}, {place.feeder === null ? "scale" : "feeder"}
          </a>
        ) : (
          <a href={to.yard(yard?.id ?? "")}>{yard?.name ?? place.yard}, weather</a>
        )}
        <button class="why" type="button" aria-expanded={open} onClick={() => setOpen(!open)}>
          {open ? "Close" : "Move"}
        </button>
      </p>
      {place.from !== null && <p class="quiet">since {momentWords(Date.parse(place.from), time, yard?.timezone ?? "UTC")}</p>}
      {open && channel !== null && <ToAPlace device={device} channel={channel} place={place} devices={devices} shelf={shelf} onDone={() => setOpen(false)} />}
      {open && channel === null && <WeatherWhere device={device.id} from={yard?.id ?? null} shelf={shelf} />}
    </div>
  );
}
