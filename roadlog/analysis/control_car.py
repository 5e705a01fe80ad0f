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
from roadlog.analysis.earlier import NOTHING_EARLIER, Earlier
from roadlog.analysis.metering import Metered, judged, metered_by, sampled, yardstick
from roadlog.analysis.placed import Placed, placed_runs
from roadlog.effect.fixed_offset import FuelPhysics
from roadlog.errors import DesignError, InputError
from roadlog.ingest.facts import Repair
from roadlog.ingest.log import Log, read_units
from roadlog.ingest.positions.join import ground_speed_kmh
from roadlog.ingest.twice import logged_twice, same_readings
from roadlog.passes.table import build_passes
from roadlog.quantities.arms import ARMS
from roadlog.quantities.facts import Fact, Warned
from roadlog.quantities.signals import POSITION, signal
from roadlog.runs.deviations import find_deviations
from roadlog.runs.notes import read_notes
from roadlog.runs.routes import routes_of
from roadlog.runs.table import CONTROL_RUN_LIST, Sources, build_runs, read_logs
from roadlog.study.settings import Study
from roadlog.wording.progress import bar

SAME_ENGINE = ("speed_kmh", "rpm", "maf_g_s", "map_kpa", "engine_load_pct")
LEAST_ALIKE, ONE_DRIVE = 2, 0.97  # signals, and their correlation within the same second
OWN_TRACK = 0.7  # correlation of the speeds by positions and by wheels
LEAST_COMMON_S, MOST_LATER_S = 120, 7200.0


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
    root = sources.root
    notes, listed = (
        None if root is None or not (root / name).is_file() else root / name
        for name in (control.notes, CONTROL_RUN_LIST)
    )
    return Sources(
        runs=tuple((p, "baseline") for p in sources.control),
        tracks=sources.tracks,
        notes=notes,
        root=root,
        listed=listed,
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
    own = study.of_control_car()
    other = test_runs, test_samples
    fuel = metered_control(own, control_sources(study, sources), other, progress, earlier)
    metered, notes = fuel.metered, fuel.notes
    network = _network(own, metered, placed, notes)
    tracks = placed_runs(own, metered, network, placed.weather, progress)
    if not any((t["segment"].astype(str) != "").any() for t in tracks.values()):
        raise DesignError("none of its drives lies on the road that the test car is compared on")
    passes = build_passes(tracks, metered.runs, network, own, notes)
    return ControlCar(
        study=own,
        runs=metered.runs.drop(columns="log"),
        samples=fuel.samples,
        passes=passes,
        physics=fuel_physics_of(own, metered),
        estimator=metered.estimator,
        whole_runs=network.kind == "run",
        warnings=fuel.warnings,
    )


@dataclass(frozen=True)
class ControlFuel:
    """The control car's runs with their fuel, their samples and notes, and what is told of them."""

    metered: Metered
    samples: tuple[pd.DataFrame, ...]
    notes: pd.DataFrame | None
    warnings: tuple[Warned, ...]


def metered_control(
    own: Study,
    logs_of: Sources,
    test: tuple[pd.DataFrame, Sequence[pd.DataFrame]] | None = None,
    progress: bool = False,
    earlier: Earlier = NOTHING_EARLIER,
) -> ControlFuel:
    """Read the control car's logs and meter its fuel by itself; parameters as `read_control_car`.

    Parameters
    ----------
    own : Study
        `Study.of_control_car`.
    logs_of : Sources
        `control_sources`.
    test : tuple, optional
        The test car's runs and their samples, where it isn't known yet that no drive is of both.

    Raises
    ------
    InputError, DesignError
        As `read_control_car`.
    """
    if not logs_of.runs:
        raise DesignError("no log of the control car is there (logs of [control])")
    shown = partial(bar, what="control car", shown=progress)
    logs = read_logs(own, logs_of, shown, earlier.log, earlier.logs)
    logs, foreign = with_own_positions(logs)
    runs = build_runs(own, logs_of, logs, "day")
    logs = [logs[i] for i in runs["log"]]
    samples, repairs = sampled(logs, progress, earlier)
    if test is not None:
        _refuse_shared(runs, samples, *test)
    days = tuple(runs["day"].astype(str))
    notes = None if logs_of.notes is None else read_notes(logs_of.notes, own.time.day_first, days)
    deviations = find_deviations(runs, notes, own.analysis.exclude_if)
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
    told = (replace(w, message=f"control car: {w.message}") for w in repairs)
    return ControlFuel(metered, tuple(samples), notes, (*told, *foreign))


def with_own_positions(logs: Sequence[Log]) -> tuple[list[Log], list[Warned]]:
    """The logs without positions of a track that another car drove at that time.

    Tracks are joined by the clock, and the study's may be of the test car, which drives a few
    minutes ahead: then the speed along the track isn't the log's.
    """
    out, foreign = [], []
    for log in logs:
        joined = any(isinstance(f, Fact) and f.code is Repair.JOINED for f in log.facts)
        if joined and _another_s_track(log.frame):
            log = replace(log, frame=log.frame.drop(columns=list(POSITION), errors="ignore"))
            foreign.append(log.path.name)
        out.append(log)
    if not foreign:
        return out, []
    more = f" and {len(foreign) - 1} more" if len(foreign) > 1 else ""
    said = (
        f"control car: the position track of that time isn't of {foreign[0]}{more}, by the speed: "
        "it is the other car's, and was left out"
    )
    return out, [Warned("control-fit", said)]


def _another_s_track(frame: pd.DataFrame) -> bool:
    """Whether the speed along the positions doesn't go with the wheels'."""
    along, wheels = ground_speed_kmh(frame), signal(frame, "speed_kmh")
    known = np.isfinite(along) & np.isfinite(wheels)
    if known.sum() < LEAST_COMMON_S or not (np.ptp(along[known]) and np.ptp(wheels[known])):
        return False
    return float(np.corrcoef(along[known], wheels[known])[0, 1]) < OWN_TRACK


def _refuse_shared(
    runs: pd.DataFrame,
    samples: Sequence[pd.DataFrame],
    test_runs: pd.DataFrame,
    test_samples: Sequence[pd.DataFrame],
) -> None:
    n = len(test_samples)
    found = [(a, b - n) for a, b in same_readings([*test_samples, *samples]) if a < n <= b]
    starts = [runs["start"], test_runs["start"]]
    for b, (start, own) in enumerate(zip(starts[0], samples, strict=True)):
        for a, (other, theirs) in enumerate(zip(starts[1], test_samples, strict=True)):
            if one_drive(theirs, own, (start - other) / pd.Timedelta(seconds=1)):
                found.append((a, b))
    for a, b in found[:1]:
        raise InputError(
            f"{test_runs['file'].iloc[a]} (test car) and {runs['file'].iloc[b]} (control "
            "car) hold the same drive, and one log can't be of two cars: leave it with the car "
            "that drove it"
        )


def one_drive(a: pd.DataFrame, b: pd.DataFrame, later_s: float) -> bool:
    """Whether two logs of one time hold one drive: engine and road speed move as one.

    Two cars one behind the other have much the same speed some seconds apart; their engines don't
    turn alike within the same second.

    Parameters
    ----------
    a, b : DataFrame
        `tables.SAMPLES`.
    later_s : float
        By how much `b` starts after `a` [s]; NaN unknown.
    """
    if not abs(later_s) < MOST_LATER_S:
        return False
    t, other = a["t_s"].to_numpy(dtype=float), b["t_s"].to_numpy(dtype=float) + later_s
    inside = (t >= other[0]) & (t <= other[-1])
    if inside.sum() < LEAST_COMMON_S:
        return False
    alike = []
    for name in SAME_ENGINE:
        if name not in a or name not in b:
            continue
        ours = a[name].to_numpy(dtype=float)[inside]
        theirs = np.interp(t[inside], other, b[name].to_numpy(dtype=float))
        known = np.isfinite(ours) & np.isfinite(theirs)
        if known.sum() < LEAST_COMMON_S or not (np.ptp(ours[known]) and np.ptp(theirs[known])):
            continue
        alike.append(float(np.corrcoef(ours[known], theirs[known])[0, 1]))
    return len(alike) >= LEAST_ALIKE and min(alike) >= ONE_DRIVE


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
