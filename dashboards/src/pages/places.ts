/** What is said of where devices stand, and how it is taken back. */
import { queue } from "../data/outbox";
import type { Device, Place, PlaceRequest, SensorShape } from "../data/types";
import { say } from "../parts/note";

/** What a channel can be put to, by its last part: `a/weight` is a weight. */
export function useOf(channel: string): "scale" | "level" | "weather" | null {
  const base = baseOf(channel);
  if (base === "weight") return "scale";
  if (["distance", "depth", "volume", "feeder_weight"].includes(base)) return "level";
  if (["temperature", "rain", "wind", "humidity"].includes(base)) return "weather";
  return null;
}

export function baseOf(channel: string): string {
  return channel.split("/").at(-1) ?? "";
}

/** Where a channel stands from a moment on. */
interface Standing extends Omit<PlaceRequest, keyof SensorShape> {
  device: string;
  shape?: SensorShape;
}

function send({ device, shape, ...rest }: Standing, words: string): Promise<void> {
  const path = `/api/v1/devices/${encodeURIComponent(device)}/place`;
  return queue({ method: "POST", path, body: { ...rest, ...shape } satisfies PlaceRequest, words });
}

function report(done: Promise<unknown>, words: string, undo: (() => void) | null): void {
  done.then(
    () => say(words, undo),
    (cause: unknown) => say(cause instanceof Error ? cause.message : String(cause)),
  );
}

/** The same place as it was said before. */
function again(device: string, place: Place, shape: SensorShape | undefined): Standing {
  const where = place.hive !== null ? { hive: place.hive } : { feeder: place.feeder ?? "" };
  return { device, channel: place.channel ?? "", from: place.from, ...where, ...(shape === undefined ? {} : { shape }) };
}

export interface Moving {
  device: string;
  channel: string;
  since: number | null;
  /** Where it stood until then. */
  before: Place | null;
  beforeShape?: SensorShape | undefined;
  to: { hive: string } | { feeder: string; shape: SensorShape };
  /** "Ridge 4's scale" */
  words: string;
  /** Another device that does the same there, and gives way. */
  instead: { device: string; place: Place; shape?: SensorShape | undefined } | null;
}

/** Puts a device to its place, in the stead of what stood there for the same. */
export function putTo({ device, channel, since, before, beforeShape, to, words, instead }: Moving): void {
  const moment = instead !== null && since === null ? Date.now() : since;
  const from = moment === null ? null : new Date(moment).toISOString();
  const work = async () => {
    if (instead !== null) await send({ device: instead.device, channel: instead.place.channel ?? "", from }, `${instead.device} gives way`);
    await send({ device, channel, from, ...to }, `${device} is ${words}`);
  };
  const undo = async () => {
    if (before === null) await send({ device, channel, from }, `${device} is not ${words}`);
    else await send(again(device, before, beforeShape), `${device}: as it was`);
    if (instead !== null) await send(again(instead.device, instead.place, instead.shape), `${instead.device}: as it was`);
  };
  const place = instead === null ? "" : `, in the stead of ${instead.device}`;
  report(work(), `${device} is ${words}${from === null ? ", from its first reading on" : ""}${place}.`, () => void undo());
}

/** Takes a device off its place; what it saw until then stays. */
export function takeOff(device: string, place: Place, since: number, shape?: SensorShape): void {
  const from = new Date(since).toISOString();
  const done = send({ device, channel: place.channel ?? "", from }, `${device} is taken off`);
  report(done, `${device} is taken off.`, () => void send(again(device, place, shape), `${device}: as it was`));
}

/** Who else does now at that place what this channel would do. */
export function standsThere(devices: Device[], device: string, channel: string, at: { hive?: string; feeder?: string }): { device: string; place: Place } | null {
  for (const other of devices) {
    if (other.id === device) continue;
    const place = other.assigned.find(
      (p) => p.hive === (at.hive ?? null) && p.feeder === (at.feeder ?? null) && p.channel !== null && baseOf(p.channel) === baseOf(channel),
    );
    if (place !== undefined) return { device: other.id, place };
  }
  return null;
}
