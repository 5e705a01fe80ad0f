"""Run-out trials: a small engine on a fixed amount of fuel under a steady load, timed to its end.

In goes `runout.csv`, a row a trial, with load readings beside it; out come the change of fuel use
at equal load and of run time, with interval, grams per kilowatt-hour, and the repeats that would
settle the claim. Implements the run-out of method section 7.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from roadlog.errors import DesignError
from roadlog.quantities.arms import ARMS
from roadlog.quantities.arrays import Floats
from roadlog.quantities.fuels import Fuel
from roadlog.quantities.units import LARGEST_RATIO
from roadlog.stats.compare import Comparison, compare_arms, repeats_needed, stretches
from roadlog.stats.interval import rule_either_way
from roadlog.stats.unit_contrast import LEAST_DF, block_columns
from roadlog.study.car import fuel_words
from roadlog.trials.readings import reading_errors
from roadlog.trials.result import TrialResult
from roadlog.wording.screen import interval_words

# How much of the fuel follows the load: d ln(fuel) / d ln(load) at the trials' load, for trials
# too alike in load to tell. A small engine burns fuel at no load too, so it lies below 1; common
# practice, no source.
FUEL_FOLLOWS_LOAD, FUEL_FOLLOWS_LOAD_U = 0.6, 0.15
LOAD_SPREAD = 0.10  # largest over smallest load - 1 from which the line is fitted instead
VOLUME_SPREAD = 0.10
# Fuel in line and bowl as a share of a trial's, where it can't be fitted; and how far two ways to
# measure fuel (scale, volume at a book density) may differ; both common practice, no source.
HOLD_UP_SHARE_U, DENSITY_SHARE_U = 0.05, 0.015
WIDEST = np.log(20.0)  # half-width of log fuel beyond which there is no interval worth the name

CAUTIONS = (
    "Exhaust gas kills: run the engine outdoors only, away from doors and windows, never in a "
    "garage, shed or under a roof; stay upwind.",
    "Fuel: an external container approved for it, with a valve, fastened below eye level and away "
    "from the exhaust; never refuel or open a line while the engine is running or hot.",
    "Let the engine cool before each refill, wipe spills and let them dry, no flames or sparks, "
    "fire extinguisher at hand.",
    "Connect loads only through the generator's own sockets; never to house wiring.",
)


@dataclass(frozen=True)
class RunOut:
    """A set of trials, ready to compare.

    `table`: a row a trial with `arm`, `block`, `unit`, `fuel_g`, `time_s`, `load_w`.
    `hold_up_g` fuel burned beyond what was filled (line and bowl) with standard uncertainty;
    `follows_load` d ln(fuel)/d ln(load) with standard uncertainty, and whether it was fitted;
    `change` of log fuel per time at equal load; `g_per_kwh` by arm.
    """

    table: pd.DataFrame
    hold_up_g: tuple[float, float]
    hold_up_how: str
    follows_load: tuple[float, float]
    line_fitted: bool
    change: Comparison
    g_per_kwh: tuple[float, float]
    randomised: bool


def compare_runouts(
    trials: pd.DataFrame, *, fixed_end_state: bool = False, randomised: bool = False
) -> RunOut:
    """Compare the arms at equal load.

    Parameters
    ----------
    trials : DataFrame
        See `runout_sheet.read_runouts`.
    fixed_end_state : bool
        Each trial began with line and bowl as empty as it left them (run dry, then filled): the
        fuel filled is the fuel burned, and hold-up is zero.
    randomised : bool
        Chance decided each trial's arm: the trial is the switch unit; without it, each unbroken
        stretch of one arm.

    Raises
    ------
    DesignError
        If an arm is missing.

    Notes
    -----
    With one volume and the same state at both ends, hold-up is the same share of every run and
    drops out of the comparison. With two volumes it is fitted: run time = (fuel + hold-up) / flow
    has one hold-up and a flow for each arm. Loads are made equal by the Willans line, fuel flow
    against load: fitted where the trials' loads spread by 10 % or more, else assumed with an
    uncertainty that widens the interval. An add-on fed from outside is charged as load that the
    engine would have had to carry.

    >>> trials = pd.DataFrame({"arm": ["baseline", "fitted"] * 3, "block": list("112233")})
    >>> trials = trials.assign(trial=trials.index, addon_w=0.0, outside=False, weighed=True)
    >>> trials["time_s"] = [3600.0, 3612.0, 3590.0, 3580.0, 3604.0, 3611.0]
    >>> trials = trials.assign(fuel_g=300.0, load_w=1000.0)
    >>> compared = compare_runouts(trials, fixed_end_state=True, randomised=True)
    >>> round(100 * compared.change.estimate, 2)
    -0.08
    """
    arms = trials["arm"].tolist()
    unit = [str(k) for k in range(len(arms))] if randomised else stretches(arms)
    for arm in ARMS:
        if arm not in arms:
            raise DesignError(f"no trial of the {arm} arm: run-outs need both arms")
    outside = trials["addon_w"].where(trials["outside"], 0.0)
    table = trials.assign(unit=unit)
    fit = _nuisances(table, fixed_end_state)
    hold_up, how, follows, fitted, two_volumes = fit
    free = int(fitted) + int(two_volumes)
    change = _change(table, outside, hold_up, follows, free)
    rates = _g_per_kwh(table, outside, hold_up[0], follows[0])
    return RunOut(table, hold_up, how, follows, fitted, change, rates, randomised)


def runout_result(
    runout: RunOut, *, claim_fuel_pct: float | None = None, device: str = "add-on", fuel: Fuel
) -> TrialResult:
    """The trial as one part of the claim.

    Parameters
    ----------
    claim_fuel_pct : float, optional [% fuel use]
        The claimed change at equal load, negative for less fuel.

    >>> trials = pd.DataFrame({"arm": ["baseline", "fitted"] * 3, "block": list("112233")})
    >>> trials = trials.assign(trial=trials.index, addon_w=0.0, outside=False, weighed=True)
    >>> trials["time_s"] = [3600.0, 3612.0, 3590.0, 3580.0, 3604.0, 3611.0]
    >>> trials = trials.assign(fuel_g=300.0, load_w=1000.0)
    >>> compared = compare_runouts(trials, fixed_end_state=True, randomised=True)
    >>> from roadlog.quantities.fuels import FUELS
    >>> runout_result(compared, claim_fuel_pct=-15.0, fuel=FUELS["E0"]).finding
    'refuted'
    """
    c = runout.change
    boundless = c.high is not None and not c.high - c.estimate < WIDEST
    if boundless:
        c = replace(c, low=None, high=None, method="difference; hold-up or load can't be told")
        runout = replace(runout, change=c)
    est, low, high = (None if b is None else float(100 * np.expm1(b)) for b in
                      (c.estimate, c.low, c.high))  # fmt: skip
    assert est is not None
    time = [None if b is None else float(100 * np.expm1(-b)) for b in (c.estimate, c.high, c.low)]
    base, fitted = runout.g_per_kwh
    measured = (
        f"Fuel at equal load changes by {interval_words(est, low, high, '%')}, run time by "
        f"{interval_words(time[0] or 0.0, time[1], time[2], '%')}; {base:.0f} g/kWh without, "
        f"{fitted:.0f} g/kWh with the {device}."
    )
    repeats = _repeats(runout, claim_fuel_pct)
    slip = _unit_slip(est)
    return TrialResult(
        trial="runout",
        question=f"Does the engine run longer on the same fuel with the {device} fitted?",
        claimed="" if claim_fuel_pct is None else f"{fuel_words(claim_fuel_pct)} at equal load",
        measured=measured,
        estimate=est,
        low=low,
        high=high,
        unit="% fuel use",
        finding=rule_either_way(low, high, claim_fuel_pct)
        if not slip or claim_fuel_pct is None
        else "undecided",
        strength=_strength(runout),
        cautions=CAUTIONS,
        notes=(*slip, *_notes(runout, repeats, fuel)),
        method=c.method,
        details={
            "trials": [_plain(r) for r in runout.table.to_dict("records")],
            "run_time_pct": time,
            "g_per_kwh": {"baseline": base, "fitted": fitted},
            "hold_up_g": runout.hold_up_g,
            "fuel_follows_load": runout.follows_load,
            "line_fitted": runout.line_fitted,
            "unit_sd_pct": None if not np.isfinite(c.unit_sd) else 100 * c.unit_sd,
            "df": c.df,
            "repeats_for_claim": repeats,
        },
    )


def _unit_slip(change_pct: float) -> tuple[str, ...]:
    """What to look at where the change is one of units and no add-on's."""
    if 1 / LARGEST_RATIO < 1 + change_pct / 100 < LARGEST_RATIO:
        return ()
    return (
        f"No add-on changes fuel use by {change_pct:+,.0f} %: make sure that both arms' times, "
        "loads and fuel are written in the same units.",
    )


