"""Fleets with known truth: as switch units (cheap), and as pass tables."""

import datetime as dt
import zlib
from collections.abc import Callable

import numpy as np
import pandas as pd

from roadlog.fleet.vehicle import Figures, VehicleUnits
from roadlog.quantities.tables import PASSES

START = np.datetime64("2026-03-02", "ns")


def units_of(
    name: str,
    arm: np.ndarray,
    value: np.ndarray,
    *,
    day: np.ndarray | None = None,
    block: tuple[str, ...] = (),
    size: np.ndarray | None = None,
    level: float = 0.0,
    group: str = "",
) -> VehicleUnits:
    """One vehicle's units with these values; blocks are four units each if named."""
    n = len(arm)
    fixed = np.ones((n, 1))
    for b in [*dict.fromkeys(block)][1:]:
        fixed = np.column_stack([fixed, np.array(block) == b])
    expected = np.full(n, 1000.0) if size is None else size
    day = np.arange(n) if day is None else day
    digest = np.array([zlib.crc32(f"{name} {d}".encode()) for d in day.tolist()])
    return VehicleUnits(
        name,
        group,
        tuple(str(d) for d in day),
        block,
        Figures(
            arm=np.asarray(arm, dtype=np.intp),
            day=np.asarray(day, dtype=np.intp),
            fixed=fixed.astype(float),
            value=np.asarray(value, dtype=float),
            total=np.asarray(value, dtype=float),
            physical=np.asarray(value, dtype=float),
            level=np.asarray(value, dtype=float) + level,
            expected_ml=expected,
            burned_ml=expected * np.exp(value),
            km=expected / 60,
            air_c=np.full(n, 15.0),
            pass_variance=np.full(n, np.nan),
            digest=digest.astype(np.uint64),
        ),
        passes=10 * n,
    )


