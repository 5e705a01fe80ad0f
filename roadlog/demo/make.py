"""The synthetic study of the demonstration: a folder with logs, notes and the truth behind them.

A seed and a true effect go in; `study.toml`, `logs/*.csv`, `notes.csv`, `fills.csv`, `weather.csv`,
`truth.json` and a `README.txt` come out. It stands outside the method: it makes data whose right
answer is known. Everything in it is invented and labelled so.
"""

import datetime as dt
from pathlib import Path
from typing import get_args

import numpy as np
from numpy.typing import NDArray

from roadlog.demo import car
from roadlog.demo.driver import Drive, drive_all
from roadlog.demo.files import (
    fills_csv,
    log_text,
    notes_csv,
    readme,
    study_toml,
    truth_json,
    truth_of,
    weather_csv,
)
from roadlog.demo.logger import Style
from roadlog.demo.pump import fill_ups
from roadlog.demo.road import invented_road
from roadlog.demo.schedule import (
    FIRST_DAY,
    Order,
    Run,
    control_run,
    draw_schedule,
    ordered_schedule,
    plan_days,
    plan_runs,
)
from roadlog.demo.trials import Trials, make_trials
from roadlog.demo.variants import Accessory, Gearbox, Meter, compressor_runs, day_shares
from roadlog.errors import InputError
from roadlog.study.durable import atomic_write


def make_study(
    folder: Path,
    *,
    seed: int = 20260302,
    effect_pct: float = 0.6,
    days: int = 20,
    runs_per_day: int = 2,
    positions: bool = True,
    randomised: bool = True,
    day_sd_pct: float = 1.0,
    claim_economy_pct: float = 12.0,
    start_date: dt.date = FIRST_DAY,
    drift_pct: float = 0.0,
    driver_slows_pct: float = 0.0,
    meter_bias_pct: float = 0.0,
    accessory: Accessory = "off",
    gearbox: Gearbox = "manual",
    meter: Meter = "air",
    style: Style = "rows",
    trials: bool = False,
    control: bool = False,
    order: Order = "drawn",
) -> None:
    """Write a synthetic study whose true effect is known.

    The true effect enters at one place: the fuel that the engine burns at each instant, and the
    air burned with it, are multiplied by 1 + `effect_pct`/100 on fitted days. Road, driver,
    weather, warm-up and every random number are the same whatever the effect, so at equal driving
    the ratio of fuel is that factor exactly. The same seed gives the same bytes.

    Parameters
    ----------
    folder : where to write; must not hold a study yet
    seed : of every random number; the default is the first day's date, chosen before any result
    effect_pct : true change of fuel use, fitted against baseline [%]
    days : working days
    runs_per_day : out and back in turn
    positions : whether the logs have latitude, longitude, altitude and GPS speed
    randomised : order within blocks of four days by chance; else strict turns, no blocks
    day_sd_pct : spread of fuel use from day to day at equal driving [%]
    claim_economy_pct : the seller's claim, more distance per fuel [%]
    start_date : first day (or the next Monday)
    drift_pct : change of fuel use from first to last day that has nothing to do with the add-on [%]
    driver_slows_pct : by how much the driver slows on the open road when the add-on is fitted [%]
    meter_bias_pct : by how much the add-on bends the air meter's reading, fuel unchanged [%];
        without an air meter, the reading of manifold pressure
    accessory : air conditioning `off`, or `loose`: its compressor runs for 0 to 60 % of the time,
        a share that chance draws for each day, and nobody notes it
    gearbox : `manual`, or `automatic` with a torque converter: standing in drive the engine works
        against the brakes, and it shifts later
    meter : what the controller takes air from and the logs hold: an `air` meter, or manifold
        `pressure` and intake temperature (speed-density)
    style : `rows` (one row a second), `sparse` (one row a reading) or `long` (time, signal, value)
    trials : whether files for the trials beside the road test are written too; all others but
        `study.toml`, `weather.csv`, `truth.json` and `README.txt`, which get more, stay the same
    control : whether a second car of the same kind, always without the add-on, drives behind the
        first on every run: logs in `logs/control`; all other logs stay the same
    order : `drawn` by chance (or strict turns), `once` (without, then with) or `there-and-back`
        (without, with, without again)

    Raises
    ------
    InputError
        If the folder holds a study already, there are too few days, or a choice isn't known.
    """
    parameters = {name: value for name, value in locals().items() if name != "folder"}
    for name, plain in (("trials", False), ("control", False), ("order", "drawn")):
        if parameters[name] == plain:
            del parameters[name]
    _check(folder, parameters)
    randomised = randomised and order == "drawn"
    schedule = (
        draw_schedule(days, seed, randomised=randomised)
        if order == "drawn"
        else ordered_schedule(days, order)
    )
    children = np.random.SeedSequence(seed).spawn(3 + days * runs_per_day)
    for_days, *for_runs, for_pump, for_accessory = children
    planned = plan_days(
        schedule, start_date, np.random.default_rng(for_days),
        day_sd_pct=day_sd_pct, drift_pct=drift_pct,
    )  # fmt: skip
    runs = [
        run
        for i, day in enumerate(planned)
        for run in plan_runs(
            day, runs_per_day, for_runs[i * runs_per_day : (i + 1) * runs_per_day], effect_pct
        )
    ]
    roads = [invented_road(run.direction) for run in runs]
    slows = [driver_slows_pct if run.day.arm == "fitted" else 0.0 for run in runs]
    drives = drive_all(roads, slows, [run.rng for run in runs])
    compressor = _compressor(drives, days, accessory, np.random.default_rng(for_accessory))
    truths = []
    for run, road, drive, on in zip(runs, roads, drives, compressor, strict=True):
        engine = car.run_engine(drive, road, run.conditions, gearbox=gearbox, compressor=on)
        bias = meter_bias_pct if run.day.arm == "fitted" else 0.0
        log = log_text(
            run, road, drive, engine, meter_pct=bias, meter=meter, gps=positions, style=style
        )
        _write(folder / "logs" / run.file, log)
        truths.append(truth_of(run, drive, engine))

    if control:
        _drive_control(folder, runs, seed, gps=positions, style=style)
    beside = make_trials(planned, seed, gps=positions) if trials else Trials()
    for name, content in beside.files.items():
        _write(folder / name, content)
    declared = study_toml(planned, seed, claim_economy_pct, randomised, control=control)
    _write(folder / "study.toml", declared + beside.toml)
    _write(folder / "notes.csv", notes_csv(planned, accessory))
    _write(folder / "weather.csv", weather_csv([*planned, *beside.days]))
    burned = [(r.day.date, t.km, t.fuel_l) for r, t in zip(runs, truths, strict=True)]
    filled = fill_ups(planned, burned, np.random.default_rng(for_pump))
    _write(folder / "fills.csv", fills_csv(filled))
    _write(folder / "truth.json", truth_json(truths, parameters, beside.truth))
    _write(folder / "README.txt", readme(folder.name, parameters, beside.readme))


