#!/usr/bin/env python3
"""What a good analyst would script, for comparing speed: pandas and scipy, one day at a time.

    plain_script.py SCENARIO_FOLDER

For each level sensor and local day: absurd values out with a running median, Theil-Sen slope
(scipy.stats.theilslopes) as drawdown. For each scale and day: median of the night, steps from
differences of running medians. Prints seconds of processor time for each hive and day, reading the
files left out.
"""
import sys
import time
import tomllib
from pathlib import Path

import numpy as np
import pandas as pd
from scipy import stats


def level_days(series: pd.Series) -> int:
    clean = series[(series - series.rolling(9, center=True, min_periods=1).median()).abs() < 0.03]
    n = 0
    for _, day in clean.groupby(clean.index.date):
        if len(day) > 10:
            hours = (day.index - day.index[0]).total_seconds() / 3600
            stats.theilslopes(day.to_numpy(), hours)
            n += 1
    return n


def scale_days(series: pd.Series) -> int:
    clean = series[(series - series.rolling(9, center=True, min_periods=1).median()).abs() < 2]
    smooth = clean.rolling(5, center=True, min_periods=1).median()
    steps = smooth.diff(3)
    steps[steps.abs() > 0.3]
    n = 0
    for _, day in clean.groupby(clean.index.date):
        night = day[(day.index.hour >= 1) & (day.index.hour < 4)]
        if len(night):
            np.median(night.to_numpy())
        n += 1
    return n


def main() -> None:
    root = Path(sys.argv[1])
    apiary = tomllib.loads((root / "apiary.toml").read_text())
    zone = apiary["yard"][0]["timezone"]
    readings = pd.read_csv(root / "readings.csv.gz", parse_dates=["time"])
    readings = readings.drop_duplicates(["device", "channel", "time"], keep="last").sort_values("time")
    readings["time"] = readings.time.dt.tz_convert(zone)
    started = time.process_time()
    for (_, channel), rows in readings.groupby(["device", "channel"]):
        series = rows.set_index("time").value
        kind = channel.split("/")[-1]
        if kind in ("distance", "depth", "feeder_weight"):
            level_days(series)
        elif kind == "weight":
            scale_days(series)
    seconds = time.process_time() - started
    days = (readings.time.iloc[-1] - readings.time.iloc[0]).total_seconds() / 86400
    hive_days = len(apiary["hive"]) * days
    print(f"{hive_days:.0f} hive-days, {1e6 * seconds / hive_days:.0f} microseconds of processor time each")


if __name__ == "__main__":
    main()
