"""The scatter of fuel use from a pilot: logs of ordinary drives with the add-on out.

With a control car's drives on the same days, how far the two cars' days go together comes out too.

Baseline logs of four days or more go in; the scatter from day to day of fuel over expected fuel
comes out, and of the share that driving explains. The pilot's days are dealt to two make-believe
arms in turn and go through the very analysis of the test, so that scatter means the same thing in
both; the make-believe effect is thrown away.
"""

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pandas as pd

from roadlog.analysis.analyse import analyse
from roadlog.errors import DesignError, InputError
from roadlog.ingest import read_log
from roadlog.plan.promise import Scatter
from roadlog.plan.size import assumed_scatter
from roadlog.plan.together import Together, measured
from roadlog.quantities.arms import ARMS
from roadlog.runs.table import Sources
from roadlog.runs.taken import sha256_of
from roadlog.runs.vehicle_numbers import numbers_at_head, own_numbers
from roadlog.study.folder import LOG_SUFFIXES
from roadlog.study.settings import Study

LEAST_DAYS = 4
PILOT_FOLDER, CONTROL_PILOT_FOLDER = "logs/pilot", "logs/control_pilot"


def pilot_logs(
    folder: Path, given: Sequence[Path] = (), *, place: str = PILOT_FOLDER, option: str = "--pilot"
) -> list[Path]:
    """Log files of the pilot: those given, else what lies in the study's `place`, else none.

    Raises
    ------
    InputError
        If a given path doesn't exist or holds no log.
    """
    places = list(given) or [folder / place]
    files: list[Path] = []
    for path in places:
        if given and not path.exists():
            raise InputError(f"{option} {path} doesn't exist: name baseline logs or their folder")
        found = sorted(path.rglob("*")) if path.is_dir() else [path] * path.is_file()
        files += [f for f in found if f.suffix.lower() in LOG_SUFFIXES]
    if given and not files:
        raise InputError(f"{option}: no log file in {', '.join(map(str, given))}")
    return list(dict.fromkeys(files))


def scatter_for_plan(
    study: Study, logs: Sequence[Path], control: Sequence[Path], runs_per_unit: float
) -> tuple[Scatter, Together | None]:
    """The scatter from day to day, and of two cars together where a pilot of both is there.

    Without any pilot it is assumed, of units of `runs_per_unit` runs.

    Raises
    ------
    InputError
        If the control car's pilot stands alone, or the study has no such car.
    DesignError
        As `pilot_together`.
    """
    if control and study.control is None:
        raise InputError(
            "a pilot of a control car, and study.toml has no [control]: name the car there, or "
            "leave its logs out"
        )
    if control and not logs:
        raise InputError(
            "a pilot of the control car alone: put the test car's logs of the same days into "
            "logs/pilot, or name them with --pilot"
        )
    if control:
        return pilot_together(study, logs, control)
    if logs:
        return pilot_scatter(study, logs), None
    return assumed_scatter(study.plan.road, runs_per_unit), None


def pilot_scatter(study: Study, logs: Sequence[Path], notes: Path | None = None) -> Scatter:
    """Estimate the scatter from baseline logs.

    Raises
    ------
    DesignError
        If the pilot has fewer than four days, or its logs can't be analysed.
    InputError
        If a log has no date.
    """
    return _scatter_of(_pilot_days(study, logs, notes), len(logs))


