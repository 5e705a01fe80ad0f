"""One car's logs as they may be shown, with their notes and the list of what they can't tell more.

Logs, the rows of them that may be shown and the public clock go in; canonical columns under neutral
names come out. What the cut took and the analysis needs (how a drive began) is carried over in
`run_list`.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd

from roadlog.analysis.which_car import one_vehicle
from roadlog.ingest import Log
from roadlog.passes.conditions import INTAKE_BEFORE_START
from roadlog.publish.clock import PublicClock
from roadlog.publish.cut import Mask, on_own_clock
from roadlog.publish.shown import Shown
from roadlog.publish.tables import public_notes
from roadlog.quantities.signals import SIGNALS
from roadlog.runs.notes import read_notes
from roadlog.runs.order import since_switch
from roadlog.runs.table import BY_NAME
from roadlog.runs.vehicle_numbers import numbers_of, strays
from roadlog.study.durable import atomic_write
from roadlog.study.settings import Study

# Signals that would lead back to a run's start, or that count over all runs; and those for nobody.
UNTOLD = frozenset(
    {"odometer_km", "since_cleared_min", "fuel_level_pct", "oil_temp_c", "catalyst_temp_c",
     "geoid_height_m", "hdop", "gps_accuracy_m", "engine_runtime_s"}
)  # fmt: skip
COOLANT_FLOOR_C = 49.0  # stands for all below 50 °C: how far it has warmed tells for how long
ALTITUDE_HEADINGS = {  # what it is above is told where the whole log tells it
    "sea level": "altitude above mean sea level [m]",
    "ellipsoid": "altitude above ellipsoid [m]",
    "unknown": "altitude [m]",
}
DEGREES = 5  # decimals of a position: about a metre
BEFORE_STEP_KM = 5.0


@dataclass(frozen=True)
class PublicCar:
    """One car's drives of which something is published, in order of driving.

    `names` are published names by file and by bare name, `starts` public times by file (of logs
    with a date), `ages_s` the time since the engine's start at the first shown row by file.
    """

    there: tuple[Shown, ...]
    names: Mapping[str, str]
    starts: Mapping[str, pd.Timestamp]
    ages_s: Mapping[str, float]


def neutral_names(shown: Sequence[Shown]) -> dict[str, str]:
    """Published names of the drives of which something is shown, by file and by bare name."""
    names = {
        s.file: f"logs/{s.arm}/run-{n:03d}.csv" for n, s in enumerate(shown, 1) if s.rows.any()
    }
    return names | {k.split("/")[-1]: v for k, v in names.items()}


def write_logs(car: PublicCar, into: Path) -> None:
    """Write a car's logs into the trimmed study."""
    for s in car.there:
        frame = public_log(s.log, s.rows, car.starts.get(s.file), car.ages_s[s.file])
        put(into / car.names[s.file], csv_text(frame))


def write_notes(
    notes: Path | None, study: Study, runs: pd.DataFrame, car: PublicCar, clock: PublicClock,
    to: Path,
) -> pd.DataFrame | None:  # fmt: skip
    """Write what may be shown of a car's notes; the notes themselves come back.

    Parameters
    ----------
    runs : DataFrame
        The car's run table, for its days.
    """
    if notes is None:
        return None
    table = read_notes(notes, study.time.day_first, tuple(runs["day"].astype(str)))
    bare = {k: v.split("/")[-1] for k, v in car.names.items()}
    bare |= {str(s.run): str(n) for n, s in enumerate(car.there)}
    public = public_notes(table, study, bare, clock)
    if len(public):
        put(to, csv_text(public))
    return table


def public_log(log: Log, rows: Mask, start: pd.Timestamp | None, age_s: float) -> pd.DataFrame:
    """The shown rows in canonical signals, with a clock that begins at `start`.

    `engine_runtime_s` goes on from `age_s` at the first of them; the road's hidden stretches count
    `HOLE_S` there too.
    """
    frame = on_own_clock(log.frame, rows)
    t_s = frame["t_s"].to_numpy(np.float64)
    out: dict[str, object] = {}
    if start is None:
        out["time_s"] = np.round(t_s, 3)
    else:
        at = start + pd.to_timedelta(np.round(t_s, 3), unit="s")
        out["time"] = at.strftime("%Y-%m-%dT%H:%M:%S.%f").str[:-3]
    for name in frame.columns:
        if name not in SIGNALS or name in UNTOLD or frame[name].isna().all():
            continue
        value = frame[name].to_numpy(np.float64)
        if name == "altitude_m":
            out[ALTITUDE_HEADINGS[log.altitude_datum or "unknown"]] = value.round(2)
        elif name in ("lat_deg", "lon_deg"):
            out[name] = [f"{v:.{DEGREES}f}" if np.isfinite(v) else "" for v in value]
        elif name == "coolant_temp_c":
            out[name] = np.where(value < COOLANT_FLOOR_C + 1, COOLANT_FLOOR_C, value)
        else:
            out[name] = [f"{v:.7g}" if np.isfinite(v) else "" for v in value]
    out["engine_runtime_s"] = np.round(age_s + t_s, 0)
    return pd.DataFrame(out)


