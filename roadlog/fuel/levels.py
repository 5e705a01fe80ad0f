"""Levels: whether an engine can have burned what a run's fuel signal says, and if not, why.

Samples and study go in; a `Level` comes out: fuel energy against an ample budget for the road
work, revolutions and running time of the same samples. What lies outside is refused with the
likely slip, found by trying every unit that `roadlog.quantities.units` knows. The bounds, with
their sources, stand in docs/fuel.md; they are so wide that no add-on can carry a run across them.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from roadlog.fuel import ESTIMATORS, fuel_of
from roadlog.fuel.air import AIR_MEASURES, Array, air_flow, manifold_air
from roadlog.fuel.facts import Odd, TwoDigits, Use
from roadlog.physics.demand import acceleration, tractive_power
from roadlog.physics.roadload import REFERENCE_DENSITY_KG_M3
from roadlog.quantities.arrays import quantile
from roadlog.quantities.columns import Table, columns_of
from roadlog.quantities.facts import Fact
from roadlog.quantities.fuels import Fuel
from roadlog.quantities.signals import LAMBDA_MEASURED, SIGNALS, plain, signal
from roadlog.quantities.units import SELDOM, STANDARD_GRAVITY_M_S2, UNITS, unit_symbol
from roadlog.study.car import Vehicle
from roadlog.study.settings import Study

# The budget: what the same driving could ask of a poor, cold engine.
DRIVE_EFFICIENCY = 0.22  # wheel work per fuel energy beyond friction
FRICTION_KPA = 400.0  # mean effective pressure of rubbing and pumping, cold
FRICTION_EFFICIENCY = 0.33
ACCESSORIES_W, ACCESSORIES_EFFICIENCY = 4000.0, 0.3
UNDECLARED_LOAD = 4.0  # a truck with its trailer where no mass is declared
STEEPEST_MEAN = 0.06  # mean grade of a run up a pass
UNKNOWN_SIZE_L = (2.0, 5.0)  # taken for the low and the high side where none is declared
IDLE_RPM, RPM_PER_KMH, FASTEST_ASSUMED_RPM = 800.0, 15.0, 2600.0  # where rpm isn't logged
ASSUMED_VE = 0.82  # of manifold air, before any calibration

# Shares of the budget. Cars use 0.22 to 0.5 of it; what is left on either side is allowance.
RUN_SHARES = (0.085, 0.9)
ARM_SHARES = (0.16, 0.75)
USUAL_SHARES, TYPICAL_SHARE = (0.16, 0.65), 0.35
MOST_EFFICIENT = 0.45  # net work at the wheels per fuel energy, over drives out and back
LEAST_RUNS = 4  # to hold a run against the others
RELATIVE = 2.8  # of one run's level and idle over the other runs'; units differ by more

MOST_FILLING = {"natural": 1.3, "turbo": 3.5}
MOST_FILLING_UNDECLARED = 3.0
UNTHROTTLED_FILLING = 0.5  # air at idle, on overrun; a throttled engine draws 0.1 to 0.35
MOST_WHEN_FULL = 0.9  # of the budget of one declared car, with cylinders that full at a stand
LEANEST_PETROL = 1.2
LEANEST_IMPLIED = 1.5
STANDING_KMH, FIRING_RPM = 1.0, 400.0
OVERRUN_KMH, OVERRUN_M_S2, OVERRUN_RPM = 25.0, -0.4, 1200.0
LEAST_KM = 0.1
LEAST_S = 60.0  # of fuelled time, to judge by
LEAST_STANDING_S = 10.0
LEAST_OVERRUN_S = 20.0

CARRIERS = {
    "rate": ("fuel_rate_l_h", "fuel_rate_g_s"),
    "injection": ("injected_mg_stroke",),
    "maf": ("maf_g_s",),
    "maf-trims": ("maf_g_s",),
    "absolute-load": ("absolute_load_pct",),
    "speed-density": ("map_kpa",),
    "speed-density-trims": ("map_kpa",),
}


@dataclass(frozen=True)
class Level:
    """Fuel of one run, as its signal carries it, beside what the run asked for.

    Before fuel cut, mixture and trims, so that nothing is calibrated yet. `low_budget_mj` is the
    budget of the samples with fuel, `high_budget_mj` of all, because a hybrid's engine works for
    what it drives without, and of a load that wasn't declared; `climb_mj` is what a run up a pass
    could need beside; `net_work_mj` is the wheels' on a level road, braking taken off;
    `idle_g_s` the median flow at a stand; `filling` the 99th percentile of air over what fills the
    cylinders, `idle_filling` and `overrun_filling` its median at a stand and on overrun;
    `richest_lambda` what nine tenths of the fuelled time exceed, `implied_lambda` the median of
    metered air over what the fuel rate needs. NaN where unknown.
    """

    fuelled_s: float
    energy_mj: float
    low_budget_mj: float
    high_budget_mj: float
    climb_mj: float
    net_work_mj: float
    km: float
    litres: float
    idle_g_s: float = np.nan
    filling: float = np.nan
    idle_filling: float = np.nan
    overrun_filling: float = np.nan
    richest_lambda: float = np.nan
    implied_lambda: float = np.nan

    @property
    def use(self) -> Fact:
        """Fuel by the bare signal."""
        if self.km <= LEAST_KM:
            return Use.PER_HOUR(use=3600 * self.litres / self.fuelled_s)
        return Use.PER_DISTANCE(use=TwoDigits(100 * self.litres / self.km))

    @property
    def shares(self) -> tuple[float, float]:
        """Fuel energy over the budget [1], for the low and for the high bound."""
        if not (self.low_budget_mj > 0 and self.high_budget_mj > 0):
            return np.nan, np.nan
        return self.energy_mj / self.low_budget_mj, self.energy_mj / self.high_budget_mj


def level_of(samples: Table, study: Study, estimator: str) -> Level:
    """The level of one run by one estimator.

    Parameters
    ----------
    samples : DataFrame
        `tables.SAMPLES` with `speed_kmh` and the estimator's signals.
    study : Study
    estimator : str
        A key of `ESTIMATORS`.

    Returns
    -------
    Level
    """
    samples = columns_of(samples)
    fuel = fuel_of(samples, study)
    flow = carried_flow(samples, study, estimator)
    dt = samples.floats("dt_s")
    speed, rpm = signal(samples, "speed_kmh"), signal(samples, "rpm")
    accel = acceleration(signal(samples, "t_s"), speed)
    power = tractive_power(
        speed / 3.6,
        accel,
        np.zeros(len(speed)),
        np.full(len(speed), REFERENCE_DENSITY_KG_M3),
        study.vehicle.resistance,
    )
    known = np.isfinite(flow) & np.isfinite(power) & (dt > 0)
    fuelled = known & (flow > 0) & ~(rpm < FIRING_RPM)
    standing = fuelled & (speed < STANDING_KMH)
    overrun = known & (speed > OVERRUN_KMH) & (accel < OVERRUN_M_S2) & (rpm > OVERRUN_RPM)
    small, large = _sizes(study.vehicle)
    heavier = 1.0 if "mass_kg" in study.vehicle.model_fields_set else UNDECLARED_LOAD
    turning = _turning(speed, rpm)
    low = _budget_w(power, turning, small)[fuelled] @ dt[fuelled]
    high = _budget_w(heavier * power, turning, large)[known] @ dt[known]
    weight = heavier * study.vehicle.mass_kg * STANDARD_GRAVITY_M_S2
    climb = weight * STEEPEST_MEAN * (speed[known] / 3.6) @ dt[known] / DRIVE_EFFICIENCY
    filling = _filling(samples, study.vehicle, estimator)
    return Level(
        fuelled_s=float(dt[fuelled].sum()),
        energy_mj=float(flow[known] @ dt[known]) * fuel.lhv_mj_kg / 1000,
        low_budget_mj=float(low) / 1e6,
        high_budget_mj=float(high) / 1e6,
        climb_mj=float(climb) / 1e6,
        net_work_mj=float(power[known] @ dt[known]) / 1e6,
        km=float(speed[known] @ dt[known]) / 3600,
        litres=float(flow[known] @ dt[known]) / fuel.density_kg_m3,
        idle_g_s=_quantile(flow, standing, dt, 0.5, LEAST_STANDING_S),
        filling=_quantile(filling, fuelled, dt, 0.99),
        idle_filling=_quantile(filling, standing, dt, 0.5, LEAST_STANDING_S),
        overrun_filling=_quantile(filling, overrun, dt, 0.5, LEAST_OVERRUN_S),
        richest_lambda=_quantile(_told_lambda(samples), fuelled, dt, 0.1),
        implied_lambda=_quantile(_implied_lambda(samples, study, fuel), fuelled, dt, 0.5),
    )


def carried_flow(samples: Table, study: Study, estimator: str) -> Array:
    """Fuel flow [g/s] as an estimator's signals carry it: λ = 1, no trims, fuel never cut."""
    fuel, vehicle = fuel_of(samples, study), study.vehicle
    if estimator == "rate":
        per_hour = signal(samples, "fuel_rate_l_h") * fuel.density_kg_m3
        told: Array = np.where(
            np.isfinite(per_hour), per_hour / 3600, signal(samples, "fuel_rate_g_s")
        )
        return vehicle.fuel_scale * told
    if estimator == "injection":
        strokes_s = (vehicle.cylinders or 0) * signal(samples, "rpm") / 120
        injected: Array = signal(samples, "injected_mg_stroke") / 1000 * strokes_s
        return vehicle.fuel_scale * injected
    carried: Array = vehicle.fuel_scale * _air(samples, vehicle, estimator) / fuel.stoich_afr
    return carried


