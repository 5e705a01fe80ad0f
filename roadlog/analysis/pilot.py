"""The scatter of fuel use from a pilot: logs of ordinary drives with the add-on out.

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
from roadlog.quantities.arms import ARMS
from roadlog.runs.table import Sources
from roadlog.study.folder import LOG_SUFFIXES
from roadlog.study.settings import Study

LEAST_DAYS = 4
PILOT_FOLDER = "logs/pilot"


def pilot_logs(folder: Path, given: Sequence[Path] = ()) -> list[Path]:
    """Log files of the pilot: those given, else what lies in `logs/pilot`, else none.

    Raises
    ------
    InputError
        If a given path doesn't exist or holds no log.
    """
    places = list(given) or [folder / PILOT_FOLDER]
    files: list[Path] = []
    for place in places:
        if given and not place.exists():
            raise InputError(f"--pilot {place} doesn't exist: name baseline logs or their folder")
        found = sorted(place.rglob("*")) if place.is_dir() else [place] * place.is_file()
        files += [f for f in found if f.suffix.lower() in LOG_SUFFIXES]
    if given and not files:
        raise InputError(f"--pilot: no log file in {', '.join(map(str, given))}")
    return list(dict.fromkeys(files))


def pilot_scatter(study: Study, logs: Sequence[Path], notes: Path | None = None) -> Scatter:
    """Estimate the scatter from baseline logs.

    Raises
    ------
    DesignError
        If the pilot has fewer than four days, or its logs can't be analysed.
    InputError
        If a log has no date.
    """
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
    return unit_scatter(
        units.assign(air_c=air.to_numpy(dtype=float)),
        f"pilot of {len(logs)} drives on {n} days",
    )


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
