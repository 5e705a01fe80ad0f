"""Standing starts compared between the arms: seconds, percent and power, with their interval.

In go the starts of every log (`roadlog.trials.starts`) with arm, switch unit and block; out comes
the change of the time from 10 km/h to the target, corrected for wind, grade and air, directions
paired. Implements the standing start of method section 7.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd

from roadlog.errors import DesignError, InputError
from roadlog.ingest import Log
from roadlog.physics.air import WIND_AT_CAR
from roadlog.quantities.arms import ARMS
from roadlog.stats.compare import Comparison, compare_arms, repeats_needed
from roadlog.stats.interval import FindingWord, rule_either_way
from roadlog.study.car import Vehicle
from roadlog.trials.course import J1349_DRY_KPA, J1349_TEMP_C, air_at_starts, corrected
from roadlog.trials.declared import UNDECLARED, Declared
from roadlog.trials.result import TrialResult
from roadlog.trials.starts import (
    FROM_KMH,
    NOTHING_DECLARED,
    SetAside,
    choose_speed,
    directions,
    find_starts,
    pull_from_kmh,
    wide_open,
)
from roadlog.wording.screen import interval_words

CAUTIONS = (
    "Full-throttle starts belong on a closed course with its operator's leave and a helmeted, "
    "belted driver alone in the car; never on a public road.",
    "Nobody reads or touches a logger while the car moves: start it before, read it after.",
    "Check tyres, brakes and that the add-on is fast before each session; let brakes and "
    "gearbox cool between starts.",
)

ClaimKind = Literal["time_pct", "time_s", "power_pct"]


@dataclass(frozen=True)
class StandingStarts:
    """All starts of a study: `table` a row a start, `aside` what wasn't counted, `speed` used."""

    table: pd.DataFrame
    aside: tuple[tuple[str, SetAside], ...]
    speed: str
    target_kmh: float
    corrected: bool
    notes: tuple[str, ...]


@dataclass(frozen=True)
class Changes:
    """Differences of logarithms, fitted less baseline.

    `time` from 10 km/h to the target in standard air, `rest` from rest, `uncorrected`, `power`
    while the engine pulls; `baseline_time_s` geometric mean of the baseline's standard times [s].
    """

    time: Comparison
    rest: Comparison
    uncorrected: Comparison
    power: Comparison
    baseline_time_s: float


def gather_starts(
    logs: Sequence[Log],
    runs: pd.DataFrame,
    vehicle: Vehicle,
    *,
    target_kmh: float,
    grade_out: float = 0.0,
    weather: pd.DataFrame | None = None,
    wind_at_car: float = WIND_AT_CAR,
    alternating: bool = False,
    declared: Declared = NOTHING_DECLARED,
) -> StandingStarts:
    """Find, time and correct the starts of all logs.

    Parameters
    ----------
    logs : sequence of Log
    runs : DataFrame
        As `roadlog.runs.table.build_runs` makes it: `log` (position in `logs`), `file`, `arm`,
        `switch_unit`, `block`.
    vehicle : Vehicle
    target_kmh : float [km/h]
    grade_out : float
        Rise over run of the course in the direction of the first start, if it was measured.
    weather : DataFrame, optional
        See `conditions.add_conditions`.
    wind_at_car : float
        Share of the station's wind that the drag takes, see `roadlog.physics.air.wind_share`.
    alternating : bool
        Without positions: every second start of a log was driven the other way.
    declared : Declared
        See `starts.find_starts`.

    Raises
    ------
    DesignError
        If an arm has no start.

    >>> from pathlib import Path
    >>> t = np.arange(0.0, 60.0, 0.2)
    >>> speed = np.clip(36 * np.sqrt(np.clip(t - 10, 0, None)), 0, 110)
    >>> pedal = np.where(t > 9.8, 95.0, 12.0)
    >>> drive = pd.DataFrame({"t_s": t, "speed_kmh": speed, "throttle_pct": pedal})
    >>> logs = [Log(Path(f"{i}.csv"), drive, None) for i in range(6)]
    >>> runs = pd.DataFrame({"log": range(6), "arm": ["baseline", "fitted"] * 3, "block": ""})
    >>> runs = runs.assign(file=list("abcdef"), switch_unit=list("abcdef"))
    >>> starts = gather_starts(logs, runs, Vehicle(), target_kmh=100.0)
    >>> starts.table["time_s"].round(2).tolist()
    [7.59, 7.59, 7.59, 7.59, 7.59, 7.59]
    """
    speed, openings = choose_speed(logs), wide_open(logs)
    rows: list[dict[str, object]] = []
    aside: list[tuple[str, SetAside]] = []
    for run in runs.to_dict("records"):
        log = logs[int(run["log"])]
        found, dropped = find_starts(log, speed, target_kmh, openings, declared)
        aside += [(str(run["file"]), d) for d in dropped]
        for k, start in enumerate(found):
            rows.append(
                {
                    **{c: run[c] for c in ("log", "file", "arm", "switch_unit", "block")},
                    "start": start,
                    "in_log": k,
                }
            )
    _require_starts(rows, aside, runs, target_kmh)
    table = pd.DataFrame(rows)
    headings = np.array([s.heading_deg for s in table["start"]])
    table["direction"] = directions(headings).to_numpy()
    if alternating and not np.isfinite(headings).any():
        table["direction"] = np.where(table["in_log"] % 2 == 0, "out", "back")
    air = air_at_starts(table, logs, weather)
    table = pd.concat([table, air], axis=1)
    table = corrected(table, vehicle, target_kmh, grade_out, wind_at_car)
    return StandingStarts(
        table=table,
        aside=tuple(aside),
        speed=speed,
        target_kmh=target_kmh,
        corrected=bool(table["air_known"].any()) or grade_out != 0,
        notes=_notes(table, vehicle, speed, grade_out),
    )


