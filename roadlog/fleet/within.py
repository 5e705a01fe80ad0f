"""Vehicles that switch by day, each compared with itself: the fleet's mixed model.

Of each vehicle's switch units come its contrast and residual squares (`contrast_units`, as for one
car); over vehicles the model of `roadlog.stats.between`. That is, unit by unit,

    z_vu = fixed_v(u) + (beta + b_v) a_vu + e_vu,   e_vu ~ N(0, sigma2 r_v / w_vu)

with a vehicle's level, blocks and trend fixed, b_v its own random effect beside the fleet's, and
r_v its scatter relative to the others'. A vehicle with one arm says nothing of the contrast.

Vehicles that drive on the same days share weather and traffic. Where the scores of a day's vehicles
add up to more than their own scatter makes them, the excess joins the mean's variance, as by
clustering on days beside vehicles (Cameron A.C., Gelbach J.B., Miller D.L. (2011), J. Business &
Economic Statistics 29, 238-249): a hundred cars on one schedule are as many days as that schedule
has, not a hundred times as many.
"""

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from roadlog.errors import DesignError
from roadlog.fleet.contrast import FleetContrast, Which, in_order, t_half
from roadlog.fleet.vehicle import NO_DAY, VehicleUnits
from roadlog.quantities.arrays import Floats
from roadlog.stats.between import LEAST_VEHICLES, Between, fit_between, without_each
from roadlog.stats.interval import satterthwaite
from roadlog.stats.moderated import moderate
from roadlog.stats.randomise import assignments
from roadlog.stats.reduction import orthonormal
from roadlog.stats.unit_contrast import UnitContrast, contrast_units, unit_weights
from roadlog.stats.unit_randomisation import UnitRandomisation, by_orders

DRAWS = 1_999
_LISTED = 1_000  # orders of one vehicle, up to which all are listed before drawing among them

_ONE_ARM = "one arm only, so it says nothing of the change within a vehicle"


@dataclass(frozen=True, eq=False)
class _Own:
    """One vehicle's contrast, its residual squares, and its units' residuals."""

    vehicle: VehicleUnits
    contrast: UnitContrast
    squares: float
    residual: Floats


def estimate_within(vehicles: Sequence[VehicleUnits], which: Which) -> FleetContrast:
    """The fleet's contrast of one value a switch unit.

    Raises
    ------
    DesignError
        If fewer than two vehicles have both arms.
    FitError
        If nothing tells the units' scatter.
    """
    ordered = in_order(vehicles)
    found = [_own(v, which) for v in ordered]
    own = [f for f in found if isinstance(f, _Own)]
    alone = [(v.vehicle, f) for v, f in zip(ordered, found, strict=True) if isinstance(f, str)]
    if len(own) < 2:
        why = f" ({alone[0][0]}: {alone[0][1]})" if alone else ""
        raise DesignError(
            f"{len(own)} of {len(ordered)} vehicles can be compared with themselves; a fleet needs "
            f"two at the least{why}"
        )
    df = np.array([float(max(o.contrast.df, 0)) for o in own])
    squares = np.array([o.squares for o in own])
    relative = moderate(squares, df).relative
    t = np.array([o.contrast.tau for o in own])
    q = np.array([o.contrast.noise for o in own]) * relative
    fit = fit_between(t, q, float(squares.sum()), float(df.sum()))
    shared, days = _shared_days(own, fit.weights)
    own_se, own_df = fit.robust
    v_mean = own_se**2
    se = float(np.sqrt(v_mean + shared))
    nu = own_df
    if shared > 0:
        nu = float(satterthwaite(np.array([v_mean, shared]), np.array([own_df, max(days, 1.0)])))
    without, without_se = without_each(fit)
    least = len(own) >= LEAST_VEHICLES
    rest_df = nu * (fit.df - 1) / fit.df
    return FleetContrast(
        vehicles=tuple(o.vehicle for o in own),
        tau=fit.mean,
        se=se,
        df=nu,
        half=float(t_half(se, nu)) if least else float("nan"),
        method=_method(len(own), nu, shared),
        raw=t,
        noise=fit.sigma2 * q,
        weights=fit.weights,
        without=without,
        without_half=t_half(np.sqrt(without_se**2 + shared), rest_df),
        unit_weights=tuple(
            w * o.contrast.weights for w, o in zip(fit.weights, own, strict=True)
        ),
        draws=fit.draws if least else None,
        reading_sd=_reading_sd(fit),
        shared=shared,
        scale=fit.sigma2,
        tau2=fit.tau2,
        alone=tuple(alone),
    )  # fmt: skip


