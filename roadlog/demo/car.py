"""The invented car of the demonstration: a drive and the day's conditions in, engine state out.

Road load, gear choice, a Willans-type fuel line with friction and pumping, warm-up, enrichment
and fuel cut give fuel and air flow every 0.2 s; the add-on's true effect multiplies the fuel at
equal driving. It feeds the generator behind `roadlog demo` and implements no part of the method.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import binary_opening, gaussian_filter1d, median_filter
from scipy.signal import lfilter

from roadlog.demo.driver import STEP_S, Drive
from roadlog.demo.road import Road
from roadlog.fuels import FUELS
from roadlog.units import STANDARD_GRAVITY_M_S2

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

FUEL = FUELS["E10"]
AIR_GAS_CONSTANT = 287.05  # J/(kg K), dry air

# The car. All invented, of the size that a 1.8-litre hatchback has.
MASS_KG = 1310.0
CDA_M2 = 0.66
CRR = 0.0105
DISPLACEMENT_L = 1.8
CYLINDERS = 4
ROTATING_MASS_FACTOR = 1.04
DRIVELINE_EFFICIENCY = 0.92
ACCESSORIES_W = 800.0
KMH_PER_1000_RPM = np.array([7.9, 14.2, 20.8, 27.6, 35.0])
SHIFT_UP_KMH = np.array([16.0, 29.0, 43.0, 62.0])
IDLE_RPM, COLD_IDLE_EXTRA_RPM = 780.0, 420.0
CUT_RPM, CUT_KMH = 1300.0, 15.0
THERMOSTAT_C = 88.0
COOLANT_HEAT_SHARE, COOLANT_J_K, COOLANT_LOSS_W_K = 0.28, 55_000.0, 40.0
CLOSED_LOOP_FROM_C = 28.0
ENRICH_ABOVE_LOAD = 0.86
FULL_THROTTLE_INTAKE_K = 6.0  # above ambient, once the bay has been aired


@dataclass(frozen=True)
class Conditions:
    """What one run meets beside the road: weather, car state and multipliers on fuel."""

    ambient_c: float
    pressure_kpa: float  # at the valley floor
    wind_m_s: float  # at the height of the car
    wind_from_deg: float
    payload_kg: float
    rolling_factor: float
    coolant_start_c: float
    fuel_factor: float  # day, run, fuel batch and drift: all but the add-on
    effect_factor: float  # the add-on, 1 when out


@dataclass(frozen=True)
class Engine:
    """Engine and car state of one run, every 0.2 s; each field has shape (n,)."""

    fuel_g_s: Floats
    air_g_s: Floats
    lambda_ratio: Floats
    rpm: Floats
    brake_power_w: Floats
    map_kpa: Floats
    absolute_load: Floats
    calculated_load: Floats
    coolant_c: Floats
    intake_c: Floats
    baro_kpa: Floats
    cut: Bools
    enriched: Bools
    closed_loop: Bools


def wheel_power_w(drive: Drive, road: Road, now: Conditions) -> Floats:
    """Power at the wheels [W] that a drive asks for, negative when braking, shape (n,)."""
    grade = np.interp(drive.s_m, road.s_m, road.grade)
    heading = np.radians(np.interp(drive.s_m, road.s_m, np.unwrap(road.heading_deg, period=360)))
    height = np.interp(drive.s_m, road.s_m, road.elevation_m)
    headwind = now.wind_m_s * np.cos(np.radians(now.wind_from_deg) - heading)
    density = 1000 * _baro_kpa(now, height) / AIR_GAS_CONSTANT / (now.ambient_c + 273.15)
    air_speed = drive.speed_m_s + headwind
    mass = MASS_KG + now.payload_kg
    weight = mass * STANDARD_GRAVITY_M_S2 / np.sqrt(1 + grade**2)
    force = (
        ROTATING_MASS_FACTOR * mass * drive.accel_m_s2
        + weight * grade
        + weight * CRR * now.rolling_factor
        + 0.5 * density * CDA_M2 * air_speed * np.abs(air_speed)
    )
    return np.asarray(force * drive.speed_m_s)


def _baro_kpa(now: Conditions, height_m: Floats) -> Floats:
    return now.pressure_kpa * np.exp(-(height_m - 92.0) / 8400)


def _gear(drive: Drive, wheel_w: Floats) -> NDArray[np.int64]:
    """Gear index 0 to 4: later shifts under load, held longer when slowing."""
    kmh = 3.6 * gaussian_filter1d(drive.speed_m_s, 0.5 / STEP_S)
    power = np.clip(gaussian_filter1d(wheel_w, 4 / STEP_S) / 30_000, 0, 1)
    delay = np.where(drive.accel_m_s2 < -0.15, 0.72, 1 + 0.6 * power)
    gear = np.sum(kmh[:, None] > SHIFT_UP_KMH[None, :] * delay[:, None], axis=1)
    return np.asarray(median_filter(gear, size=round(3.4 / STEP_S)))


def _rpm(drive: Drive, wheel_w: Floats, idle_rpm: Floats) -> tuple[Floats, Bools]:
    """Engine speed and whether the clutch is shut with the engine above idle."""
    kmh = 3.6 * drive.speed_m_s
    geared = 1000 * kmh / KMH_PER_1000_RPM[_gear(drive, wheel_w)]
    engaged = (geared > idle_rpm) & ~((drive.accel_m_s2 < -0.15) & (kmh < 12))
    return gaussian_filter1d(np.where(engaged, geared, idle_rpm), 0.3 / STEP_S), engaged


def _coolant_c(start_c: float, ambient_c: float, fuel_w: Floats) -> Floats:
    """Coolant temperature: one heated thermal mass, held down by the thermostat."""
    loss = COOLANT_LOSS_W_K * STEP_S / COOLANT_J_K
    heat = COOLANT_HEAT_SHARE * STEP_S / COOLANT_J_K * fuel_w
    above, _ = lfilter([1.0], [1, -(1 - loss)], heat, zi=[(1 - loss) * (start_c - ambient_c)])
    return np.asarray(np.minimum(ambient_c + above, THERMOSTAT_C))


def _friction_w(rpm: Floats, brake_w: Floats, coolant_c: Floats) -> Floats:
    """Rubbing and pumping power [W]: mean effective pressures times swept volume per time."""
    swept_m3_s = DISPLACEMENT_L / 1000 * rpm / 120
    cold = 1 + 0.9 * np.clip((85 - coolant_c) / 80, 0, 1.3) ** 1.4
    rubbing_bar = (0.72 + 0.10 * rpm / 1000 + 0.035 * (rpm / 1000) ** 2) * cold
    brake_bar = brake_w / swept_m3_s / 1e5
    pumping_bar = np.clip(0.62 - 0.055 * brake_bar, 0.05, 0.65)
    return np.asarray(1e5 * (rubbing_bar + pumping_bar) * swept_m3_s)


def _indicated_efficiency(rpm: Floats) -> Floats:
    return np.asarray(0.395 * (1 - 0.18 * np.exp(-rpm / 900)))


def _lambda_cold(coolant_c: Floats, t_s: Floats) -> Floats:
    """Mixture that a cold engine gets: rich at first, stoichiometric once it runs smoothly."""
    rich = 0.17 * np.clip((50 - coolant_c) / 45, 0, 1) * np.exp(-t_s / 50)
    return 1 - np.where(rich > 0.004, rich, 0)


def run_engine(drive: Drive, road: Road, now: Conditions) -> Engine:
    """Drive the car along the road and give fuel, air and engine state.

    The add-on's true effect enters once, at the end: fuel and the air burned with it are
    multiplied by `now.effect_factor` (as by `now.fuel_factor`, for all else that moves fuel use).
    Speed, power, warm-up, mixture and fuel cut come from the unmultiplied engine, so equal
    driving is exactly equal and the ratio exactly the factor.
    """
    wheel = wheel_power_w(drive, road, now)
    brake_w = np.where(wheel > 0, wheel / DRIVELINE_EFFICIENCY, wheel * DRIVELINE_EFFICIENCY)
    height = np.interp(drive.s_m, road.s_m, road.elevation_m)
    baro = _baro_kpa(now, height)
    coolant = np.full(drive.t_s.size, max(now.coolant_start_c, 60.0))
    for _ in range(3):  # warm-up needs fuel, friction needs warm-up: settles in two rounds
        extra = COLD_IDLE_EXTRA_RPM * np.clip((70 - coolant) / 65, 0, 1)
        rpm, engaged = _rpm(drive, wheel, IDLE_RPM + extra * np.exp(-drive.t_s / 120))
        asked = np.where(engaged, brake_w, np.maximum(brake_w, 0)) + ACCESSORIES_W
        friction = _friction_w(rpm, np.maximum(asked, 0), coolant)
        inner = asked + friction
        least = _least_inner_w(rpm)
        wants_cut = engaged & (inner < 0.8 * least) & (rpm > CUT_RPM)
        wants_cut &= (3.6 * drive.speed_m_s > CUT_KMH) & (coolant > 20)
        cut = np.asarray(binary_opening(wants_cut, np.ones(round(0.8 / STEP_S), dtype=bool)))
        burned_w = np.where(cut, 0, np.maximum(inner, least) / _indicated_efficiency(rpm))
        coolant = _coolant_c(now.coolant_start_c, now.ambient_c, burned_w)

    intake = _intake_c(drive, now)
    stoichiometric_g_s = burned_w / FUEL.lhv_mj_kg / 1000
    air = stoichiometric_g_s * FUEL.stoich_afr
    full_air = _full_air_g_s(rpm, baro, intake)
    enriched = air > ENRICH_ABOVE_LOAD * full_air
    mixture = np.where(enriched, 0.90, _lambda_cold(coolant, drive.t_s))
    idle_air_g_rev = _least_inner_w(rpm) / _indicated_efficiency(rpm) / FUEL.lhv_mj_kg / 1000
    cut_air = 0.8 * idle_air_g_rev * FUEL.stoich_afr
    factor = now.fuel_factor * now.effect_factor
    burned_air = np.where(cut, cut_air, air * factor)
    closed = (coolant > CLOSED_LOOP_FROM_C) & (drive.t_s > 25)
    return Engine(
        fuel_g_s=np.where(cut, 0, stoichiometric_g_s / mixture * factor),
        air_g_s=burned_air,
        lambda_ratio=mixture,
        rpm=rpm,
        brake_power_w=asked,
        map_kpa=_map_kpa(burned_air, rpm, intake),
        absolute_load=burned_air / (1.184 * DISPLACEMENT_L * rpm / 120),
        calculated_load=np.minimum(burned_air / full_air, 1),
        coolant_c=coolant,
        intake_c=intake,
        baro_kpa=baro,
        cut=cut,
        enriched=enriched & ~cut,
        closed_loop=closed & ~cut & ~enriched,
    )


def full_throttle_w(rpm: Floats, ambient_c: float, baro_kpa: float) -> Floats:
    """Power at the wheels [W] of the warm engine with the throttle fully open, shape as `rpm`.

    The cylinders draw all the air that they can and burn it as `run_engine` does; friction,
    accessories and driveline take their part.
    """
    baro = np.full(rpm.shape, baro_kpa)
    intake = np.full(rpm.shape, ambient_c + FULL_THROTTLE_INTAKE_K)
    fuel_w = 1000 * FUEL.lhv_mj_kg * _full_air_g_s(rpm, baro, intake) / FUEL.stoich_afr
    indicated = fuel_w * _indicated_efficiency(rpm)
    brake = 0.8 * indicated
    for _ in range(3):  # pumping needs brake power, which needs pumping: settles in two rounds
        friction = _friction_w(rpm, brake, np.full(rpm.shape, THERMOSTAT_C))
        brake = indicated - friction - ACCESSORIES_W
    return np.asarray(DRIVELINE_EFFICIENCY * brake)


def _least_inner_w(rpm: Floats) -> Floats:
    """Least indicated power [W] that still fires: a fixed charge per revolution."""
    idle = np.array([IDLE_RPM])
    at_idle = ACCESSORIES_W + _friction_w(idle, np.array([ACCESSORIES_W]), np.array([90.0]))
    return np.asarray(0.92 * at_idle * rpm / IDLE_RPM)


def _intake_c(drive: Drive, now: Conditions) -> Floats:
    """Intake air temperature: a warm bay at low speed, near ambient on the open road."""
    soak = 5 + 14 * np.exp(-drive.speed_m_s / 9) * (1 - np.exp(-drive.t_s / 400))
    slow = STEP_S / 45
    smooth, _ = lfilter([slow], [1, slow - 1], soak, zi=[(1 - slow) * 3.0])
    return np.asarray(now.ambient_c + smooth)


def _breathing(rpm: Floats) -> Floats:
    """Volumetric efficiency against manifold state."""
    return np.asarray(0.88 - 0.05 * ((rpm - 3600) / 2400) ** 2)


def _full_air_g_s(rpm: Floats, baro_kpa: Floats, intake_c: Floats) -> Floats:
    density = 1000 * baro_kpa / AIR_GAS_CONSTANT / (intake_c + 273.15)
    return np.asarray(density * DISPLACEMENT_L * rpm / 120 * _breathing(rpm))


def _map_kpa(air_g_s: Floats, rpm: Floats, intake_c: Floats) -> Floats:
    """Manifold pressure [kPa]: the charge's own plus what burned gas left in the cylinder holds."""
    density = air_g_s / (DISPLACEMENT_L * rpm / 120 * _breathing(rpm))
    residual_kpa = 9.0
    charge_kpa = density * AIR_GAS_CONSTANT * (intake_c + 273.15) / 1000
    return np.asarray(residual_kpa + (1 - residual_kpa / 101.3) * charge_kpa)
