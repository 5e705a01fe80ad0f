"""The public `study.toml`: a study's settings without places, patterns, columns and comments.

A `Study` goes in; the settings that analyse the trimmed logs come out, and their TOML, written
from the model. The user's own words (name, device, labels, batches) stay.
"""

import datetime as dt
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pandas as pd

from roadlog.publish.clock import PublicClock
from roadlog.quantities.arms import ARMS
from roadlog.study.car import Control, Vehicle
from roadlog.study.settings import (
    Logs,
    Plan,
    Privacy,
    RoadRule,
    Schedule,
    StandingStart,
    Study,
    TimeRule,
    WeatherRule,
    parse_study,
)


def public_study(
    study: Study,
    names: Mapping[str, str],
    clock: PublicClock,
    *,
    routes: Mapping[str, str],
    gates: bool,
    station_m: float | None,
) -> Study:
    """The settings that belong to the trimmed logs.

    Parameters
    ----------
    names : mapping of str to str
        Published path of each published log, by its shown name and by its bare one.
    routes : mapping of str to str
        Route of each published path, where the study names routes by patterns.
    gates : bool
        Whether gates are published.
    station_m : float, optional [m]
        Height of the weather's station as published.
    """
    paths = {p for p in names.values() if p.startswith("logs/")}
    patterns = {a: (f"logs/{a}/*.csv",) for a in ARMS if any(f"/{a}/" in p for p in paths)}
    by_name = study.road.same_route
    if isinstance(by_name, dict):
        of = {r: tuple(p for p in sorted(paths) if routes.get(p) == r) for r in by_name}
        by_name = {r: p for r, p in of.items() if p} or False
    return study.model_copy(
        update={
            "vehicle": _vehicle(study.vehicle),
            "control": _control(study.control),
            "schedule": _schedule(study.schedule, names, clock),
            "plan": _plan(study.plan, clock),
            "logs": Logs(**patterns),
            "columns": {},
            "time": TimeRule(),
            "road": RoadRule(gates="gates.geojson" if gates else None, same_route=by_name),
            "weather": WeatherRule(
                station_elevation_m=station_m,
                wind_height_m=study.weather.wind_height_m,
                shelter=study.weather.shelter,
            ),
            "privacy": Privacy(),
            "fills": (),
            "cans": (),
            "standing_start": study.standing_start.model_copy(
                update={k: StandingStart.model_fields[k].default
                        for k in ("baseline", "fitted", "any", "starts_file")}
            ),
            "runout": study.runout.model_copy(update={"file": "runout.csv"}),
        }
    )  # fmt: skip


def _control(control: Control | None) -> Control | None:
    """The control car under the names that its published files have."""
    if control is None:
        return None
    usual = {k: Control.model_fields[k].default for k in ("logs", "notes")}
    own = None if control.vehicle is None else _vehicle(control.vehicle)
    return control.model_copy(update={**usual, "vehicle": own})


def _vehicle(vehicle: Vehicle) -> Vehicle:
    """The vehicle with the road load that its coast-down gave; that log isn't published."""
    return vehicle.model_copy(update={"coastdown": None})


def _schedule(
    schedule: Schedule | None, names: Mapping[str, str], clock: PublicClock
) -> Schedule | None:
    if schedule is None:
        return None
    units = []
    for u in schedule.unit:
        name: dt.date | str
        if isinstance(u.unit, dt.date):
            name = _day(u.unit, clock)
        else:
            name = names.get(u.unit) or names.get(u.unit.split("/")[-1]) or clock.name(u.unit)
        also = tuple(_day(d, clock) for d in u.also)
        units.append(u.model_copy(update={"unit": name, "also": also}))
    return schedule.model_copy(update={"unit": tuple(units)})


def _plan(plan: Plan, clock: PublicClock) -> Plan:
    days: dict[str, Any] = {
        "start": None if plan.start is None else _day(plan.start, clock),
        "closed": tuple(_day(d, clock) for d in plan.closed),
        "no_switch": tuple(_day(d, clock) if isinstance(d, dt.date) else d for d in plan.no_switch),
    }
    return plan.model_copy(update=days)


def _day(day: dt.date, clock: PublicClock) -> dt.date:
    return clock.date(pd.Timestamp(day)).date()


def study_toml(study: Study) -> str:
    """A study as TOML that reads back to the same study."""
    import tomlkit

    plain = _tables(study.model_dump(mode="python", exclude_defaults=True, by_alias=True))
    text = tomlkit.dumps(plain)
    assert parse_study(text) == study
    return text


def _tables(value: Any) -> Any:
    """Values as TOML has them: no None, lists for tuples, plain values before tables."""
    if isinstance(value, Mapping):
        known = {str(k): _tables(v) for k, v in value.items() if v is not None}
        return dict(sorted(known.items(), key=lambda kv: isinstance(kv[1], dict)))
    if isinstance(value, list | tuple | set | frozenset):
        return [_tables(v) for v in value if v is not None]
    if isinstance(value, Path):
        return value.as_posix()
    return value
