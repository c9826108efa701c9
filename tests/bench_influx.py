"""Durable readings into InfluxDB 2 through Larder, beside the usual agent for this job: Telegraf with
an MQTT consumer and an InfluxDB output. Reported, never asserted.

    python tests/bench_influx.py [--readings 400000] [--pack 10] [--rounds 3] [--kills 10]

Both take the same messages from the same broker into the same server, in the same run, by turns, each
round into a bucket of its own:

* drain: the messages wait at the broker in a session of each; the time runs from a program's start
  until the server counts all readings. Beside them mosquitto_sub writing to a file, which syncs
  nothing: what this broker and machine allow.
* live: the program is connected, a publisher sends as fast as the broker confirms.
* kills: the program is killed (-9) at random while readings come, and started again; what is missing
  at the end is lost.

CPU is that of the program and of the server, for each reading; memory is the program's highest;
bytes are those of the bucket's folder once the server has written its log into its files. Then a
season of one channel (26,000 values) is read through Larder's API.

Needs mosquitto, paho-mqtt, the server of tests/influxd (or LARDER_TEST_INFLUXD) and Go to build
Telegraf once into .test-tools/telegraf (or LARDER_TEST_TELEGRAF)."""

import argparse
import json
import os
import pathlib
import random
import signal
import statistics
import subprocess
import sys
import tempfile
import time
import urllib.error
import urllib.parse
import urllib.request

sys.path.insert(0, str(pathlib.Path(__file__).parent / "clients"))
sys.path.insert(0, str(pathlib.Path(__file__).parent))
from bench import DEVICES, Child, Larder, free_port, mosquitto, rfc3339, until  # noqa: E402
from client import Publisher  # noqa: E402

# A month ago: what Larder compares with what it holds lies in the days that it keeps at hand, as
# with devices at work. Telegraf compares nothing.
BASE = int(time.time()) // 86400 * 86400 - 30 * 86400
ROOT = pathlib.Path(__file__).parent.parent
PACK = 10  # readings in a message; --pack
TOKEN = "operator-token-for-benchmarks"
TICKS = os.sysconf("SC_CLK_TCK")


def influxd():
    named = os.environ.get("LARDER_TEST_INFLUXD")
    if named:
        return named
    subprocess.run([ROOT / "tests/influxd"], check=True)
    return str(ROOT / ".test-tools/influxd/bin/influxd")


def telegraf():
    named = os.environ.get("LARDER_TEST_TELEGRAF")
    if named:
        return named
    place = ROOT / ".test-tools/telegraf"
    if not (place / "bin/telegraf").exists():
        place.mkdir(parents=True, exist_ok=True)
        (place / "go.mod").write_text(
            "module larder.test/telegraf\n\ngo 1.24.0\n\nrequire github.com/influxdata/telegraf v1.37.2\n"
        )
        (place / "tools.go").write_text(
            '//go:build tools\n\npackage tools\n\nimport _ "github.com/influxdata/telegraf/cmd/telegraf"\n'
        )
        tags = "custom,inputs.mqtt_consumer,outputs.influxdb_v2,outputs.file,parsers.json,serializers.influx"
        build = ["go", "build", "-mod=mod", "-buildvcs=false", "-tags", tags, "-o", "bin/telegraf"]
        subprocess.run([*build, "github.com/influxdata/telegraf/cmd/telegraf"], cwd=place, check=True)
    return str(place / "bin/telegraf")


