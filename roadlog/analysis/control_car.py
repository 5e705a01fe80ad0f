"""The control car: its logs read, its fuel metered by itself, its passes on the test car's road.

The study, its sources and what the stages made of the test car go in; the control car's runs and
passes come out. Its runs are of no arm: inside the stages they stand as baseline, which the car
always is.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
import pandas as pd

from roadlog import closure, road
from roadlog.analysis.compared import fuel_physics_of
from roadlog.analysis.earlier import Earlier
from roadlog.analysis.metering import Metered, judged, metered_by, sampled, yardstick
from roadlog.analysis.placed import Placed, placed_runs
from roadlog.effect.fixed_offset import FuelPhysics
from roadlog.errors import DesignError, InputError
from roadlog.ingest.log import read_units
from roadlog.ingest.twice import logged_twice, same_readings
from roadlog.passes.table import build_passes
from roadlog.quantities.arms import ARMS
from roadlog.quantities.facts import Warned
from roadlog.runs.deviations import find_deviations
from roadlog.runs.notes import read_notes
from roadlog.runs.routes import routes_of
from roadlog.runs.table import Sources, build_runs, read_logs
from roadlog.study.settings import Study
from roadlog.wording.progress import bar


@dataclass(frozen=True)
class ControlCar:
    """The control car's runs (`tables.RUNS`), their samples and its passes (`tables.PASSES`).

    `estimator` is what tells its fuel, `physics` what its driving takes; `whole_runs` is True where
    a pass is a run.
    """

    study: Study
    runs: pd.DataFrame
    samples: tuple[pd.DataFrame, ...]
    passes: pd.DataFrame
    physics: FuelPhysics
    estimator: str
    whole_runs: bool
    warnings: tuple[Warned, ...]


def control_sources(study: Study, sources: Sources) -> Sources:
    """The control car's logs as sources of their own."""
    control = study.control
    assert control is not None
    notes = None if sources.root is None else sources.root / control.notes
    return Sources(
        runs=tuple((p, "baseline") for p in sources.control),
        tracks=sources.tracks,
        notes=notes if notes is not None and notes.is_file() else None,
        root=sources.root,
    )


def read_control_car(
    study: Study,
    sources: Sources,
    test_runs: pd.DataFrame,
    test_samples: Sequence[pd.DataFrame],
    placed: Placed,
    progress: bool,
    earlier: Earlier,
) -> ControlCar:
    """Take the control car's logs through the stages.

    Parameters
    ----------
    test_runs, test_samples
        The test car's runs and their samples: a drive can't be of both cars.

    Raises
    ------
    InputError
        If a log can't be read, has no date, or holds a drive of the test car.
    DesignError
        If no run of it can be used.
    """
    own, logs_of = study.of_control_car(), control_sources(study, sources)
    if not logs_of.runs:
        raise DesignError("no log of the control car is there yet (logs of [control])")
    logs = read_logs(own, logs_of, partial(bar, what="control car", shown=progress), earlier.log)
    runs = build_runs(own, logs_of, logs, "day")
    logs = [logs[i] for i in runs["log"]]
    samples, repairs = sampled(logs, progress, earlier)
    _refuse_shared(runs, samples, test_runs, test_samples)
    days = tuple(runs["day"].astype(str))
    notes = None if logs_of.notes is None else read_notes(logs_of.notes, study.time.day_first, days)
    deviations = find_deviations(runs, notes, study.analysis.exclude_if)
    aside = {**logged_twice(runs, samples).set_aside, **deviations.set_aside}
    runs = judged(runs, samples, aside, both_arms=False)
    if not runs["used"].any():
        raise DesignError(
            f"no run of the control car can be used: {runs['file'].iloc[0]}: "
            f"{runs['reason'].iloc[0]}"
        )
    units = [read_units(log) for log in logs]
    nothing = closure.Ledger()
    gauge, runs = yardstick(own, runs, samples, units, nothing, both_arms=False)
    metered = metered_by(gauge, own, runs, samples, nothing, notes, progress)
    network = _network(own, metered, placed, notes)
    tracks = placed_runs(own, metered, network, placed.weather, progress)
    passes = build_passes(tracks, metered.runs, network, own, notes)
    return ControlCar(
        study=own,
        runs=metered.runs.drop(columns="log"),
        samples=tuple(samples),
        passes=passes,
        physics=fuel_physics_of(own, metered),
        estimator=gauge.estimator,
        whole_runs=network.kind == "run",
        warnings=(*(replace(w, message=f"control car: {w.message}") for w in repairs),),
    )


def _refuse_shared(
    runs: pd.DataFrame,
    samples: Sequence[pd.DataFrame],
    test_runs: pd.DataFrame,
    test_samples: Sequence[pd.DataFrame],
) -> None:
    n = len(test_samples)
    for a, b in same_readings([*test_samples, *samples]):
        if a < n <= b:
            raise InputError(
                f"{test_runs['file'].iloc[a]} (test car) and {runs['file'].iloc[b - n]} (control "
                "car) hold the same drive, and one log can't be of two cars: leave it with the car "
                "that drove it"
            )


def _network(
    own: Study, metered: Metered, placed: Placed, notes: pd.DataFrame | None
) -> road.Network:
    """The test car's segments; pieces by distance are the control car's own."""
    if placed.network.kind != "distance":
        return placed.network
    days = pd.factorize(metered.runs["day"])[0]
    arms = {int(r): str(ARMS[d % 2]) for r, d in zip(metered.runs["run"], days, strict=True)}
    arms = {r: arms[r] for r in metered.usable}
    return road.find_pieces(
        metered.usable,
        arms,
        routes_of(own.road, metered.runs, notes),
        segment_length_km=own.analysis.segment_length_km,
        min_runs_per_arm=own.analysis.min_runs_per_arm,
    )


def placed_share(car: ControlCar) -> float:
    """Share of the control car's distance that lies on the test car's segments."""
    used = car.runs[car.runs["used"].astype(bool)]
    km = float(used["km"].sum())
    mine = car.passes[car.passes["used"].astype(bool)]
    return float(mine["distance_km"].sum()) / km if km > 0 else float(np.nan)