def pilot_together(
    study: Study, logs: Sequence[Path], control: Sequence[Path]
) -> tuple[Scatter, Together]:
    """The test car's scatter, and how far both cars' days go together.

    Parameters
    ----------
    logs, control : sequence of Path
        Baseline logs of the test car, and of the control car on the same days.

    Raises
    ------
    DesignError
        If a car has fewer than four days, or they have fewer than four in common.
    InputError
        If a log has no date, or both cars' logs are of one drive or one vehicle.
    """
    shared = {sha256_of(p): p for p in logs}
    for path in control:
        if (same := shared.get(sha256_of(path))) is not None:
            raise InputError(
                f"{same} and {path} are the same log, and one log can't be of two cars: leave it "
                "with the car that drove it"
            )
    ours, theirs = ([numbers_at_head(p) for p in car] for car in (logs, control))
    if own_numbers(ours) and own_numbers(ours) == own_numbers(theirs):
        raise InputError(
            "the pilot's logs of both cars tell one vehicle identification number: one of the two "
            "folders holds the other car's logs"
        )
    test = _pilot_days(study, logs, None)
    try:
        other = _pilot_days(study.of_control_car(), control, None)
    except DesignError as e:
        raise DesignError(f"the control car: {e}") from e
    by_day = [u.set_index(u["switch_unit"].astype(str))["adjusted_pct"] for u in (test, other)]
    both = [d for d in by_day[0].index if d in by_day[1].index]
    together = measured(*(s.loc[both].tolist() for s in by_day))
    return _scatter_of(test, len(logs)), together


def _pilot_days(study: Study, logs: Sequence[Path], notes: Path | None) -> pd.DataFrame:
    """A row a day of one car (`EffectResult.unit_means`), with the mean temperature of the air."""
    days: dict[Path, str] = {}
    for path in logs:
        start = read_log(path, columns=study.columns, time=study.time).start
        if start is None:
            raise InputError(f"{path}: no date in this log: a pilot needs to know the days")
        days[path] = f"{start:%Y-%m-%d}"
    order = sorted(set(days.values()))
    if len(order) < LEAST_DAYS:
        raise DesignError(
            f"the pilot has {len(order)} day{'s' * (len(order) != 1)}, too few to tell how fuel "
            f"use varies from day to day: log {LEAST_DAYS} days or more with the add-on out"
        )
    arm_of = {day: ARMS[i % 2] for i, day in enumerate(order)}
    runs = tuple((p, str(arm_of[d])) for p, d in days.items())
    plain = study.model_copy(update={"schedule": None, "claim": None, "control": None})
    done = analyse(plain, Sources(runs=runs, notes=notes), switched_by="day", randomised=False)
    units = done.effect.unit_means
    n = len(units)
    if n < LEAST_DAYS:
        raise DesignError(
            f"only {n} of the pilot's {len(order)} days hold drives that can be compared, too few "
            f"to tell how fuel use varies from day to day: log {LEAST_DAYS} days or more on one "
            "route"
        )
    used = done.passes[done.passes["used"].astype(bool)]
    air = used.groupby("switch_unit")["ambient_c"].mean().reindex(units["switch_unit"])
    return units.assign(air_c=air.to_numpy(dtype=float))


def _scatter_of(days: pd.DataFrame, drives: int) -> Scatter:
    return unit_scatter(days, f"pilot of {drives} drives on {len(days)} days")


def unit_scatter(units: pd.DataFrame, source: str) -> Scatter:
    """Scatter of a pilot's days about their straight line.

    Parameters
    ----------
    units : DataFrame
        `EffectResult.unit_means`, three days or more in order of time, with `air_c`, the mean
        temperature of the air [°C] (NaN unknown).
    source : str
    """
    floor = units["pass_sd_pct"].to_numpy(dtype=float) / 100
    return Scatter(
        unit_sd=_about_line(units["adjusted_pct"]) / 100,
        source=source,
        df=float(len(units) - 2),
        driving_sd=_about_line(units["driving_pct"]) / 100,
        pass_sd=float(np.sqrt((floor**2).mean())) if np.isfinite(floor).all() else 0.0,
        air_sd_k=_about_line(units["air_c"]),
    )


def _about_line(by_day: "pd.Series[float]") -> float:
    """Standard deviation about a straight line over time (n - 2 df); NaN if a value lacks."""
    y = by_day.to_numpy(dtype=float)
    if not np.isfinite(y).all():
        return float("nan")
    x = np.column_stack([np.ones(len(y)), np.arange(len(y))])
    rest = y - x @ np.linalg.lstsq(x, y, rcond=None)[0]
    return float(np.sqrt(rest @ rest / (len(y) - 2)))
