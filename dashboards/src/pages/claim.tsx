import { useState } from "preact/hooks";
import { units } from "../data/prefs";
import { queue } from "../data/outbox";
import { ApiError, request, useQuery } from "../data/query";
import { useSignal } from "../data/signal";
import type { Device, FeederDeclaration, HiveDeclaration, SensorDeclaration, Shelf, YardDeclaration } from "../data/types";
import { NumberField } from "../parts/fields";
import { say } from "../parts/note";
import { now } from "../parts/clock";
import { to } from "../route";
import { age } from "../time/words";
import { amount, reading } from "../units/units";

type Latest = Device["latest"][number];

/** What a channel can be put to, by its last part: `a/weight` is a weight. */
function useOf(channel: string): "scale" | "level" | "weather" | null {
  const base = channel.split("/").at(-1) ?? "";
  if (base === "weight") return "scale";
  if (["distance", "depth", "volume", "feeder_weight"].includes(base)) return "level";
  if (["temperature", "rain", "wind", "humidity"].includes(base)) return "weather";
  return null;
}

/** A device that spoke and has no place: what it says, and where it may stand. */
export function Claim({ device, shelf }: { device: Device; shelf: Shelf }) {
  const system = useSignal(units);
  const time = useSignal(now);
  const [chosen, setChosen] = useState<Latest | null>(null);
  const usable = device.latest.filter((l) => useOf(l.channel) !== null);
  const hives = shelf.yards.flatMap((yard) => yard.hives);
  return (
    <li class="claim">
      <p>
        <b>
          <code>{device.id}</code>
        </b>{" "}
        <span class="quiet">spoke {device.last_heard === null ? "some time ago" : age(Date.parse(device.last_heard), time)}</span>
      </p>
      {hives.length === 0 ? (
        <p>
          Make its hive first. <a href={to.setUp()}>To the set-up</a>
        </p>
      ) : (
        <p class="row">
          {usable.map((latest) => (
            <button key={latest.channel} class="button" type="button" aria-pressed={chosen === latest} onClick={() => setChosen(latest)}>
              {latest.channel} {reading(latest.value, latest.unit, system)}
            </button>
          ))}
          {usable.length === 0 && <span>It sends nothing that Larder knows a place for.</span>}
        </p>
      )}
      {chosen !== null && <Where device={device} channel={chosen.channel} shelf={shelf} />}
    </li>
  );
}

function Where({ device, channel, shelf }: { device: Device; channel: string; shelf: Shelf }) {
  const use = useOf(channel);
  if (use === "scale") return <ScaleWhere device={device.id} channel={channel} shelf={shelf} />;
  if (use === "weather") return <WeatherWhere device={device.id} shelf={shelf} />;
  return <LevelWhere device={device.id} channel={channel} shelf={shelf} />;
}

const always = { from: null, to: null };

function ScaleWhere({ device, channel, shelf }: { device: string; channel: string; shelf: Shelf }) {
  const put = async (id: string) => {
    const path = `/api/v1/hives/${encodeURIComponent(id)}`;
    try {
      const before = await request<HiveDeclaration>("GET", path);
      const after = { ...before, scale: [...before.scale, { device, channel, ...always }] };
      await queue({ method: "PUT", path, body: after, words: `${device} is ${before.name}'s scale` });
      say(`${device} is ${before.name}'s scale, from its first reading on.`, () => void queue({ method: "PUT", path, body: before, words: `${device} is not ${before.name}'s scale` }));
    } catch (cause) {
      say(cause instanceof ApiError ? cause.message : String(cause));
    }
  };
  return (
    <Picks
      label="Under which hive does this scale stand?"
      places={shelf.yards.flatMap((yard) => yard.hives.map((hive) => ({ id: hive.id, words: hive.name, first: hive.weight_kg === null })))}
      onPick={(id) => void put(id)}
    />
  );
}

function WeatherWhere({ device, shelf }: { device: string; shelf: Shelf }) {
  const put = async (id: string) => {
    const path = `/api/v1/yards/${encodeURIComponent(id)}`;
    try {
      const before = await request<YardDeclaration>("GET", path);
      await queue({ method: "PUT", path, body: { ...before, weather: device }, words: `${device} is the weather of ${before.name}` });
      say(`${device} is the weather of ${before.name}.`, () => void queue({ method: "PUT", path, body: before, words: `${device} is not the weather of ${before.name}` }));
    } catch (cause) {
      say(cause instanceof ApiError ? cause.message : String(cause));
    }
  };
  return (
    <Picks
      label="Of which yard is this the weather?"
      places={shelf.yards.map((yard) => ({ id: yard.id, words: yard.name, first: yard.weather === null }))}
      onPick={(id) => void put(id)}
    />
  );
}