def _air(samples: Table, vehicle: Vehicle, estimator: str) -> Array:
    """Air [g/s] by an estimator's signals; manifold air with an assumed efficiency."""
    if AIR_MEASURES[estimator] == "speed-density":
        assert vehicle.displacement_l is not None, "speed-density needs displacement"
        return ASSUMED_VE * manifold_air(samples, vehicle.displacement_l)
    return air_flow(samples, AIR_MEASURES[estimator], vehicle.displacement_l)


def _sizes(vehicle: Vehicle) -> tuple[float, float]:
    size = vehicle.displacement_l
    return UNKNOWN_SIZE_L if size is None else (size, size)


def _turning(speed_kmh: Array, rpm: Array) -> Array:
    """Engine speed [1/min], taken from road speed where it isn't logged."""
    assumed = np.minimum(IDLE_RPM + RPM_PER_KMH * speed_kmh, FASTEST_ASSUMED_RPM)
    turning: Array = np.where(np.isfinite(rpm), rpm, assumed)
    return turning


def _budget_w(power_w: Array, rpm: Array, size_l: float) -> Array:
    """Fuel power [W] that a poor, cold engine could need for this work at these revolutions."""
    friction = 1000 * FRICTION_KPA * size_l / 1000 * rpm / 120
    budget: Array = (
        np.maximum(power_w, 0) / DRIVE_EFFICIENCY
        + friction / FRICTION_EFFICIENCY
        + ACCESSORIES_W / ACCESSORIES_EFFICIENCY
    )
    return budget