def unit_means(table: pd.DataFrame, value: str, uncertainty: str | None) -> pd.DataFrame:
    """One value a switch unit, both directions counting alike.

    Parameters
    ----------
    table : DataFrame
        A row a start with `switch_unit`, `arm`, `block`, `direction`.
    value, uncertainty : str
        Columns of the value and of its standard uncertainty.

    Raises
    ------
    DesignError
        If the arms were driven in different directions only.
    """
    units = list(dict.fromkeys(table["switch_unit"]))
    design = [(table["switch_unit"] == u).to_numpy(float) for u in units]
    ways = sorted(set(table["direction"]))
    for way in ways[1:]:
        design.append((table["direction"] == way).to_numpy(float) - 1 / len(ways))
    matrix = np.column_stack(design)
    if np.linalg.matrix_rank(matrix) < matrix.shape[1]:
        raise DesignError(
            "each switch unit was driven in one direction only, so grade and wind can't be told "
            "from the add-on: drive both directions with each arm"
        )
    inverse = np.linalg.pinv(matrix)
    means = inverse @ table[value].to_numpy(float)
    first = table.groupby("switch_unit", sort=False)[["arm", "block"]].first()
    out = first.reset_index().assign(y=means[: len(units)])
    if uncertainty is not None:
        u = table[uncertainty].to_numpy(float)
        out["u_y"] = np.sqrt((inverse[: len(units)] ** 2) @ u**2)
    return out


def compare_starts(table: pd.DataFrame) -> Changes:
    """Compare the arms' times and powers on the log scale, by switch unit.

    Parameters
    ----------
    table : DataFrame
        `StandingStarts.table`.
    """

    def change(value: str, time: str, uncertainty: str) -> Comparison:
        logged = table.assign(y=np.log(table[value]), u=table[uncertainty] / table[time])
        return compare_arms(unit_means(logged, "y", "u"))

    base = table.loc[table["arm"] == "baseline", "std_time_s"]
    return Changes(
        time=change("std_time_s", "std_time_s", "u_time_s"),
        rest=change("rest_time_s", "rest_time_s", "u_rest_time_s"),
        uncorrected=change("time_s", "time_s", "u_time_s"),
        power=change("power_kw", "pull_s", "u_time_s"),
        baseline_time_s=float(np.exp(np.log(base).mean())),
    )


