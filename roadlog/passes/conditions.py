"""What road, air and driver asked of the car: air density, tractive power, specific power.

Track frames go in; the same frames with acceleration, ambient air, headwind, tractive power and
vehicle specific power come out. Nothing here looks at the engine's answer (load, air, throttle).
Implements the demand, air and wind parts of method section 4.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import islice
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from roadlog.passes.sky import Sky, rain_between, sky_of, weather_at
from roadlog.physics.air import ASSUMED_HUMIDITY_PCT, WIND_AT_CAR, air_density
from roadlog.physics.atmosphere import (
    LAPSE_K_M,
    SEA_LEVEL_KPA,
    standard_pressure,
    station_pressure,
)
from roadlog.physics.demand import (
    acceleration,
    operating_mode,
    tractive_power,
    vehicle_specific_power,
)
from roadlog.physics.roadload import rolling_share
from roadlog.quantities.arrays import Floats, middle, steps_of_each
from roadlog.quantities.columns import (
    Columns,
    Table,
    Words,
    columns_of,
    frame_of,
    in_groups,
    joined,
)
from roadlog.quantities.signals import signal
from roadlog.study.car import Vehicle

STANDARD_TEMP_C, STANDARD_PRESSURE_KPA = 15.0, SEA_LEVEL_KPA  # ISO 2533:1975, sea level
WET_AFTER = pd.Timedelta(hours=2)  # a road counts as wet so long after rain; common practice
COLD_START_C = 40.0  # coolant below this, and near the intake air, is a cold start
SOAKED_WITHIN_K = 6.0

WEATHER_AT_ALTITUDE = "weather at the altitude"
STANDARD_AT_ALTITUDE = "standard atmosphere at the altitude"
STANDARD_AT_SEA_LEVEL = "standard atmosphere at sea level"
INTAKE_BEFORE_START = "intake air before a cold start"
TOLD_OF_START = "the list of runs, of the start"
BY_HEIGHT = (WEATHER_AT_ALTITUDE, STANDARD_AT_ALTITUDE)  # sources that rest on the altitude


@dataclass(frozen=True)
class Level:
    """Where the study's runs usually are: altitude [m] and air pressure [kPa], if any run tells."""

    altitude_m: float | None = None
    pressure_kpa: float | None = None


def usual_level(tracks: Iterable[Table]) -> Level:
    """Medians of the runs' medians, over the runs that log them.

    A run that logs neither is taken to be there too: were it taken to be at sea level, an arm
    whose logs lack altitude would drive through denser air than the other.
    """
    frames = list(tracks)

    def middle(column: str) -> float | None:
        known = [m for m in (_median(f, column) for f in frames) if m is not None]
        return float(np.median(known)) if known else None

    return Level(middle("altitude_m"), middle("baro_kpa"))


def add_conditions(
    track: pd.DataFrame,
    vehicle: Vehicle,
    *,
    start: pd.Timestamp | None = None,
    weather: pd.DataFrame | None = None,
    wind_at_car: float = WIND_AT_CAR,
    usual: Level | None = None,
    ambient_start_c: float | None = None,
) -> pd.DataFrame:
    """Add acceleration, ambient air, headwind, tractive power and specific power to a track.

    Parameters
    ----------
    track : DataFrame
        `tables.TRACK` (with `bearing_deg` where the heading along the segment is known).
    vehicle : Vehicle
    start : Timestamp, optional
        Wall clock of t_s = 0; without it weather can't be joined.
    weather : DataFrame, optional
        `time` and any of `temp_c` [°C], `pressure_kpa` (at the station, not reduced to sea
        level) [kPa], `qnh_kpa` (reduced to sea level) [kPa], `wind_speed_m_s` at the station
        [m/s], `wind_from_deg` [°], `humidity_pct` [%], `raining` (1 or 0), `rain_mm` [mm],
        `station_elevation_m` [m].
    wind_at_car : float
        Share of the station's wind that the drag takes, see `wind_share`.
    usual : Level, optional
        Altitude and pressure of the study's other runs, for one that logs neither.
    ambient_start_c : float, optional [°C]
        Ambient temperature at the start of a run whose log begins later.

    Returns
    -------
    DataFrame
        With `accel_m_s2`, `ambient_c`, `ambient_source`, `pressure_kpa`, `pressure_source`,
        `air_density_kg_m3`, `headwind_m_s` (the station's wind against the direction of travel,
        NaN if unknown), `wet_road` (1 if rain was reported within two hours before, else 0; NaN
        if unknown), `traction_w`, `vsp_kw_t` and `op_mode`.

    Notes
    -----
    Ambient temperature is the car's own sensor, else weather, else the intake air before a cold
    start (it is ambient only then); with none of these `ambient_c` is NaN and density takes
    15 °C, unless the list of runs tells it. Pressure is the car's barometer, else weather (carried
    from sea level to the track's median altitude where both are known), else the usual pressure of
    the other runs, else the standard atmosphere at the track's median altitude (or the other
    runs'), else at sea level.
    The source columns say which. Temperature of a station whose elevation is known is carried to
    the track's median altitude by the lapse rate of the standard atmosphere, 6.5 K/km (ISO
    2533:1975); real air over a valley may do otherwise.
    The drag takes `wind_at_car` of the headwind, and none where it is unknown. Rolling resistance
    goes with air temperature (`roadload.rolling_share`).

    >>> track = pd.DataFrame({"t_s": [0.0, 1.0], "dt_s": 1.0, "speed_kmh": 72.0, "grade": 0.01})
    >>> add_conditions(track, Vehicle())["traction_w"].round().tolist()
    [9337.0, 9337.0]
    """
    return frame_of(
        conditions_of(
            columns_of(track),
            vehicle,
            start=start,
            weather=None if weather is None else sky_of(weather),
            wind_at_car=wind_at_car,
            usual=usual,
            ambient_start_c=ambient_start_c,
        )
    )


