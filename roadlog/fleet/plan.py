"""How large a fleet's test has to be, and its schedule drawn by chance.

Vehicles, days and scatter go in; what each design's interval would be and the chance that it
settles the claim come out, from the formulas of the model (docs/fleet.md). The draw gives each
vehicle its own days, arm or turn, as the table of days that `[fleet] schedule` names.
"""

import datetime as dt
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import get_args

import numpy as np

from roadlog.errors import DesignError
from roadlog.fleet.contrast import t_half
from roadlog.quantities.arms import ARMS
from roadlog.quantities.arrays import Floats
from roadlog.stats.between import LEAST_VEHICLES
from roadlog.stats.interval import percent, satterthwaite
from roadlog.stats.rollout import impute
from roadlog.study.fleet import Switching

DESIGNS: tuple[Switching, ...] = get_args(Switching)
SPREAD_PCT = 1.0  # sd of vehicles' own effects; no source: a pilot fleet tells it
LEAST_DAYS = 4
STUDIES = 2_000
_DAY_SEED = 20260302  # of the studies, so that the same question has the same answer


@dataclass(frozen=True)
class FleetSize:
    """What one design can show: half of the 95 % interval of the mean, and of the next vehicle [%].

    `settles` is the chance to refute the claim if the add-on does nothing, whichever vehicle is
    left out; None without a claim. `counted` vehicles have an effect of their own.
    """

    switched: Switching
    vehicles: int
    days: int
    half_width_pct: float
    next_pct: float
    settles: float | None
    counted: int


