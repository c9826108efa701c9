"""A crowd of devices: each with a connection of its own, a message of three readings at a time, the
next one when the last is confirmed and due. Prints `connected N`, and at the end `confirmed N`
(readings). MQTT 3.1.1 written by hand: thousands of client objects of a library are slow to start."""

import argparse
import asyncio
import struct
import time

BASE = 1767225600  # 2026-01-01T00:00:00Z


def text(value):
    encoded = value.encode()
    return struct.pack(">H", len(encoded)) + encoded


def packet(kind, body):
    length, size = b"", len(body)
    while True:
        size, digit = divmod(size, 128)
        length += bytes([digit | (0x80 if size else 0)])
        if not size:
            return bytes([kind]) + length + body


class Device(asyncio.Protocol):
    def __init__(self, crowd, number):
        self.crowd, self.number, self.sent, self.confirmed = crowd, number, 0, 0
        self.buffer = b""

    def connection_made(self, transport):
        self.transport = transport
        flags = b"\x00\x04MQTT\x04\x02" + struct.pack(">H", 600)
        transport.write(packet(0x10, flags + text(f"crowd-{self.number}")))

    def data_received(self, data):
        self.buffer += data
        while len(self.buffer) >= 4:
            kind, answer, self.buffer = self.buffer[0], self.buffer[2:4], self.buffer[4:]
            if kind == 0x20:
                if answer[1]:
                    raise SystemExit(f"refused: {answer[1]}")
                self.crowd.connected += 1
            elif kind == 0x40:
                self.confirmed += 1
                self.crowd.confirmed += 1

    def connection_lost(self, error):
        self.crowd.lost += not self.crowd.over

    def publish(self):
        if self.sent > self.confirmed:
            self.crowd.late += 1
            return
        k = self.sent
        self.sent += 1
        payload = (
            f'{{"time":{BASE + k},"weight_kg":{30 + k % 97 / 100},'
            f'"temperature_c":{k % 40},"battery_v":{3 + k % 7 / 10}}}'
        )
        topic = f"larder/crowd-{self.number}/readings"
        body = text(topic) + struct.pack(">H", k % 65535 + 1) + payload.encode()
        self.transport.write(packet(0x32, body))


class Crowd:
    connected = confirmed = lost = late = 0
    over = False


async def main():
    options = argparse.ArgumentParser()
    options.add_argument("--port", type=int, required=True)
    options.add_argument("--devices", type=int, required=True)
    options.add_argument("--seconds", type=int, required=True)
    given = options.parse_args()
    loop, crowd, devices = asyncio.get_running_loop(), Crowd(), []
    for number in range(given.devices):
        _, device = await loop.create_connection(
            lambda n=number: Device(crowd, n), "127.0.0.1", given.port
        )
        devices.append(device)
    while crowd.connected < given.devices:
        await asyncio.sleep(0.05)
    print(f"connected {crowd.connected}", flush=True)
    started, turn = time.monotonic(), 0
    steps = 50
    while turn < given.seconds * steps:
        for device in devices[turn % steps :: steps]:
            device.publish()
        turn += 1
        await asyncio.sleep(max(0.0, started + turn / steps - time.monotonic()))
    took = time.monotonic() - started
    for _ in range(600):
        if all(device.sent == device.confirmed for device in devices):
            break
        await asyncio.sleep(0.1)
    crowd.over = True
    print(f"late {crowd.late} lost {crowd.lost} took {took:.0f}", flush=True)
    print(f"confirmed {3 * crowd.confirmed}", flush=True)


asyncio.run(main())
