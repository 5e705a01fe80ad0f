"""Closure: runs with computed fuel and a checked ledger go in, how far both agree comes out.

Implements the closure of method section 1: tanks with both arms in them by regression, weighed
cans by switch unit, and the rule that a gap between the arms forbids a firm finding while an
interval wider than the smallest detectable effect is no agreement.
"""

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from roadlog.closure.ledger import Ledger, refuse_unplaced, tanks
from roadlog.closure.of_tanks import (
    MIN_LOGGED_SHARE,
    NOTHING,
    energy_ratio,
    gap_of_tanks,
    level_of_tanks,
    tank_rows,
    widest,
)
from roadlog.closure.regression import NORMAL_95
from roadlog.closure.result import Closure
from roadlog.errors import InputError
from roadlog.fuel.batches import runs_of_can
from roadlog.quantities.against import Against
from roadlog.quantities.facts import Veto
from roadlog.stats.interval import Interval, NamedInterval, percent_interval
from roadlog.stats.unit_contrast import unit_t
from roadlog.study.settings import Can, Study


def close(
    ledger: Ledger, runs: pd.DataFrame, study: Study, smallest_detectable_pct: float
) -> Closure | None:
    """Hold the computed fuel of all runs against the ledger.

    Parameters
    ----------
    ledger : Ledger
    runs : DataFrame
        `tables.RUNS` with `burned_l` (volume burned at 15 °C [L]) and `burned_kg`.
    study : Study
        Its `ledger` states the errors of pump, fill level and scale.
    smallest_detectable_pct : float
        Of the study's design [% fuel use].

    Returns
    -------
    Closure or None
        None without fills and cans.

    Raises
    ------
    InputError
        A fill that can't be placed between runs, a can of an unknown run.
    """
    if not ledger:
        return None
    refuse_unplaced(ledger.fills, runs)
    tank_table = tank_rows(tanks(ledger.fills), runs, study)
    can_table = can_rows(ledger.cans, runs, study)
    values: dict[str, float] = {}
    by_tank = gap_of_tanks(tank_table, study, values)
    by_can = _by_can(can_table, study, values)
    use_cans = by_can.low is not None
    gap = by_can if use_cans else by_tank
    measured = (*_filled_per_km(tank_table, study, values), *_weighed_per_km(can_table))
    values |= {
        "arm_gap_pct": math.nan if gap.low is None else gap.estimate,
        "arm_gap_low_pct": math.nan if gap.low is None else gap.low,
        "arm_gap_high_pct": math.nan if gap.high is None else gap.high,
        "smallest_detectable_pct": smallest_detectable_pct,
        "tanks_used": float(tank_table["used"].sum()),
        "tanks": float(len(tank_table)),
        "cans_used": float(can_table["used"].sum()),
    }
    verdict = judge(gap, smallest_detectable_pct)
    source = "fuel weighed in cans" if use_cans else "fuel filled"
    return Closure(
        verdict,
        gap,
        values,
        tank_table,
        can_table,
        _sentences(verdict, gap, source, smallest_detectable_pct, values, study),
        _blocking(verdict, gap, source),
        measured,
    )


def judge(gap: Interval, smallest_detectable_pct: float) -> str:
    """The verdict on a closure gap between the arms [%].

    >>> judge(Interval(0.2, -0.8, 1.2), 2.0), judge(Interval(0.2, -4.0, 4.4), 2.0)
    ('agrees', 'uninformative')
    >>> judge(Interval(5.0, 2.0, 8.0), 2.0), judge(Interval(5.0, None, None), 2.0)
    ('gap', 'uninformative')
    """
    if not math.isfinite(gap.estimate):
        return "none"
    if gap.low is None or gap.high is None:
        return "uninformative"
    if gap.low > 0 or gap.high < 0:
        return "gap"
    half = max(gap.high - gap.estimate, gap.estimate - gap.low)
    return "agrees" if half <= smallest_detectable_pct else "uninformative"


