"""Expected fuel from physics alone, for passes too few to fit it: coefficients set beforehand.

The car's declared data and its idle go in; a coefficient each for engine-on time, distance,
positive work and cold start comes out, and with them expected fuel of each pass. Nothing of it is
fitted to the study's fuel, so it can't lean to an arm (docs/method.md, "Few passes").
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from roadlog.effect.expected_fuel import COLD, TIME, WORK, ExpectedFuel, Terms
from roadlog.quantities.arrays import Floats
from roadlog.stats.unit_contrast import UnitContrast

DISTANCE = "distance"
COEFFICIENT_ERROR = 0.25  # of each coefficient: what one car of its kind may differ

# Working rules for a warm four-stroke engine, each within COEFFICIENT_ERROR on one car, see
# docs/method.md. Idle: 0.13 g/s at 1.5 L (public trips of one car). Distance: rubbing and pumping
# at 1.4 bar over 2,000 turns a km, at an indicated efficiency of 0.38, less what idle takes in the
# 80 s that a mixed kilometre lasts. Cold start: a third of idle's fuel again for a wholly cold
# engine, and the mixture's enrichment. Common practice, no source.
IDLE_G_S_L = 0.087
DISTANCE_G_KM_L = 3.6
COLD_G_S_L = 0.14
WORK_EFFICIENCY = {"spark": 0.40, "diesel": 0.42}
USUAL_DISPLACEMENT_L = 1.6


@dataclass(frozen=True)
class FuelPhysics:
    """What a kind of driving takes [mL]: a second with the engine on, a kilometre, a kilojoule at
    the wheels, a second of wholly cold engine; and the fuel's energy [kJ/mL].

    `sources` says where the figures come from, for the report.
    """

    energy_kj_ml: float
    time_ml_s: float
    distance_ml_km: float
    work_ml_kj: float
    cold_ml_s: float
    sources: tuple[str, ...] = ()


def fuel_physics(
    *,
    density_kg_m3: float,
    lhv_mj_kg: float,
    diesel: bool = False,
    displacement_l: float | None = None,
    idle_g_s: float | None = None,
) -> FuelPhysics:
    """Coefficients of a car from its declared data.

    Parameters
    ----------
    density_kg_m3, lhv_mj_kg : float
        Of the fuel [kg/m³], [MJ/kg].
    diesel : bool
    displacement_l : float, optional
        Swept volume [L]; `USUAL_DISPLACEMENT_L` where it isn't declared.
    idle_g_s : float, optional
        Fuel at warm idle [g/s], both arms alike; from displacement where it isn't known.

    >>> car = fuel_physics(density_kg_m3=745, lhv_mj_kg=42.0, displacement_l=1.5)
    >>> round(car.time_ml_s * 0.745, 3), round(car.work_ml_kj * 0.745, 4)
    (0.131, 0.0595)
    """
    litres = USUAL_DISPLACEMENT_L if displacement_l is None else displacement_l
    per_gram = 1000 / density_kg_m3
    idle = IDLE_G_S_L * litres if idle_g_s is None else idle_g_s
    efficiency = WORK_EFFICIENCY["diesel" if diesel else "spark"]
    return FuelPhysics(
        energy_kj_ml=lhv_mj_kg * density_kg_m3 / 1000,
        time_ml_s=idle * per_gram,
        distance_ml_km=DISTANCE_G_KM_L * litres * per_gram,
        work_ml_kj=per_gram / (efficiency * lhv_mj_kg),
        cold_ml_s=COLD_G_S_L * litres * per_gram,
        sources=(
            f"engine of {litres:g} L" + (" (assumed)" if displacement_l is None else ""),
            "idle from its displacement" if idle_g_s is None else "idle as logged, both arms",
        ),
    )


def by_fixed_offset(terms: Terms, physics: FuelPhysics) -> ExpectedFuel:
    """Expected fuel of each pass with these coefficients; nothing is fitted.

    Terms that `terms` lacks count as nothing. Distance is the sum of the segments' columns.
    """
    return _with(terms, _coefficients(physics))


def total_by_fixed_offset(terms: Terms, physics: FuelPhysics) -> ExpectedFuel:
    """Expected fuel from distance and cold start alone: what the total effect is held against."""
    km = _distance_km(terms)
    cold = physics.cold_ml_s * _column(terms, COLD)
    level = float((terms.fuel_ml - cold).sum() / km.sum())
    return _with(terms, {DISTANCE: level, COLD: physics.cold_ml_s})


def coefficient_shift(terms: Terms, physics: FuelPhysics, contrast: UnitContrast) -> float:
    """Largest change of the effect (log) if any one coefficient is off by `COEFFICIENT_ERROR`."""
    middle = contrast.of(by_fixed_offset(terms, physics).ratio_log)
    return max(abs(contrast.of(z) - middle) for z in off_ratios(terms, physics))


def off_ratios(terms: Terms, physics: FuelPhysics) -> Iterator[Floats]:
    """The units' values with each coefficient in turn off by `COEFFICIENT_ERROR` either way."""
    own = _coefficients(physics)
    for name, b in own.items():
        for factor in (1 - COEFFICIENT_ERROR, 1 + COEFFICIENT_ERROR):
            yield _with(terms, own | {name: b * factor}).ratio_log


def _coefficients(physics: FuelPhysics) -> dict[str, float]:
    return {
        TIME: physics.time_ml_s,
        DISTANCE: physics.distance_ml_km,
        WORK: physics.work_ml_kj,
        COLD: physics.cold_ml_s,
    }


def _with(terms: Terms, coefficients: dict[str, float]) -> ExpectedFuel:
    expected = sum(
        b * (_distance_km(terms) if name == DISTANCE else _column(terms, name))
        for name, b in coefficients.items()
    )
    expected = (np.asarray(expected) + terms.offset_ml) * terms.factor
    fit = ExpectedFuel(
        terms=terms,
        coefficients=dict(coefficients),
        aliased=(),
        expected_ml=expected,
        scale=np.ones(terms.units),
        rounds=0,
        converged=True,
        fitted=False,
    )
    return replace(fit, scale=np.exp(fit.ratio_log))


def _column(terms: Terms, name: str) -> Floats:
    if name not in terms.names:
        return np.zeros(len(terms.fuel_ml))
    return np.asarray(terms.columns[:, terms.names.index(name)])


def _distance_km(terms: Terms) -> Floats:
    own = [i for i, name in enumerate(terms.names) if name.startswith("segment ")]
    return np.asarray(terms.columns[:, own].sum(axis=1))