def _nuisances(
    table: pd.DataFrame, fixed_end_state: bool
) -> tuple[tuple[float, float], str, tuple[float, float], bool, bool]:
    """Hold-up [g] and how fuel follows load, each with its uncertainty: fitted where told."""
    fuel = table["fuel_g"].to_numpy(float)
    line = bool(_told_apart(table, "load_w") >= np.log1p(LOAD_SPREAD))
    two_volumes = bool(
        not fixed_end_state and _told_apart(table, "fuel_g") >= np.log1p(VOLUME_SPREAD)
    )
    if not two_volumes and not fixed_end_state and _between(table) >= np.log1p(VOLUME_SPREAD):
        raise DesignError(
            "the arms ran on different amounts of fuel but each on one amount only, so the fuel "
            "held up in line and bowl can't be told: run two amounts in each arm, or the same in "
            "both"
        )
    fitted = _fit(table, two_volumes, line) if two_volumes or line else {}
    if two_volumes:
        hold = fitted["hold_up"]
        how = f"fitted from two volumes: {hold[0]:+.1f} ± {hold[1]:.1f} g"
    elif fixed_end_state:
        hold, how = (0.0, 0.0), "the same end state in every trial: none to allow for"
    else:
        hold = (0.0, HOLD_UP_SHARE_U * float(fuel.mean()))
        how = "like amounts in both arms: hold-up is the same share of each and drops out"
    follows = fitted["follows"] if line else (FUEL_FOLLOWS_LOAD, FUEL_FOLLOWS_LOAD_U)
    return hold, how, follows, line, two_volumes