class Server(Child):
    def __init__(self, folder):
        self.port, self.folder = free_port(), folder
        command = [influxd(), "--bolt-path", f"{folder}/bolt", "--engine-path", f"{folder}/engine"]
        command += ["--sqlite-path", f"{folder}/sqlite", "--reporting-disabled", "--log-level", "error"]
        command += ["--http-bind-address", f"127.0.0.1:{self.port}"]
        # Written into its files seconds after the last reading rather than ten minutes.
        command += ["--storage-cache-snapshot-write-cold-duration", "3s"]
        super().__init__(*command, stdout=subprocess.DEVNULL)
        self.url = f"http://127.0.0.1:{self.port}"
        until(self.answers, "influxd")
        setup = {"username": "op", "password": "operator-1", "org": "apiary", "bucket": "b", "token": TOKEN}
        self.org = self.ask("/api/v2/setup", setup)["org"]["id"]

    def answers(self):
        try:
            return urllib.request.urlopen(self.url + "/health").status == 200
        except (OSError, urllib.error.URLError):
            return False

    def ask(self, path, body):
        headers = {"Authorization": f"Token {TOKEN}", "Content-Type": "application/json"}
        request = urllib.request.Request(self.url + path, json.dumps(body).encode(), headers)
        return json.loads(urllib.request.urlopen(request).read())

    def bucket(self, name):
        return self.ask("/api/v2/buckets", {"orgID": self.org, "name": name})["id"]

    def count(self, name):
        flux = f'from(bucket: "{name}") |> range(start: 0) |> count() |> group() |> sum()'
        headers = {"Authorization": f"Token {TOKEN}", "Content-Type": "application/vnd.flux"}
        request = urllib.request.Request(self.url + "/api/v2/query?org=apiary", flux.encode(), headers)
        lines = urllib.request.urlopen(request).read().decode().split()
        return int(lines[1].rsplit(",", 1)[1]) if len(lines) > 1 else 0

    def bytes_of(self, bucket_id):
        """Of a bucket's folder, once its log is written into its files."""
        wal = pathlib.Path(self.folder, "engine/wal", bucket_id)
        until(lambda: size(wal) < 4096, "the server's log to be written into its files", 120)
        return size(pathlib.Path(self.folder, "engine/data", bucket_id))


def size(folder):
    total = 0
    for path in folder.rglob("*"):
        try:
            total += path.stat().st_blocks * 512 if path.is_file() else 0
        except FileNotFoundError:
            pass  # files come and go while it writes
    return total


def cpu_seconds(pid):
    fields = pathlib.Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / TICKS


def peak_bytes(pid):
    for line in pathlib.Path(f"/proc/{pid}/status").read_text().splitlines():
        if line.startswith("VmHWM"):
            return int(line.split()[1]) * 1024
    return 0


class Agents:
    """How each of the two programs is started for one bucket and one broker."""

    def __init__(self, larder, folder, server):
        self.larder, self.folder, self.server, self.telegraf = larder, folder, server, telegraf()

    def start(self, name, bucket, port):
        return getattr(self, f"start_{name}")(bucket, port)

    def start_larder(self, bucket, port):
        token = self.folder / "token"
        token.write_text(TOKEN)
        arguments = ["--broker", f"mqtt://127.0.0.1:{port}", "--readings", "influxdb2"]
        arguments += ["--influx-url", self.server.url, "--influx-org", "apiary", "--influx-bucket", bucket]
        return Larder(self.larder, self.folder / f"data-{bucket}", *arguments, "--influx-token-file", str(token))

    def start_telegraf(self, bucket, port):
        """Tuned by hand: large batches, many messages in flight, a short flush."""
        conf = self.folder / f"{bucket}.conf"
        conf.write_text(
            f"""
[agent]
  metric_batch_size = 10000
  metric_buffer_limit = 200000
  flush_interval = "200ms"
  omit_hostname = true
  quiet = true
[[inputs.mqtt_consumer]]
  servers = ["tcp://127.0.0.1:{port}"]
  topics = ["larder/+/readings"]
  topic_tag = ""
  qos = 1
  persistent_session = true
  client_id = "telegraf"
  max_undelivered_messages = 10000
  name_override = "reading"
  data_format = "json"
  json_time_key = "time"
  json_time_format = "unix"
  [[inputs.mqtt_consumer.topic_parsing]]
    topic = "larder/+/readings"
    tags = "_/device/_"
[[outputs.influxdb_v2]]
  urls = ["{self.server.url}"]
  token = "{TOKEN}"
  organization = "apiary"
  bucket = "{bucket}"
  content_encoding = "gzip"
"""
        )
        quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
        return Child(self.telegraf, "--config", str(conf), **quiet)


def messages(n_readings):
    per_device = n_readings // PACK // DEVICES
    for m in range(per_device):
        for device in range(DEVICES):
            records = [
                {"time": BASE + 60 * k, "weight_kg": 40 + k * 7919 % 10007 / 1000}
                for k in range(m * PACK, (m + 1) * PACK)
            ]
            yield f"larder/bench-{device}/readings", json.dumps(records)