interface PicksProps {
  label: string;
  places: { id: string; words: string; first: boolean }[];
  onPick: (id: string) => void;
}

/** Places to put something, those that lack it first. */
function Picks({ label, places, onPick }: PicksProps) {
  const ordered = [...places].sort((a, b) => Number(b.first) - Number(a.first));
  return (
    <div class="picks" role="group" aria-label={label}>
      <p>{label}</p>
      <p class="row">
        {ordered.map((place) => (
          <button key={place.id} class="button" type="button" onClick={() => onPick(place.id)}>
            {place.words}
          </button>
        ))}
      </p>
    </div>
  );
}

function LevelWhere({ device, channel, shelf }: { device: string; channel: string; shelf: Shelf }) {
  const declared = useQuery<{ feeders: FeederDeclaration[] }>("/api/v1/feeders");
  const [chosen, setChosen] = useState<string | null>(null);
  if (declared.data === undefined) return <p class="quiet">{declared.error ?? "Fetching the feeders."}</p>;
  const { feeders } = declared.data;
  const feeder = feeders.find((f) => f.id === chosen);
  const hives = shelf.yards.flatMap((yard) => yard.hives);
  const nameOf = (f: FeederDeclaration) => hives.find((h) => h.id === f.hive)?.name ?? f.hive;
  if (feeders.length === 0) {
    return (
      <p>
        There is no feeder yet. <a href={to.setUp("feeder")}>Put one on a hive</a>
      </p>
    );
  }
  return (
    <>
      <Picks
        label="Over which feeder does this sensor sit?"
        places={feeders.map((f) => ({ id: f.id, words: nameOf(f), first: f.sensor.length === 0 }))}
        onPick={setChosen}
      />
      {feeder !== undefined && <Geometry key={feeder.id} device={device} channel={channel} feeder={feeder} feeders={feeders} name={nameOf(feeder)} />}
    </>
  );
}

interface GeometryProps {
  device: string;
  channel: string;
  feeder: FeederDeclaration;
  feeders: FeederDeclaration[];
  name: string;
}

/** How a level becomes litres. A sensor on a feeder of the same kind and size says how this one sits. */
function Geometry({ device, channel, feeder, feeders, name }: GeometryProps) {
  const system = useSignal(units);
  const base = channel.split("/").at(-1) ?? "";
  const twin = feeders
    .filter((f) => f.kind === feeder.kind && Math.abs(f.capacity_l - feeder.capacity_l) < 0.01)
    .flatMap((f) => f.sensor)
    .find((s) => s.channel.split("/").at(-1) === base);
  const [mount_m, setMount] = useState<number | null>(twin?.mount_m ?? null);
  const [area_m2, setArea] = useState<number | null>(twin?.area_m2 ?? null);
  const [problem, setProblem] = useState<string | null>(null);
  const needsMount = base === "distance";
  const needsShape = base === "distance" || base === "depth";

  const put = async (event: Event) => {
    event.preventDefault();
    if ((needsMount && mount_m === null) || (needsShape && area_m2 === null)) {
      setProblem("Measure both and write them here; the litres follow from them.");
      return;
    }
    const sensor: SensorDeclaration = {
      device,
      channel,
      ...always,
      mount_m: needsMount ? mount_m : null,
      area_m2: needsShape ? area_m2 : null,
      table: null,
    };
    const path = `/api/v1/feeders/${encodeURIComponent(feeder.id)}`;
    const after = { ...feeder, sensor: [...feeder.sensor, sensor] };
    await queue({ method: "PUT", path, body: after, words: `${device} watches the feeder of ${name}` });
    say(`${device} watches the feeder of ${name}.`, () => void queue({ method: "PUT", path, body: feeder, words: `${device} does not watch the feeder of ${name}` }));
  };

  return (
    <form onSubmit={(event) => void put(event)}>
      {needsMount && (
        <NumberField label="From the sensor's face down to the feeder's floor" quantity="length" value={mount_m} onChange={setMount} hint="Measure it with the feeder empty." />
      )}
      {needsShape && (
        <NumberField
          label="Area of the syrup's surface"
          quantity="area"
          value={area_m2}
          onChange={setArea}
          hint={`Length times width inside, less what the bees' way up takes. A feeder of ${amount(feeder.capacity_l, "volume", system)} with straight walls.`}
        />
      )}
      {problem !== null && <p class="caution">{problem}</p>}
      <button class="button main-action" type="submit">
        It watches {name}
      </button>
    </form>
  );
}