def _told_apart(table: pd.DataFrame, column: str) -> float:
    """Range of a logarithm within arm and block: what goes with either can't be fitted."""
    fixed = _fixed(table)
    x = np.log(table[column].to_numpy(float))
    left = x - fixed @ (np.linalg.pinv(fixed) @ x)
    return float(np.ptp(left))


def _between(table: pd.DataFrame) -> float:
    """Size of the difference of log fuel between the arms, within blocks."""
    units = table[["arm", "block"]].assign(y=np.log(table["fuel_g"].to_numpy(float)))
    return abs(compare_arms(units).estimate)


def _fixed(table: pd.DataFrame) -> Floats:
    """Intercept, arm and blocks, a row a trial."""
    fitted = (table["arm"] == "fitted").to_numpy(float)
    return np.column_stack([block_columns(len(table), table["block"].astype(str).tolist()), fitted])


def _fit(table: pd.DataFrame, hold_up: bool, line: bool) -> dict[str, tuple[float, float]]:
    """Least squares of log run time on hold-up, load, arm and block."""
    from scipy.optimize import least_squares

    fuel = table["fuel_g"].to_numpy(float)
    load = table["load_w"].to_numpy(float)
    log_load = np.log(load / load.mean())
    linear = _fixed(table)
    y = np.log(table["time_s"].to_numpy(float))
    free = int(hold_up) + int(line)
    if len(fuel) <= free + np.linalg.matrix_rank(linear):
        raise DesignError(
            f"{len(fuel)} trials are too few to fit hold-up or load as well: repeat each volume "
            "and load in both arms"
        )

    def rest(p: Floats) -> Floats:
        hold = p[0] if hold_up else 0.0
        slope = p[-1] if line else FUEL_FOLLOWS_LOAD
        target = y - np.log(fuel + hold) + slope * log_load
        return np.asarray(target - linear @ (np.linalg.pinv(linear) @ target), float)

    lowest = -0.9 * float(fuel.min())
    start = ([0.0] if hold_up else []) + ([FUEL_FOLLOWS_LOAD] if line else [])
    bounds = (
        ([lowest] if hold_up else []) + ([0.0] if line else []),
        ([10 * float(fuel.max())] if hold_up else []) + ([1.2] if line else []),
    )
    scale = ([float(fuel.mean())] if hold_up else []) + ([1.0] if line else [])
    found = least_squares(rest, start, bounds=bounds, x_scale=scale)
    df = len(y) - free - int(np.linalg.matrix_rank(linear))
    jacobian = np.asarray(found.jac, float)
    variance = 2 * found.cost / df * np.linalg.pinv(jacobian.T @ jacobian)
    errors = np.sqrt(np.diag(variance))
    out: dict[str, tuple[float, float]] = {}
    at_edge = np.asarray(found.active_mask) != 0  # the fit gave up there: its error says little
    if hold_up:
        least = HOLD_UP_SHARE_U * float(fuel.mean()) if at_edge[0] else 0.0
        out["hold_up"] = (float(found.x[0]), max(float(errors[0]), least))
    if line:
        least = FUEL_FOLLOWS_LOAD_U if at_edge[-1] else 0.0
        out["follows"] = (float(found.x[-1]), max(float(errors[-1]), least))
    return out


def _log_flow(
    table: pd.DataFrame, outside_w: pd.Series, hold_up_g: float, follows: float
) -> Floats:
    """Log of fuel flow at the mean useful load, each trial [log g/s]."""
    burned = table["fuel_g"].to_numpy(float) + hold_up_g
    flow = np.log(burned / table["time_s"].to_numpy(float))
    useful = table["load_w"].to_numpy(float)
    carried = useful + outside_w.to_numpy(float)
    mean = float(useful.mean())
    return np.asarray(flow - follows * np.log(useful / mean) + follows * np.log(carried / useful))


