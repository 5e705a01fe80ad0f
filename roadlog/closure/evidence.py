"""Evidence of OBD itself that an add-on bends the signals: runs go in, differences by arm come out.

Implements the paragraph "A device can fool the estimator" of method section 1: trims, mixture,
oxygen sensors, and air for its engine speed and manifold pressure, each boiled down to one value a
switch unit and compared between the arms by a t interval. It is evidence beside the effect, and
never enters the model.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from roadlog.closure.result import Evidence
from roadlog.fuel import Calibration
from roadlog.fuel.air import (
    Array,
    air_flow,
    air_per_revolution,
    manifold_air,
    measured_lambda,
    trim_factor,
)
from roadlog.fuel.trims import LEAST_SECONDS, bank_trims
from roadlog.quantities.arrays import Floats
from roadlog.quantities.columns import Table, where_word
from roadlog.quantities.facts import Warned
from roadlog.quantities.signals import signal
from roadlog.quantities.warm import loop_is_closed, warm_samples
from roadlog.stats.interval import Interval, p_of, percent_interval
from roadlog.stats.unit_contrast import block_columns, unit_t
from roadlog.study.settings import Study

LEAN_RICH_V = 0.45  # a narrow-band sensor's switching point: common practice, no source


@dataclass(frozen=True)
class Clue:
    """One thing that OBD shows of air or mixture: what, in which unit, and what it can tell."""

    name: str
    label: str
    unit: str
    tells: str
    relative: bool = False


CLUES = {
    c.name: c
    for c in (
        Clue(
            "trim1", "fuel trims, bank 1", "%",
            "the controller adds or takes away fuel to make up for a bent air meter, oxygen "
            "sensor or fuel; a device that it has fully made up for shows only here",
        ),
        Clue("trim2", "fuel trims, bank 2", "%", "as bank 1"),
        Clue(
            "lambda_commanded", "commanded λ, warm", "% of 1",
            "the controller asks for another mixture",
        ),
        Clue(
            "lambda_measured", "measured λ, warm", "% of 1",
            "the wide-band sensor reads another mixture; in closed loop the controller holds it at "
            "its target, bent or not",
        ),
        Clue(
            "o2_upstream", "oxygen sensor before the catalyst", "V",
            "its mean or swing moved: mixture or sensor",
        ),
        Clue(
            "o2_switching", "oxygen sensor before the catalyst, swings", "1/s",
            "the loop swings at another pace; logged at 1 Hz it is hardly seen",
        ),
        Clue(
            "o2_downstream", "oxygen sensor behind the catalyst", "V",
            "the mixture after the catalyst moved though the loop thinks that it holds: a sign of "
            "a bent sensor before it",
        ),
        Clue(
            "air_per_pressure", "air meter for its rpm and manifold pressure", "%",
            "the air meter reads otherwise at the same charge: bent meter, or an engine that "
            "breathes otherwise", relative=True,
        ),
        Clue(
            "load_per_pressure", "absolute load for its rpm and manifold pressure", "%",
            "the controller's own figure of air reads otherwise at the same charge", relative=True,
        ),
        Clue(
            "injected_per_pressure", "air meter times trims for its rpm and manifold pressure", "%",
            "the controller injects otherwise at the same charge: a bent oxygen sensor, or "
            "injectors and fuel that give otherwise; a bent air meter alone doesn't move it",
            relative=True,
        ),
        Clue(
            "air_per_load", "air meter against absolute load", "%",
            "two air figures part; where the controller computes both from one sensor they can't",
            relative=True,
        ),
        Clue(
            "air_per_rate", "air meter against engine fuel rate", "%",
            "air and fuel as the controller tells them part", relative=True,
        ),
        Clue(
            "idle_air", "air per turn at warm idle", "%",
            "bent meter, leak, or another electrical or mechanical load at idle", relative=True,
        ),
    )
}  # fmt: skip


def run_evidence(flow: Table, study: Study, calibration: Calibration) -> dict[str, float]:
    """The clues of one run, over warm fuelled samples.

    Parameters
    ----------
    flow : DataFrame
        `tables.FUEL` of the run.
    study : Study
    calibration : Calibration
        Its volumetric efficiency, fitted on baseline, is what air is held against.

    Returns
    -------
    dict
        Clue name to its mean: % (trims, relative clues as 100 log), V, 1/s. A clue without its
        signals, or with under a minute of them, is absent.
    """
    dt = signal(flow, "dt_s")
    fuelled = warm_samples(flow) & where_word(flow, "fuel_state", "metered")
    closed = fuelled & loop_is_closed(flow)
    size = study.vehicle.displacement_l or 1.0
    maf = signal(flow, "maf_g_s")
    found = bank_trims(flow)

    def note(name: str, values: Array, where: Array) -> None:
        there = where & np.isfinite(values)
        seconds = float(dt[there].sum())
        if seconds >= LEAST_SECONDS:
            found[name] = float((values[there] * dt[there]).sum() / seconds)

    note("lambda_commanded", 100 * signal(flow, "lambda_commanded"), closed)
    note("lambda_measured", 100 * measured_lambda(flow), closed)
    upstream = signal(flow, "o2_upstream_v")
    note("o2_upstream", upstream, closed)
    note("o2_switching", _crossings(upstream), closed)
    note("o2_downstream", signal(flow, "o2_downstream_v"), closed)
    if calibration.ve is not None:
        filled = calibration.ve.at(signal(flow, "rpm"), signal(flow, "map_kpa"))
        charge = filled * manifold_air(flow, size)
        note("air_per_pressure", _log_ratio(maf, charge), fuelled)
        load = air_flow(flow, "absolute-load", study.vehicle.displacement_l)
        note("load_per_pressure", _log_ratio(load, charge), fuelled)
        note("injected_per_pressure", _log_ratio(maf * trim_factor(flow), charge), closed)
    if study.vehicle.displacement_l is not None:
        note("air_per_load", _log_ratio(maf, air_flow(flow, "absolute-load", size)), fuelled)
    rate = signal(flow, "fuel_rate_l_h")
    rate = np.where(np.isfinite(rate), rate, signal(flow, "fuel_rate_g_s"))
    note("air_per_rate", _log_ratio(maf, rate), fuelled)
    idle = fuelled & (signal(flow, "speed_kmh") < 1) & (signal(flow, "rpm") < 1500)
    note("idle_air", _log_ratio(air_per_revolution(flow, maf), np.ones(len(flow))), idle)
    return found


def _crossings(volts: Array) -> Array:
    rich = volts > LEAN_RICH_V
    change = np.append(False, rich[1:] != rich[:-1]).astype(float)
    return np.where(np.isfinite(volts), change, np.nan)


def _log_ratio(a: Array, b: Array) -> Array:
    ok = (a > 0) & (b > 0)
    return np.where(ok, 100 * np.log(np.where(ok, a, 1.0) / np.where(ok, b, 1.0)), np.nan)


def evidence_by_arm(clues: Sequence[dict[str, float]], runs: pd.DataFrame) -> Evidence:
    """Compare the clues of used runs between the arms.

    Parameters
    ----------
    clues : sequence of dict
        One for each row of `runs` (`run_evidence`).
    runs : DataFrame
        `tables.RUNS`; runs that aren't used are left out.

    Returns
    -------
    Evidence
        `table`: `clue`, `unit`, `baseline`, `fitted` (relative clues as the difference alone),
        `difference`, `low`, `high`, `df`, `p`, `flagged` (5 % shared over the clues, Bonferroni),
        `tells`.
    """
    each = pd.DataFrame(list(clues), columns=[c for c in CLUES if any(c in k for k in clues)])
    each = each[runs["used"].to_numpy(dtype=bool)]
    names = [c for c in CLUES if c in each.columns and each[c].notna().any()]
    units, arm, fixed = _by_unit(each[names], runs)
    rows = []
    for name in names:
        values = units[name].to_numpy(dtype=float)
        difference, half, df = unit_t(values, arm, fixed)
        if not np.isfinite(difference):
            continue
        p = p_of(difference, half, df) if df >= 2 else np.nan
        clue = CLUES[name]
        means = [float(np.nanmean(values[arm == a])) for a in (0, 1)]
        rows.append(
            {
                "clue": clue.label,
                "unit": clue.unit,
                "baseline": np.nan if clue.relative else means[0],
                "fitted": np.nan if clue.relative else means[1],
                "difference": difference,
                "low": difference - half,
                "high": difference + half,
                "df": df,
                "p": p,
                "name": name,
                "tells": clue.tells,
            }
        )
    columns = ["clue", "unit", "baseline", "fitted", "difference", "low", "high", "df", "p",
               "name", "tells"]  # fmt: skip
    table = pd.DataFrame(rows, columns=columns)
    table["flagged"] = beyond_chance(table["p"])
    return Evidence(table, _said(table), _warnings(table))


def beyond_chance(p: pd.Series) -> pd.Series:
    """Which clues differ by more than chance: 5 % shared over them (Bonferroni)."""
    return p < 0.05 / max(len(p), 1)


def between_arms(values: Sequence[float], runs: pd.DataFrame) -> Interval:
    """The difference of one figure of each run between the arms, over switch units.

    Parameters
    ----------
    values : sequence of float
        100 log of something, one for each row of `runs`; NaN where it isn't known.
    runs : DataFrame
        `tables.RUNS`; runs that aren't used are left out.

    Returns
    -------
    Interval [%]
        NaN without bounds where there are too few switch units.
    """
    of_run = pd.DataFrame({"value": np.asarray(values, dtype=float)})
    units, arm, fixed = _by_unit(of_run[runs["used"].to_numpy(dtype=bool)], runs)
    tau, half, df = unit_t(units["value"].to_numpy(dtype=float), arm, fixed)
    return percent_interval(tau / 100, half / 100, df, "t interval of switch units")


def _by_unit(
    used: pd.DataFrame, runs: pd.DataFrame
) -> tuple[pd.DataFrame, NDArray[np.intp], Floats | None]:
    """Means of the used runs' columns by switch unit, arms, and blocks that hold both of them."""
    keys = runs.loc[runs["used"].to_numpy(dtype=bool), ["switch_unit", "arm", "block"]]
    first = {"arm": "first", "block": "first"}
    units = (
        used.assign(**{str(c): keys[c].to_numpy() for c in keys})
        .groupby("switch_unit", sort=False)
        .agg(dict.fromkeys([str(c) for c in used.columns], "mean") | first)
    )
    arm = (units["arm"] == "fitted").to_numpy().astype(np.intp)
    labels = units["block"].astype(str)
    paired = units.groupby("block")["arm"].nunique().eq(2).all()
    blocked = labels.nunique() >= 2 and "" not in set(labels) and paired
    return units, arm, block_columns(len(units), list(labels)) if blocked else None


def _said(table: pd.DataFrame) -> tuple[str, ...]:
    if table.empty:
        return ("The logs hold no trims, mixture or air signals to look at.",)
    flagged = table[table["flagged"]]
    first = (
        "Nothing below differs between the arms by more than chance."
        if flagged.empty
        else f"More than chance: {', '.join(flagged['clue'])}."
    )
    return (
        first,
        "What this can show: that the add-on moved what the controller sees or corrects. What it "
        "can't: whether real fuel changed with it, a bend that the controller neither sees nor "
        "corrects, or one that sensor and correction share. Fuel that is weighed or filled shows "
        "those. None of it is a tailpipe measurement.",
    )


def _warnings(table: pd.DataFrame) -> tuple[Warned, ...]:
    return tuple(
        Warned(
            "signals-bent",
            f"{r.clue} differs between the arms by {r.difference:+.2f} {r.unit} "
            f"({r.low:+.2f} to {r.high:+.2f}): the add-on may bend the signals that the fuel "
            "figure comes from",
        )
        for r in table[table["flagged"]].itertuples()
    )