def csv_text(frame: pd.DataFrame) -> str:
    """A frame as comma-separated text."""
    return frame.to_csv(index=False, lineterminator="\n")


def told_vehicles(test: pd.DataFrame, control: pd.DataFrame) -> dict[str, str]:
    """Which vehicle each log says it is of, by its file and by no number of a vehicle; empty where
    the logs name no vehicle twice over or two within one car, so that nothing hangs on it.

    Parameters
    ----------
    test, control : DataFrame
        `tables.RUNS`; `control` may be empty.
    """
    cars = [t for t in (test, control) if len(t)]
    odd = any(strays(numbers_of(t)) for t in cars)
    if not odd and not (len(cars) == 2 and one_vehicle(test, control)):
        return {}
    of = {str(f): n for t in cars for f, n in zip(t["file"], numbers_of(t), strict=True)}
    known = sorted({" ".join(sorted(n)) for n in of.values() if n})
    return {f: f"vehicle {known.index(' '.join(sorted(n))) + 1}" for f, n in of.items() if n}


def run_list(
    runs: pd.DataFrame,
    passes: pd.DataFrame,
    car: PublicCar,
    public: PublicClock,
    *,
    washout: bool,
    vehicles: Mapping[str, str],
) -> pd.DataFrame:
    """The list of one car's runs: what the trimmed logs can't tell any more, carried over.

    Parameters
    ----------
    runs, passes : DataFrame
        The car's own, of its whole logs (`tables.RUNS`, `tables.PASSES`); `passes` may be empty.
    washout : bool
        Whether the distance since the switch counts.
    vehicles : mapping of str to str
        By file, which vehicle each log tells, where that matters (`told_vehicles`).
    """
    first_of = passes.groupby("run").first() if len(passes) else passes
    told_by, whole = runs.attrs.get("told_by"), runs
    runs = runs.set_index("run")
    undated = any(s.log.start is None for s in car.there)
    rows = []
    for n, s in enumerate(car.there, 1):
        row: dict[str, object] = {"file": car.names[s.file]}
        if undated and told_by != BY_NAME:
            row["order"] = n
        day = pd.to_datetime(str(runs["day"].get(s.run, "")), format="%Y-%m-%d", errors="coerce")
        if s.log.start is None and not pd.isna(day):
            row["date"] = f"{public.date(day):%Y-%m-%d}"
        row["block"] = str(runs["block"].get(s.run, ""))
        row["vehicle"] = vehicles.get(s.file, "")
        if s.run in first_of.index:
            first = first_of.loc[s.run]
            row["coolant at start [degC]"] = _rounded(first["coolant_start_c"])
            if first.get("ambient_source") == INTAKE_BEFORE_START:
                row["ambient at start [degC]"] = _rounded(first["ambient_c"])
        if washout:
            row["driven before [km]"] = _driven_before(whole, s)
        rows.append(row)
    table = pd.DataFrame(rows)
    return table[[c for c in table if (table[c].notna() & (table[c] != "")).any()]]


def _driven_before(runs: pd.DataFrame, s: Shown) -> float:
    """Distance in the switch unit before the first shown sample, to the nearest 5 km."""
    mine = runs[runs["run"] == s.run].iloc[0]
    of = since_switch(runs)
    own = of[runs["run"] == s.run].iloc[0]
    earlier = runs[(of == own) & (runs["run"] < s.run)]
    hidden = float(mine["km"]) * float(np.flatnonzero(s.rows)[0]) / len(s.rows)
    return BEFORE_STEP_KM * round((float(earlier["km"].sum()) + hidden) / BEFORE_STEP_KM)


def _rounded(value: object) -> object:
    number = float(value)  # type: ignore[arg-type]
    return round(number, 1) if np.isfinite(number) else ""


def put(path: Path, text: str) -> None:
    """Write a text, whole or not at all."""
    atomic_write(path, partial(Path.write_text, data=text, encoding="utf-8"))