def can_rows(cans: Sequence[Can], runs: pd.DataFrame, study: Study) -> pd.DataFrame:
    """One row a switch unit that has cans: kilograms weighed and computed.

    Raises
    ------
    InputError
        If a can names a run or switch unit that the study doesn't have, or one run has cans of its
        own and of its unit.
    """
    rows: list[dict[str, object]] = []
    seen: dict[int, str] = {}
    for can in cans:
        what = str(can.unit if can.run is None else can.run)
        mine = runs_of_can(can, runs)
        for r in mine["run"]:
            if seen.get(int(r), what) != what:
                raise InputError(
                    f"can of {what}: its run has a can under {seen[int(r)]} too: keep one of them"
                )
            seen[int(r)] = what
        logged = float(mine["km"].sum()) / can.km if can.km is not None else math.nan
        rows.append(
            {
                "of": what,
                "switch_unit": mine["switch_unit"].iloc[0],
                "arm": mine["arm"].iloc[0],
                "block": mine["block"].iloc[0],
                "weighed_kg": can.before_kg - can.after_kg,
                "computed_kg": float(mine["burned_kg"].sum()),
                "km": float(mine["km"].sum()),
                "energy_ratio": energy_ratio(mine),
                "logged_pct": 100 * logged,
                "cans": 1,
            }
        )
    columns = ["of", "switch_unit", "arm", "block", "weighed_kg", "computed_kg", "km",
               "energy_ratio", "logged_pct", "cans"]  # fmt: skip
    each = pd.DataFrame(rows, columns=columns)
    if each.empty:
        return each.assign(reason=pd.Series(dtype=str), used=pd.Series(dtype=bool))
    # several cans of one run or unit: their masses add, the computed fuel is the same
    table = each.groupby("of", sort=False, as_index=False).agg(
        dict.fromkeys(columns[1:], "first") | {"weighed_kg": "sum", "cans": "sum"}
    )
    short = table["logged_pct"] < 100 * MIN_LOGGED_SHARE
    none = ~(table["computed_kg"] > 0)
    reason = np.where(none, "no fuel was computed for it", np.where(short, _short_text(), ""))
    return table.assign(reason=reason, used=reason == "")


def _short_text() -> str:
    return f"under {100 * MIN_LOGGED_SHARE:.0f} % of its distance logged"


def _filled_per_km(
    table: pd.DataFrame, study: Study, values: dict[str, float]
) -> tuple[NamedInterval, ...]:
    """Fuel use of the arms from fills and distance alone, nothing held equal.

    Traffic and weather differ from tank to tank and no error of theirs can be stated, so there are
    bounds only where the tanks' own scatter tells it (two degrees of freedom or more).
    """
    used = table[table["used"].astype(bool)]
    if used.empty:
        return ()
    km = used[["km_baseline", "km_fitted"]].to_numpy(dtype=float)
    driven = km / km.sum(axis=1, keepdims=True) * used[["odometer_km"]].to_numpy(dtype=float)
    energy = (used["litres"] * used["energy_ratio"]).to_numpy(dtype=float)
    found = widest(energy, driven, level_of_tanks(used, driven, study).covariances)
    if found is None or found[0].df < 2:
        return ()
    change = replace(found[1], method="regression over tanks, nothing held equal")
    if change.low is None or change.high is None:
        return ()
    values |= {
        "full_to_full_change_pct": change.estimate,
        "full_to_full_low_pct": change.low,
        "full_to_full_high_pct": change.high,
    }
    return (NamedInterval("fuel filled per distance", change, "crosscheck"),)


def _weighed_per_km(table: pd.DataFrame) -> tuple[NamedInterval, ...]:
    """Fuel use of the arms from weighed cans and distance alone, one value a switch unit."""
    used = table[table["used"].astype(bool)]
    if used.empty or used["arm"].nunique() < 2:
        return ()
    energy = used["weighed_kg"] * used["energy_ratio"]
    units = (
        used.assign(energy=energy)
        .groupby("switch_unit", sort=False)
        .agg(energy=("energy", "sum"), km=("km", "sum"), arm=("arm", "first"))
    )
    arm = (units["arm"] == "fitted").to_numpy().astype(np.intp)
    per_km = np.log((units["energy"] / units["km"]).to_numpy(dtype=float))
    interval = percent_interval(*unit_t(per_km, arm, None), "t interval, nothing held equal")
    return (NamedInterval("fuel weighed per distance", interval, "crosscheck"),)


