"""What a control car buys: the plan of two cars, with and without the second one.

The scatter of one car's days and how far two cars' days go together come in; the interval and the
smallest claim that can be refuted come out, simulated by the analysis's own rule
(`roadlog.effect.two_cars`), with the days of both cars.
"""

import datetime as dt
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from roadlog.effect.held_equal import SHARE_OF_DRIVING
from roadlog.effect.two_cars import ONE_CAR_ALONE
from roadlog.errors import DesignError
from roadlog.plan.promise import Scatter
from roadlog.plan.schedule import driving_days
from roadlog.plan.size import log_of
from roadlog.plan.together import Together, assumed
from roadlog.stats.periods import LEAST_IN_PERIOD, contrast_periods
from roadlog.study.settings import Schedule, ScheduleUnit, Study

ASSUMED_TOGETHER = (0.3, 0.6, 0.9)  # of two cars' days; common practice, no source
STUDIES = 500
SEED = 1
RELIABLE = 0.8
CURVE_DAYS = (4, 6, 8, 10, 14, 20)  # in each period, that sizes are shown for


@dataclass(frozen=True)
class TwoCarSize:
    """What two cars show if the add-on does nothing.

    `half_width_pct` is the 95 % interval's median half-width [% of fuel]; `refutable_pct` the
    smallest claim [% of fuel, negative] refuted 4 times out of 5, `refuted` how often the study's
    claim is (None without one).
    """

    together: float
    half_width_pct: float
    refutable_pct: float
    refuted: float | None


@dataclass(frozen=True)
class TwoCarSizes:
    """`TwoCarSize` by how far the cars' days go together, the pilot's first where there is one.

    `periods` are the days of each, with the `washout_days` after a switch that don't count.
    """

    periods: tuple[int, ...]
    washout_days: int
    by_way: tuple[tuple[Together, TwoCarSize], ...]


def periods_of(days: int, *, again: bool, washout_days: int = 0) -> tuple[int, ...]:
    """Days of each period: half without and half with, or thirds there and back.

    Each period after a switch has `washout_days` more, which don't count.

    >>> periods_of(20, again=False), periods_of(20, again=True)
    ((10, 10), (7, 6, 7))
    >>> periods_of(24, again=True, washout_days=2)
    (7, 8, 9)
    """
    counted = days - (2 if again else 1) * washout_days
    if not again:
        return counted - counted // 2, counted // 2 + washout_days
    outer = math.ceil(counted / 3)
    return outer, counted - 2 * outer + washout_days, outer + washout_days


def counted_days(periods: Sequence[int], washout_days: int) -> tuple[int, ...]:
    """Days of each period that count.

    >>> counted_days((7, 8, 9), 2)
    (7, 6, 7)
    """
    return periods[0], *(n - washout_days for n in periods[1:])


def washout_days(study: Study) -> int:
    """Driving days that a switch takes until the device's effect is gone, or there."""
    plan = study.plan
    return math.ceil(study.device.washout_km / (plan.runs_per_day * plan.km_per_run))


def two_car_size(
    periods: Sequence[int],
    scatter: Scatter,
    together: Together,
    claim_log: float | None,
    studies: int | None = None,
) -> TwoCarSize | None:
    """Simulate studies of an add-on that does nothing; None where a period is too short.

    Parameters
    ----------
    periods : sequence of int
        Days that count of two periods (one change) or three (there and back).
    scatter : Scatter
        Of the test car's days.
    together : Together
        Scatter of the two cars' days.
    claim_log : float, optional
        The claim as a log ratio.
    studies : int, optional
        By default as many as the plan simulates.
    """
    if min(periods) < LEAST_IN_PERIOD:
        return None
    rng = np.random.default_rng(SEED)
    n, again = sum(periods), len(periods) == 3
    signs = (-0.5, 1.0, -0.5) if again else (-1.0, 1.0)
    cuts = np.cumsum(periods)[:-1]
    n_studies = STUDIES if studies is None else studies
    half, bound = np.empty(n_studies), np.empty(n_studies)
    spread = sum(s**2 / p for s, p in zip(signs, periods, strict=True))
    of_driving = scatter.driving_sd * math.sqrt(2 * spread)
    for i in range(n_studies):
        test, control = together.drawn(rng) @ rng.standard_normal((2, n))
        apart = np.split(test - control, cuts)
        found = contrast_periods(apart, signs)
        alone = contrast_periods(np.split(control, cuts), signs).tau
        one = abs(apart[2].mean() - apart[0].mean()) / 2 if again else ONE_CAR_ALONE
        margin = SHARE_OF_DRIVING * abs(of_driving * rng.standard_normal()) + one
        half[i] = found.half
        bound[i] = found.tau - found.half - margin - max(0.0, -alone)
    return TwoCarSize(
        together=together.correlation,
        half_width_pct=100 * math.sinh(float(np.median(half))),
        refutable_pct=100 * math.expm1(float(np.quantile(bound, 1 - RELIABLE))),
        refuted=None if claim_log is None else float(np.mean(bound > claim_log)),
    )


