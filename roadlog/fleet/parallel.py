"""Vehicles in parallel arms: each is in one arm for good, and chance decided which.

A vehicle gives one value: its change against its own days before anyone was fitted, or, without
such days, its fuel over what its declared data lets expect. The arms' means are compared with the
scatter between vehicles, each arm with its own (Welch), since the vehicle is what was switched.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from roadlog.errors import DesignError
from roadlog.fleet.contrast import FleetContrast, Which, in_order, t_half
from roadlog.fleet.design import FleetDesign
from roadlog.fleet.vehicle import NO_DAY, VehicleUnits
from roadlog.quantities.arrays import Floats
from roadlog.stats.between import Between, Fiducial, fit_between, unrelated, without_each
from roadlog.stats.interval import satterthwaite
from roadlog.stats.randomise import assignments
from roadlog.stats.unit_contrast import block_columns, unit_weights
from roadlog.stats.unit_randomisation import UnitRandomisation, randomise_units

LEAST_AN_ARM = 2


@dataclass(frozen=True, eq=False)
class _One:
    """One vehicle: its arm, value, relative noise, residual squares with their df, and the units'
    weights in the value."""

    vehicle: VehicleUnits
    arm: int
    value: float
    noise: float
    squares: float
    df: int
    weights: Floats


def estimate_parallel(
    vehicles: Sequence[VehicleUnits], design: FleetDesign, which: Which
) -> FleetContrast:
    """The fleet's contrast of one value a switch unit between vehicles in parallel arms.

    Raises
    ------
    DesignError
        If an arm has fewer than two vehicles.
    FitError
        If nothing tells the units' scatter.
    """
    ordered = in_order(vehicles)
    found = [_one(v, design, which) for v in ordered]
    alone = [(v.vehicle, f) for v, f in zip(ordered, found, strict=True) if isinstance(f, str)]
    ones = [f for f in found if isinstance(f, _One)]
    arm = np.array([o.arm for o in ones], dtype=int)
    fits = _arms(ones, arm)
    tau = fits[1].mean - fits[0].mean
    se, df = _welch(fits)
    nothing = np.full(len(ones), np.nan)
    weights, without, without_half, peers = (nothing.copy() for _ in range(4))
    for a, fit in enumerate(fits):
        sign, other = 2 * a - 1, fits[1 - a]
        means, errors = without_each(fit)
        weights[arm == a] = sign * fit.weights
        without[arm == a] = sign * (means - other.mean)
        (_, own_df), (other_se, other_df) = fit.robust, other.robust
        rest_df = own_df * max(fit.df - 1, 1) / fit.df
        both = np.sqrt(errors**2 + other_se**2)
        left = satterthwaite(
            np.array([errors**2, np.full(len(errors), other_se**2)]),
            np.array([[rest_df], [other_df]]),
        )
        peers[arm == a] = fit.values - np.median(fit.values)
        if fit.df >= LEAST_AN_ARM:
            half = [float(t_half(s, nu)) for s, nu in zip(both, left, strict=True)]
            without_half[arm == a] = half
    own = np.where(arm == 1, np.array([o.value for o in ones]) - fits[0].mean, np.nan)
    draws = _excess(fits, tau, se, df) if design.baseline_until is not None else None
    noise = np.array([o.noise for o in ones]) * fits[1].sigma2
    return FleetContrast(
        vehicles=tuple(o.vehicle for o in ones),
        tau=tau,
        se=se,
        df=df,
        half=float(t_half(se, df)),
        method=_method(design, arm, df),
        raw=own,
        noise=noise + np.where(arm == 1, fits[0].tau2 + fits[0].robust[0] ** 2, 0.0),
        peers=peers,
        weights=weights,
        without=without,
        without_half=without_half,
        unit_weights=tuple(w * o.weights for w, o in zip(weights, ones, strict=True)),
        draws=draws,
        reading_sd=fits[1].reading_sd(se),
        scale=fits[1].sigma2,
        tau2=max(fits[1].tau2 - fits[0].tau2, 0.0),
        alone=tuple(alone),
    )  # fmt: skip


def orders_parallel(
    contrast: FleetContrast, design: FleetDesign, which: Which, seed: int
) -> UnitRandomisation | None:
    """What the ways in which chance could have dealt the vehicles to the arms say."""
    ones = [o for o in (_one(v, design, which) for v in contrast.vehicles) if isinstance(o, _One)]
    arm = [o.arm for o in ones]
    strata = [design.strata.get(o.vehicle.vehicle, "") for o in ones]
    drawn = assignments(arm, strata, np.random.default_rng(seed))
    size = np.array([1 / o.noise for o in ones])
    fixed = block_columns(len(ones), strata)
    return randomise_units([o.value for o in ones], arm, fixed, drawn, weights=unit_weights(size))


def _one(v: VehicleUnits, design: FleetDesign, which: Which) -> _One | str:
    if v.figures is None:
        return v.left_out
    f = v.figures
    w = unit_weights(f.expected_ml)
    if design.baseline_until is None:
        after = np.ones(len(f.arm), dtype=bool)
        z = np.asarray(which(f) - f.value + f.level)
    else:
        if (f.day == NO_DAY).any():
            return "without dates it can't be told what was before the add-on came"
        after = f.day >= np.datetime64(design.baseline_until, "D").astype(int)
        z = np.asarray(which(f))
        if after.all() or not after.any():
            return "no days before, or none after, the day from which vehicles were fitted"
        if f.arm[~after].any():
            return "fitted before the day until which no vehicle was to be"
    if len({*f.arm[after].tolist()}) != 1:
        return "driven in both arms, so it belongs to neither"
    if not np.isfinite(z).all():
        return "a switch unit without fuel"
    weights: Floats = np.zeros(len(z))
    squares, noise, parts = 0.0, 0.0, 0
    for phase, sign in ((after, 1.0), (~after, -1.0)):
        if phase.any():
            share = w[phase] / w[phase].sum()
            weights[phase] = sign * share
            squares += float(w[phase] @ (z[phase] - share @ z[phase]) ** 2)
            noise += 1 / float(w[phase].sum())
            parts += 1
    return _One(
        v, int(f.arm[after][0]), float(weights @ z), noise, squares, len(z) - parts, weights
    )


def _arms(ones: Sequence[_One], arm: np.ndarray) -> tuple[Between, Between]:
    fits = []
    squares, df = sum(o.squares for o in ones), float(sum(o.df for o in ones))
    for a, name in ((0, "without"), (1, "with")):
        own = [o for o in ones if o.arm == a]
        if len(own) < LEAST_AN_ARM:
            raise DesignError(
                f"{len(own)} vehicles drove {name} the add-on: parallel arms need "
                f"{LEAST_AN_ARM} vehicles each at the least"
            )
        values = np.array([o.value for o in own])
        fits.append(fit_between(values, np.array([o.noise for o in own]), squares, df))
    return fits[0], fits[1]


def _welch(fits: tuple[Between, Between]) -> tuple[float, float]:
    se, df = np.array([fit.robust for fit in fits]).T
    return float(np.sqrt(se @ se)), float(satterthwaite(se**2, df))


def _excess(fits: tuple[Between, Between], tau: float, se: float, df: float) -> Fiducial:
    """Draws of the effect's spread: what fitted vehicles' changes vary beyond the others'."""
    fitted, others = fits[1].draws, fits[0].draws
    at = unrelated(len(fitted.tau2)) % len(others.tau2)
    beyond = np.maximum(fitted.tau2 - others.tau2[at], 0.0)
    return replace(fitted, tau2=beyond).about(tau, se, df)


def _method(design: FleetDesign, arm: np.ndarray, df: float) -> str:
    against = (
        "against their own days before"
        if design.baseline_until is not None
        else "by fuel over what their declared data lets expect"
    )
    return (
        f"{int((arm == 1).sum())} vehicles with the add-on and {int((arm == 0).sum())} without, "
        f"{against}; Welch t with {df:.1f} degrees of freedom (vehicles)"
    )
