"""Invented runs and fills with known truth: what was burned, what was computed, what was pumped."""

import numpy as np
import pandas as pd

from roadlog.study.settings import Fill, parse_study

FIRST = pd.Timestamp("2026-03-02")
LITRES_PER_100KM = 6.5


def study(extra: str = ""):
    return parse_study(f'[vehicle]\nfuel = "E10"\ntank_l = 50\n{extra}')


def runs_of(arms, km=100.0, reads=None):
    """One run a day at 08:00; `reads` is computed over burned fuel by arm."""
    reads = reads or {"baseline": 1.0, "fitted": 1.0}
    arms = list(arms)
    burned = np.full(len(arms), LITRES_PER_100KM * km / 100)
    factor = np.array([reads[a] for a in arms])
    start = FIRST + pd.to_timedelta(np.arange(len(arms)), unit="D") + pd.Timedelta(hours=8)
    return pd.DataFrame(
        {
            "run": np.arange(len(arms)),
            "file": [f"day{i}.csv" for i in range(len(arms))],
            "arm": arms,
            "start": start,
            "day": [f"{t:%Y-%m-%d}" for t in start],
            "switch_unit": [f"{t:%Y-%m-%d}" for t in start],
            "block": "",
            "used": True,
            "hours": 1.5,
            "km": km,
            "true_l": burned,
            "fuel_l": burned * factor,
            "burned_l": burned * factor,
            "burned_kg": burned * factor * 0.745,
        }
    )


def fills_of(runs, every, level_sd_l=0.0, seed=1, temp_c=15.0):
    """A full fill before the first day and after each `every` days, in the evening."""
    rng = np.random.default_rng(seed)
    level = level_sd_l * rng.standard_normal(len(runs) // every + 1)
    out = [Fill(time=FIRST.to_pydatetime(), litres=30.0, odometer_km=10_000.0, temp_c=temp_c)]
    for i in range(len(runs) // every):
        mine = runs.iloc[i * every : (i + 1) * every]
        at = mine["start"].iloc[-1] + pd.Timedelta(hours=10)
        out.append(
            Fill(
                time=at.to_pydatetime(),
                litres=float(mine["true_l"].sum() + level[i + 1] - level[i]),
                odometer_km=10_000.0 + float(runs["km"].iloc[: (i + 1) * every].sum()),
                temp_c=temp_c,
            )
        )
    return tuple(out)