def _filling(samples: Table, vehicle: Vehicle, estimator: str) -> Array:
    """Air over what fills the displacement at 25 °C and 101.3 kPa [1]; NaN if not from air."""
    size = vehicle.displacement_l
    if not ESTIMATORS[estimator].from_air or size is None:
        return np.full(len(samples), np.nan)
    rpm = signal(samples, "rpm")
    full = air_flow(
        samples.assign(absolute_load_pct=100.0), "absolute-load", size
    )  # NaN without rpm
    filling: Array = np.where(
        rpm > FIRING_RPM, _air(samples, vehicle, estimator) / np.where(full > 0, full, 1.0), np.nan
    )
    return filling


def _told_lambda(samples: Table) -> Array:
    """The larger of commanded and measured λ, as logged."""
    told = np.stack([signal(samples, s) for s in ("lambda_commanded", *LAMBDA_MEASURED)])
    most: Array = np.fmax.reduce(told, axis=0)
    return most


def _implied_lambda(samples: Table, study: Study, fuel: Fuel) -> Array:
    """Metered air over the air that the engine's own fuel rate needs [1]."""
    rate = carried_flow(samples, study, "rate") / study.vehicle.fuel_scale
    burning = rate > 0
    implied: Array = np.where(
        burning, signal(samples, "maf_g_s") / fuel.stoich_afr / np.where(burning, rate, 1.0), np.nan
    )
    return implied


def _quantile(
    values: Array, where: Array, dt: Array, share: float, least_s: float = LEAST_S
) -> float:
    there = where & np.isfinite(values)
    return quantile(values[there], share) if dt[there].sum() >= least_s else np.nan