def standing_start_result(
    starts: StandingStarts,
    *,
    claim: tuple[ClaimKind, float] | None = None,
    randomised: bool = False,
    device: str = "add-on",
    labels: tuple[str, str] = ARMS,
) -> TrialResult:
    """The trial as one part of the claim.

    Parameters
    ----------
    claim : (kind, value), optional
        `time_pct` or `time_s` quicker (positive), or `power_pct` more.

    >>> from pathlib import Path
    >>> t = np.arange(0.0, 60.0, 0.2)
    >>> speed = np.clip(36 * np.sqrt(np.clip(t - 10, 0, None)), 0, 110)
    >>> pedal = np.where(t > 9.8, 95.0, 12.0)
    >>> drive = pd.DataFrame({"t_s": t, "speed_kmh": speed, "throttle_pct": pedal})
    >>> logs = [Log(Path(f"{i}.csv"), drive, None) for i in range(6)]
    >>> runs = pd.DataFrame({"log": range(6), "arm": ["baseline", "fitted"] * 3, "block": ""})
    >>> runs = runs.assign(file=list("abcdef"), switch_unit=list("abcdef"))
    >>> starts = gather_starts(logs, runs, Vehicle(), target_kmh=100.0)
    >>> round(standing_start_result(starts, claim=("time_pct", 10.0)).estimate, 2) == 0
    True
    """
    found = compare_starts(starts.table)
    base_s = found.baseline_time_s
    time_pct, power_pct = percent(found.time), percent(found.power)
    seconds = tuple(None if p is None else base_s * p / 100 for p in time_pct)
    shown, unit, claimed, claim_pct = _claimed(claim, time_pct, power_pct, base_s)
    repeats = None
    if claim_pct is not None:
        of = found.power if unit == "% power" else found.time
        repeats = repeats_needed(float(np.log1p(claim_pct / 100)), of.planning_sd)
    label = f"{FROM_KMH:g} to {starts.target_kmh:g} km/h"
    measured = (
        f"{label} takes {base_s:.2f} s without; with it the time changes by "
        f"{interval_words(_number(seconds[0]), seconds[1], seconds[2], 's', 2)}, that is "
        f"{interval_words(time_pct[0], time_pct[1], time_pct[2], '%')}, and pulling power at the "
        "wheels by "
        f"{interval_words(power_pct[0], power_pct[1], power_pct[2], '%')}."
    )
    return TrialResult(
        trial="standing-start",
        question=f"Does the car pull away quicker with the {device} fitted?",
        claimed=claimed,
        measured=measured,
        estimate=shown[0],
        low=shown[1],
        high=shown[2],
        unit=unit,
        finding=_finding(starts, shown, unit, claim_pct),
        strength=_strength(starts, found.time, randomised),
        cautions=CAUTIONS,
        notes=(*starts.notes, *_more_notes(starts, found, repeats)),
        method=found.time.method,
        details=_details(starts, found, repeats, labels),
    )


def _finding(
    starts: StandingStarts,
    shown: tuple[float, float | None, float | None],
    unit: str,
    claim_pct: float | None,
) -> FindingWord | None:
    """By the rule; but a power that counts gear changes as pulling reads too small to refute."""
    word = rule_either_way(shown[1], shown[2], claim_pct)
    diluted = unit == "% power" and not starts.table["lifts_known"].all()
    return "undecided" if diluted and word == "refuted" else word


def percent(c: Comparison) -> tuple[float, float | None, float | None]:
    """A difference of logarithms as a percent change with its bounds [%]."""
    low, high = (None if b is None else float(100 * np.expm1(b)) for b in (c.low, c.high))
    return float(100 * np.expm1(c.estimate)), low, high


def _number(value: float | None) -> float:
    return float("nan") if value is None else value


def _claimed(
    claim: tuple[ClaimKind, float] | None,
    time_pct: tuple[float, float | None, float | None],
    power_pct: tuple[float, float | None, float | None],
    base_s: float,
) -> tuple[tuple[float, float | None, float | None], str, str, float | None]:
    """What the finding looks at: change with bounds, unit, the claim in words and in that unit."""
    if claim is None:
        return time_pct, "% time", "", None
    kind, value = claim
    if kind == "power_pct":
        return power_pct, "% power", f"{value:+g} % power", value
    if kind == "time_s":
        if value >= base_s:
            raise InputError(
                f"a claim of {value:g} s is more than the whole start takes ({base_s:.1f} s): "
                "correct it"
            )
        return time_pct, "% time", f"{value:g} s quicker", -100 * value / base_s
    return time_pct, "% time", f"{value:g} % quicker", -value


def _require_starts(
    rows: list[dict[str, object]],
    aside: list[tuple[str, SetAside]],
    runs: pd.DataFrame,
    target_kmh: float,
) -> None:
    arms = {str(r["arm"]) for r in rows}
    for arm in ARMS:
        if arm not in arms:
            files = int((runs["arm"] == arm).sum())
            of_arm = set(runs.loc[runs["arm"] == arm, "file"].astype(str))
            why = next((f" ({f}: {a.reason})" for f, a in aside if f in of_arm), "")
            advice = "" if UNDECLARED in why else ": lower --target, or log starts of this arm"
            raise DesignError(
                f"no full-throttle start from rest to {target_kmh:g} km/h in the {files} logs of "
                f"the {arm} arm{why}{advice}"
            )


