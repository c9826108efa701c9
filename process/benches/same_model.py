#!/usr/bin/env python3
"""What the feeder model alone costs in numpy, for comparing speed.

    same_model.py SCENARIO_FOLDER

For each level sensor: readings brought to half hours, then the six states of docs/estimator.md (volume,
rate, taken since midnight, offset, drift, share) through a Kalman filter and a fixed-interval smoother
(H. E. Rauch, F. Tung, C. T. Striebel, AIAA Journal 3 (1965) 1445-1450), three passes. Nothing
else of what Larder does: no fills, no scales, no losses, no flags, and each day only once. Prints
microseconds of processor time for each hive and day, reading the files left out.
"""
import sys
import time
import tomllib
from pathlib import Path

import numpy as np
import pandas as pd

STATES = 6
STEP_HOURS = 0.5
MEMORY_HOURS = 7.0


def matrices() -> tuple[np.ndarray, np.ndarray]:
    stay = np.exp(-STEP_HOURS / MEMORY_HOURS)
    out = MEMORY_HOURS * (1 - stay)
    step = np.eye(STATES)
    step[0, 1], step[1, 1], step[2, 1] = -out, stay, out
    noise = np.zeros((STATES, STATES))
    noise[1, 1] = 1e-4
    noise[0, 0] = noise[2, 2] = 1e-6
    return step, noise


def smooth(levels: np.ndarray) -> np.ndarray:
    step, noise = matrices()
    n = len(levels)
    mean, cov = np.zeros(STATES), np.diag([25.0, 1e-3, 0.0, 1e-5, 1e-8, 1e-3])
    filtered, predicted = [], []
    for k in range(n):
        mean, cov = step @ mean, step @ cov @ step.T + noise
        predicted.append((mean, cov))
        if not np.isnan(levels[k]):
            row = np.array([1.0, 0.0, 0.0, 10.0, 1.0, mean[0]])
            through = cov @ row
            gain = through / (row @ through + 1e-3)
            mean = mean + gain * (levels[k] - row[:5] @ mean[:5])
            cov = cov - np.outer(gain, through)
        filtered.append((mean, cov))
    volumes = np.empty(n)
    later, later_cov = filtered[-1]
    volumes[-1] = later[0]
    for k in range(n - 2, -1, -1):
        mean, cov = filtered[k]
        ahead, ahead_cov = predicted[k + 1]
        back = cov @ step.T @ np.linalg.pinv(ahead_cov)
        later = mean + back @ (later - ahead)
        later_cov = cov + back @ (later_cov - ahead_cov) @ back.T
        volumes[k] = later[0]
    return volumes


def main() -> None:
    root = Path(sys.argv[1])
    apiary = tomllib.loads((root / "apiary.toml").read_text())
    readings = pd.read_csv(root / "readings.csv.gz", parse_dates=["time"])
    readings = readings.drop_duplicates(["device", "channel", "time"], keep="last").sort_values("time")
    span = (readings.time.max() - readings.time.min()).total_seconds() / 86400
    started = time.process_time()
    for (_, channel), rows in readings.groupby(["device", "channel"]):
        if channel.split("/")[-1] not in ("distance", "depth", "feeder_weight"):
            continue
        levels = rows.set_index("time").value.resample("30min").mean().to_numpy()
        for _ in range(3):
            smooth(levels)
    spent = time.process_time() - started
    hive_days = len(apiary["hive"]) * span
    print(f"{hive_days:.0f} hive-days, {1e6 * spent / hive_days:.0f} microseconds each")


if __name__ == "__main__":
    main()
