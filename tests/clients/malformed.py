"""A thousand different messages that are wrong in one way each, made from a seed.

`messages(seed, n)` gives (topic, payload, content_type or None, retain, n_bad) with n_bad the number
of quarantine entries that the message should make; every payload differs from every other. Run as a
program it publishes them between good readings and prints what it sent as JSON lines."""

import argparse
import base64
import json
import math
import random
import struct
import time

from client import Publisher

NOW = 1767225600  # good readings lie from 2026-01-01 on; nothing here depends on the clock
FUTURE = 4102444800  # 2100-01-01


def cbor_head(major, n):
    if n < 24:
        return bytes([major << 5 | n])
    if n < 256:
        return bytes([major << 5 | 24, n])
    if n < 65536:
        return bytes([major << 5 | 25]) + struct.pack(">H", n)
    return bytes([major << 5 | 26]) + struct.pack(">I", n)


def cbor(value):
    """Enough of RFC 8949 for a SenML pack."""
    if isinstance(value, bool):
        return b"\xf5" if value else b"\xf4"
    if isinstance(value, int):
        return cbor_head(0, value) if value >= 0 else cbor_head(1, -1 - value)
    if isinstance(value, float):
        return b"\xfb" + struct.pack(">d", value)
    if isinstance(value, str):
        return cbor_head(3, len(value.encode())) + value.encode()
    if isinstance(value, list):
        return cbor_head(4, len(value)) + b"".join(map(cbor, value))
    if isinstance(value, dict):
        parts = [cbor(k) + cbor(v) for k, v in value.items()]
        return cbor_head(5, len(parts)) + b"".join(parts)
    raise TypeError(value)


def senml(*records):
    return json.dumps(list(records))


def kinds(dice, i):
    """One maker for every kind of wrong; `i` makes each payload its own."""
    device = f"bad-{i % 37}"
    topic = f"larder/{device}/readings"
    at = NOW + i
    mark = f"m{i}"
    flat = lambda **keys: json.dumps({"time": at, **keys})
    one = lambda **keys: {"n": "weight", "u": "kg", "t": at, "v": 40.0, **keys}
    long_name = "x" * 60 + mark
    return {
        # Nothing of the message can be read.
        "truncated json": (topic, senml(one())[: -1 - dice.randrange(1, 20)], None),
        "truncated flat json": (topic, flat(weight_kg=40.0 + i)[:-1], None),
        "plain text": (topic, f"the scale says hello {mark}", None),
        "not utf-8": (topic, b'{"weight_kg": 4\xff\xfe' + mark.encode() + b"}", None),
        "binary noise": (topic, bytes(dice.randrange(256) for _ in range(40)) + b"\xff" + mark.encode(), "application/senml+cbor"),
        "truncated cbor": (topic, cbor([{0: "weight", 1: "kg", 6: at, 2: 40.0}])[: -dice.randrange(1, 8)], "application/senml+cbor"),
        "cbor of indefinite length without end": (topic, b"\x9f" + cbor({0: "weight", 6: at, 2: 40.0}), "application/senml+cbor"),
        "json under the content type of cbor": (topic, senml(one()), "application/senml+cbor"),
        "xml": (topic, f"<sensml><senml n='weight' t='{at}' v='40'/></sensml>", None),
        "two documents": (topic, flat(weight_kg=40.0) + flat(weight_kg=41.0), None),
        "a bare number": (topic, f"{40 + i / 1000}", None),
        "a bare string": (topic, json.dumps(f"weight {mark}"), None),
        "nested too deep": (topic, "[" * 2000 + mark + "]" * 2000, None),
        "oversized": (topic, flat(weight_kg=40.0, note="x" * 70_000), None),
        "not a json number": (topic, '{"time": %d, "weight_kg": NaN, "x_kg": 1}' % at, None),
        "a device's name that is none": (f"larder/bad device {mark}/readings", flat(weight_kg=40.0), None),
        "a device's name that is too long": (f"larder/{'d' * 70}{mark}/readings", flat(weight_kg=40.0), None),
        "a label that must be understood": (topic, senml(one(**{f"{mark}_": 1})), None),
        "a version from the future": (topic, senml(one(bver=27 + i)), None),
        # One record can't be read.
        "impossible weight": (topic, flat(weight_kg=1001.0 + i), None),
        "impossible battery": (topic, senml({"n": "battery", "u": "V", "t": at, "v": 61 + i}), None),
        "impossible distance": (topic, flat(distance_mm=-5.0 - i), None),
        "impossible humidity": (topic, senml({"n": "humidity", "u": "%RH", "t": at, "v": 106 + i}), None),
        "number too large": (topic, '{"time": %d, "weight_kg": 1e999}' % at, None),
        "infinite in cbor": (topic, cbor([{0: "weight", 1: "kg", 6: at, 2: math.inf}]), "application/senml+cbor"),
        "not a number in cbor": (topic, cbor([{0: "weight", 1: "kg", 6: at, 2: math.nan}]), "application/senml+cbor"),
        "a unit of another quantity": (topic, senml(one(u="l")), None),
        "volts for a temperature": (topic, senml({"n": "temperature", "u": "V", "t": at, "v": 4.0}), None),
        "text where a number is promised": (topic, flat(weight_kg=f"heavy {mark}"), None),
        "a time that is none": (topic, json.dumps({"time": f"noon {mark}", "weight_kg": 40.0}), None),
        "a time from the future": (topic, json.dumps({"time": FUTURE + i, "weight_kg": 40.0}), None),
        "a clock that was never set": (topic, json.dumps({"time": f"1999-12-31T23:{i % 60:02}:{i // 60 % 60:02}.{i:03}Z", "weight_kg": 40.0}), None),
        "a clock that was never set, in senml": (topic, senml(one(t=400_000_000 + i)), None),
        "a name without a channel": (topic, senml({"bn": f"urn:dev:ops:{device}:", "u": "kg", "t": at, "v": 40.0}), None),
        "a channel's name that is none": (topic, senml(one(n=f"-weight {mark}")), None),
        "a channel's name that is too long": (topic, senml(one(n=long_name + "y" * 10)), None),
        "speaking for another device": (topic, senml(one(n=f"other-{mark}:weight")), None),
        "one bad record among good ones": (
            topic,
            senml(one(t=at), one(n="battery", u="V", v=4.0, t=at), one(n="humidity", u="kg", v=50.0, t=at + i / 1000)),
            None,
        ),
    }


