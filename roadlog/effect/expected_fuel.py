"""Stage one of the effect: passes in, what each switch unit burned over its expected fuel out.

Expected fuel is what the same driving burns on the study's own average scale: a constant per
kilometre of each segment, and one coefficient each for time, idling, positive work and cold
start, fitted within switch units because each unit has a scale of its own (docs/method.md,
section 5.1). The arm is nowhere in it, so a device that multiplies fuel moves the unit's scale by
exactly that factor and leaves the coefficients alone.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from roadlog.quantities.arrays import Floats
from roadlog.quantities.warm import WARMED_UP_COOLANT_C, WARMUP_TIME_CONSTANT_S
from roadlog.stats.bounded.cross_products import aliased_columns

Integers = NDArray[np.intp]

TOLERANCE = 1e-6  # of the largest change of a unit's log scale
MOST_ROUNDS = 200

KNOWN_SHARE = 0.95  # of the passes, for a term to be fitted

TIME, IDLE, WORK, COLD = "time", "idle time", "positive work", "cold start"


@dataclass(frozen=True)
class Terms:
    """What a pass is expected to burn fuel for: one row a pass, one column a term.

    `columns` (n, k) holds kilometres on each segment, then the driving terms in s, s, kJ, s;
    `names` tells them; `unit` (n,) is the switch unit's code, `fuel_ml` (n,) what was burned,
    `factor` (n,) multiplies expected fuel for air temperature, `offset_ml` (n,) is expected fuel
    that isn't fitted (known accessory time).
    """

    columns: Floats
    names: tuple[str, ...]
    unit: Integers
    fuel_ml: Floats
    factor: Floats
    offset_ml: Floats

    @property
    def units(self) -> int:
        """How many switch units there are."""
        return int(self.unit.max()) + 1

    def only(self, names: Sequence[str]) -> "Terms":
        """The same passes with these terms only."""
        kept = [i for i, name in enumerate(self.names) if name in set(names)]
        return self._with(self.columns[:, kept], tuple(self.names[i] for i in kept), 0.0)

    def fixing(self, name: str, ml_per_unit: float) -> "Terms":
        """The same passes with one term's coefficient given [mL per its unit], not fitted."""
        i = self.names.index(name)
        kept = [k for k in range(len(self.names)) if k != i]
        more = ml_per_unit * self.columns[:, i]
        return self._with(self.columns[:, kept], tuple(self.names[k] for k in kept), more)

    def without_unit(self, unit: int) -> "Terms":
        """The passes of all units but one, whose code the later ones close up to."""
        keep = self.unit != unit
        code = self.unit[keep]
        return Terms(
            self.columns[keep], self.names, code - (code > unit), self.fuel_ml[keep],
            self.factor[keep], self.offset_ml[keep],
        )  # fmt: skip

    def _with(self, columns: Floats, names: tuple[str, ...], more_ml: float | Floats) -> "Terms":
        return Terms(columns, names, self.unit, self.fuel_ml, self.factor, self.offset_ml + more_ml)


