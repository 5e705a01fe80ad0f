"""What the days available can show, and what loose protocol costs in days.

The scatter of fuel use (from a pilot, or a working assumption by type of road) and the order of
arms go in; chances of each final word, the expected interval, the smallest claim that can be
refuted by number of days, and the price of each known loss of precision come out. All of it is
read off simulated studies (`roadlog.plan.promise`).
"""

import math
from dataclasses import dataclass, replace

import numpy as np

from roadlog.errors import DesignError
from roadlog.plan.promise import (
    STUDIES,
    Order,
    Scatter,
    Simulated,
    needed_units,
    refutable_by_units,
    simulate,
    typical_order,
)
from roadlog.plan.result import ChanceOfWord
from roadlog.stats.unit_contrast import LEAST_DF
from roadlog.study.car import Claim
from roadlog.study.settings import Plan, RoadType
from roadlog.wording.progress import bar

CURVE_DAYS = range(6, 31, 2)

# Standard deviations from day to day and from run to run [log fuel]; common practice, no source.
# Within the range that docs/calibration.md covers; town traffic scatters most.
ASSUMED_SD: dict[RoadType, tuple[float, float]] = {
    "motorway": (0.010, 0.010),
    "mixed": (0.015, 0.015),
    "town": (0.020, 0.025),
}
METERING_SD = 0.008  # wind and metering of a unit, on the simulated studies of docs/method.md


@dataclass(frozen=True)
class UnitPlan:
    """What one switch unit holds once the washout is set aside."""

    runs_per_unit: float
    block_size: int


@dataclass(frozen=True)
class Size:
    """What an order of switch units can show.

    `half_width_pct` is the 95 % interval's median half-width [% of fuel]; `refutable_pct` the
    smallest claim [% of fuel, negative] refuted 4 times out of 5 if the add-on does nothing, and
    `detectable_pct` the smallest saving [%] whose interval leaves zero out 4 times out of 5.
    `chances` are for true effects of nothing, half the claim, the claim, twice the claim (empty
    without one); `needed` the fewest units that refute it 4 times out of 5 (None: not with 400, or
    no claim).
    """

    units: int
    df: int
    half_width_pct: float
    refutable_pct: float
    detectable_pct: float
    chances: tuple[ChanceOfWord, ...]
    needed: int | None

    @property
    def settles(self) -> float | None:
        """Chance to refute the claim if the add-on does nothing; None without a claim."""
        return self.chances[0].refuted if self.chances else None


@dataclass(frozen=True)
class Loss:
    """A known loss of precision: in words, and the units needed with it (None: not with 400)."""

    words: str
    needed: int | None


def assumed_scatter(road: RoadType, runs_per_unit: float) -> Scatter:
    """Scatter without a pilot: day and runs of a type of road, with metering.

    >>> round(assumed_scatter("mixed", 2).unit_sd, 3)
    0.02
    """
    day, run = ASSUMED_SD[road]
    return Scatter(
        unit_sd=math.sqrt(day**2 + run**2 / runs_per_unit + METERING_SD**2),
        source=f"working assumption for a {road} route: common practice, no source; a pilot is "
        "better",
    )


def unit_plan(plan: Plan, washout_km: float) -> UnitPlan:
    """Runs that each switch unit contributes.

    Raises
    ------
    DesignError
        If the washout takes more than half of what is driven between two switches.

    >>> unit_plan(Plan(runs_per_day=2, km_per_run=15), 0)
    UnitPlan(runs_per_unit=2.0, block_size=4)
    """
    km = plan.days_per_unit * plan.runs_per_day * plan.km_per_run
    if washout_km > km / 2:
        days = math.ceil(2 * washout_km / (plan.runs_per_day * plan.km_per_run))
        raise DesignError(
            f"the washout of {washout_km:g} km takes more than half of the {km:g} km between two "
            f"switches: set days_per_unit = {days} in [plan], or drive more a day"
        )
    return UnitPlan(runs_per_unit=(km - washout_km) / plan.km_per_run, block_size=plan.block_size)