def refusal(
    samples: Table, study: Study, estimator: str, units: Mapping[str, str] | None = None
) -> Fact | None:
    """Why a run's fuel can't be what it says, None if it can.

    Parameters
    ----------
    samples : DataFrame
        `tables.SAMPLES`.
    study : Study
    estimator : str
        A key of `ESTIMATORS`.
    units : mapping of signal to unit, optional
        In which unit the log's values were read; the signal's own by default.

    Returns
    -------
    Fact or None
        A clause for "left out because …" and "not usable because …", with the likely slip.
    """
    return _of_level(level_of(samples, study, estimator), samples, study, estimator, units)


def _of_level(
    level: Level,
    samples: Table,
    study: Study,
    estimator: str,
    units: Mapping[str, str] | None,
) -> Fact | None:
    fault = _fault(level, study, estimator, RUN_SHARES)
    return _explained(fault, level, [samples], study, estimator, units)


def refusals(
    samples: Sequence[Table],
    study: Study,
    estimator: str,
    units: Sequence[Mapping[str, str]] | None = None,
    levels: Sequence[Level] | None = None,
) -> list[Fact | None]:
    """`refusal` of each of a study's runs, which are also held against each other.

    All are drives of one car: a run whose level and whose flow at a stand both lie more than
    `RELATIVE` times over or under the medians of the runs has another unit. A cold start moves
    the flow at a stand by as much, a descent the level, neither of them both. `levels` are the
    runs' (`level_of`) where they are known already.
    """
    each = units or [{} for _ in samples]
    levels = [level_of(s, study, estimator) for s in samples] if levels is None else levels
    said = [
        _of_level(level, s, study, estimator, u)
        for level, s, u in zip(levels, samples, each, strict=True)
    ]
    kept = [
        lv
        for lv, why in zip(levels, said, strict=True)
        if not why and lv.fuelled_s >= LEAST_S and np.isfinite(lv.idle_g_s)
    ]
    if len(kept) < LEAST_RUNS:
        return said
    idle = float(np.median([lv.idle_g_s for lv in kept]))
    share = float(np.median([lv.shares[0] for lv in kept]))
    for i, (level, why) in enumerate(zip(levels, said, strict=True)):
        both = np.array([level.idle_g_s / idle, level.shares[0] / share])
        if not why and ((both > RELATIVE).all() or (both < 1 / RELATIVE).all()):
            fault = Odd.UNLIKE_OTHERS(use=level.use, times=both[1], at_rest=both[0])
            said[i] = with_likely_slip(fault, [samples[i]], study, estimator, each[i])
    return said


def arm_refusal(
    samples: Sequence[Table],
    study: Study,
    estimator: str,
    units: Mapping[str, str] | None = None,
    levels: Sequence[Level] | None = None,
) -> Fact | None:
    """Why the fuel of an arm's runs together can't be what it says, None if it can.

    Drives out and back take the hills out of the sum, so the bounds are closer than for a run, and
    the work at the wheels can't exceed what the best engines make of their fuel.
    """
    each = [level_of(s, study, estimator) for s in samples] if levels is None else levels
    levels = [level for level in each if level.fuelled_s >= LEAST_S]
    if not levels:
        return None
    pooled = _pooled(levels)
    fault = _fault(pooled, study, estimator, ARM_SHARES)
    return _explained(fault, pooled, samples, study, estimator, units)


def _explained(
    fault: Fact | None,
    level: Level,
    samples: Sequence[Table],
    study: Study,
    estimator: str,
    units: Mapping[str, str] | None,
) -> Fact | None:
    """A fault with what it most likely comes from."""
    if fault is None or fault.code is Odd.LEAN:
        return fault
    told = with_likely_slip(fault, samples, study, estimator, units)
    lean = ESTIMATORS[estimator].from_air and level.shares[0] > TYPICAL_SHARE
    return Odd.IF_DIESEL(fault=told) if lean else told