@dataclass(frozen=True)
class ExpectedFuel:
    """A fit of expected fuel within switch units.

    `coefficients` holds mL per km (segments), per s or per kJ, 0 for terms in `aliased`;
    `expected_ml` (n,) is X b with the temperature factor, `scale` (units,) what each unit burned
    over it, geometric mean 1; `ratio_log` (units,) is log of summed fuel over summed expected.
    """

    terms: Terms
    coefficients: dict[str, float]
    aliased: tuple[str, ...]
    expected_ml: Floats
    scale: Floats
    rounds: int
    converged: bool
    fitted: bool = True  # False: coefficients given beforehand (`roadlog.effect.fixed_offset`)

    @cached_property
    def unit_expected_ml(self) -> Floats:
        """Expected fuel of each switch unit, (units,)."""
        return np.asarray(
            np.bincount(self.terms.unit, self.expected_ml, self.terms.units), dtype=float
        )

    @cached_property
    def ratio_log(self) -> Floats:
        """Log of what each switch unit burned over what was expected, (units,)."""
        burned = np.bincount(self.terms.unit, self.terms.fuel_ml, self.terms.units)
        return np.asarray(np.log(burned / self.unit_expected_ml))

    @cached_property
    def residual_ml(self) -> Floats:
        """What each pass burned over its expected fuel at the unit's own scale, (n,)."""
        return np.asarray(self.terms.fuel_ml - self.scale[self.terms.unit] * self.expected_ml)

    def without_unit(self, unit: int) -> "ExpectedFuel":
        """The fit of all units but one; coefficients given beforehand stay as they are."""
        terms = self.terms.without_unit(unit)
        if self.fitted:
            return fit_expected_fuel(terms)
        keep = self.terms.unit != unit
        others = np.arange(self.terms.units) != unit
        return replace(
            self, terms=terms, expected_ml=self.expected_ml[keep], scale=self.scale[others]
        )

    @property
    def spare(self) -> int:
        """Passes less fitted terms and units: what is left to tell the passes' scatter from."""
        fitted = len(self.terms.names) - len(self.aliased)
        return len(self.terms.fuel_ml) - fitted - self.terms.units + 1

    @cached_property
    def pass_variance(self) -> Floats:
        """Variance of each unit's `ratio_log` that the scatter of its passes implies, (units,).

        NaN where no pass is spare, or where a pass is a run: wind makes out and back differ.
        """
        if self.spare <= 0 or not self.fitted:
            return np.full(self.terms.units, np.nan)
        squares = np.bincount(self.terms.unit, self.residual_ml**2, self.terms.units)
        inflation = len(self.terms.fuel_ml) / self.spare
        return np.asarray(squares / (self.scale * self.unit_expected_ml) ** 2 * inflation)


def fit_expected_fuel(terms: Terms) -> ExpectedFuel:
    """Fit the terms' coefficients and each switch unit's scale in turns.

    Least squares in mL with equal weights: a millilitre counts the same on every segment, so the
    sums that the effect is made of are what is fitted. Terms that earlier ones determine are left
    out (`aliased`). The scales are a fixed point of a map of the units alone: with H the
    projection on the (temperature-scaled) terms, expected fuel is H(f/s) + (1 - H) offset.

    Parameters
    ----------
    terms : Terms

    Returns
    -------
    ExpectedFuel
        `converged` is False where the scales didn't settle or a unit's expected fuel isn't
        positive; nothing else of it counts then.
    """
    unit, n_units = terms.unit, terms.units
    scaled, size = scaled_columns(terms)
    dropped = set(aliased_columns(scaled.T @ scaled))
    kept = [i for i in range(len(terms.names)) if i not in dropped]
    q, r = np.linalg.qr(scaled[:, kept])
    offset = terms.offset_ml * terms.factor
    by_unit = unit_sums(q * terms.fuel_ml[:, None], unit, n_units)
    q_sums = unit_sums(q, unit, n_units)
    rest = np.bincount(unit, offset, n_units) - q_sums @ (q.T @ offset)
    burned = np.asarray(np.bincount(unit, terms.fuel_ml, n_units), dtype=float)
    step = q_sums @ by_unit.T  # expected fuel of each unit from the units' 1/s
    scale, rounds, settled = settled_scale(lambda inverse: step @ inverse + rest, burned)
    projected = q.T @ (terms.fuel_ml / scale[unit] - offset)
    solved = np.linalg.solve(r, projected) / size[kept]
    coefficients = dict.fromkeys(terms.names, 0.0)
    coefficients |= {terms.names[i]: float(b) for i, b in zip(kept, solved, strict=True)}
    return ExpectedFuel(
        terms=terms,
        coefficients=coefficients,
        aliased=tuple(terms.names[i] for i in sorted(dropped)),
        expected_ml=q @ projected + offset,
        scale=scale,
        rounds=rounds,
        converged=settled,
    )


def scaled_columns(terms: Terms) -> tuple[Floats, Floats]:
    """The terms (n, k) with the factor for air, each over its size (k,), and the sizes."""
    scaled = terms.columns * terms.factor[:, None]
    size = np.sqrt((scaled**2).mean(axis=0))
    size[size == 0] = 1.0
    return scaled / size, size


def unit_sums(values: Floats, unit: Integers, units: int) -> Floats:
    """Sums of columns (n, k) over each switch unit, (units, k)."""
    return np.column_stack([np.bincount(unit, column, units) for column in values.T])


