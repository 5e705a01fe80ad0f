"""A standing start as on a level, windless course in standard air.

In go timed starts with the air, wind and grade of their course; out come times and mean powers
that can be compared. Implements the corrections of the standing start, method section 7.
"""

from collections.abc import Sequence

import numpy as np
import pandas as pd

from roadlog.ingest import Log
from roadlog.ingest.timebase import resample
from roadlog.passes.conditions import STANDARD_AT_SEA_LEVEL, STANDARD_TEMP_C, add_conditions
from roadlog.physics.air import ASSUMED_HUMIDITY_PCT, WIND_AT_CAR, air_density, saturation_pressure
from roadlog.physics.demand import ROTATING_MASS, tractive_power
from roadlog.quantities.arrays import Floats
from roadlog.study.car import Vehicle
from roadlog.trials.starts import FROM_KMH, Start, crossing, pull_from_kmh

J1349_TEMP_C, J1349_DRY_KPA = 25.0, 99.0
STANDARD_DENSITY_KG_M3 = float(air_density(J1349_TEMP_C, J1349_DRY_KPA))


def ambient_factor(temp_c: float, dry_pressure_kpa: float) -> float:
    """Factor from measured to standard power of a naturally aspirated petrol engine [1].

    Parameters
    ----------
    temp_c : float [°C]
        Air at the intake, for want of it ambient air.
    dry_pressure_kpa : float [kPa]
        Without the vapour's part.

    References
    ----------
    SAE J1349 JUN90, as secondary literature quotes it: 1.180 (990/p)·√((T + 273)/298) − 0.18
    with p in mbar. Not for supercharged or compression-ignition engines.

    >>> ambient_factor(25.0, 99.0)
    1.0
    """
    factor = 1.18 * (J1349_DRY_KPA / dry_pressure_kpa) * np.sqrt((temp_c + 273) / 298) - 0.18
    return float(factor)


def smoothed_acceleration(start: Start, target_kmh: float) -> tuple[Floats, Floats]:
    """Speeds [m/s] from 10 km/h to the target and the smoothed acceleration [m/s²] at each.

    A cubic of time in speed (lower for few readings) through the readings of the rise.
    """
    inside = (start.speed_kmh >= FROM_KMH - 3) & (start.speed_kmh <= target_kmh + 3)
    v, t = start.speed_kmh[inside] / 3.6, start.t_s[inside]
    v = np.concatenate([[FROM_KMH / 3.6], v, [target_kmh / 3.6]])
    t = np.concatenate([[0.0], t, [start.time_s]])
    weights = np.ones(len(v))
    weights[[0, -1]] = 3.0
    degree = min(3, max(1, len(np.unique(v)) - 2))
    fit = np.polynomial.Polynomial.fit(v, t, degree, w=weights)
    at = np.linspace(FROM_KMH / 3.6, target_kmh / 3.6, 60)
    pace = np.maximum(fit.deriv()(at), 0.2 * start.time_s / (at[-1] - at[0]))
    return at, np.asarray(1 / pace, float)


def corrected_time(
    start: Start,
    target_kmh: float,
    vehicle: Vehicle,
    *,
    density_kg_m3: float,
    headwind_m_s: float = 0.0,
    grade: float = 0.0,
    power_factor: float = 1.0,
) -> float:
    """Time of a start as on a level, windless course in standard air.

    Parameters
    ----------
    start : Start
    target_kmh : float [km/h]
    vehicle : Vehicle
    density_kg_m3 : float [kg/m³]
        Of the air at the start.
    headwind_m_s : float [m/s]
        At the height of the car, against the motion.
    grade : float
        Rise over run.
    power_factor : float
        Of `ambient_factor`, 1 for none.

    Returns
    -------
    float [s]
        From 10 km/h to the target.

    Notes
    -----
    The force at the wheels is mass times acceleration plus road load at the start's grade, wind
    and air; with the factor on it and the standard road load taken off, it gives the acceleration
    of the standard start. The measured time is moved by the difference of the two integrals.
    """
    v, accel = smoothed_acceleration(start, target_kmh)
    still = np.zeros_like(v)
    mass = vehicle.mass_kg * ROTATING_MASS
    force = (
        tractive_power(
            v, accel, still + grade, still + density_kg_m3, vehicle.resistance, headwind_m_s
        )
        / v
    )
    load = tractive_power(v, still, still, still + STANDARD_DENSITY_KG_M3, vehicle.resistance) / v
    standard = power_factor * force - load
    standard = np.maximum(standard, 0.1 * mass * accel)
    return start.time_s + float(np.trapezoid(mass / standard - 1 / accel, v))