def two_car_sizes(study: Study, scatter: Scatter, pilot: Together | None) -> TwoCarSizes:
    """What two cars show in the study's days, or in the fewest that there can be.

    Parameters
    ----------
    pilot : Together, optional
        What a pilot of both cars says.
    """
    claim = None if study.claim is None else log_of(study.claim)
    again, washout = study.plan.order == "there-and-back", washout_days(study)
    least = LEAST_IN_PERIOD * (3 if again else 2) + washout * (2 if again else 1)
    periods = periods_of(max(least, study.plan.days), again=again, washout_days=washout)
    counted = counted_days(periods, washout)
    known = [] if pilot is None else [pilot]
    ways = [*known, *(assumed(r, scatter.unit_sd, scatter.df) for r in ASSUMED_TOGETHER)]
    sizes = [(way, two_car_size(counted, scatter, way, claim)) for way in ways]
    return TwoCarSizes(periods, washout, tuple((w, s) for w, s in sizes if s is not None))


def sizes_by_days(study: Study, scatter: Scatter, together: Together) -> dict[int, TwoCarSize]:
    """`two_car_size` by the days that both cars drive, half of its studies each."""
    claim = None if study.claim is None else log_of(study.claim)
    again, washout = study.plan.order == "there-and-back", washout_days(study)
    found = {}
    for in_each in CURVE_DAYS:
        days = in_each * (3 if again else 2) + washout * (2 if again else 1)
        counted = counted_days(periods_of(days, again=again, washout_days=washout), washout)
        size = two_car_size(counted, scatter, together, claim, STUDIES // 2)
        if size is not None:
            found[days] = size
    return found


def planned_periods(study: Study, today: dt.date) -> Schedule:
    """The schedule of both cars on the study's days, from its start or the day after `today`.

    Raises
    ------
    DesignError
        If a period is too short for an interval.
    """
    days = driving_days(study.plan, study.plan.start or today + dt.timedelta(days=1))
    again, washout = study.plan.order == "there-and-back", washout_days(study)
    return schedule_of_periods(
        days, periods_of(len(days), again=again, washout_days=washout), washout
    )


def schedule_of_periods(
    days: Sequence[dt.date], periods: Sequence[int], washout: int = 0
) -> Schedule:
    """The schedule of both cars: baseline, then fitted on the test car (then baseline again).

    Raises
    ------
    DesignError
        If a period is too short for an interval.
    """
    if min(counted_days(periods, washout)) < LEAST_IN_PERIOD:
        least = LEAST_IN_PERIOD * len(periods) + washout * (len(periods) - 1)
        told = " and what the washout takes" if washout else ""
        raise DesignError(
            f"{len(days)} days are too few for {len(periods)} periods: one of under "
            f"{LEAST_IN_PERIOD} days{told} gives no interval: plan {least} days or more"
        )
    arms = [("baseline", "fitted")[k % 2] for k, n in enumerate(periods) for _ in range(n)]
    units = tuple(
        ScheduleUnit.model_validate({"unit": day, "arm": arm})
        for day, arm in zip(days, arms, strict=True)
    )
    return Schedule(switched_by="day", randomised=False, unit=units)