def switching_fleet(
    rng: np.random.Generator,
    vehicles: int,
    *,
    effect: float = 0.0,
    spread: float = 0.0,
    scatter: float = 0.02,
    days: Callable[[int], int] = lambda i: 12,
    draw: Callable[[np.random.Generator], float] = lambda r: float(r.normal()),
    day_effects: float = 0.0,
    one_schedule: bool = False,
    own_scatter: float = 0.0,
) -> list[VehicleUnits]:
    """Vehicles that switch by day in blocks of four; `spread`, `scatter` are sd of log fuel."""
    shared = day_effects * rng.normal(size=400)
    common = _arms(rng, 400)
    fleet = []
    for i in range(vehicles):
        n = days(i)
        arm = common[:n] if one_schedule else _arms(rng, n)
        sd = scatter * float(np.exp(own_scatter * rng.normal()))
        own = effect + spread * draw(rng)
        value = rng.normal() + own * arm + sd * rng.normal(size=n) + shared[:n]
        block = tuple(str(k // 4) for k in range(n))
        fleet.append(units_of(f"v{i:05d}", arm, value, block=block))
    return fleet


def _arms(rng: np.random.Generator, n: int) -> np.ndarray:
    return np.concatenate([rng.permuted([0, 0, 1, 1]) for _ in range(n // 4)])


def pass_table(
    rng: np.random.Generator,
    name: str,
    *,
    days: int = 8,
    segments: int = 6,
    effect: float = 0.0,
    arm: np.ndarray | None = None,
    first_day: int = 0,
    scatter: float = 0.02,
    level: float = 60.0,
) -> pd.DataFrame:
    """Passes of one vehicle, one run out a day over its own road; fuel follows road and work."""
    arms = _arms(rng, days) if arm is None else arm
    n = days * segments
    day, seg = np.repeat(np.arange(days), segments), np.tile(np.arange(segments), days)
    km = 1 + 0.1 * seg
    work = (400 + 60 * seg) * np.exp(0.08 * rng.normal(size=n)) * km
    seconds = km * (60 + 10 * rng.random(n)) + 5 * rng.random(n)
    road = 0.5 * level * km * (1 + 0.05 * seg) + 0.075 * work + 0.12 * seconds
    unit = np.exp(effect * arms + scatter * rng.normal(size=days))
    fuel = road * unit[day] * np.exp(0.02 * rng.normal(size=n))
    when = START + (first_day + day).astype("timedelta64[D]") + (seg * 90).astype("timedelta64[s]")
    when = when + np.timedelta64(7, "h")
    date = np.datetime_as_string(when.astype("datetime64[D]"))
    frame = pd.DataFrame(
        {
            "run": day, "arm": np.where(arms == 1, "fitted", "baseline")[day], "day": date,
            "switch_unit": date, "block": np.array([str(d // 4) for d in day]),
            "segment": [f"{name}-{s}" for s in seg], "start": when, "distance_km": km,
            "duration_s": seconds, "fuel_ml": fuel, "ml_per_km": fuel / km,
            "mean_speed_kmh": km / seconds * 3600, "idle_s_per_km": 5 * rng.random(n),
            "demand_kj_per_km": work / km, "coolant_start_c": 20.0, "since_start_s": seg * 90.0,
            "ambient_c": 12.0 + day % 5, "used": True, "reason": "", "vehicle": name,
        }
    )  # fmt: skip
    for column in (c for c in PASSES.columns if c not in frame):
        frame[column] = frame["fuel_ml"] if column.startswith("fuel_") else 1.0
    return frame.assign(arm=frame["arm"].astype(str))


def parallel_fleet(
    rng: np.random.Generator,
    vehicles: int,
    *,
    effect: float = 0.0,
    spread: float = 0.0,
    scatter: float = 0.02,
    drift: float = 0.01,
    unequal: bool = False,
    draw: Callable[[np.random.Generator], float] = lambda r: float(r.normal()),
) -> tuple[list[VehicleUnits], dt.date]:
    """Half of the vehicles fitted from day 20 on, each with days before it; `drift` is the sd of a
    vehicle's own change between the halves."""
    fitted = rng.permuted(np.arange(vehicles) % 2)
    fleet = []
    for i in range(vehicles):
        n = (4, 8, 16, 20)[i % 4] if unequal else 10
        day = np.concatenate([np.arange(n), 20 + np.arange(n)])
        after = (day >= 20).astype(int)
        own = (effect + spread * draw(rng)) * fitted[i] + drift * rng.normal()
        value = rng.normal() + after * own + scatter * rng.normal(size=2 * n)
        fleet.append(units_of(f"v{i:05d}", after * fitted[i], value, day=day))
    return fleet, dt.date(1970, 1, 21)


def rollout_fleet(
    rng: np.random.Generator,
    vehicles: int,
    *,
    effect: float = 0.0,
    spread: float = 0.0,
    scatter: float = 0.02,
    weeks: int = 0,
    week_effects: float = 0.03,
    drift: float = 0.0,
    growth: float = 0.0,
    unequal: bool = False,
    draw: Callable[[np.random.Generator], float] = lambda r: float(r.normal()),
) -> list[VehicleUnits]:
    """Vehicles that go over one after another (or in steps of equal size, week by week).

    `week_effects` are shared by all, `drift` is the sd a week of a vehicle's own random walk,
    `growth` what the effect gains a week fitted.
    """
    weeks = weeks or min(vehicles + 1, 11)
    start = rng.permuted(1 + np.arange(vehicles) % (weeks - 1))
    shared = week_effects * rng.normal(size=weeks)
    fleet = []
    for i in range(vehicles):
        days = (2, 3, 4, 5)[i % 4] if unequal else 3
        week = np.repeat(np.arange(weeks), days)
        arm = (week >= start[i]).astype(int)
        own = effect + spread * draw(rng) + growth * (week - start[i])
        walk = np.cumsum(drift * rng.normal(size=weeks))
        value = rng.normal() + shared[week] + walk[week] + own * arm
        value = value + scatter * rng.normal(size=len(week))
        day = 7 * week + np.tile(np.arange(days), weeks)
        fleet.append(units_of(f"v{i:05d}", arm, value, day=day))
    return fleet