def orders_within(
    contrast: FleetContrast, which: Which, seed: int, draws: int = DRAWS
) -> UnitRandomisation | None:
    """What the orders that chance could have drawn in every vehicle say of the fleet's contrast.

    Each vehicle's units change places within their blocks; vehicles with the very same schedule
    change together, since one draw made it. Each vehicle's draws depend on its own schedule and
    the seed alone.
    """
    slope, rest = np.zeros(draws + 1), np.zeros(draws + 1)
    total = 1
    alike: dict[bytes, list[int]] = {}
    for i, v in enumerate(contrast.vehicles):
        alike.setdefault(schedule_of(v), []).append(i)
    for key, members in alike.items():
        drawn, count = _drawn(contrast.vehicles[members[0]], key, seed, draws)
        total *= count
        for i in members:
            f, weight = contrast.vehicles[i].known, contrast.weights[i]
            w = np.sqrt(unit_weights(f.expected_ml))
            basis = orthonormal(np.multiply(f.fixed, w[:, None]))
            arms: Floats = np.multiply(drawn, w)
            arms = arms - (arms @ basis) @ basis.T
            length = float(arms[0] @ arms[0])
            slope += weight * (arms @ arms[0]) / length
            rest += weight * (arms @ ((which(f) - contrast.tau * f.arm) * w)) / length
    if total < 2:
        return None
    slope[0], rest[0] = 1.0, 0.0
    slope = np.clip(slope, -1.0, 1.0)
    rest = np.where(np.abs(slope) == 1, 0.0, rest)
    return by_orders(contrast.tau, slope, rest, total, exact=False)


def _drawn(v: VehicleUnits, key: bytes, seed: int, draws: int) -> tuple[NDArray[np.int8], int]:
    """The real order of a schedule with `draws` others, and how many were equally likely."""
    rng = np.random.default_rng([seed, int.from_bytes(key, "little")])
    listed = assignments(v.known.arm, v.block or None, rng, exact_limit=_LISTED, draws=draws)
    if not listed.exact:
        return listed.arms, listed.total
    rows = rng.integers(len(listed.arms), size=draws)
    return np.concatenate([listed.arms[:1], listed.arms[rows]]), listed.total


def _own(v: VehicleUnits, which: Which) -> _Own | str:
    """One vehicle's contrast, or why it has none."""
    if v.figures is None:
        return v.left_out
    f = v.figures
    if len(set(f.arm.tolist())) < 2:
        return _ONE_ARM
    z = which(f)
    if not np.isfinite(z).all():
        return "a switch unit without fuel"
    found = contrast_units(z, f.arm, np.asarray(f.fixed, dtype=float), f.expected_ml)
    if found is None:
        return "its blocks hold one arm each, so its units can't be compared"
    squares = float(found.residual @ found.residual) if found.df > 0 else 0.0
    return _Own(v, found, squares, found.residual / np.sqrt(unit_weights(f.expected_ml)))


def _shared_days(own: Sequence[_Own], weights: Floats) -> tuple[float, float]:
    """Variance of the mean that days common to vehicles add, and how many days tell it."""
    first = [o.vehicle.known.day for o in own]
    known = [d[d != NO_DAY] for d in first]
    if not any(len(d) for d in known):
        return 0.0, 0.0
    start = min(int(d.min()) for d in known if len(d))
    days = max(int(d.max()) for d in known if len(d)) - start + 1
    by_day, alone, spare, units = np.zeros(days), np.zeros(days), 0.0, 0
    for o, weight, day in zip(own, weights, first, strict=True):
        if o.contrast.df < 1:
            continue
        n = len(day)
        score = weight * o.contrast.weights * o.residual * np.sqrt(n / o.contrast.df)
        told = day != NO_DAY
        np.add.at(by_day, day[told] - start, score[told])
        np.add.at(alone, day[told] - start, score[told] ** 2)
        spare, units = spare + o.contrast.df, units + n
    if units == 0:
        return 0.0, 0.0
    excess = float((by_day**2).sum() - alone.sum())
    return max(excess, 0.0), float((alone > 0).sum()) * spare / units


def schedule_of(v: VehicleUnits) -> bytes:
    """What tells one draw of a schedule from another: days, arms, blocks."""
    f = v.known
    by_day = (f.day != NO_DAY).all()
    when = f.day.tobytes() if by_day else v.vehicle.encode()
    text = "|".join(v.block).encode()
    return hashlib.blake2b(when + f.arm.tobytes() + text, digest_size=8).digest()


def _reading_sd(fit: Between) -> float:
    """Standard deviation, beyond the mean's, of what one more vehicle tested like these reads."""
    total = float((1 / (fit.gamma + fit.noise)).sum())
    scale = fit.se**2 * total  # left over n - 1
    return float(np.sqrt(scale * (fit.gamma + np.median(fit.noise)) + fit.se**2))


def _method(n: int, df: float, shared: float) -> str:
    said = (
        f"mixed model over {n} vehicles, each with its own effect; t with {df:.1f} degrees of "
        "freedom (vehicles, by Bell and McCaffrey)"
    )
    return said + ("; days that vehicles share in the interval" if shared > 0 else "")