def _fault(level: Level, study: Study, estimator: str, bounds: tuple[float, float]) -> Fact | None:
    """What is wrong with a level, without the likely slip."""
    if level.fuelled_s < LEAST_S:
        return None
    from_air = ESTIMATORS[estimator].from_air
    if from_air and level.richest_lambda > LEANEST_PETROL:
        return Odd.LEAN(lean=level.richest_lambda)
    alone = bounds == RUN_SHARES
    low, high = level.shares
    if alone:
        high = level.energy_mj / (level.high_budget_mj + level.climb_mj)
    if low < bounds[0]:
        return Odd.TOO_LITTLE(use=level.use)
    if not alone and level.net_work_mj > MOST_EFFICIENT * level.energy_mj:
        share = 100 * level.net_work_mj / level.energy_mj
        return Odd.TOO_EFFICIENT(use=level.use, pct=share)
    filled = level.filling > _most_filling(study.vehicle)
    full = level.idle_filling > UNTHROTTLED_FILLING
    unthrottled = full and (level.overrun_filling > UNTHROTTLED_FILLING or low > MOST_WHEN_FULL)
    implied = from_air and level.implied_lambda > LEANEST_IMPLIED
    if filled:
        return Odd.OVERFILLED(pct=100 * level.filling)
    if unthrottled:
        return Odd.UNTHROTTLED(pct=100 * level.idle_filling)
    if implied:
        return Odd.TOO_MUCH_AIR(times=level.implied_lambda)
    if high > bounds[1]:
        return Odd.TOO_MUCH(use=level.use)
    return None


def _most_filling(vehicle: Vehicle) -> float:
    declared = "aspiration" in vehicle.model_fields_set
    return MOST_FILLING[vehicle.aspiration] if declared else MOST_FILLING_UNDECLARED


def with_likely_slip(
    fault: Fact,
    samples: Sequence[Table],
    study: Study,
    estimator: str,
    units: Mapping[str, str] | None = None,
) -> Fact:
    """A fault with the readings that would make these runs' fuel an engine's."""
    carrier = next(
        (c for c in CARRIERS[estimator] if any(np.isfinite(signal(s, c)).any() for s in samples)),
        CARRIERS[estimator][0],
    )
    unit = (units or {}).get(carrier, SIGNALS[carrier].unit)
    told: list[tuple[float, str, Fact]] = []
    for name, factor in other_readings(carrier, unit, fuel_of(samples[0], study)):
        runs = [columns_of(s) for s in samples if carrier in s]
        scaled = [s.assign(**{carrier: factor * s.floats(carrier)}) for s in runs]
        pooled = _pooled([level_of(s, study, estimator) for s in scaled])
        if not _fault(pooled, study, estimator, USUAL_SHARES):
            told.append((abs(float(np.log(pooled.shares[0] / TYPICAL_SHARE))), name, pooled.use))
    if not told:
        return Odd.CHECK_UNIT(fault=fault, signal=plain(carrier))
    best = sorted(told, key=lambda each: each[:2])[:3]
    read = {k: v for c, (_, name, use) in zip("abc", best, strict=False)
            for k, v in ((c, name), (f"use_{c}", use))}  # fmt: skip
    kind = (Odd.READ_AS, Odd.READ_AS_TWO, Odd.READ_AS_THREE)[len(best) - 1]
    return kind(fault=fault, signal=plain(carrier), **read)


def other_readings(carrier: str, unit: str, fuel: Fuel) -> Iterator[tuple[str, float]]:
    """Every other reading of a signal's numbers: its name, and what it multiplies them by.

    Parameters
    ----------
    carrier : str
        A signal that carries fuel.
    unit : str
        The unit that its values were taken to be in.
    fuel : Fuel
        Its density joins mass and volume flow of fuel.
    """
    here = UNITS[unit]
    per_litre_hour = fuel.density_kg_m3 / 3600  # g/s of one litre an hour
    of_fuel = carrier in CARRIERS["rate"]
    bridge = {"volume flow": per_litre_hour, "mass flow": 1.0} if of_fuel else {}
    for name, there in UNITS.items():
        if name == unit or there.offset or name in SELDOM:
            continue
        if there.dimension == here.dimension:
            yield unit_symbol(name), there.factor / here.factor
        elif there.dimension in bridge and here.dimension in bridge:
            scale = bridge[there.dimension] / bridge[here.dimension]
            yield unit_symbol(name), scale * there.factor / here.factor
    if here.dimension == "share":
        yield "a ratio (0 to 1)", 100.0


def _pooled(levels: Sequence[Level]) -> Level:
    """Levels of several runs as one."""
    return Level(
        fuelled_s=sum(each.fuelled_s for each in levels),
        energy_mj=sum(each.energy_mj for each in levels),
        low_budget_mj=sum(each.low_budget_mj for each in levels),
        high_budget_mj=sum(each.high_budget_mj for each in levels),
        climb_mj=sum(each.climb_mj for each in levels),
        net_work_mj=sum(each.net_work_mj for each in levels),
        km=sum(each.km for each in levels),
        litres=sum(each.litres for each in levels),
    )
