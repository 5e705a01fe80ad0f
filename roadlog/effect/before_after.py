"""What the order of arms forbids: findings from one change, or from an add-on that stays behind.

In go the runs in order of time and the effect; out come the sentences that forbid a firm finding,
and the effect without intervals where the arm changed once. One change can't tell the add-on from
whatever else changed at that time, and the scatter between days says nothing about it (method
section 5, before/after and carry-over).
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from roadlog.effect.result import EffectResult
from roadlog.quantities.against import Against
from roadlog.quantities.facts import Veto, Warned
from roadlog.stats.interval import Interval, NamedInterval
from roadlog.study.car import Device

ONE_CHANGE = Veto(
    "undecided: before and after with one change between them: whatever else changed at that time "
    "(weather, tyres, fuel, traffic) can't be told from the add-on; switch it in and out again, in "
    "an order that chance draws, or, if it stays for good, drive a second car beside this one that "
    "never gets it (roadlog plan)",
    Against.ONCE(),
)
METHOD = "before and after with one change between them: no interval"


def changed_once(runs: pd.DataFrame, randomised: bool, *, in_order: bool = False) -> bool:
    """Whether each arm is one unbroken stretch, and chance didn't make it so.

    Parameters
    ----------
    runs : DataFrame
        `arm` and `start`, in order of time; where there is `used`, only runs that count are
        looked at.
    randomised : bool
    in_order : bool
        Whether runs without a start are in order of time too; else nothing is concluded from them.

    >>> days = pd.to_datetime(["2026-03-02", "2026-03-03", "2026-03-04"])
    >>> runs = pd.DataFrame({"arm": ["baseline", "baseline", "fitted"], "start": days})
    >>> changed_once(runs, randomised=False)
    True
    """
    counted = runs[runs["used"].astype(bool)] if "used" in runs else runs
    if randomised or (not in_order and counted["start"].isna().any()):
        return False
    arm = counted["arm"]
    return int((arm != arm.shift()).sum()) == 2


def without_intervals(effect: EffectResult) -> EffectResult:
    """The effect with its estimates alone; drift and scatter between days stay to be seen."""
    return replace(
        effect,
        primary=_estimate_only(effect.primary),
        total=_estimate_only(effect.total),
        unadjusted=_estimate_only(effect.unadjusted),
        forest=estimates_only(effect.forest),
        road_speed=_without_bounds(effect.road_speed),
        conditions=_without_bounds(effect.conditions),
        build_up=_without_bounds(effect.build_up),
        smallest_detectable_pct=float("nan"),
        warnings=(
            Warned(
                "before-after",
                "the add-on was fitted once and stayed in (or was taken out once), so the days "
                "are no independent trials of it: there is no interval, and no finding",
            ),
            *effect.warnings,
        ),
    )


def estimates_only(rows: Sequence[NamedInterval]) -> tuple[NamedInterval, ...]:
    """Rows of the interval plot without their intervals."""
    return tuple(replace(r, interval=_estimate_only(r.interval)) for r in rows)


def forbidden_by_order(device: Device, runs: pd.DataFrame, randomised: bool) -> list[str]:
    """Why the order of arms forbids a firm finding; empty if it doesn't.

    Parameters
    ----------
    device : Device
        With its declared `carry_over`.
    runs : DataFrame
        `arm` and `switch_unit`, in order of time.
    randomised : bool
    """
    once = [ONE_CHANGE] if changed_once(runs, randomised) else []
    return [*once, *_left_behind(device, runs)]


def _left_behind(device: Device, runs: pd.DataFrame) -> list[str]:
    """Baseline driving after a permanent add-on went in for the first time."""
    fitted = (runs["arm"] == "fitted").to_numpy()
    if device.carry_over != "permanent" or not fitted.any():
        return []
    first = int(np.argmax(fitted))
    baseline = runs[~fitted]["switch_unit"].nunique()
    late = runs[first:][~fitted[first:]]["switch_unit"].nunique()
    if not late:
        return []
    return [
        Veto(
            f"undecided: {device.name} is declared permanent (carry_over in [device]), and {late} "
            f"of {baseline} baseline switch units came after it was first fitted "
            f"({runs['switch_unit'].iloc[first]}): what it left in the car counts for both arms, "
            "so the change may be understated; compare the time before it with the time after it, "
            "beside a car without it (roadlog plan)",
            Against.LEFT_FOR_GOOD(),
        )
    ]


def _without_bounds(table: pd.DataFrame) -> pd.DataFrame:
    """A table of differences without their bounds."""
    bounds = [c for c in ("low", "high", "p") if c in table.columns]
    return table.assign(**dict.fromkeys(bounds, np.nan))


def _estimate_only(interval: Interval) -> Interval:
    return Interval(interval.estimate, None, None, interval.df, METHOD)
