"""Two cars' fuel as it was filled or weighed: the change of their ratio between the arms.

Each car's ledger and both cars' runs go in; litres or kilograms over distance of what lies wholly
in one arm come out, and how the ratio of test car to control car changed. Nothing is adjusted: it
stands beside the ratio of computed fuel, which a bent signal can bend.
"""

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Literal

import pandas as pd

from roadlog.closure.ledger import Ledger, refuse_unplaced, tanks
from roadlog.quantities.arms import ARMS
from roadlog.study.settings import LedgerRule

Kind = Literal["filled", "weighed"]
FULL_REPEATS_L = 0.5  # where [ledger] doesn't say; no source


@dataclass(frozen=True)
class OfArm:
    """What one car burned in one arm: litres or kilograms, km, tanks or cans."""

    fuel: float
    km: float
    pieces: int


@dataclass(frozen=True)
class MeasuredRatio:
    """The change of the ratio of test car to control car [%], minus is less.

    `error_pct` is half of the 95 % interval that the measuring alone makes; how days scatter isn't
    in it. `test` and `control` have what lies in each arm; `left_out` are tanks and cans that hold
    both arms, or no distance.
    """

    kind: Kind
    change_pct: float
    error_pct: float
    test: Mapping[str, OfArm]
    control: Mapping[str, OfArm]
    left_out: int


@dataclass(frozen=True)
class _Piece:
    arm: str  # "" where it holds both arms or none
    fuel: float
    km: float


def measured_ratio(
    test: Ledger,
    control: Ledger,
    test_runs: pd.DataFrame,
    control_runs: pd.DataFrame,
    rule: LedgerRule,
) -> MeasuredRatio | str:
    """Cans where both cars have some in both arms, else tanks; else why there is neither.

    Parameters
    ----------
    test, control : Ledger
    test_runs, control_runs : DataFrame
        `tables.RUNS`, used and unused; the arm of a day is the test car's.

    Raises
    ------
    InputError
        If a fill can't be put before or after a run.
    """
    if not control:
        return "no fills or cans of the control car are here (control_fills.csv, control_cans.csv)"
    if not test:
        return "no fills or cans of the test car are here (fills.csv, cans.csv)"
    refuse_unplaced(control.fills, control_runs)
    ways: tuple[Kind, ...] = ("weighed", "filled")
    for kind in ways:
        of = _cans if kind == "weighed" else _tanks
        pieces = [
            list(of(ledger, runs, test_runs))
            for ledger, runs in ((test, test_runs), (control, control_runs))
        ]
        sums = [_by_arm(p) for p in pieces]
        if all(s[arm].pieces for s in sums for arm in ARMS):
            left = sum(not p.arm for mine in pieces for p in mine)
            return _compared(kind, sums[0], sums[1], left, rule)
    return (
        "no arm of both cars has a tank or can of its own: fill both cars to full before the first "
        "drive, at each switch and after the last, or weigh cans"
    )


def _cans(ledger: Ledger, runs: pd.DataFrame, test: pd.DataFrame) -> Iterator[_Piece]:
    bare = runs["file"].astype(str).str.split("/").str[-1]
    for can in ledger.cans:
        if can.run is not None:
            name = can.run.split("/")[-1]
            mine = runs[((runs["file"] == can.run) | (bare == name)).to_numpy(bool)]
        else:
            mine = runs[(runs["day"].astype(str) == str(can.unit)).to_numpy(bool)]
        arms = set(test.loc[test["day"].isin(mine["day"]), "arm"])
        km = float(mine["km"].sum()) if can.km is None else can.km
        yield _piece(arms, can.before_kg - can.after_kg, km)


def _tanks(ledger: Ledger, runs: pd.DataFrame, test: pd.DataFrame) -> Iterator[_Piece]:
    for tank in tanks(ledger.fills):
        inside = [r[(r["start"] >= tank.start) & (r["start"] < tank.end)] for r in (runs, test)]
        days = set(inside[0]["day"])
        arms = set(test.loc[test["day"].isin(days), "arm"]) | set(inside[1]["arm"])
        km = tank.odometer_km
        yield _piece(arms, tank.litres, km if math.isfinite(km) else float(inside[0]["km"].sum()))


def _piece(arms: set[str], fuel: float, km: float) -> _Piece:
    whole = len(arms) == 1 and km > 0
    return _Piece(next(iter(arms)) if whole else "", fuel, km)


def _by_arm(pieces: list[_Piece]) -> dict[str, OfArm]:
    of = {arm: [p for p in pieces if p.arm == arm] for arm in ARMS}
    return {
        arm: OfArm(sum(p.fuel for p in mine), sum(p.km for p in mine), len(mine))
        for arm, mine in of.items()
    }


def _compared(
    kind: Kind,
    test: Mapping[str, OfArm],
    control: Mapping[str, OfArm],
    left: int,
    rule: LedgerRule,
) -> MeasuredRatio:
    ratio = {
        arm: (test[arm].fuel / test[arm].km) / (control[arm].fuel / control[arm].km) for arm in ARMS
    }
    change = ratio["fitted"] / ratio["baseline"]
    variance = 0.0
    for car in (test, control):
        for mine in car.values():
            if kind == "filled":  # levels between two tanks of an arm cancel
                variance += 2 * ((rule.fill_repeatability_l or FULL_REPEATS_L) / mine.fuel) ** 2
            else:
                variance += 2 * mine.pieces * (rule.scale_error_kg / mine.fuel) ** 2
    error = 1.96 * math.sqrt(variance) * change
    return MeasuredRatio(kind, 100 * (change - 1), 100 * error, test, control, left)