RETAINED = "retained without a time"


def messages(seed, n):
    dice = random.Random(seed)
    names = None
    seen = set()
    i = 0
    while len(seen) < n:
        made = kinds(dice, i)
        names = names or [*made, RETAINED]
        kind = names[i % len(names)]
        i += 1
        if kind == RETAINED:
            topic, payload, content_type = f"larder/bad-r{i}/readings", json.dumps({"weight_kg": 40.0 + i}), None
        else:
            topic, payload, content_type = made[kind]
        raw = payload.encode() if isinstance(payload, str) else payload
        if (topic, raw) in seen:
            continue
        seen.add((topic, raw))
        yield kind, topic, raw, content_type, kind == RETAINED


def main():
    options = argparse.ArgumentParser()
    options.add_argument("--port", type=int, required=True)
    options.add_argument("--seed", type=int, default=1)
    options.add_argument("--count", type=int, default=1000)
    options.add_argument("--only", choices=["retained", "new"], required=True)
    options.add_argument("--rounds", type=int, default=1, help="more than one: nothing is printed, a marker ends it")
    given = options.parse_args()
    publisher = Publisher(given.port, "malformed-publisher", version=5)
    for _ in range(given.rounds):
        for i, (kind, topic, raw, content_type, retain) in enumerate(messages(given.seed, given.count)):
            if given.only == "new":
                good = {"time": NOW + 60 * i, "weight_kg": 40 + i / 1000}
                publisher.publish(f"larder/good-{i % 10}/readings", json.dumps(good))
            if retain != (given.only == "retained"):
                continue
            publisher.publish(topic, raw, content_type, retain)
            if given.rounds == 1:
                sent = {"kind": kind, "topic": topic, "bytes": base64.b64encode(raw).decode()}
                print(json.dumps(sent))
    if given.rounds > 1:
        marker = {"time": NOW + 86400, "weight_kg": 1}
        publisher.publish("larder/marker/readings", json.dumps(marker))
    publisher.all_confirmed()
    publisher.close()


if __name__ == "__main__":
    main()
