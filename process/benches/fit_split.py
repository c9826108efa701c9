#!/usr/bin/env python3
"""Fits the estimators' parameters on one scenario and scores them on another, and the other way round.

    fit_split.py SCORE_SCENARIO_BINARY SCENARIO_A SCENARIO_B [ROUNDS]

Each parameter in turn is tried at so many times its value and kept where that is best (coordinate
descent), by the interval score of uptake and of what is left (T. Gneiting, A. E. Raftery, JASA 102 (2007)
359-378, equation 43), which punishes being wide and being wrong. Starts from the values in the code.
"""
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np
import pandas as pd

TIMES = (0.5, 0.7, 1.4, 2.0)
MISSED_TENTHS = 0.1


def interval_score(lo: pd.Series, hi: pd.Series, truth: pd.Series) -> pd.Series:
    below, above = (lo - truth).clip(lower=0), (truth - hi).clip(lower=0)
    return (hi - lo) + 2 / MISSED_TENTHS * (below + above)


def scores(binary: str, scenario: Path, parameters: dict[str, float]) -> dict[str, float]:
    with tempfile.TemporaryDirectory() as folder:
        settings = [f"{name}={value}" for name, value in parameters.items()]
        subprocess.run([binary, scenario, folder, *settings], check=True, capture_output=True)
        found = pd.read_csv(Path(folder) / "uptake.csv")
    truth = pd.read_csv(scenario / "truth/uptake_daily.csv.gz")
    days = truth.merge(found, on=["date", "feeder"], suffixes=("_true", ""))
    taken, left = days.uptake_l_true, days.remaining_end_l
    error = days.uptake_l - taken
    return {
        "uptake_rmse": float(np.sqrt((error**2).mean())),
        "uptake_covered": float(((days.uptake_lo_l - 1e-3 <= taken) & (taken <= days.uptake_hi_l + 1e-3)).mean()),
        "uptake_score": float(interval_score(days.uptake_lo_l, days.uptake_hi_l, taken).mean()),
        "left_rmse": float(np.sqrt(((days.remaining_l - left) ** 2).mean())),
        "left_covered": float(((days.remaining_lo_l - 1e-3 <= left) & (left <= days.remaining_hi_l + 1e-3)).mean()),
        "left_score": float(interval_score(days.remaining_lo_l, days.remaining_hi_l, left).mean()),
    }


def starts(binary: str) -> dict[str, float]:
    """The values in the code; of rain and load cells too few days tell."""
    lines = subprocess.run([binary, "parameters"], check=True, capture_output=True, text=True).stdout.splitlines()
    values = {name: float(value) for name, _, value in (line.partition("=") for line in lines)}
    return {name: value for name, value in values.items() if not name.startswith(("rain.", "feeder.load_cell."))}


def fit(binary: str, scenario: Path, rounds: int) -> dict[str, float]:
    parameters = starts(binary)
    cost = lambda p: sum(v for k, v in scores(binary, scenario, p).items() if k.endswith("_score"))
    best = cost(parameters)
    for _ in range(rounds):
        for name in list(parameters):
            for times in TIMES:
                tried = {**parameters, name: parameters[name] * times}
                if (found := cost(tried)) < best:
                    best, kept = found, tried
                    parameters = kept
    return parameters


def show(what: str, found: dict[str, float]) -> None:
    print(f"{what:34}", "  ".join(f"{name} {value:.3f}" for name, value in found.items()), flush=True)


def main() -> None:
    binary, rounds = sys.argv[1], int(sys.argv[4]) if len(sys.argv) > 4 else 1
    scenarios = [Path(name) for name in sys.argv[2:4]]
    usual = starts(binary)
    for fitted_on, scored_on in (scenarios, scenarios[::-1]):
        parameters = fit(binary, fitted_on, rounds)
        moved = {name: round(value, 6) for name, value in parameters.items() if value != usual[name]}
        print(f"fitted on {fitted_on.name}: {moved}")
        show(f"  on {fitted_on.name}, fitted", scores(binary, fitted_on, parameters))
        show(f"  on {scored_on.name}, not seen", scores(binary, scored_on, parameters))
        show(f"  on {scored_on.name}, as in the code", scores(binary, scored_on, usual))


if __name__ == "__main__":
    main()
