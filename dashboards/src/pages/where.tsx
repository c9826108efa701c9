import { useState } from "preact/hooks";
import { queue } from "../data/outbox";
import { ApiError, request, useQuery } from "../data/query";
import type { Device, FeederDeclaration, Feeders, Place, SensorDeclaration, SensorShape, Shelf, YardDeclaration } from "../data/types";
import { say } from "../parts/note";
import { to } from "../route";
import { Geometry } from "./geometry";
import { baseOf, putTo, standsThere, takeOff, useOf } from "./places";

interface Props {
  device: string;
  channel: string;
  since: number | null;
  /** Where it stands until then; null: nowhere. */
  place: Place | null;
  devices: Device[];
  shelf: Shelf;
  onDone: () => void;
}

/** The places that fit a channel; a tap on one puts it there. */
export function Where(props: Props) {
  return useOf(props.channel) === "scale" ? <ScaleWhere {...props} /> : <LevelWhere {...props} />;
}

function ScaleWhere({ device, channel, since, place, devices, shelf, onDone }: Props) {
  const put = (hive: string, name: string) => {
    putTo({ device, channel, since, before: place, to: { hive }, words: `${name}'s scale`, instead: standsThere(devices, device, channel, { hive }) });
    onDone();
  };
  const off = (from: Place) => {
    takeOff(device, from, since ?? Date.now());
    onDone();
  };
  const places = shelf.yards.flatMap((yard) => yard.hives).map((hive) => ({ id: hive.id, words: hive.name, first: hive.weight_kg === null }));
  return (
    <>
      <Picks label="Under which hive does this scale stand?" places={places} here={place?.hive ?? null} onPick={put} />
      {place !== null && <Off onPress={() => off(place)} />}
    </>
  );
}

function LevelWhere({ device, channel, since, place, devices, shelf, onDone }: Props) {
  const declared = useQuery<Feeders>("/api/v1/feeders");
  const [chosen, setChosen] = useState<string | null>(place?.feeder ?? null);
  if (declared.data === undefined) return <p class="quiet">{declared.error ?? "Fetching the feeders."}</p>;
  const { feeders } = declared.data;
  const hives = shelf.yards.flatMap((yard) => yard.hives);
  const nameOf = (f: FeederDeclaration) => hives.find((h) => h.id === f.hive)?.name ?? f.hive;
  const feeder = feeders.find((f) => f.id === chosen);
  const shape = (of: { device: string; place: Place }) => shapeOf(feeders, of.device, of.place);
  const before = place === null ? undefined : shape({ device, place });
  const put = (at: FeederDeclaration, now: SensorShape) => {
    const other = standsThere(devices, device, channel, { feeder: at.id });
    putTo({
      device,
      channel,
      since,
      before: place,
      beforeShape: before,
      to: { feeder: at.id, shape: now },
      words: `the level sensor of ${nameOf(at)}`,
      instead: other === null ? null : { ...other, shape: shape(other) },
    });
    onDone();
  };
  const off = (from: Place) => {
    takeOff(device, from, since ?? Date.now(), before);
    onDone();
  };
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
        places={feeders.map((f) => ({ id: f.id, words: nameOf(f), first: f.sensor.every((s) => s.to !== null) }))}
        here={chosen}
        onPick={setChosen}
      />
      {feeder !== undefined && (
        <Geometry
          key={feeder.id}
          base={baseOf(channel)}
          feeder={feeder}
          known={feeder.id === place?.feeder ? before : twinOf(feeder, feeders, channel)}
          name={nameOf(feeder)}
          onKeep={(now) => put(feeder, now)}
        />
      )}
      {place !== null && <Off onPress={() => off(place)} />}
    </>
  );
}

/** How a sensor sits where it stands now. */
function shapeOf(feeders: FeederDeclaration[], device: string, place: Place): SensorShape | undefined {
  const feeder = feeders.find((f) => f.id === place.feeder);
  return shapeOnly(feeder?.sensor.find((s) => s.device === device && s.channel === place.channel && s.to === null));
}

/** A sensor on a feeder of the same kind and size says how this one sits. */
function twinOf(feeder: FeederDeclaration, feeders: FeederDeclaration[], channel: string): SensorShape | undefined {
  const alike = feeders.filter((f) => f.kind === feeder.kind && Math.abs(f.capacity_l - feeder.capacity_l) < 0.01);
  return shapeOnly(alike.flatMap((f) => f.sensor).find((s) => baseOf(s.channel) === baseOf(channel)));
}

function shapeOnly(sensor: SensorDeclaration | undefined): SensorShape | undefined {
  return sensor === undefined ? undefined : { mount_m: sensor.mount_m, area_m2: sensor.area_m2, table: sensor.table };
}

function Off({ onPress }: { onPress: () => void }) {
  return (
    <p>
      <button class="button" type="button" onClick={onPress}>
        Take it off
      </button>
    </p>
  );
}

interface WeatherProps {
  device: string;
  /** The yard whose weather it is now. */
  from?: string | null;
  shelf: Shelf;
}

/** A yard has one weather station, without dates. */
export function WeatherWhere({ device, from = null, shelf }: WeatherProps) {
  const put = async (id: string) => {
    try {
      const [before, old] = await Promise.all([declared(id), from === null || from === id ? null : declared(from)]);
      const write = (yard: YardDeclaration, words: string) => queue({ method: "PUT", path: `/api/v1/yards/${encodeURIComponent(yard.id)}`, body: yard, words });
      if (old !== null) await write({ ...old, weather: null }, `${device} is not the weather of ${old.name}`);
      await write({ ...before, weather: id === from ? null : device }, `The weather of ${before.name}`);
      const undo = async () => {
        await write(before, `The weather of ${before.name}, as it was`);
        if (old !== null) await write(old, `The weather of ${old.name}, as it was`);
      };
      say(id === from ? `${device} is taken off.` : `${device} is the weather of ${before.name}.`, () => void undo());
    } catch (cause) {
      say(cause instanceof ApiError ? cause.message : String(cause));
    }
  };
  return (
    <>
      <Picks
        label="Of which yard is this the weather?"
        places={shelf.yards.map((yard) => ({ id: yard.id, words: yard.name, first: yard.weather === null }))}
        here={from}
        onPick={(id) => void put(id)}
      />
      {from !== null && <Off onPress={() => void put(from)} />}
    </>
  );
}

function declared(yard: string): Promise<YardDeclaration> {
  return request<YardDeclaration>("GET", `/api/v1/yards/${encodeURIComponent(yard)}`);
}

interface PicksProps {
  label: string;
  places: { id: string; words: string; first: boolean }[];
  /** Where it is. */
  here: string | null;
  onPick: (id: string, words: string) => void;
}

/** Places to put something, those that lack it first. */
function Picks({ label, places, here, onPick }: PicksProps) {
  const ordered = [...places].sort((a, b) => Number(b.first) - Number(a.first));
  return (
    <div class="picks" role="group" aria-label={label}>
      <p>{label}</p>
      <p class="row">
        {ordered.map(({ id, words }) => (
          <button key={id} class="button" type="button" aria-pressed={id === here} onClick={() => onPick(id, words)}>
            {words}
          </button>
        ))}
      </p>
    </div>
  );
}