def publish(port, n_readings, name, per_second=0):
    publisher = Publisher(port, name)
    began = time.monotonic()
    for n, message in enumerate(messages(n_readings)):
        if per_second:
            time.sleep(max(0.0, began + n * PACK / per_second - time.monotonic()))
        publisher.publish(*message)
    publisher.all_confirmed(600)
    publisher.close()


def sub_command(port, n=None):
    command = ["mosquitto_sub", "-h", "127.0.0.1", "-p", str(port), "-q", "1", "-c", "-i", "file-writer"]
    return [*command, "-t", "larder/+/readings", *(["-E"] if n is None else ["-C", str(n)])]


class Meter:
    """Time, CPU and memory from here until the server counts everything."""

    def __init__(self, server, bucket, began):
        self.server, self.bucket, self.began = server, bucket, began
        self.server_cpu = cpu_seconds(server.process.pid)

    def until_all(self, agent, n):
        def all_in():
            # Counting costs the server something; seldom enough not to matter, the same for both.
            time.sleep(0.25)
            return self.server.count(self.bucket) >= n

        until(all_in, f"{n} readings in {self.bucket}", 300)
        took, pid = time.monotonic() - self.began, agent.process.pid
        return {
            "seconds": took,
            "cpu_us": cpu_seconds(pid) / n * 1e6,
            "server_us": (cpu_seconds(self.server.process.pid) - self.server_cpu) / n * 1e6,
            "mb": peak_bytes(pid) / 1e6,
        }


