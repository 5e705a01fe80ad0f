"""Invented taxis' run tables and receipts with known truth: burned, computed and pumped fuel."""

import datetime as dt
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from roadlog.fleet.filled import Filled, held_fills
from roadlog.fleet.fills import Receipt
from roadlog.study.settings import Fill, Study, parse_study

FIRST = pd.Timestamp("2026-03-02")
LITRES_PER_100KM = 7.0
TAXI = parse_study('name = "taxis"\n[vehicle]\nfuel = "diesel"\n')
Spoil = Callable[[list[Receipt], np.random.Generator], list[Receipt]]


def arms_within(rng: np.random.Generator, days: int) -> np.ndarray:
    """Arms of days, drawn in blocks of four."""
    return np.concatenate([rng.permuted([0, 0, 1, 1]) for _ in range(days // 4)])


def runs_of_taxi(
    rng: np.random.Generator, arm: Sequence[int], *, bend: float = 0.0, scatter: float = 0.01,
    effect: float = 0.0, level: float = 1.0, lost: Sequence[int] = (),
) -> pd.DataFrame:  # fmt: skip
    """Two runs a day; computed fuel is off by `bend` (a share) in the fitted arm, and by `scatter`
    (sd of the log) in each run; `true_l` is what was burned. Days of `lost` weren't logged."""
    rows = []
    for day, a in enumerate(arm):
        date = f"{FIRST + pd.Timedelta(days=day):%F}"
        for hour, km in ((7, 90 + 40 * rng.random()), (15, 90 + 40 * rng.random())):
            true = level * LITRES_PER_100KM * km / 100 * (1 + effect * a)
            true *= np.exp(0.03 * rng.standard_normal())
            read = true * (1 + bend * a) * np.exp(scatter * rng.standard_normal())
            rows.append(
                {
                    "run": len(rows), "file": f"day{day}_{hour}.csv",
                    "arm": "fitted" if a else "baseline", "day": date,
                    "start": FIRST + pd.Timedelta(days=day, hours=hour), "hours": km / 30,
                    "km": km, "fuel_l": read, "burned_l": read, "true_l": true, "used": True,
                }
            )  # fmt: skip
    runs = pd.DataFrame(rows)
    return runs[~runs["day"].isin([f"{FIRST + pd.Timedelta(days=d):%F}" for d in lost])]


def receipts_of(
    rng: np.random.Generator, runs: pd.DataFrame, *, every: int = 1, level_sd_l: float = 0.5,
    odometer: float = 80_000.0,
) -> list[Receipt]:  # fmt: skip
    """A receipt each `every` days in the evening, to a level that repeats within `level_sd_l`."""
    found: list[Receipt] = []
    before = level_sd_l * rng.standard_normal()
    days = sorted(set(runs["day"]))
    burned = 0.0
    for i, day in enumerate(days):
        mine = runs[runs["day"] == day]
        burned += float(mine["true_l"].sum())
        odometer += float(mine["km"].sum())
        if i % every and i != len(days) - 1:
            continue
        level = level_sd_l * rng.standard_normal()
        end = mine["start"].max() + pd.Timedelta(hours=float(mine["hours"].iloc[-1]), minutes=25)
        end = end.floor("s")
        fill = Fill(
            time=end.to_pydatetime(), litres=max(burned + level - before, 1.0),
            odometer_km=round(odometer),
        )  # fmt: skip
        found.append(Receipt(i + 2, fill.time, fill, litres=fill.litres))
        before, burned = level, 0.0
    return found


def with_fill(receipt: Receipt, **changed: object) -> Receipt:
    """The receipt with other numbers in it."""
    assert receipt.fill is not None
    fill = receipt.fill.model_copy(update=changed)
    return replace(receipt, time=fill.time, fill=fill, litres=fill.litres)


def taxis(
    rng: np.random.Generator, vehicles: int = 12, *, days: int = 40,
    bend: Callable[[int], float] = lambda i: 0.0, spoil: Mapping[int, Spoil] | Spoil | None = None,
    rollout: bool = False, every: int = 1, level_sd_l: float = 0.5, study: Study = TAXI,
    season: float = 0.0,
) -> list[Filled]:  # fmt: skip
    """What the receipts of so many taxis say; `season` changes litres filled for a litre computed
    from the first day to the last."""
    found = []
    for i in range(vehicles):
        if rollout:
            arm = (np.arange(days) >= rng.integers(days // 4, 3 * days // 4)).astype(int)
        else:
            arm = arms_within(rng, days)
        runs = runs_of_taxi(rng, arm, bend=bend(i), level=1 + 0.05 * rng.standard_normal())
        drift = 1 + season * (runs["start"] - FIRST) / pd.Timedelta(days=days)
        receipts = receipts_of(
            rng, runs.assign(true_l=runs["true_l"] * drift), every=every, level_sd_l=level_sd_l
        )
        change = spoil.get(i) if isinstance(spoil, Mapping) else spoil
        if change is not None:
            receipts = change(receipts, rng)
        found.append(held_fills(f"v{i:05d}", receipts, runs, study))
    return found


def evening(day: int, hour: float = 20.0) -> dt.datetime:
    """A moment on the so-manieth day."""
    return (FIRST + pd.Timedelta(days=day, hours=hour)).to_pydatetime()
