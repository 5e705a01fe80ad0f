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
from roadlog.demo.variants import (
    AUTOMATIC_EFFICIENCY_SHARE,
    COMPRESSOR_IDLE_RPM,
    COMPRESSOR_W,
    LATER_SHIFTS,
    Gearbox,
    converter,
)
from roadlog.quantities.arrays import Bools, Floats
from roadlog.quantities.fuels import FUELS
from roadlog.quantities.units import STANDARD_GRAVITY_M_S2

FUEL = FUELS["E10"]
AIR_GAS_CONSTANT = (
    287.05  # J/(kg K), dry air; not physics.air's: sample_logs were made with it, to the byte
)

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
# The shut plate chokes the flow: its air hardly follows engine speed.
SHUT_AIR_POWER_OF_RPM = 0.25
# On fast overrun the plate is opened again, whatever else runs, so that pressure stays near 20 kPa.
OVERRUN_AIR_PER_IDLE_AIR = 0.6  # per revolution
RESIDUAL_KPA = 9.0  # of manifold pressure: what burned gas left in the cylinder holds
PEDAL_FIRST, PEDAL_SPAN, PEDAL_POWER = 0.03, 0.72, 0.8  # of full travel, over the share of load
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
    pedal: Floats  # of its travel, 0 at rest
    compressor: Bools


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


def _gear(drive: Drive, wheel_w: Floats, gearbox: Gearbox) -> NDArray[np.int64]:
    """Gear index 0 to 4: later shifts under load, held longer when slowing."""
    kmh = 3.6 * gaussian_filter1d(drive.speed_m_s, 0.5 / STEP_S)
    power = np.clip(gaussian_filter1d(wheel_w, 4 / STEP_S) / 30_000, 0, 1)
    delay = np.where(drive.accel_m_s2 < -0.15, 0.72, 1 + 0.6 * power)
    delay = delay * (LATER_SHIFTS if gearbox == "automatic" else 1.0)
    gear = np.sum(kmh[:, None] > SHIFT_UP_KMH[None, :] * delay[:, None], axis=1)
    return np.asarray(median_filter(gear, size=round(3.4 / STEP_S)))


@dataclass(frozen=True)
class _Coupled:
    """Engine speed, power asked of the engine [W], and where it turns with the wheels."""

    rpm: Floats
    brake_w: Floats
    engaged: Bools


def _coupled(drive: Drive, wheel_w: Floats, idle_rpm: Floats, gearbox: Gearbox) -> _Coupled:
    """What clutch or converter makes of the power at the wheels; accessories aside."""
    share = AUTOMATIC_EFFICIENCY_SHARE if gearbox == "automatic" else 1.0
    efficiency = DRIVELINE_EFFICIENCY * share
    gearbox_w = np.where(wheel_w > 0, wheel_w / efficiency, wheel_w * efficiency)
    kmh = 3.6 * drive.speed_m_s
    geared = 1000 * kmh / KMH_PER_1000_RPM[_gear(drive, wheel_w, gearbox)]
    if gearbox == "automatic":
        turned, asked = converter(drive, geared, gearbox_w, idle_rpm)
        engaged = geared > idle_rpm
        return _Coupled(gaussian_filter1d(turned, 0.3 / STEP_S), asked, engaged)
    engaged = (geared > idle_rpm) & ~((drive.accel_m_s2 < -0.15) & (kmh < 12))
    rpm = gaussian_filter1d(np.where(engaged, geared, idle_rpm), 0.3 / STEP_S)
    return _Coupled(rpm, np.where(engaged, gearbox_w, np.maximum(gearbox_w, 0)), engaged)


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