def settled_scale(
    expected_of: Callable[[Floats], Floats], burned: Floats
) -> tuple[Floats, int, bool]:
    """Each unit's scale where fuel and expected fuel agree, the rounds, and whether it settled.

    `expected_of` gives the units' expected fuel [mL] from their 1/scale, `burned` is their fuel.
    """
    scale, rounds, settled = np.ones(len(burned)), 0, False
    while rounds < MOST_ROUNDS and not settled:
        expected = expected_of(1 / scale)
        if not (expected > 0).all() or not (burned > 0).all():
            break
        following = burned / expected
        following /= np.exp(np.log(following).mean())
        settled = bool(np.abs(np.log(following / scale)).max() < TOLERANCE)
        scale, rounds = following, rounds + 1
    return scale, rounds, settled


def cold_start_s(coolant_start_c: Floats, since_start_s: Floats, duration_s: Floats) -> Floats:
    """Seconds of a wholly cold engine that a pass stands for, from the state at the start alone.

    Coolant in mid-run isn't used, because the device could change it: what is missing to
    `WARMED_UP_COOLANT_C` at engine start, over that temperature, decays with a fixed time constant.

    Parameters
    ----------
    coolant_start_c : (n,) array
        Coolant at engine start [°C].
    since_start_s, duration_s : (n,) arrays
        Time from engine start to entry, and in the pass [s].

    >>> cold_start_s(np.array([20.0]), np.array([0.0]), np.array([3600.0])).round(0)
    array([225.])
    """
    share = np.maximum(WARMED_UP_COOLANT_C - coolant_start_c, 0.0) / WARMED_UP_COOLANT_C
    first = np.exp(-since_start_s / WARMUP_TIME_CONSTANT_S)
    last = np.exp(-(since_start_s + duration_s) / WARMUP_TIME_CONSTANT_S)
    return np.asarray(share * WARMUP_TIME_CONSTANT_S * (first - last))


def expected_terms(
    passes: pd.DataFrame, unit: Integers, factor: Floats, offset_ml: Floats | None = None
) -> tuple[Terms, tuple[str, ...]]:
    """The terms of comparable passes, and sentences on terms whose quantity isn't known.

    Parameters
    ----------
    passes : DataFrame
        `roadlog.quantities.tables.PASSES` (n rows), all used.
    unit : (n,) codes of switch units
    factor : (n,) multiplier of expected fuel for air temperature
    offset_ml : (n,) known fuel that isn't fitted [mL], optional

    Notes
    -----
    A driving term needs its quantity in `KNOWN_SHARE` of the passes; where it lacks in one, its
    segment's mean stands in.
    """
    km = passes["distance_km"].to_numpy(dtype=float)
    code, segments = pd.factorize(passes["segment"], sort=False)
    by_segment = np.zeros((len(km), len(segments)))
    by_segment[np.arange(len(km)), code] = km
    duration = passes["duration_s"].to_numpy(dtype=float)
    cold = cold_start_s(
        passes["coolant_start_c"].to_numpy(dtype=float),
        passes["since_start_s"].to_numpy(dtype=float),
        duration,
    )
    driven = {
        TIME: duration,
        IDLE: passes["idle_s_per_km"].to_numpy(dtype=float) * km,
        WORK: passes["demand_kj_per_km"].to_numpy(dtype=float) * km,
        COLD: cold,
    }
    columns, names, unknown = [by_segment], [f"segment {s}" for s in segments], []
    for name, values in driven.items():
        share = float(np.isfinite(values).mean())
        if share < KNOWN_SHARE:
            unknown.append(f"{name}: known for only {share:.0%} of the passes")
            continue
        per_km = pd.Series(values / km)
        per_km = per_km.fillna(per_km.groupby(code).transform("mean")).fillna(per_km.mean())
        columns.append((per_km.to_numpy(dtype=float) * km)[:, None])
        names.append(name)
    terms = Terms(
        columns=np.column_stack(columns),
        names=tuple(names),
        unit=unit,
        fuel_ml=passes["fuel_ml"].to_numpy(dtype=float),
        factor=factor,
        offset_ml=np.zeros(len(km)) if offset_ml is None else offset_ml,
    )
    return terms, tuple(unknown)