def pulling_power(
    start: Start,
    target_kmh: float,
    vehicle: Vehicle,
    *,
    density_kg_m3: float,
    headwind_m_s: float = 0.0,
    grade: float = 0.0,
    leave_out_lifts: bool = True,
) -> tuple[float, float]:
    """Mean power at the wheels while the engine pulls, and for how long it did.

    Parameters
    ----------
    start, target_kmh, vehicle, density_kg_m3, headwind_m_s, grade
        As for `corrected_time`.
    leave_out_lifts : bool
        Take the time of gear changes out, as pedal or throttle show it.

    Returns
    -------
    float, float [kW], [s]
        From `starts.pull_from_kmh` to the target.

    Notes
    -----
    Below that speed clutch and tyres, not the engine, set the pull, and in a gear change nothing
    pulls: counted as pulling, they would make a change of the engine's power look smaller than it
    is. The work done over the whole rise, kinetic energy and road load, was done in the rest.
    """
    low = pull_from_kmh(target_kmh)
    begin, _, _ = crossing(start.t_s, start.speed_kmh, low)
    inside = (start.t_s > begin) & (start.t_s < start.time_s)
    t = np.concatenate([[begin], start.t_s[inside], [start.time_s]])
    v = np.concatenate([[low], start.speed_kmh[inside], [target_kmh]]) / 3.6
    still = np.zeros_like(v)
    load = tractive_power(
        v, still, still + grade, still + density_kg_m3, vehicle.resistance, headwind_m_s
    )
    kinetic = 0.5 * vehicle.mass_kg * ROTATING_MASS * (v[-1] ** 2 - v[0] ** 2)
    pulling = start.time_s - begin
    if leave_out_lifts:
        pulling -= start.lifted_s(begin)
    return float(kinetic + np.trapezoid(load, t)) / pulling / 1000, float(pulling)


def air_at_starts(
    table: pd.DataFrame, logs: Sequence[Log], weather: pd.DataFrame | None
) -> pd.DataFrame:
    """Ambient air and headwind at each start.

    Parameters
    ----------
    table : DataFrame
        A row a start: `log` (position in `logs`), `start`.

    Returns
    -------
    DataFrame
        `ambient_c` [°C], `pressure_kpa` [kPa], `density_kg_m3` [kg/m³], `headwind_m_s` [m/s] at
        10 m, NaN if unknown, and `air_known`: neither temperature nor pressure is only assumed.
    """
    out = []
    for which, mine in table.groupby("log", sort=False):
        log = logs[int(str(which))]
        samples = resample(log.frame)
        t = samples["t_s"].to_numpy(float)
        bearing = np.full(len(t), np.nan)
        for start in mine["start"]:
            near = (t >= start.at_s - 2) & (t <= start.at_s + start.time_s + 2)
            bearing[near] = start.heading_deg
        air = add_conditions(
            samples.assign(bearing_deg=bearing), Vehicle(), start=log.start, weather=weather
        )
        for i, start in mine["start"].items():
            row = air.iloc[int(np.abs(t - start.at_s).argmin())]
            temp = float(row["ambient_c"])
            pressure = float(row["pressure_kpa"])
            known = np.isfinite(temp) and row["pressure_source"] != STANDARD_AT_SEA_LEVEL
            out.append(
                {
                    "row": i,
                    "air_known": bool(known),
                    "ambient_c": temp if np.isfinite(temp) else STANDARD_TEMP_C,
                    "pressure_kpa": pressure,
                    "density_kg_m3": float(row["air_density_kg_m3"]),
                    "headwind_m_s": float(row["headwind_m_s"]),
                }
            )
    return pd.DataFrame(out).set_index("row").sort_index()


def corrected(
    table: pd.DataFrame,
    vehicle: Vehicle,
    target_kmh: float,
    grade_out: float,
    wind_at_car: float = WIND_AT_CAR,
) -> pd.DataFrame:
    """Add measured and standard times [s] and powers [kW] to a table of starts with their air.

    Air is corrected for all starts or for none, gear changes are left out of the power of all or
    none, and power is brought to standard air for naturally aspirated petrol engines only, so that
    no arm is treated differently.
    """
    natural = vehicle.aspiration == "natural" and vehicle.fuel != "diesel"
    rows = []
    every_air = bool(table["air_known"].all())
    every_lift = all(s.lifts_s is not None for s in table["start"])
    for r in table.to_dict("records"):
        start: Start = r["start"]
        way = {"out": 1.0, "back": -1.0}.get(str(r["direction"]), 1.0)
        temp, pressure = float(r["ambient_c"]), float(r["pressure_kpa"])
        vapour = ASSUMED_HUMIDITY_PCT / 100 * float(saturation_pressure(temp))
        factor = ambient_factor(temp, pressure - vapour) if natural and every_air else 1.0
        wind = float(r["headwind_m_s"])
        density = float(r["density_kg_m3"]) if every_air else STANDARD_DENSITY_KG_M3
        headwind = wind_at_car * wind if np.isfinite(wind) else 0.0
        grade = way * grade_out
        power, pulling = pulling_power(
            start, target_kmh, vehicle, density_kg_m3=density, headwind_m_s=headwind, grade=grade,
            leave_out_lifts=every_lift,
        )  # fmt: skip
        rows.append(
            {
                "time_s": start.time_s,
                "u_time_s": start.u_time_s,
                "rest_time_s": start.rest_time_s,
                "u_rest_time_s": start.u_rest_time_s,
                "interval_s": start.interval_s,
                "open_throttle": start.open_throttle is True,
                "std_time_s": corrected_time(
                    start, target_kmh, vehicle, density_kg_m3=density, headwind_m_s=headwind,
                    grade=grade, power_factor=factor,
                ),
                "power_kw": factor * power,
                "pull_s": pulling,
                "lifts_known": every_lift,
                "ambient_factor": factor,
            }
        )  # fmt: skip
    return pd.concat([table, pd.DataFrame(rows, index=table.index)], axis=1)
