"""Publishes numbered readings on command, for tests that kill things meanwhile.

Reads lines `publish FIRST COUNT PER_SECOND` (PER_SECOND 0: as fast as it goes) from standard input
and answers each with `confirmed COUNT` when the broker has confirmed all of it. Reading i of device
i % DEVICES is what `tests/tests/crash.rs` expects; a message carries PACK readings of one device."""

import argparse
import json
import sys
import time

from client import Publisher

DEVICES = 20
PACK = 10
BASE = 1767225600  # 2026-01-01T00:00:00Z


def reading(device, k):
    return BASE + 60 * k, 30 + device + (k * 7919 % 10007) / 1000


def message(j):
    device = j % DEVICES
    first = PACK * (j // DEVICES)
    records = []
    for k in range(first, first + PACK):
        at, value = reading(device, k)
        records.append({"n": "weight", "u": "kg", "t": at, "v": value})
    return f"larder/burst-{device}/readings", json.dumps(records)


def main():
    options = argparse.ArgumentParser()
    options.add_argument("--port", type=int, required=True)
    options.add_argument("--version", type=int, default=3)
    given = options.parse_args()
    publisher = Publisher(given.port, "burst-publisher", given.version)
    print("connected")
    for line in sys.stdin:
        _, first, count, per_second = line.split()
        first, count, per_second = int(first) // PACK, int(count) // PACK, float(per_second)
        started = time.monotonic()
        for n in range(count):
            if per_second:
                due = started + n * PACK / per_second
                time.sleep(max(0.0, due - time.monotonic()))
            publisher.publish(*message(first + n))
        publisher.all_confirmed(seconds=300)
        print(f"confirmed {count * PACK}")
    publisher.close()


main()
