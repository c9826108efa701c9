#!/usr/bin/env python3
"""What one yard costs, by how many others there are: `larder process` over 10, 100 and 1,000 yards.

    bench_yards.py LARDER_BINARY [YARDS ...]

Each yard has one hive with a scale and a tray with a level sensor, and five days of readings every half
hour. A cost per yard that does not depend on the others is a straight line: the same milliseconds in
every row. Prints a table with the ratio to the first row; asserts nothing.
"""
import subprocess
import sys
import tempfile
import time
from datetime import datetime, timedelta, timezone
from pathlib import Path

DAYS = 5
EVERY = timedelta(minutes=30)
AREA_M2 = 0.0759
TAKEN_M = 0.0002


def apiary(yards: int) -> str:
    parts = []
    for i in range(yards):
        parts.append(
            f'[[yard]]\nid = "y{i}"\ntimezone = "America/New_York"\n'
            f'[[hive]]\nid = "h{i}"\nyard = "y{i}"\nscale = "sc{i}"\n'
            f'[[feeder]]\nid = "f{i}"\nhive = "h{i}"\nkind = "tray"\ncapacity_l = 11\n'
            f'[feeder.sensor]\ndevice = "lv{i}"\nchannel = "depth"\narea_m2 = {AREA_M2}\n'
        )
    return "".join(parts)


def write_readings(path: Path, yards: int) -> None:
    start = datetime.now(timezone.utc).replace(minute=0, second=0, microsecond=0) - timedelta(days=DAYS)
    with path.open("w") as file:
        file.write("time,device,channel,unit,value\n")
        for tick in range(DAYS * 48):
            at = (start + tick * EVERY).strftime("%Y-%m-%dT%H:%M:%SZ")
            noise = (tick * 7919 % 13 - 6) / 6
            depth = 0.1 - TAKEN_M * tick + 0.0005 * noise
            weight = 32.0 - 0.004 * tick + 0.02 * noise
            for i in range(yards):
                file.write(f"{at},lv{i},depth,m,{depth:.4f}\n{at},sc{i},weight,kg,{weight:.2f}\n")


def seconds(binary: str, yards: int) -> float:
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        (place / "apiary.toml").write_text(apiary(yards))
        write_readings(place / "readings.csv", yards)
        run = lambda *words: subprocess.run([binary, *words, "--data", str(place / "data")], check=True, capture_output=True)
        run("apply", str(place / "apiary.toml"))
        run("import", "readings", str(place / "readings.csv"))
        began = time.perf_counter()
        run("process")
        return time.perf_counter() - began


def main() -> None:
    binary = sys.argv[1]
    sizes = [int(word) for word in sys.argv[2:]] or [10, 100, 1000]
    print(f"{'yards':>6} {'seconds':>8} {'ms a yard':>10} {'to the first':>13}")
    first = None
    for yards in sizes:
        took = seconds(binary, yards)
        each = 1000 * took / yards
        first = first or each
        print(f"{yards:6} {took:8.2f} {each:10.2f} {each / first:13.2f}", flush=True)


if __name__ == "__main__":
    main()
