"""How fast readings become durable, and how fast a chart reads them. Reported, never asserted.

    python tests/bench.py [--readings 1000000] [--stored 10000000] [--larder target/release/larder]

1. Ingest. A Mosquitto holds the same messages for two absent sessions: `mosquitto_sub` writing to a
   file, and `larder serve`. Each comes back alone and takes everything; the time runs from its start
   to the last message. Mosquitto_sub writes lines and syncs nothing: it is the ceiling that this
   broker and machine allow, not a rival.
2. Chart reads. A store with ten million readings (a hundred channels, one value every five minutes)
   answers requests of the HTTP API for spans at random; middle and 95th of a hundred each.

Needs mosquitto, mosquitto-clients and paho-mqtt (tests/run installs them)."""

import argparse
import datetime
import json
import os
import pathlib
import random
import re
import shutil
import socket
import statistics
import subprocess
import sys
import tempfile
import time
import urllib.parse
import urllib.request

sys.path.insert(0, str(pathlib.Path(__file__).parent / "clients"))
from client import Publisher  # noqa: E402

BASE = 1767225600  # 2026-01-01T00:00:00Z
DEVICES = 20


def free_port():
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        return s.getsockname()[1]


def rfc3339(seconds):
    return datetime.datetime.fromtimestamp(seconds, datetime.UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def until(probe, what, seconds=600):
    give_up = time.monotonic() + seconds
    while not (answer := probe()):
        if time.monotonic() > give_up:
            raise SystemExit(f"waited in vain for {what}")
        time.sleep(0.01)
    return answer


class Child:
    """A program that ends with the benchmark."""

    def __init__(self, *command, **options):
        self.process = subprocess.Popen(command, **options)

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.process.terminate()
        self.process.wait(timeout=60)


def mosquitto(folder, port):
    conf = folder / "mosquitto.conf"
    conf.write_text(
        f"listener {port} 127.0.0.1\nallow_anonymous true\nmax_queued_messages 0\n"
        "max_inflight_messages 200\n" + ("user root\n" if os.getuid() == 0 else "")
    )
    program = shutil.which("mosquitto") or "/usr/sbin/mosquitto"
    broker = Child(program, "-c", str(conf), stderr=subprocess.DEVNULL)
    until(lambda: socket.socket().connect_ex(("127.0.0.1", port)) == 0, "mosquitto")
    return broker


class Larder(Child):
    def __init__(self, binary, data, *arguments):
        command = [binary, "serve", "--data", str(data), "--listen", "127.0.0.1:0", *arguments]
        super().__init__(*command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)
        line = until(self.process.stdout.readline, "larder")
        self.url = "http://127.0.0.1:" + re.search(r"http://127\.0\.0\.1:(\d+)", line)[1]
        until(self.ready, "larder to take readings")

    def ready(self):
        try:
            return urllib.request.urlopen(self.url + "/readyz").status == 200
        except OSError:
            return False

    def get(self, path, **query):
        with urllib.request.urlopen(f"{self.url}{path}?{urllib.parse.urlencode(query)}") as answer:
            return answer.read()


def ingest(options, folder, pack, n_readings):
    """Readings a second of mosquitto_sub and of larder, with `pack` readings in a message."""
    folder.mkdir()
    port = free_port()
    n_messages = n_readings // pack
    per_device = n_messages // DEVICES
    with mosquitto(folder, port):
        sub = ["mosquitto_sub", "-h", "127.0.0.1", "-p", str(port), "-q", "1", "-c", "-i", "file-writer"]
        sub += ["-t", "larder/+/readings"]
        subprocess.run([*sub, "-E"], check=True)  # subscribes and leaves its session behind
        with Larder(options.larder, folder / "data", "--broker", f"mqtt://127.0.0.1:{port}"):
            pass
        publisher = Publisher(port, "bench-publisher")
        for m in range(per_device):
            for device in range(DEVICES):
                records = [
                    {"n": "weight", "u": "kg", "t": BASE + 60 * k, "v": 40 + k * 7919 % 10007 / 1000}
                    for k in range(m * pack, (m + 1) * pack)
                ]
                publisher.publish(f"larder/bench-{device}/readings", json.dumps(records))
        publisher.all_confirmed(600)
        publisher.close()

        began = time.monotonic()
        with open(folder / "messages", "wb") as file:
            subprocess.run([*sub, "-C", str(per_device * DEVICES)], stdout=file, check=True)
        beside = time.monotonic() - began

        last = rfc3339(BASE + 60 * (per_device * pack - 1))
        began = time.monotonic()
        with Larder(options.larder, folder / "data", "--broker", f"mqtt://127.0.0.1:{port}") as larder:
            def all_in():
                latest = json.loads(larder.get("/api/v1/latest"))["latest"]
                return sum(e["time"] == last for e in latest) == DEVICES

            until(all_in, "the last reading")
            took = time.monotonic() - began
    n = per_device * DEVICES * pack
    return n / beside, n / took


def chart_reads(options, folder):
    """Rows (what, middle ms, 95th ms, kB) for reads from a large store."""
    channels = 100
    each = options.stored // channels
    data = folder / "large"
    command = [options.larder, "import", "readings", "-", "--data", str(data)]
    began = time.monotonic()
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.DEVNULL, text=True) as importer:
        importer.stdin.write("time,device,channel,unit,value\n")
        for k in range(each):
            at = rfc3339(BASE - 300 * (each - k))
            kg = 40 + k * 7919 % 10007 / 1000
            importer.stdin.write("".join(f"{at},s{c},weight,kg,{kg + c:.3f}\n" for c in range(channels)))
        importer.stdin.close()
        if importer.wait() != 0:
            raise SystemExit("the import failed")
    took = time.monotonic() - began
    size = sum(f.stat().st_size for f in data.rglob("*") if f.is_file())
    print(f"import: {channels * each / took:,.0f} readings/s, {size / (channels * each):.1f} bytes a reading on disk")
    dice = random.Random(1)
    rows = []
    with Larder(options.larder, data, "--mqtt-listen", "127.0.0.1:0") as larder:
        for what, days, points in [
            ("7 days, whole", 7, 50_000),
            ("7 days, 1,000 points", 7, 1000),
            ("90 days, whole", 90, 50_000),
            ("90 days, 1,000 points", 90, 1000),
            ("a year, 1,000 points", 340, 1000),
        ]:
            times, size = [], 0
            for _ in range(100):
                end = BASE - dice.uniform(0, max(0, 300 * each - 86400 * days))
                query = {"device": f"s{dice.randrange(channels)}", "channel": "weight"}
                query |= {"from": rfc3339(end - 86400 * days), "to": rfc3339(end)}
                query["points"] = points
                began = time.perf_counter()
                size = len(larder.get("/api/v1/readings", **query))
                times.append(1000 * (time.perf_counter() - began))
            rows.append((what, statistics.median(times), statistics.quantiles(times, n=20)[18], size / 1000))
        times = []
        for _ in range(100):
            began = time.perf_counter()
            size = len(larder.get("/api/v1/latest"))
            times.append(1000 * (time.perf_counter() - began))
        rows.append(("latest of all", statistics.median(times), statistics.quantiles(times, n=20)[18], size / 1000))
    return rows


def main():
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--readings", type=int, default=1_000_000)
    options.add_argument("--stored", type=int, default=10_000_000)
    options.add_argument("--larder", default="target/release/larder")
    options = options.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        folder = pathlib.Path(folder)
        print(f"{'durable ingest, readings/s':34} {'mosquitto_sub':>14} {'larder':>12} {'share':>7}")
        for what, pack, n in [
            ("50 readings a message", 50, options.readings),
            ("1 reading a message", 1, options.readings // 10),
        ]:
            beside, ours = ingest(options, folder / f"pack-{pack}", pack, n)
            print(f"{what:34} {beside:14,.0f} {ours:12,.0f} {100 * ours / beside:6.0f} %")
        print()
        rows = chart_reads(options, folder)
        print(f"{'chart reads':34} {'middle ms':>14} {'95th ms':>12} {'kB':>7}")
        for what, middle, high, kilobytes in rows:
            print(f"{what:34} {middle:14.1f} {high:12.1f} {kilobytes:7.0f}")


if __name__ == "__main__":
    main()