def run_engine(
    drive: Drive,
    road: Road,
    now: Conditions,
    *,
    gearbox: Gearbox = "manual",
    compressor: Bools | None = None,
) -> Engine:
    """Drive the car along the road and give fuel, air and engine state.

    The add-on's true effect enters once, at the end: fuel and the air burned with it are
    multiplied by `now.effect_factor` (as by `now.fuel_factor`, for all else that moves fuel use).
    Speed, power, warm-up, mixture and fuel cut come from the unmultiplied engine, so equal
    driving is exactly equal and the ratio exactly the factor. `compressor` says when the air
    conditioning's compressor runs, every 0.2 s; never by default.
    """
    on = np.zeros(drive.t_s.size, dtype=bool) if compressor is None else compressor
    accessories_w = ACCESSORIES_W + COMPRESSOR_W * on
    wheel = wheel_power_w(drive, road, now)
    height = np.interp(drive.s_m, road.s_m, road.elevation_m)
    baro = _baro_kpa(now, height)
    coolant = np.full(drive.t_s.size, max(now.coolant_start_c, 60.0))
    for _ in range(3):  # warm-up needs fuel, friction needs warm-up: settles in two rounds
        extra = COLD_IDLE_EXTRA_RPM * np.clip((70 - coolant) / 65, 0, 1)
        idle_rpm = IDLE_RPM + extra * np.exp(-drive.t_s / 120)
        idle_rpm = idle_rpm + COMPRESSOR_IDLE_RPM[gearbox] * on
        coupled = _coupled(drive, wheel, idle_rpm, gearbox)
        rpm, asked = coupled.rpm, coupled.brake_w + accessories_w
        friction = _friction_w(rpm, np.maximum(asked, 0), coolant)
        inner = asked + friction
        least = _least_inner_w(rpm, on)
        wants_cut = coupled.engaged & (inner < least) & (rpm > CUT_RPM)
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
    shut_g_s = least / _indicated_efficiency(rpm) / FUEL.lhv_mj_kg / 1000
    cut_air = np.maximum(shut_g_s * FUEL.stoich_afr, _overrun_air_g_s(rpm))
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
        pedal=_pedal(drive, coupled, inner, least, friction, full_air),
        compressor=on,
    )


def _pedal(
    drive: Drive,
    coupled: _Coupled,
    inner_w: Floats,
    least_w: Floats,
    friction_w: Floats,
    full_air_g_s: Floats,
) -> Floats:
    """Pedal of its travel, 0 to 1: at rest where idle control alone gives what is asked.

    Idle control opens the plate for a cold engine's friction too.
    """
    warm = np.full(drive.t_s.size, THERMOSTAT_C)
    cold_w = friction_w - _friction_w(coupled.rpm, np.maximum(coupled.brake_w, 0), warm)
    shut_w = least_w + np.maximum(cold_w, 0)
    full_w = 1000 * FUEL.lhv_mj_kg * full_air_g_s / FUEL.stoich_afr
    full_w = full_w * _indicated_efficiency(coupled.rpm)
    wanted = (inner_w > 1.05 * shut_w) & (drive.speed_m_s > 0)
    wanted &= coupled.engaged | (drive.accel_m_s2 > 0.1)
    pressed = binary_opening(wanted, np.ones(round(0.6 / STEP_S), dtype=bool))
    share = np.clip((inner_w - shut_w) / (full_w - shut_w), 0, 1)
    travel = np.where(pressed, PEDAL_FIRST + PEDAL_SPAN * share**PEDAL_POWER, 0)
    return np.asarray(travel)


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


def _least_inner_w(rpm: Floats, compressor: Bools) -> Floats:
    """Least indicated power [W] that still fires: what the shut plate's air gives.

    Idle control opens the plate further while the compressor runs.
    """
    at_idle = [
        0.92 * (w + float(_friction_w(np.array([n]), np.array([w]), np.array([90.0]))[0]))
        * n**-SHUT_AIR_POWER_OF_RPM
        for n, w in (
            (IDLE_RPM, ACCESSORIES_W),
            (IDLE_RPM + COMPRESSOR_IDLE_RPM["manual"], ACCESSORIES_W + COMPRESSOR_W),
        )
    ]  # fmt: skip
    return np.asarray(np.where(compressor, at_idle[1], at_idle[0]) * rpm**SHUT_AIR_POWER_OF_RPM)


def _overrun_air_g_s(rpm: Floats) -> Floats:
    """Least air that is let in on overrun: a share of the warm idle's on every revolution."""
    idle, off = np.array([IDLE_RPM]), np.zeros(1, dtype=bool)
    idle_g_s = _least_inner_w(idle, off) / _indicated_efficiency(idle) / FUEL.lhv_mj_kg / 1000
    return np.asarray(OVERRUN_AIR_PER_IDLE_AIR * FUEL.stoich_afr * idle_g_s * rpm / IDLE_RPM)


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
    charge_kpa = density * AIR_GAS_CONSTANT * (intake_c + 273.15) / 1000
    return np.asarray(RESIDUAL_KPA + (1 - RESIDUAL_KPA / 101.3) * charge_kpa)
