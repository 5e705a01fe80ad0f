"""A synthetic fleet with known truth, made one vehicle at a time.

A seed and a size go in; study.toml, tables of vehicles and schedule, and each vehicle's logs come
out. The demonstration's car drives every run once; a vehicle drives them in an order, at a level
and with an effect of its own. Nothing grows with the number of vehicles, and one that is there
already isn't made again, so that a large fleet can be made in pieces. All invented, and labelled.
"""

import datetime as dt
import json
import tempfile
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass
from functools import partial
from pathlib import Path
from typing import Literal

import numpy as np
import pandas as pd

from roadlog.demo.car import RESIDUAL_KPA
from roadlog.demo.make import make_study
from roadlog.demo.schedule import FIRST_DAY, draw_schedule
from roadlog.errors import InputError
from roadlog.study.durable import atomic_write

Form = Literal["parquet", "csv"]

LEVEL_SD_PCT = 5.0  # between vehicles, of fuel use; these four invented, of the usual size
UNIT_SD_PCT = 0.8  # from day to day, beside what the demonstration's days have
RUN_SD_PCT = 0.5
PACE_SD_PCT = 0.4  # of speed: no two vehicles drive alike
EARLIEST, LATEST = 0.25, 0.75  # of the days, for a vehicle's turn in a roll-out
AIR = ("MAF air flow rate [g/s]", "absolute load [%]")
PRESSURE = "manifold absolute pressure [kPa]"
SPEEDS = ("vehicle speed [km/h]", "GPS speed [km/h]")
FULL_KPA = 101.0
TIME = "time"
DEPOTS = ("north depot", "south depot")


@dataclass(frozen=True)
class Choices:
    """What a fleet is made with, as `make_fleet` has it and truth.json tells it."""

    vehicles: int
    days: int
    seed: int
    effect_pct: float
    spread_pct: float
    rollout: bool
    claim_economy_pct: float
    form: Form


@dataclass(frozen=True)
class Drives:
    """The runs that all vehicles draw from: frames of readings, and the day of each."""

    frames: tuple[pd.DataFrame, ...]
    days: tuple[dt.date, ...]
    of_day: tuple[int, ...]  # which day each frame belongs to


@dataclass(frozen=True)
class Invented:
    """One vehicle: its name, true effect [%], level and the arm of each day."""

    name: str
    effect_pct: float
    level: float
    fitted: tuple[bool, ...]
    depot: str
    rng: np.random.Generator

    @property
    def fitted_from(self) -> int:
        """The first day with the add-on."""
        return self.fitted.index(True)


def make_fleet(
    folder: Path,
    *,
    vehicles: int,
    days: int = 20,
    seed: int = 20260302,
    effect_pct: float = 0.6,
    spread_pct: float = 1.0,
    rollout: bool = False,
    claim_economy_pct: float = 12.0,
    form: Form = "parquet",
) -> None:
    """Write a synthetic fleet whose true effects are known.

    Parameters
    ----------
    folder : where to write; a fleet of the same choices that is there in part is finished
    vehicles : how many
    days : working days, two drives each
    seed : of every random number; a vehicle depends on it and on its own number alone
    effect_pct : mean of the vehicles' true effects on fuel use [%]
    spread_pct : standard deviation of the true effects between vehicles [%]
    rollout : whether each vehicle gets the add-on once, at its own time, instead of by the day
    claim_economy_pct : the seller's claim [%]
    form : `parquet`, a file for each vehicle and month, or `csv`, a file for each drive

    Raises
    ------
    InputError
        If the size isn't possible, or another study is in the folder.
    """
    if vehicles < 1 or days < 4:
        raise InputError(f"--fleet {vehicles} --days {days}: give 1 vehicle and 4 days or more")
    choices = Choices(
        vehicles, days, seed, effect_pct, spread_pct, rollout, claim_economy_pct, form
    )
    _require_same(folder, asdict(choices))
    every = [_invented(i, choices) for i in range(vehicles)]
    truth = {
        "synthetic": True,
        "made_with": asdict(choices),
        "effect_pct": {v.name: round(v.effect_pct, 6) for v in every},
    }
    _write(folder / "truth.json", json.dumps(truth, indent=1) + "\n")
    drives = _drives(days, seed)
    _write(folder / "vehicles.csv", _vehicles_csv(every, drives, rollout=rollout))
    if not rollout:
        _write(folder / "schedule.csv", _schedule_csv(every, drives))
    _write(folder / "study.toml", _study_toml(choices))
    for vehicle in every:
        _write_vehicle(folder, vehicle, drives, form)


def _require_same(folder: Path, choices: Mapping[str, object]) -> None:
    path = folder / "truth.json"
    try:
        before = json.loads(path.read_text(encoding="utf-8"))["made_with"]
    except (OSError, ValueError, KeyError, TypeError):
        before = None
    if before is None and (folder / "study.toml").exists():
        raise InputError(f"{folder} holds a study already: name a new folder")
    if before is not None and before != choices:
        raise InputError(
            f"{folder} holds a fleet made with other choices ({before}): name a new folder"
        )


def _invented(number: int, choices: Choices) -> Invented:
    days = choices.days
    rng = np.random.default_rng([choices.seed, 7, number])
    effect = choices.effect_pct + choices.spread_pct * float(rng.standard_normal())
    level = float(np.exp(LEVEL_SD_PCT / 100 * rng.standard_normal()))
    turn = int(rng.integers(round(EARLIEST * days), max(round(LATEST * days), 2) + 1))
    if choices.rollout:
        fitted = tuple(i >= turn for i in range(days))
    else:
        plan = draw_schedule(days, int(rng.integers(1 << 31)), randomised=True)
        fitted = tuple(arm == "fitted" for arm, _ in plan)
    return Invented(
        f"van {number + 1:04d}", effect, level, fitted, DEPOTS[number % len(DEPOTS)], rng
    )


