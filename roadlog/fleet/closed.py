"""The fleet's computed fuel against the fuel that was filled: how far it bends with the arm.

Each vehicle's `Filled` goes in; out comes the bend of the mean with its interval, by the fleet's
own design, what it says of the fuel figure as for one car (`roadlog.closure.against_fuel`), and
the vehicles whose own fills and figure part.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from roadlog.closure.against_fuel import gap_veto, judge
from roadlog.closure.evidence import beyond_chance
from roadlog.closure.of_tanks import NOTHING
from roadlog.closure.result import Closure
from roadlog.errors import FitError
from roadlog.fleet.contrast import t_half
from roadlog.fleet.design import FleetDesign
from roadlog.fleet.estimators import estimate_in_its_place
from roadlog.fleet.filled import Filled
from roadlog.fleet.vehicle import Figures, VehicleUnits
from roadlog.quantities.against import Against
from roadlog.quantities.facts import Fact, Veto
from roadlog.stats.between import LEAST_VEHICLES, fit_between
from roadlog.stats.interval import Interval, p_of, percent_interval
from roadlog.stats.moderated import moderate
from roadlog.wording.numbers import percent, signed

_LEAST_DF = 2  # of a vehicle's tanks, for its own gap to be told from chance
COLUMNS = ("vehicle", "fills", "tanks", "tanks_used", "litres", "scale", "gap_pct", "gap_low_pct",
           "gap_high_pct", "apart", "why")  # fmt: skip


@dataclass(frozen=True)
class FilledFuel:
    """The computed fuel of a fleet held against fills.

    `gap` is real fuel per computed fuel, fitted over baseline [%], of the mean over vehicles;
    `verdict` agrees, gap, uninformative or none; `said` plain sentences. `vehicles` has a row each:
    `vehicle`, `fills`, `tanks`, `tanks_used`, `litres` (of used tanks), `scale` (litres filled for
    each computed), `gap_pct` with bounds (its own), `apart` (beyond chance), `why` it says nothing.
    `left_out` lists fills that don't count as they stand: `vehicle`, `what`, `code`, `why`.
    """

    gap: Interval
    verdict: str
    said: tuple[str, ...]
    vehicles: pd.DataFrame
    left_out: pd.DataFrame = field(default_factory=pd.DataFrame)


def bend_of(filled: Sequence[Filled], design: FleetDesign) -> Interval:
    """How far real fuel per computed fuel changes with the arm, on the mean of these vehicles [%].

    Within vehicles each gives the ratio of its own arms by regression over tanks, as for one car;
    else tanks in one arm take the place of switch units in the design's own estimator, so that what
    changes for all with the season isn't taken for the arm.
    """
    ordered = sorted(filled, key=lambda f: f.vehicle)
    if design.switched == "within":
        return _within([f for f in ordered if silent(f, design) is None])
    units = [u for f in ordered if (u := _units(f, design)) is not None]
    found = estimate_in_its_place(units, design)
    if found is None:
        return NOTHING
    return percent_interval(found.tau, found.half, found.df, "tanks in one arm, by vehicles")


def _within(filled: Sequence[Filled]) -> Interval:
    ratios = [f.ratio for f in filled if f.ratio is not None]
    if len(ratios) < LEAST_VEHICLES:
        return NOTHING
    squares = np.array([r.squares for r in ratios])
    df = np.array([float(r.df) for r in ratios])
    noise = np.array([r.noise for r in ratios]) * moderate(squares, df).relative
    values = np.array([r.log for r in ratios])
    try:
        fit = fit_between(values, noise, float(squares.sum()), float(df.sum()))
    except FitError:
        return NOTHING
    se, nu = fit.robust
    return percent_interval(
        fit.mean,
        float(t_half(se, nu)),
        nu,
        f"regression over tanks, mean of {len(ratios)} vehicles",
    )


def _units(filled: Filled, design: FleetDesign) -> VehicleUnits | None:
    """Tanks in one arm as if they were switch units; the log of litres over computed ones."""
    n = len(filled.arm)
    if silent(filled, design) is not None or n < _LEAST_DF:
        return None
    order = np.argsort(filled.day, kind="stable")
    log, ml = filled.log[order], filled.ml[order]
    figures = Figures(
        arm=filled.arm[order], day=filled.day[order], fixed=np.ones((n, 1)), value=log, total=log,
        physical=log, level=log, expected_ml=ml, burned_ml=ml, km=ml, air_c=np.full(n, np.nan),
        pass_variance=np.full(n, np.nan), digest=np.zeros(n, dtype=np.uint64),
    )  # fmt: skip
    return VehicleUnits(filled.vehicle, units=tuple(map(str, range(n))), figures=figures, passes=n)


def apart(filled: Sequence[Filled]) -> list[str]:
    """Vehicles whose own fills and computed fuel part between the arms by more than chance.

    5 % is shared over all vehicles (Bonferroni), so that of sound fleets one in twenty has one.
    """
    rows = {}
    for f in filled:
        g = f.gap
        if f.why is None and g.low is not None and g.high is not None and g.df >= _LEAST_DF:
            low, middle, high = np.log1p(np.array([g.low, g.estimate, g.high]) / 100)
            rows[f.vehicle] = p_of(float(middle), float(high - low) / 2, g.df)
    found = pd.Series(rows, dtype=float)
    return [str(v) for v in found[beyond_chance(found)].index]


def parted(filled: Sequence[Filled]) -> tuple[tuple[str, ...], Veto] | None:
    """The vehicles of `apart`, and why no word may rest on them."""
    names = apart(filled)
    if not names:
        return None
    most = max((f for f in filled if f.vehicle in names), key=lambda f: abs(f.gap.estimate))
    said = f"by {most.gap.estimate:+.1f} %" + (f" in {most.vehicle}" if len(names) > 1 else "")
    return tuple(names), Veto(
        "undecided: fuel filled for each litre computed differs between the arms by more than "
        f"chance makes it ({said}): look at the receipts, the logs' units and the sensors",
        Against.FUEL_DISAGREES(),
    )


def filled_fuel(
    every: Sequence[Filled | None], design: FleetDesign, smallest_pct: float
) -> FilledFuel | None:
    """What fills say of a fleet's computed fuel; None without any.

    Parameters
    ----------
    smallest_pct : float
        What the fleet's test can find [% fuel use].
    """
    filled = [f for f in every if f is not None]
    if not any(f.fills for f in filled):
        return None
    gap = bend_of(filled, design)
    verdict = judge(gap, smallest_pct)
    beyond = apart(filled)
    rows = [
        _row(f, f.vehicle in beyond, silent(f, design))
        for f in sorted(filled, key=lambda f: f.vehicle)
    ]
    vehicles = pd.DataFrame(rows, columns=list(COLUMNS))
    out = [(f.vehicle, what, w.code.name, str(w)) for f in filled for what, w in f.told]
    left_out = pd.DataFrame(out, columns=["vehicle", "what", "code", "why"])
    return FilledFuel(
        gap, verdict, _said(gap, verdict, vehicles, smallest_pct), vehicles,
        left_out.sort_values(["vehicle", "what"], kind="stable", ignore_index=True),
    )  # fmt: skip


def silent(filled: Filled, design: FleetDesign) -> Fact | None:
    """Why a vehicle's fills tell nothing of what the design compares, None if they do."""
    if design.switched == "within" or len(filled.arm) < _LEAST_DF:
        return filled.why
    return None