def _notes(table: pd.DataFrame, vehicle: Vehicle, speed: str, grade_out: float) -> tuple[str, ...]:
    interval = float(table["interval_s"].median())
    source = "GPS speed" if speed == "gps_speed_kmh" else "the car's own speed signal"
    notes = [
        f"Timed by {source}, a reading every {interval:.2f} s; each start is known to "
        f"± {table['u_time_s'].median():.2f} s (one standard uncertainty) from step and interval "
        "alone."
    ]
    if interval > 0.5:
        notes.append(
            "Readings are slow: log the speed alone, or GPS at 5 Hz or more, for a narrower "
            "interval."
        )
    if (table["direction"] == "").all():
        notes.append(
            "The direction of the starts is unknown: grade and wind stay in the times unless each "
            "arm was driven both ways alike."
        )
    if table["air_known"].all():
        natural = vehicle.aspiration == "natural" and vehicle.fuel != "diesel"
        notes.append(
            f"Air density and power are brought to {J1349_TEMP_C:g} °C and {J1349_DRY_KPA:g} kPa "
            "dry (SAE J1349 JUN90)."
            if natural
            else "Air density is allowed for; power isn't corrected for the air: the formula holds "
            "for naturally aspirated petrol engines only."
        )
    else:
        notes.append("Temperature or pressure isn't known for every start: no air correction.")
    if np.isfinite(table["headwind_m_s"]).any():
        notes.append("Wind from the study's weather is taken off each start.")
    if grade_out:
        notes.append(f"A grade of {100 * grade_out:+.2f} % in the first direction is taken off.")
    return tuple(notes)


def _more_notes(starts: StandingStarts, found: Changes, repeats: int | None) -> list[str]:
    r, p = percent(found.rest), percent(found.uncorrected)
    notes = [
        f"From rest to {starts.target_kmh:g} km/h: {interval_words(r[0], r[1], r[2], '%')}; the "
        "signal's own start near 0 km/h makes it less sure. Nothing corrected: "
        f"{interval_words(p[0], p[1], p[2], '%')}."
    ]
    if found.time.floored:
        notes.append(
            "The starts agree better than their readings can tell, so the readings' uncertainty "
            "sets the interval."
        )
    if starts.table["lifts_known"].all():
        notes.append(
            f"Pulling power: from {pull_from_kmh(starts.target_kmh):g} km/h, once the clutch is "
            "shut and the tyres hold, to the target, without the time of gear changes."
        )
    else:
        notes.append(
            "Without pedal or throttle in every log, gear changes count as pulling: a change of "
            "power reads too small, so a claim of power can't be refuted."
        )
    if not starts.table["open_throttle"].all():
        notes.append(
            "Some logs hold no pedal or throttle signal: their starts count because they were "
            "declared; that the throttle was fully open is not confirmed."
        )
    if starts.aside:
        name, first = starts.aside[0]
        notes.append(f"{len(starts.aside)} rises set aside, the first in {name}: {first.reason}.")
    if repeats is not None:
        notes.append(
            f"{repeats} switch units in each arm would show an effect as large as the claim 4 "
            "times out of 5."
        )
    return notes


def _strength(starts: StandingStarts, time: Comparison, randomised: bool) -> str:
    count = f"{time.units[0]} + {time.units[1]} switch units, {len(starts.table)} starts"
    if time.low is None:
        return f"Weak: {count} are too few for an interval; switch the add-on more often."
    if not starts.table["open_throttle"].all():
        return f"Moderate: {count}, but full throttle isn't confirmed in every log."
    if (starts.table["direction"] == "").all():
        return f"Moderate: {count}, but the directions of the starts aren't known."
    if not randomised:
        return f"Moderate: {count}, but chance didn't decide the order."
    return f"Good: {count}, in random order, directions paired."


def _details(
    starts: StandingStarts, found: Changes, repeats: int | None, labels: tuple[str, str]
) -> dict[str, object]:
    names: dict[str, str] = dict(zip(ARMS, labels, strict=True))
    keys = ("file", "switch_unit", "block", "direction")
    numbers = (
        "time_s", "u_time_s", "std_time_s", "rest_time_s", "u_rest_time_s", "power_kw", "pull_s",
        "interval_s", "ambient_factor",
    )  # fmt: skip
    rows = [
        {
            "arm": names[str(r["arm"])],
            **{k: str(r[k]) for k in keys},
            "at_s": round(r["start"].at_s, 2),
            **{k: round(float(r[k]), 4) for k in numbers},
        }
        for r in starts.table.to_dict("records")
    ]
    return {
        "target_kmh": starts.target_kmh,
        "baseline_time_s": found.baseline_time_s,
        "time_pct": percent(found.time),
        "power_pct": percent(found.power),
        "uncorrected_time_pct": percent(found.uncorrected),
        "rest_to_target_pct": percent(found.rest),
        "df": found.time.df,
        "units_for_claim": repeats,
        "starts": rows,
        "set_aside": [
            {"file": f, "at_s": round(a.at_s, 2), "reason": a.reason} for f, a in starts.aside
        ],
    }