def _drive_control(folder: Path, runs: list[Run], seed: int, *, gps: bool, style: Style) -> None:
    """Logs of the control car, behind the test car on every run."""
    rngs = [np.random.default_rng(s) for s in np.random.SeedSequence((seed, 2)).spawn(len(runs))]
    behind = [control_run(run, rng) for run, rng in zip(runs, rngs, strict=True)]
    roads = [invented_road(run.direction) for run in behind]
    drives = drive_all(roads, [0.0] * len(behind), rngs)
    for run, road, drive in zip(behind, roads, drives, strict=True):
        engine = car.run_engine(drive, road, run.conditions)
        log = log_text(run, road, drive, engine, meter_pct=0.0, meter="air", gps=gps, style=style)
        _write(folder / "logs" / "control" / run.file, log)


def _check(folder: Path, parameters: dict[str, object]) -> None:
    if (folder / "study.toml").exists() or any(folder.glob("logs/*")):
        raise InputError(f"{folder} holds a study already: name a new folder")
    kinds = (("accessory", Accessory), ("gearbox", Gearbox), ("meter", Meter), ("order", Order))
    for name, choices in kinds:
        if name in parameters and parameters[name] not in get_args(choices):
            known = " or ".join(map(repr, get_args(choices)))
            raise InputError(f"{name} is {known}, not {parameters[name]!r}")


def _compressor(
    drives: list[Drive], days: int, accessory: Accessory, rng: np.random.Generator
) -> list[NDArray[np.bool_] | None]:
    """When the compressor ran in each run; None where the air conditioning stays off."""
    if accessory == "off":
        return [None] * len(drives)
    shares = np.repeat(day_shares(days, rng), len(drives) // days)
    return [compressor_runs(d, float(p), rng) for d, p in zip(drives, shares, strict=True)]


def _write(path: Path, content: str | bytes) -> None:
    data = content.encode() if isinstance(content, str) else content
    atomic_write(path, lambda temporary: temporary.write_bytes(data))
