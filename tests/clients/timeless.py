"""Publishes readings that carry no time of their own, each value once, for tests that kill things
meanwhile.

Reads lines `publish FIRST COUNT PER_SECOND` from standard input and answers each with
`confirmed COUNT` when the broker has confirmed all of it. Message i comes from device
i % DEVICES, with the weight i / 1000 kg; `tests/tests/crash.rs` looks for each value exactly once."""

import argparse
import json
import sys
import time

from client import Publisher

DEVICES = 50


def main():
    options = argparse.ArgumentParser()
    options.add_argument("--port", type=int, required=True)
    options.add_argument("--version", type=int, default=3)
    given = options.parse_args()
    publisher = Publisher(given.port, "timeless-publisher", given.version)
    print("connected")
    for line in sys.stdin:
        _, first, count, per_second = line.split()
        first, count, per_second = int(first), int(count), float(per_second)
        started = time.monotonic()
        for n in range(count):
            time.sleep(max(0.0, started + n / per_second - time.monotonic()))
            i = first + n
            payload = json.dumps({"weight_kg": i / 1000})
            publisher.publish(f"larder/timeless-{i % DEVICES}/readings", payload)
        publisher.all_confirmed(seconds=300)
        print(f"confirmed {count}")
    publisher.close()


main()