def _by_can(table: pd.DataFrame, study: Study, values: dict[str, float]) -> Interval:
    """The arms' gap from weighed cans, one value a switch unit."""
    used = table[table["used"].astype(bool)]
    if used.empty or used["arm"].nunique() < 2:
        return NOTHING
    units = used.groupby("switch_unit", sort=False).agg(
        weighed=("weighed_kg", "sum"),
        computed=("computed_kg", "sum"),
        arm=("arm", "first"),
        cans=("cans", "sum"),
    )
    ratio = np.log((units["weighed"] / units["computed"]).to_numpy(dtype=float))
    arm = (units["arm"] == "fitted").to_numpy().astype(np.intp)
    tau, half, df = unit_t(ratio, arm, None)
    weighing = study.ledger.scale_error_kg * np.sqrt(2 * units["cans"]) / units["weighed"]
    variance = (weighing.to_numpy(dtype=float) ** 2 / np.bincount(arm)[arm] ** 2).sum()
    values["can_scale"] = float(np.exp(ratio.mean()))
    floor = NORMAL_95 * math.sqrt(float(variance))
    return percent_interval(
        tau, max(half, floor) if math.isfinite(half) else half, df, "t interval of weighed cans"
    )


def _sentences(
    verdict: str,
    gap: Interval,
    source: str,
    smallest: float,
    values: dict[str, float],
    study: Study,
) -> tuple[str, ...]:
    said = []
    bounds = "" if gap.low is None else f" ({gap.low:+.1f} to {gap.high:+.1f} %)"
    figure = f"{gap.estimate:+.1f} %{bounds}"
    if verdict == "none":
        said.append(
            "No fill or can could be held against the computed fuel of both arms, so nothing is "
            "known of their agreement."
        )
    elif gap.low is None:
        said.append(
            f"Against {source}, the arms can't be told apart: there are too few tanks or cans, or "
            "every tank holds much the same mix of both arms. This is no agreement."
        )
    elif verdict == "uninformative":
        said.append(
            f"Against {source}, the arms differ by {figure}: too wide to say anything, since this "
            f"study can find changes of {smallest:.1f} %. This is no agreement."
        )
    elif verdict == "gap":
        said.append(
            f"Against {source}, real fuel per computed fuel differs between the arms by {figure}: "
            "the add-on, or something that came with it, bends what the fuel figure comes from."
        )
    else:
        said.append(
            f"Against {source}, real fuel per computed fuel is the same in both arms within its "
            f"error: {figure}, narrower than the smallest detectable change of {smallest:.1f} %."
        )
    if "scale" in values:
        said.append(
            f"The car burned {values['scale']:.3f} ({values['scale_low']:.3f} to "
            f"{values['scale_high']:.3f}) litres for each litre computed, both arms taken alike, "
            "so the percent change isn't touched. " + _scale_advice(values, study)
        )
    if "fill_repeatability_l" in values:
        said.append(_level_said(values))
    return tuple(said)


def _level_said(values: dict[str, float]) -> str:
    shown, stated = (values.get(f"fill_repeatability_{k}_l") for k in ("estimated", "stated"))
    if shown is None:
        how = "assumed" if stated is None else "stated"
        return (
            f"'Full' is {how} to repeat within {values['fill_repeatability_l']:.2f} L: there are "
            "too few tanks to show it."
        )
    least = "" if stated is None else f", and no less than the {stated:.2f} L stated is taken"
    return f"These tanks scatter as if 'full' repeated within {shown:.2f} L{least}."


def _scale_advice(values: dict[str, float], study: Study) -> str:
    if values["scale_low"] <= 1 <= values["scale_high"]:
        return "That is one within its error: leave vehicle.fuel_scale as it is."
    scale = study.vehicle.fuel_scale * values["scale"]
    return f"To bring the litres to what was filled, set vehicle.fuel_scale = {scale:.3f}."


def _blocking(verdict: str, gap: Interval, source: str) -> tuple[str, ...]:
    return (gap_veto(gap, source),) if verdict == "gap" else ()


def gap_veto(gap: Interval, source: str) -> Veto:
    """What forbids a firm word where measured and computed fuel part between the arms."""
    return Veto(
        f"undecided: closure gap: against {source}, real fuel per computed fuel differs "
        f"between the arms by {gap.estimate:+.1f} % ({gap.low:+.1f} to {gap.high:+.1f} %), so "
        "the add-on may bend the signals that the fuel figure comes from",
        Against.FUEL_DISAGREES(),
    )