def drain(agents, server, folder, round_, n):
    port, found = free_port(), {}
    folder.mkdir()
    order = ["larder", "telegraf"] if round_ % 2 == 0 else ["telegraf", "larder"]
    with mosquitto(folder, port):
        subprocess.run(sub_command(port), check=True)
        ids = {name: server.bucket(f"drain-{name}-{round_}") for name in order}
        for name in order:  # leaves its session behind
            with agents.start(name, f"drain-{name}-{round_}", port):
                time.sleep(1.5)
        publish(port, n, "bench-publisher")
        began = time.monotonic()
        with open(folder / "messages", "wb") as file:
            subprocess.run(sub_command(port, n // PACK), stdout=file, check=True)
        found["floor"] = {"seconds": time.monotonic() - began}
        for name in order:
            meter = Meter(server, f"drain-{name}-{round_}", time.monotonic())
            with agents.start(name, f"drain-{name}-{round_}", port) as agent:
                found[name] = meter.until_all(agent, n)
    for name in order:
        found[name]["bytes"] = server.bytes_of(ids[name]) / n
    return found


def live(agents, server, folder, round_, n):
    found = {}
    folder.mkdir()
    order = ["floor", "larder", "telegraf"] if round_ % 2 == 0 else ["telegraf", "larder", "floor"]
    for name in order:
        port, place = free_port(), folder / name
        place.mkdir()
        with mosquitto(place, port):
            publisher = [sys.executable, __file__, "--publish", str(port), "--readings", str(n), "--pack", str(PACK)]
            if name == "floor":
                subprocess.run(sub_command(port), check=True)
                with open(place / "messages", "wb") as file:
                    sub = subprocess.Popen(sub_command(port, n // PACK), stdout=file)
                    began = time.monotonic()
                    subprocess.run(publisher, check=True)
                    sub.wait()
                found[name] = {"seconds": time.monotonic() - began}
                continue
            bucket = f"live-{name}-{round_}"
            server.bucket(bucket)
            with agents.start(name, bucket, port) as agent:
                time.sleep(2)
                meter = Meter(server, bucket, time.monotonic())
                subprocess.run(publisher, check=True)
                found[name] = meter.until_all(agent, n)
    return found


def kills(agents, server, folder, n, n_kills):
    lost = {}
    folder.mkdir()
    for name in ["larder", "telegraf"]:
        port, place, bucket = free_port(), folder / name, f"kills-{name}"
        place.mkdir()
        server.bucket(bucket)
        dice = random.Random(7)
        with mosquitto(place, port):
            agent = agents.start(name, bucket, port)
            time.sleep(2)
            rate = 10_000
            publisher = [sys.executable, __file__, "--publish", str(port), "--readings", str(n), "--pack", str(PACK)]
            publishing = subprocess.Popen([*publisher, "--per-second", str(rate)])
            for _ in range(n_kills):
                time.sleep(dice.uniform(0.3, 1.2) * n / rate / n_kills)
                agent.process.send_signal(signal.SIGKILL)
                agent.process.wait()
                agent = agents.start(name, bucket, port)
            publishing.wait()
            with agent:
                end = time.monotonic() + 60
                while (there := server.count(bucket)) < n and time.monotonic() < end:
                    time.sleep(0.5)
        lost[name] = n - there
    return lost


def season(agents, server, folder):
    """Milliseconds for a season of one channel through Larder's API, all of it from the server."""
    server.bucket("season")
    port = free_port()
    folder.mkdir()
    csv = folder / "season.csv"
    with open(csv, "w") as file:
        file.write("time,device,channel,unit,value\n")
        for k in range(26_000):
            file.write(f"{rfc3339(BASE - 400 * 86400 + 900 * k)},sc-1,weight,kg,{40 + k % 977 / 100}\n")
    arguments = ["--readings", "influxdb2", "--influx-url", server.url, "--influx-org", "apiary"]
    arguments += ["--influx-bucket", "season", "--influx-token-file", str(agents.folder / "token")]
    data = ["--data", str(agents.folder / "data-season")]
    quiet = {"check": True, "stdout": subprocess.DEVNULL}
    subprocess.run([agents.larder, "import", "readings", str(csv), *data, *arguments], **quiet)
    query = {"device": "sc-1", "channel": "weight", "from": "2020-01-01T00:00:00Z", "points": 50_000}
    with mosquitto(folder, port), agents.start_larder("season", port) as larder:
        took = []
        for _ in range(30):
            began = time.monotonic()
            answer = json.loads(larder.get("/api/v1/readings", **query))
            took.append((time.monotonic() - began) * 1000)
        assert len(answer["value"]) == 26_000
    return statistics.median(took)


def row(found, name, key):
    return statistics.median(round_[name][key] for round_ in found)


def report(what, found, n):
    floor = row(found, "floor", "seconds")
    print(f"\n{what}: {n:,} readings, {PACK} in a message, middle of {len(found)} rounds")
    print("              readings/s  x floor  CPU us  server us      MB  bytes")
    print(f"  file only    {n / floor:10,.0f}     1.00")
    for name in ["larder", "telegraf"]:
        of = {key: row(found, name, key) for key in found[0][name]}
        size_ = f"{of['bytes']:6.1f}" if "bytes" in of else ""
        print(
            f"  {name:12} {n / of['seconds']:10,.0f}  {of['seconds'] / floor:7.2f}  {of['cpu_us']:6.1f}"
            f"  {of['server_us']:9.1f}  {of['mb']:6.0f}  {size_}"
        )
    for key in ["seconds", "cpu_us", "mb"]:
        ratios = [round_["larder"][key] / round_["telegraf"][key] for round_ in found]
        print(f"  larder / telegraf, {key}: " + ", ".join(f"{ratio:.2f}" for ratio in ratios))


def main():
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    options.add_argument("--readings", type=int, default=400_000)
    options.add_argument("--pack", type=int, default=PACK, help="readings in a message")
    options.add_argument("--rounds", type=int, default=3)
    options.add_argument("--kills", type=int, default=10)
    options.add_argument("--larder", default=str(ROOT / "target/release/larder"))
    options.add_argument("--publish", type=int, help=argparse.SUPPRESS)
    options.add_argument("--per-second", type=int, default=0, help=argparse.SUPPRESS)
    given = options.parse_args()
    globals()["PACK"] = given.pack
    if given.publish:
        publish(given.publish, given.readings, "bench-publisher", given.per_second)
        return
    with tempfile.TemporaryDirectory() as folder:
        folder = pathlib.Path(folder)
        (folder / "server").mkdir()
        with Server(folder / "server") as server:
            agents = Agents(given.larder, folder, server)
            for what, run in [("drain", drain), ("live", live)]:
                rounds = range(given.rounds)
                found = [run(agents, server, folder / f"{what}-{r}", r, given.readings) for r in rounds]
                report(what, found, given.readings)
            lost = kills(agents, server, folder / "kills", given.readings // 2, given.kills)
            told = ", ".join(f"{name} {n}" for name, n in lost.items())
            print(f"\n{given.kills} kills, {given.readings // 2:,} readings; lost: {told}")
            print(f"a season of one channel through Larder: {season(agents, server, folder / 'season'):.0f} ms")


if __name__ == "__main__":
    main()
