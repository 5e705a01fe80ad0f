"""The plan of the demonstration: which day has the add-on, and what every run will meet.

A seed and sizes go in; days with arm, block, weather and notes, and runs with their conditions
come out. It feeds the generator behind `roadlog demo` and implements no part of the method.
"""

import datetime as dt
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from roadlog.demo.car import Conditions
from roadlog.demo.driver import smooth_noise
from roadlog.errors import InputError
from roadlog.physics.roadload import rolling_share
from roadlog.plan.schedule import LEAST_UNITS, block_sizes
from roadlog.quantities.arms import ARMS, Arm

Order = Literal["drawn", "once", "there-and-back"]

FIRST_DAY = dt.date(2026, 3, 2)
UTC_OFFSET = "+01:00"
LABELS: dict[Arm, str] = {"baseline": "collar out", "fitted": "collar in"}
RUN_SD_PCT = 0.8
BLOCK_SIZE = 4
FUEL_BATCH_SD_PCT = 0.3
FUEL_BATCH_DAYS = 7
WARMER_PER_HOUR_C = 0.55
CONTROL_SD_PCT = 0.7  # of the control car's runs, beside what both cars meet
CONTROL_BEHIND_MIN = (2.0, 4.0)
WIND_SHARE = 0.6  # of the wind at 10 m, at the height of the car


@dataclass(frozen=True)
class Day:
    """One working day: its arm, its weather and what the notes say of it."""

    date: dt.date
    arm: Arm
    block: int | None
    morning_c: float
    pressure_kpa: float
    wind_m_s: float  # at 10 m, as a weather station gives it
    wind_from_deg: float
    wet: bool
    tyre_kpa: float
    payload_kg: int
    batch: str
    soak_h: float
    fuel_factor: float  # day, fuel batch and drift


@dataclass(frozen=True)
class Run:
    """One run to be driven: its day, direction, start and what it meets."""

    day: Day
    direction: str
    hour: float
    conditions: Conditions
    rng: np.random.Generator

    @property
    def start(self) -> np.datetime64:
        """Wall clock at engine start."""
        midnight = np.datetime64(self.day.date.isoformat(), "ms")
        return midnight + np.timedelta64(round(self.hour * 3_600_000), "ms")

    @property
    def file(self) -> str:
        """Name of the log, which says that it is synthetic even away from its folder."""
        clock = str(self.start)[11:16].replace(":", "")
        return f"synthetic_{self.day.date.isoformat()}_{clock}_{self.direction}.csv"


def draw_schedule(days: int, seed: int, *, randomised: bool) -> list[tuple[Arm, int | None]]:
    """Arm and block of each day: blocks of four in random order, or strict turns.

    Blocks are as `roadlog.plan.schedule.block_sizes` has them: the last one holds up to three days
    more, and of an odd one chance decides which arm gets one day more. An order with one single
    change of arms isn't drawn from four days up.

    Raises
    ------
    InputError
        If there are too few days.

    >>> [arm for arm, _ in draw_schedule(4, 1, randomised=False)]
    ['baseline', 'fitted', 'baseline', 'fitted']
    """
    if days < 2:
        raise InputError(f"{days} days can't hold both arms: give 2 or more")
    if not randomised:
        return [(ARMS[i % 2], None) for i in range(days)]
    sizes = block_sizes(days, BLOCK_SIZE)
    rng = np.random.default_rng(seed)
    while True:
        fitted = np.concatenate([_block(size, rng) for size in sizes])
        if days < LEAST_UNITS or np.count_nonzero(np.diff(fitted)) > 1:
            break
    blocks = np.repeat(np.arange(1, len(sizes) + 1), sizes)
    return [(ARMS[a], b) for a, b in zip(fitted.tolist(), blocks.tolist(), strict=True)]