def _drives(days: int, seed: int) -> Drives:
    """The demonstration's drives without any effect, made in a folder that goes again."""
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch) / "drives"
        make_study(folder, seed=seed, effect_pct=0.0, days=days)
        files = sorted((folder / "logs").glob("*.csv"))
        frames = tuple(_readings(f) for f in files)
    dates = [dt.date.fromisoformat(f.name.split("_")[1]) for f in files]
    known = sorted(set(dates))
    assert known[0] >= FIRST_DAY
    return Drives(frames, tuple(known), tuple(known.index(d) for d in dates))


def _readings(path: Path) -> pd.DataFrame:
    frame = pd.read_csv(path)
    frame[TIME] = pd.to_datetime(frame[TIME]).dt.tz_localize(None)
    return frame


def _runs(vehicle: Invented, drives: Drives) -> Iterator[pd.DataFrame]:
    """A vehicle's drives in order of time: days as they were, each day's driving another's."""
    rng = vehicle.rng
    order = rng.permutation(len(drives.days))
    unit = np.exp(UNIT_SD_PCT / 100 * rng.standard_normal(len(drives.days)))
    by_day: dict[int, list[int]] = {}
    for i, day in enumerate(drives.of_day):
        by_day.setdefault(day, []).append(i)
    for day, date in enumerate(drives.days):
        source = int(order[day])
        moved = pd.Timedelta(date - drives.days[source])
        effect = 1 + vehicle.effect_pct / 100 * vehicle.fitted[day]
        for i in by_day[source]:
            frame = drives.frames[i]
            run = np.exp(RUN_SD_PCT / 100 * rng.standard_normal())
            pace = float(np.exp(PACE_SD_PCT / 100 * rng.standard_normal()))
            air = vehicle.level * unit[day] * run * effect * pace
            changed = {c: (frame[c] * air).round(2) for c in AIR if c in frame}
            changed |= {c: (frame[c] * pace).round(2) for c in SPEEDS if c in frame}
            if PRESSURE in frame:  # more air at the same speed of the engine is a fuller cylinder
                fuller = RESIDUAL_KPA + (frame[PRESSURE] - RESIDUAL_KPA) * air
                changed[PRESSURE] = fuller.clip(upper=FULL_KPA).round(0)
            yield frame.assign(**changed, **{TIME: frame[TIME] + moved})


def _write_vehicle(folder: Path, vehicle: Invented, drives: Drives, form: Form) -> None:
    home = folder / ("cars" if form == "csv" else "samples")
    done = folder / ".made" / vehicle.name
    if done.exists():
        return
    if form == "csv":
        for frame in _runs(vehicle, drives):
            name = f"synthetic_{frame[TIME].iloc[0]:%Y-%m-%d_%H%M}.csv"
            _write(home / vehicle.name / "logs" / name, frame.to_csv(index=False))
    else:
        rows = pd.concat(_runs(vehicle, drives), ignore_index=True).assign(synthetic=True)
        for month, own in rows.groupby(rows[TIME].dt.strftime("%Y-%m")):
            escaped = vehicle.name.replace(" ", "%20")
            path = home / f"vehicle={escaped}" / f"month={month}" / "synthetic.parquet"
            atomic_write(path, partial(own.to_parquet, index=False))
    _write(done, "")


def _vehicles_csv(every: list[Invented], drives: Drives, *, rollout: bool) -> str:
    lines = ["vehicle,fuel,displacement [L],mass [kg],depot" + ",fitted from" * rollout]
    for v in every:
        lines.append(f"{v.name},E10,1.8,1310,{v.depot}")
        if rollout:
            lines[-1] += f",{drives.days[v.fitted_from].isoformat()}"
    return "\n".join([*lines, ""])


def _schedule_csv(every: list[Invented], drives: Drives) -> str:
    lines = ["vehicle,day,arm"]
    for v in every:
        for day, fitted in zip(drives.days, v.fitted, strict=True):
            lines.append(f"{v.name},{day.isoformat()},{'fitted' if fitted else 'baseline'}")
    return "\n".join([*lines, ""])


def _period(days: int) -> int:
    """Calendar days of a period: some eight over the whole, weekends counted."""
    return max(1, round(days * 7 / 5 / 8))


def _study_toml(choices: Choices) -> str:
    logs = 'logs = ["cars/*/logs/*.csv"]' if choices.form == "csv" else 'data = "samples"'
    how = 'schedule = "schedule.csv"\nswitched = "within"'
    if choices.rollout:
        how = f'switched = "rollout"\nperiod_days = {_period(choices.days)}'
    return f"""\
# SYNTHETIC: an invented fleet with an invented add-on, made by the roadlog demonstration.
name = "Bramble collar, {choices.vehicles} vans (synthetic demonstration)"
synthetic = true

[vehicle]
fuel = "E10"
displacement_l = 1.8
mass_kg = 1310
cda_m2 = 0.66
crr = 0.0105

[device]
name = "Bramble collar (invented)"
acts_on = "intake"

[claim]
economy_pct = {choices.claim_economy_pct}

[fleet]
{logs}
vehicles = "vehicles.csv"
{how}
randomised = true
"""


def _write(path: Path, text: str) -> None:
    atomic_write(path, partial(Path.write_text, data=text, encoding="utf-8"))