def _row(f: Filled, beyond: bool, why: Fact | None) -> tuple[object, ...]:
    used = f.tanks[f.tanks["used"].astype(bool)] if len(f.tanks) else f.tanks
    g = f.gap
    nan = float("nan")
    return (
        f.vehicle, f.fills, len(f.tanks), len(used),
        float(used["litres"].sum()) if len(used) else 0.0, f.scale, g.estimate,
        nan if g.low is None else g.low, nan if g.high is None else g.high, beyond,
        "" if why is None else str(why),
    )  # fmt: skip


def _said(
    gap: Interval, verdict: str, vehicles: pd.DataFrame, smallest_pct: float
) -> tuple[str, ...]:
    sound = vehicles[vehicles["why"] == ""]
    tanks, n = int(sound["tanks_used"].sum()), len(sound)
    of = f"{tanks:,} tanks of {n:,} of {len(vehicles):,} vehicles"
    if not n:
        return ("No vehicle's fills can be held against its computed fuel.",)
    if gap.low is None or gap.high is None:
        return (
            f"From {of} it can't be told whether fuel filled and fuel computed keep the same ratio "
            "with the add-on and without it. This is no agreement.",
        )
    figure = f"{percent(gap.estimate)} ({signed(gap.low)} to {percent(gap.high)})"
    told = {
        "gap": (
            f"Held against {of}, fuel filled for each litre computed changes with the add-on by "
            f"{figure}: the add-on, or something that came with it, bends what the fuel figure "
            "comes from."
        ),
        "agrees": (
            f"Held against {of}, fuel filled for each litre computed is the same with the add-on "
            f"and without it within its error: {figure}, narrower than the {smallest_pct:.1f} % "
            "that this test can find."
        ),
        "uninformative": (
            f"Held against {of}, fuel filled for each litre computed changes with the add-on by "
            f"{figure}: too wide to say anything, since this test can find changes of "
            f"{smallest_pct:.1f} %. This is no agreement."
        ),
    }
    return (told[verdict],)


def closure_of(gap: Interval, smallest_pct: float) -> Closure:
    """A gap as one car's closure has it."""
    none = pd.DataFrame()
    return Closure(judge(gap, smallest_pct), gap, {}, none, none, (), ())


def fleet_gap(fuel: FilledFuel | None) -> list[Veto]:
    """What forbids a word where fills and computed fuel part on the fleet's mean."""
    if fuel is None or fuel.verdict != "gap":
        return []
    return [gap_veto(fuel.gap, "fuel filled")]