def ordered_schedule(days: int, order: Order) -> list[tuple[Arm, int | None]]:
    """Arm of each day where the add-on comes once, or comes and goes once; nothing is drawn.

    Raises
    ------
    InputError
        If there are too few days.
    """
    periods = 2 if order == "once" else 3
    if days < 2 * periods:
        raise InputError(f"{days} days can't hold {periods} periods: give {2 * periods} or more")
    return [(ARMS[(i * periods // days) % 2], None) for i in range(days)]


def control_run(run: Run, rng: np.random.Generator) -> Run:
    """The control car's run behind a run of the test car: same road, weather and fuel, no add-on.

    It starts some minutes later, with its own scatter of tyres and load.
    """
    own = float(np.exp(CONTROL_SD_PCT / 100 * rng.standard_normal()))
    conditions = replace(
        run.conditions, effect_factor=1.0, fuel_factor=run.day.fuel_factor * own, payload_kg=0.0
    )
    later = rng.uniform(*CONTROL_BEHIND_MIN) / 60
    return replace(run, hour=run.hour + float(later), conditions=conditions, rng=rng)


def _block(size: int, rng: np.random.Generator) -> NDArray[np.int64]:
    """Which days of one block are fitted: half of them, of an odd block half of the others."""
    first = rng.integers(0, 2) if size % 2 else 0
    return np.asarray(rng.permutation((first + np.arange(size)) % 2))


def _working_days(first: dt.date, n: int) -> list[dt.date]:
    later = (first + dt.timedelta(days=i) for i in range(2 * n + 7))
    return [day for day in later if day.weekday() < 5][:n]


def plan_days(
    schedule: list[tuple[Arm, int | None]],
    first: dt.date,
    rng: np.random.Generator,
    *,
    day_sd_pct: float,
    drift_pct: float,
) -> list[Day]:
    """Weather, notes and fuel factor of each working day from `first` on."""
    n = len(schedule)
    dates = _working_days(first, n)
    elapsed = np.array([(d - dates[0]).days for d in dates])
    morning = 5.5 + 0.22 * elapsed + 2.3 * smooth_noise(rng, n, 1.5)
    pressure = 100.6 + 0.9 * smooth_noise(rng, n, 2.5)
    wind = np.abs(2.2 + 1.2 * rng.standard_normal(n))
    wind_from = (255 + 60 * rng.standard_normal(n)) % 360
    wet = rng.uniform(size=n) < 0.2
    tyre = 232 - 0.3 * elapsed + 1.2 * rng.standard_normal(n)
    payload = rng.choice([0, 0, 5, 10, 20], size=n)
    lateness = rng.uniform(-0.7, 0.7, size=n)
    batches = np.arange(n) // FUEL_BATCH_DAYS
    batch_pct = FUEL_BATCH_SD_PCT * rng.standard_normal(batches[-1] + 1)[batches]
    day_pct = day_sd_pct * rng.standard_normal(n)
    drift = drift_pct * elapsed / max(elapsed[-1], 1)
    soak = np.concatenate([[14.0], 24 * np.diff(elapsed) - 10.2]) + lateness
    return [
        Day(
            dates[i], *schedule[i], float(morning[i]), float(pressure[i]), float(wind[i]),
            float(wind_from[i]), bool(wet[i]), float(tyre[i]), int(payload[i]),
            chr(ord("A") + int(batches[i])), float(soak[i]),
            float(np.exp((day_pct[i] + batch_pct[i]) / 100) * (1 + drift[i] / 100)),
        )
        for i in range(n)
    ]  # fmt: skip


def plan_runs(
    day: Day, runs_per_day: int, seeds: list[np.random.SeedSequence], effect_pct: float
) -> list[Run]:
    """The day's runs, out and back in turn, spread from early morning to late afternoon."""
    hours = np.linspace(7.2, 16.7, runs_per_day) if runs_per_day > 1 else np.array([7.2])
    soak_h, runs = day.soak_h, list[Run]()
    for i, hour in enumerate(hours):
        rng = np.random.default_rng(seeds[i])
        late, warmer, veer, gust, run = rng.standard_normal(5)
        ambient = day.morning_c + WARMER_PER_HOUR_C * (hour - 7.2) + 0.4 * warmer
        still_warm = 75 * np.exp(-soak_h / 2.2)
        rolling = (1 - 0.0015 * (day.tyre_kpa - 230)) * (1.03 if day.wet else 1.0)
        rolling *= float(rolling_share(np.array(ambient)))
        conditions = Conditions(
            ambient_c=ambient,
            pressure_kpa=day.pressure_kpa,
            wind_m_s=WIND_SHARE * day.wind_m_s * max(1 + 0.15 * gust, 0.0),
            wind_from_deg=day.wind_from_deg + 10 * veer,
            payload_kg=float(day.payload_kg),
            rolling_factor=rolling,
            coolant_start_c=ambient + still_warm,
            fuel_factor=day.fuel_factor * float(np.exp(RUN_SD_PCT / 100 * run)),
            effect_factor=1 + effect_pct / 100 if day.arm == "fitted" else 1.0,
        )
        direction = "out" if i % 2 == 0 else "back"
        runs.append(Run(day, direction, float(hour + 0.06 * late), conditions, rng))
        soak_h = (hours[1] - hours[0] if runs_per_day > 1 else 0) - 0.3
    return runs