def conditions_of(
    track: Columns,
    vehicle: Vehicle,
    *,
    start: pd.Timestamp | None = None,
    weather: Sky | None = None,
    wind_at_car: float = WIND_AT_CAR,
    usual: Level | None = None,
    ambient_start_c: float | None = None,
) -> Columns:
    """`add_conditions` of a run's columns."""
    return conditions_of_each(
        [track],
        vehicle,
        starts=[start],
        weather=weather,
        wind_at_car=wind_at_car,
        usual=usual,
        ambient_start_c=[ambient_start_c],
    )[0]


def conditions_of_each(
    tracks: Sequence[Columns],
    vehicle: Vehicle,
    *,
    starts: Sequence[pd.Timestamp | None],
    weather: Sky | None = None,
    wind_at_car: float = WIND_AT_CAR,
    usual: Level | None = None,
    ambient_start_c: Sequence[float | None] | None = None,
) -> list[Columns]:
    """`conditions_of` each run, some runs together: each as if it were alone.

    `starts` and `ambient_start_c` have a value a run.
    """
    told = ambient_start_c or [None] * len(tracks)
    level = usual or Level()
    each = zip(tracks, starts, told, strict=True)
    airs = iter([_air(track, start, weather, level, ambient) for track, start, ambient in each])
    found: list[Columns] = []
    for group in in_groups(tracks):
        own = list(islice(airs, len(group.runs)))
        asked = _asked(group, joined([air.values for air in own]), vehicle, wind_at_car)
        for (run, rows), air in zip(group.runs, own, strict=True):
            here = {name: value[rows] for name, value in asked.items()}
            one = np.zeros(len(run), np.int64)
            found.append(
                run.assign(
                    accel_m_s2=here["accel_m_s2"],
                    ambient_c=air.values["ambient_c"],
                    ambient_source=Words(one, (air.ambient_source,)),
                    pressure_kpa=air.values["pressure_kpa"],
                    pressure_source=Words(one, (air.pressure_source,)),
                    air_density_kg_m3=here["air_density_kg_m3"],
                    headwind_m_s=here["headwind_m_s"],
                    wet_road=air.values["wet_road"],
                    traction_w=here["traction_w"],
                    vsp_kw_t=here["vsp_kw_t"],
                    op_mode=here["op_mode"],
                )
            )
    return found


@dataclass(frozen=True)
class _Air:
    """The air about a run and whether its road was wet; what temperature and pressure rest on.

    `values` are `ambient_c`, `pressure_kpa`, `humidity_pct`, `north`, `east` (wind) and `wet_road`.
    """

    values: Columns
    ambient_source: str
    pressure_source: str


def _air(
    track: Columns,
    start: pd.Timestamp | None,
    weather: Sky | None,
    usual: Level,
    ambient_start_c: float | None,
) -> _Air:
    t = signal(track, "t_s")
    own_c, own_kpa = (_filled(signal(track, name)) for name in ("ambient_temp_c", "baro_kpa"))
    asked = ["humidity_pct", "north", "east"]
    asked += [] if np.isfinite(own_c).any() else ["temp_c"]
    asked += [] if np.isfinite(own_kpa).any() else ["pressure_kpa", "qnh_kpa"]
    air = weather_at(t, start, weather, asked)
    if "temp_c" in air:
        ambient, ambient_source = _ambient(track, air["temp_c"], weather, usual)
    else:
        ambient, ambient_source = own_c, "car's sensor"
    if not np.isfinite(ambient).any() and ambient_start_c is not None:
        ambient, ambient_source = np.full(len(t), ambient_start_c), TOLD_OF_START
    if "qnh_kpa" in air:
        pressure, pressure_source = _pressure(track, air["pressure_kpa"], air["qnh_kpa"], usual)
    else:
        pressure, pressure_source = own_kpa, "car's barometer"
    humidity = _first_known(_filled(signal(track, "humidity_pct")), air["humidity_pct"])
    values = {
        "ambient_c": ambient, "pressure_kpa": pressure, "humidity_pct": humidity,
        "north": air["north"], "east": air["east"], "wet_road": _wet(t, start, weather),
    }  # fmt: skip
    return _Air(Columns(values, len(t)), ambient_source, pressure_source)