def size_fleet(
    switched: Switching,
    vehicles: int,
    days: int,
    *,
    unit_sd: float,
    spread_sd: float,
    claim_pct: float | None = None,
    period_days: int = 5,
) -> FleetSize:
    """What a fleet of so many vehicles, each driving so many days, can show.

    Parameters
    ----------
    unit_sd : scatter of a vehicle's days [log of fuel use]
    spread_sd : of the vehicles' own effects [log of fuel use]
    claim_pct : the claim as a change of fuel use [%]
    period_days : driving days of a period of a roll-out

    Raises
    ------
    DesignError
        If there are too few vehicles or days.
    """
    if days < LEAST_DAYS or vehicles < LEAST_VEHICLES:
        raise DesignError(
            f"{vehicles} vehicles on {days} days: a fleet's test needs {LEAST_VEHICLES} vehicles "
            f"and {LEAST_DAYS} days at least"
        )
    noise = unit_sd**2 * (1 / (days // 2) + 1 / (days - days // 2))  # of a vehicle's contrast
    if switched == "within":
        sizes, sd = [vehicles], [math.hypot(spread_sd, math.sqrt(noise))]
    elif switched == "vehicle":
        fitted = vehicles // 2
        sizes = [fitted, vehicles - fitted]
        sd = [math.hypot(spread_sd, math.sqrt(noise)), math.sqrt(noise)]
    else:
        counted, se = _rollout_error(vehicles, days, unit_sd, spread_sd, period_days)
        sizes, sd = [counted], [se * math.sqrt(counted)]
    se, df = _welch(np.array([s**2 for s in sd]) / sizes, sizes)
    half = float(t_half(se, df))
    ahead = float(t_half(math.hypot(se, spread_sd), sizes[0] - 1))
    chance = None if claim_pct is None else _chance(sizes, sd, math.log1p(claim_pct / 100))
    return FleetSize(
        switched, vehicles, days, percent(half), percent(ahead) if sizes[0] > 1 else math.nan,
        chance, sizes[0],
    )  # fmt: skip


def _welch(parts: Floats, sizes: Sequence[int]) -> tuple[float, float]:
    """Standard error and degrees of freedom of a mean, or of the difference of two."""
    if min(sizes) < 2:
        return math.nan, math.nan
    return math.sqrt(parts.sum()), float(satterthwaite(parts, np.array(sizes) - 1.0))


def _rollout_error(
    vehicles: int, days: int, unit_sd: float, spread_sd: float, period_days: int
) -> tuple[int, float]:
    """How many vehicles of a roll-out have an effect of their own, and the mean's error."""
    periods = max(3, days // period_days)
    start = turns(vehicles, periods)
    made = impute(np.zeros((vehicles, periods)), np.ones((vehicles, periods)), start)
    if made is None or np.isfinite(made.own).sum() < 2:
        raise DesignError(
            f"a roll-out over {periods} periods leaves nothing to hold {vehicles} vehicles against:"
            " take more days or more vehicles"
        )
    noise = unit_sd**2 * periods / days * float((made.weights**2).sum())
    own = float((np.nan_to_num(made.share) ** 2).sum()) * spread_sd**2
    return int(np.isfinite(made.own).sum()), math.sqrt(noise + own)


def turns(vehicles: int, periods: int) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
    """The period in which each vehicle would get the add-on: spread evenly, the first without.

    >>> turns(6, 4).tolist()
    [1, 1, 2, 2, 3, 3]
    """
    return 1 + np.arange(vehicles) * (periods - 1) // vehicles


def _chance(sizes: Sequence[int], sd: Sequence[float], claim: float) -> float:
    """Share of invented fleets without any effect whose range clears the claim, and does so
    without any one vehicle."""
    if min(sizes) < 3:
        return 0.0
    rng = np.random.default_rng(_DAY_SEED)
    mean, square = np.zeros(STUDIES), np.zeros((STUDIES, len(sizes)))
    groups = [s * rng.standard_normal((STUDIES, n)) for s, n in zip(sd, sizes, strict=True)]
    sign = [1.0, -1.0]
    for i, g in enumerate(groups):
        mean += sign[i] * g.mean(axis=1)
        square[:, i] = g.var(axis=1, ddof=1) / sizes[i]
    df = float(sum(sizes) - len(sizes))
    edge = mean - t_half(np.sqrt(square.sum(axis=1)), df)
    for i, g in enumerate(groups):
        n = sizes[i]
        centred = g - g.mean(axis=1, keepdims=True)
        moved = mean[:, None] - sign[i] * centred / (n - 1)
        rest = (centred**2).sum(axis=1, keepdims=True) - centred**2 * n / (n - 1)
        others = square.sum(axis=1) - square[:, i]
        error = np.sqrt(np.maximum(rest, 0) / (n - 2) / (n - 1) + others[:, None])
        edge = np.minimum(edge, (moved - t_half(error, df - 1)).min(axis=1))
    return float(np.mean(edge > claim))


def draw_fleet(
    switched: Switching,
    vehicles: Sequence[str],
    days: Sequence[dt.date],
    seed: int,
    *,
    strata: Mapping[str, str] | None = None,
    block_size: int = 4,
    period_days: int = 7,
) -> list[tuple[str, str, str, str]]:
    """Vehicle, day, arm and block, drawn by chance from a seed; the order of names changes nothing.

    `within`: each vehicle's days in blocks, half of each with the add-on. `vehicle`: the first half
    of the days without it for all, then half of the vehicles with it. `rollout`: turns over the
    calendar's periods. Vehicles are dealt within `strata`.

    Raises
    ------
    DesignError
        If there are too few days.
    """
    if len(days) < LEAST_DAYS:
        raise DesignError(f"{len(days)} days: a fleet's schedule needs {LEAST_DAYS} at least")
    names = sorted(vehicles)
    if switched == "within":
        return [
            row
            for i, name in enumerate(names)
            for row in _blocks(name, days, np.random.default_rng([seed, i]), block_size)
        ]
    rng = np.random.default_rng(seed)
    first = {name: len(days) for name in names}
    half = len(days) // 2
    starts = _starts(days, period_days)
    labels = {name: (strata or {}).get(name, "") for name in names}
    for label in sorted({*labels.values()}):
        own = [str(n) for n in rng.permutation([n for n in names if labels[n] == label])]
        if switched == "vehicle":
            more = int(rng.integers(2)) if len(own) % 2 else 0
            for name in own[: len(own) // 2 + more]:
                first[name] = half
        else:
            for name, turn in zip(own, turns(len(own), len(starts)), strict=True):
                first[name] = starts[int(turn)]
    return [
        (name, day.isoformat(), ARMS[i >= first[name]], "")
        for name in names
        for i, day in enumerate(days)
    ]


def _blocks(
    name: str, days: Sequence[dt.date], rng: np.random.Generator, block_size: int
) -> list[tuple[str, str, str, str]]:
    rows: list[tuple[str, str, str, str]] = []
    bounds = list(range(0, len(days) - len(days) % block_size, block_size)) or [0]
    if len(days) - bounds[-1] - block_size >= 2:
        bounds.append(bounds[-1] + block_size)
    for number, at in enumerate(bounds, start=1):
        end = bounds[number] if number < len(bounds) else len(days)
        own = days[at:end]
        arms = np.arange(len(own)) % 2
        if len(own) % 2:
            arms = (arms + int(rng.integers(2))) % 2
        for day, arm in zip(own, rng.permutation(arms), strict=True):
            rows.append((name, day.isoformat(), ARMS[int(arm)], str(number)))
    return rows


def _starts(days: Sequence[dt.date], period_days: int) -> list[int]:
    """The first driving day of each period of calendar time."""
    of = [(day - days[0]).days // period_days for day in days]
    found = [i for i in range(len(days)) if i == 0 or of[i] != of[i - 1]]
    if len(found) < 3:
        raise DesignError(
            f"{len(days)} days are {len(found)} periods of {period_days} days: a roll-out needs 3; "
            "take more days or a shorter period_days in [fleet]"
        )
    return found