def _change(
    table: pd.DataFrame,
    outside_w: pd.Series,
    hold_up: tuple[float, float],
    follows: tuple[float, float],
    fitted_before: int,
) -> Comparison:
    groups = table.groupby("unit", sort=False)
    of = groups.ngroup().to_numpy()
    units = groups[["arm", "block"]].first().reset_index(drop=True)

    def means(h: float, f: float) -> Floats:
        return np.bincount(of, _log_flow(table, outside_w, h, f)) / np.bincount(of)

    (h, u_h), (f, u_f) = hold_up, follows
    y = means(h, f)
    weights = compare_arms(units.assign(y=y)).weights
    moved = [float(weights @ (means(*at) - y)) for at in ((h + u_h, f), (h, f + u_f))]
    if "weighed" in table:
        by_volume = np.bincount(of, ~table["weighed"].to_numpy(bool)) / np.bincount(of)
        moved.append(DENSITY_SHARE_U * float(weights @ by_volume))
    each, shared = reading_errors(table, f)
    u_y = np.sqrt(np.bincount(of, each**2)) / np.bincount(of)
    return compare_arms(
        units.assign(y=y, u_y=u_y), moved, fitted_before=fitted_before, shared=shared
    )


def _g_per_kwh(
    table: pd.DataFrame, outside_w: pd.Series, hold_up_g: float, follows: float
) -> tuple[float, float]:
    """Mean fuel per useful kilowatt-hour at the mean load, by arm [g/kWh]."""
    flow = np.exp(_log_flow(table, outside_w, hold_up_g, follows))
    rate = flow * 3600 / (table["load_w"].mean() / 1000)
    by_arm = [float(np.mean(rate[(table["arm"] == arm).to_numpy()])) for arm in ARMS]
    return by_arm[0], by_arm[1]


def _repeats(runout: RunOut, claim_pct: float | None) -> int | None:
    if claim_pct is None or runout.change.low is None:
        return None
    blocks = len(set(runout.table["block"])) > 1
    return repeats_needed(
        float(np.log1p(claim_pct / 100)), runout.change.planning_sd, in_blocks=blocks
    )


def _strength(runout: RunOut) -> str:
    c = runout.change
    count = f"{c.units[0]} + {c.units[1]} switch units, {len(runout.table)} trials"
    if c.low is None and c.df >= LEAST_DF:
        return (
            f"Weak: {count} don't tell hold-up or load from the add-on: run the same amount under "
            "the same load in both arms, or two of each in both."
        )
    if c.low is None:
        return (
            f"Weak: {count} are too few for an interval: change the arm between trials, in an "
            "order that chance decides."
        )
    if not runout.randomised:
        return f"Moderate: {count}, but chance didn't decide the order."
    return f"Good: {count}, in random order."


def _notes(runout: RunOut, repeats: int | None, fuel: Fuel) -> tuple[str, ...]:
    slope, u = runout.follows_load
    spread = runout.table["load_w"]
    notes = [
        f"Hold-up of line and bowl: {runout.hold_up_how}.",
        f"Loads from {spread.min():.0f} to {spread.max():.0f} W are made equal: 1 % more load "
        f"takes {slope:.2f} ± {u:.2f} % more fuel ("
        + ("fitted" if runout.line_fitted else "assumed; common practice, no source")
        + ").",
    ]
    if runout.change.floored:
        notes.append(
            "The trials agree better than their readings can tell, so scale, clock and meter set "
            "the interval."
        )
    if not runout.table.get("weighed", pd.Series([False])).all():
        notes.append(
            f"Volumes weigh {fuel.density_kg_m3:.0f} g/L at 15 °C and expand "
            f"{100 * fuel.thermal_expansion_per_k:.3f} % a kelvin ({fuel.name}); weighed fuel "
            "needs neither."
        )
    if (runout.table["addon_w"] > 0).any():
        fed = "outside" if runout.table["outside"].any() else "this engine"
        notes.append(
            f"The add-on takes {runout.table['addon_w'].max():.0f} W from {fed}: "
            + (
                "charged as load that the engine would have had to carry."
                if fed == "outside"
                else "its fuel is in the account, its power isn't counted as useful."
            )
        )
    if repeats is not None:
        notes.append(
            f"{repeats} switch units in each arm would show an effect as large as the claim 4 "
            "times out of 5."
        )
    return tuple(notes)


def _plain(row: Mapping[Any, Any]) -> dict[str, object]:
    return {
        str(k): round(v, 4) if isinstance(v, float) else v
        for k, v in row.items()
        if k in ("trial", "arm", "block", "unit", "fuel_g", "time_s", "load_w", "addon_w")
    }