def _asked(
    track: Columns, air: Columns, vehicle: Vehicle, wind_at_car: float
) -> dict[str, NDArray[Any]]:
    """What road and air ask of the car, for runs that are joined."""
    t, speed = signal(track, "t_s"), signal(track, "speed_kmh")
    accel = acceleration(t, speed, track.starts)
    humidity = air["humidity_pct"]
    humidity = np.where(np.isfinite(humidity), humidity, ASSUMED_HUMIDITY_PCT)
    temp = np.where(np.isfinite(air["ambient_c"]), air["ambient_c"], STANDARD_TEMP_C)
    density = np.asarray(air_density(temp, air["pressure_kpa"], humidity), float)
    bearing = np.radians(signal(track, "bearing_deg"))
    headwind = air["north"] * np.cos(bearing) + air["east"] * np.sin(bearing)
    grades = [r.floats("grade") if "grade" in r else np.zeros(len(r)) for r, _ in track.runs]
    grade = np.concatenate(grades)
    felt = np.where(np.isfinite(headwind), wind_at_car * headwind, 0.0)
    v = speed / 3.6
    vsp = vehicle_specific_power(v, accel, grade)
    rolling = rolling_share(temp)
    step = steps_of_each(t, track.starts, track.ends)
    return {
        "accel_m_s2": accel,
        "air_density_kg_m3": density,
        "headwind_m_s": headwind,
        "traction_w": tractive_power(v, accel, grade, density, vehicle.resistance, felt, rolling),
        "vsp_kw_t": vsp,
        "op_mode": operating_mode(vsp, speed, accel, step, track.starts),
    }


def _ambient(
    track: Columns, weather_c: Floats, weather: Sky | None, usual: Level
) -> tuple[Floats, str]:
    """Temperature of a car without a sensor of it."""
    if np.isfinite(weather_c).any():
        altitude = _altitude(track, usual)
        if altitude is None or weather is None or weather.station_elevation_m is None:
            return weather_c, "weather"
        above = altitude - weather.station_elevation_m
        return weather_c - LAPSE_K_M * above, WEATHER_AT_ALTITUDE
    intake = signal(track, "intake_air_temp_c")
    coolant = signal(track, "coolant_temp_c")
    first = intake[np.isfinite(intake)][:1], coolant[np.isfinite(coolant)][:1]
    if len(first[0]) and len(first[1]):
        soaked = abs(first[0][0] - first[1][0]) <= SOAKED_WITHIN_K and first[1][0] < COLD_START_C
        if soaked:
            return np.full(len(track), first[0][0]), INTAKE_BEFORE_START
    return np.full(len(track), np.nan), "unknown (density at 15 °C)"


def _pressure(
    track: Columns, weather_kpa: Floats, qnh_kpa: Floats, usual: Level
) -> tuple[Floats, str]:
    """Pressure of a car without a barometer."""
    altitude = _altitude(track, usual)
    if altitude is not None and np.isfinite(qnh_kpa).any():
        here = station_pressure(qnh_kpa, altitude)
        return np.asarray(here, float), WEATHER_AT_ALTITUDE
    if np.isfinite(weather_kpa).any():
        return weather_kpa, "weather"
    if usual.pressure_kpa is not None:
        return np.full(len(track), usual.pressure_kpa), "barometer of other runs"
    if altitude is not None:
        standard = float(standard_pressure(altitude))
        return np.full(len(track), standard), STANDARD_AT_ALTITUDE
    return np.full(len(track), STANDARD_PRESSURE_KPA), STANDARD_AT_SEA_LEVEL


def _altitude(track: Table, usual: Level | None = None) -> float | None:
    """Median altitude [m] of a track, else that of the other runs; None where none is known."""
    own = _median(track, "altitude_m")
    return own if own is not None or usual is None else usual.altitude_m


def _median(track: Table, column: str) -> float | None:
    values = signal(track, column)
    known = values[np.isfinite(values)]
    return middle(known) if len(known) else None


def _wet(t_s: Floats, start: pd.Timestamp | None, weather: Sky | None) -> Floats:
    """1 where rain was reported within `WET_AFTER` before, 0 where reports tell of none."""
    return rain_between(t_s - WET_AFTER.total_seconds(), t_s, start, weather)


def _first_known(a: Floats, b: Floats) -> Floats:
    return np.where(np.isfinite(a), a, b)


def _filled(values: Floats) -> Floats:
    """A slow signal over its gaps: interpolated, and held at the ends."""
    known = np.flatnonzero(np.isfinite(values))
    if not len(known) or len(known) == len(values):
        return values
    return np.interp(np.arange(len(values)), known, values[known])