def size(order: Order, scatter: Scatter, layout: UnitPlan, claim: Claim | None) -> Size:
    """What this order of arms can show.

    Raises
    ------
    DesignError
        If the units are too few for any interval.
    """
    found = simulate(order, scatter)
    return Size(
        units=len(order.arm),
        df=order.df,
        half_width_pct=100 * math.sinh(float(np.median(found.half))),
        refutable_pct=100 * math.expm1(found.refutable()),
        detectable_pct=-100 * math.expm1(-float(np.quantile(found.high, 0.8))),
        chances=() if claim is None else chances(found, claim),
        needed=None if claim is None else needed_units(log_of(claim), scatter, layout.block_size),
    )


def chances(found: Simulated, claim: Claim) -> tuple[ChanceOfWord, ...]:
    """Each word's chance if the add-on does nothing, half the claim, the claim, twice the claim."""
    c = log_of(claim)
    truths = (0.0, *(share * claim.fuel_use_change_pct for share in (0.5, 1.0, 2.0)))
    out = []
    for t in (t for t in truths if t > -100):
        effect = math.log1p(t / 100)
        refuted, supported = found.refuted(c, effect), found.supported(c, effect)
        out.append(ChanceOfWord(t, refuted, supported, max(0.0, 1 - refuted - supported)))
    return tuple(out)


def refutable_curve(
    scatter: Scatter, layout: UnitPlan, *, progress: bool = False
) -> dict[int, float]:
    """Smallest claim [% of fuel] refuted 4 times out of 5, by number of switch units."""
    units = bar(CURVE_DAYS, "planning", progress)
    found = refutable_by_units(scatter, layout.block_size, units)
    return {n: 100 * math.expm1(x) for n, x in found.items()}


def settling_curve(scatter: Scatter, layout: UnitPlan, claim: Claim) -> dict[int, float]:
    """Chance to refute the claim if the add-on does nothing, by number of switch units."""
    found = {}
    for n in CURVE_DAYS:
        order = typical_order(n, layout.block_size)
        if order.df >= LEAST_DF:
            found[n] = simulate(order, scatter, studies=STUDIES // 2).refuted(log_of(claim))
    return found


def log_of(claim: Claim) -> float:
    """The claim as a log ratio of fuel use."""
    return math.log1p(claim.fuel_use_change_pct / 100)


# Run errors on public trips of one car (1.5 litres, manual, hot climate; docs/planning.md): share
# of time with the air conditioning on known to 0.066 a run, worth 30 % of a run's fuel; on for 0 to
# 60 % of the time, any share alike, where nothing tells; no positions, from 22 commutes.
_ACCESSORY_KNOWN_RUN = 0.30 * 0.066
_ACCESSORY_UNKNOWN_DAY = 0.30 * 0.60 / math.sqrt(12)
_NO_POSITIONS_DAY = 0.027
# Out and back differ by wind: what a unit scatters where it holds one direction only.
_ONE_DIRECTION_DAY = 0.024


def losses(scatter: Scatter, layout: UnitPlan, claim: Claim) -> list[Loss]:
    """What loose protocol costs, the dearest first: units needed to refute the claim."""
    day = scatter.unit_sd
    known = _ACCESSORY_KNOWN_RUN / math.sqrt(layout.runs_per_unit)
    worse = [
        ("air conditioning used at will, unnoted", math.hypot(day, _ACCESSORY_UNKNOWN_DAY)),
        ("air conditioning used at will, but noted or seen at idle", math.hypot(day, known)),
        ("logs without positions", max(day, _NO_POSITIONS_DAY)),
        ("one direction only", max(day, _ONE_DIRECTION_DAY)),
    ]
    return [
        Loss(words, needed_units(log_of(claim), replace(scatter, unit_sd=sd), layout.block_size))
        for words, sd in sorted(worse, key=lambda kind: -kind[1])
        if sd > day
    ]
