"""The study's weather: METAR reports or `weather.csv`, on the logs' own clock.

Text files go in; out comes one frame (`time`, the columns of `sky.WEATHER_COLUMNS`, the
station's place) as `roadlog.passes.conditions.add_conditions` takes it, checked against the runs'
dates. The weather part of method section 4.
"""

import datetime as dt
import re
import warnings
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import numpy as np
import pandas as pd

from roadlog.errors import InputError
from roadlog.ingest.text.dialect import as_utf8
from roadlog.physics.atmosphere import (
    WEATHER_REACH,
    reduced_to_sea_level,
    relative_humidity,
    station_pressure,
)
from roadlog.study.settings import Study, WeatherRule
from roadlog.weather.table import read_weather

FALLS = ("DZ", "RA", "SN", "SG", "PL", "GR", "GS", "UP")  # precipitation, WMO code table 4678
STAMP = re.compile(r"^(\d{4})-?(\d{2})-?(\d{2})[T ]?(\d{2}):?(\d{2})(?::?\d{2})?Z?[,;\s]+")
REPORT = re.compile(r"\b[A-Z][A-Z0-9]{3} \d{6}Z\b")


def study_weather(
    folder: Path, study: Study, starts: pd.Series, zone: str | None = None
) -> pd.DataFrame | None:
    """The weather of a study folder on the clock of its logs; None if there is none.

    Parameters
    ----------
    folder : Path
    study : Study
        `[weather]` names a METAR file; without it `weather.csv` is read where there is one. Its
        `station` and `station_elevation_m` come before those of the file's columns.
    starts : Series of datetime64
        When the runs began, on the logs' clock without zone.
    zone : str, optional
        Zone of that clock; by default `[time] zone`.

    Raises
    ------
    InputError
        If the file is wrong or isn't of the runs' days, METAR can't be brought onto the logs'
        clock, or sea-level pressure comes without the station's elevation.
    """
    rule, zone = study.weather, zone or study.time.zone
    starts = pd.to_datetime(starts).dropna()
    path = folder / weather_file(study)
    if rule.metar is not None:
        weather = read_metar(path, starts, zone)
    else:
        if not path.is_file():
            return None
        weather = on_clock(read_weather(path, study.time.day_first), zone)
        if rule.pressure == "sea level" and "pressure_kpa" in weather:
            weather = weather.rename(columns={"pressure_kpa": "qnh_kpa"})
    weather = _with_both_pressures(_at_station(weather, rule), path)
    if "humidity_pct" not in weather and {"temp_c", "dew_point_c"} <= set(weather.columns):
        humidity = relative_humidity(
            weather["temp_c"].to_numpy(float), weather["dew_point_c"].to_numpy(float)
        )
        weather = weather.assign(humidity_pct=humidity)
    if len(starts):
        check_dates(weather, starts, path)
    return weather


def weather_file(study: Study) -> str:
    """Where a study's weather is read from, relative to its folder."""
    return "weather.csv" if study.weather.metar is None else study.weather.metar


def _at_station(weather: pd.DataFrame, rule: WeatherRule) -> pd.DataFrame:
    """The weather with the place that `[weather]` gives its station, over the file's own."""
    told: dict[str, float] = {}
    if rule.station is not None:
        told |= dict(zip(("station_lat_deg", "station_lon_deg"), rule.station, strict=True))
    if rule.station_elevation_m is not None:
        told["station_elevation_m"] = rule.station_elevation_m
    return weather.assign(**told)


def _with_both_pressures(weather: pd.DataFrame, path: Path) -> pd.DataFrame:
    """The station's own pressure and QNH, each from the other where its elevation is known.

    Raises
    ------
    InputError
        If there is QNH and no elevation.
    """
    nothing = pd.Series(np.nan, weather.index)
    own, qnh = (weather.get(c, nothing) for c in ("pressure_kpa", "qnh_kpa"))
    if "station_elevation_m" not in weather:
        if "qnh_kpa" in weather:
            raise InputError(
                f"{path}: its pressure is reduced to sea level: give station_elevation_m in "
                "[weather] of study.toml"
            )
        return weather
    if not {"pressure_kpa", "qnh_kpa"} & set(weather.columns):
        return weather
    elevation = float(weather["station_elevation_m"].iloc[0])
    below = pd.Series(reduced_to_sea_level(np.asarray(own, float), elevation), weather.index)
    here = pd.Series(station_pressure(np.asarray(qnh, float), elevation), weather.index)
    return weather.assign(pressure_kpa=own.fillna(here), qnh_kpa=qnh.fillna(below))


def read_metar(path: Path, starts: pd.Series, zone: str | None) -> pd.DataFrame:
    """Read METAR or SPECI reports, one a line, each perhaps after a stamp YYYYMMDDhhmm (UTC).

    A report tells day and time only; without a stamp its month is the one that puts it nearest to
    the runs.

    Parameters
    ----------
    path : Path
    starts : Series of datetime64
        When the runs began, local time.
    zone : str or None
        Zone of `starts`, as Europe/Berlin.

    Returns
    -------
    DataFrame
        `time` (in the zone), `temp_c`, `dew_point_c`, `qnh_kpa`, `wind_speed_m_s`,
        `wind_from_deg` (NaN where variable or calm), `raining` (1 where the report tells of
        precipitation).

    Raises
    ------
    InputError
        If the zone isn't known, or no line is a report.

    References
    ----------
    WMO-No. 306, Manual on Codes, vol. I.1, FM 15 METAR. Decoded by the package `metar`.
    """
    if zone is None:
        raise InputError(
            f"{path}: METAR times are UTC and the logs' clock has no zone: give zone in [time] of "
            "study.toml, as Europe/Berlin"
        )
    try:
        here = ZoneInfo(zone)
    except (ZoneInfoNotFoundError, ValueError) as e:
        raise InputError(f"'{zone}' is no time zone: write it as Europe/Berlin") from e
    if not path.is_file():
        raise InputError(f"{path} doesn't exist: correct metar in [weather] of study.toml")
    lines = as_utf8(path.read_bytes(), path).decode().splitlines()
    middle = pd.Timestamp(starts.median() if len(starts) else pd.Timestamp.now())
    rows = [
        _report(line.strip(" =\t"), n, middle, path)
        for n, line in enumerate(lines, 1)
        if REPORT.search(line)
    ]
    if not rows:
        raise InputError(f"{path}: no METAR report found: give lines such as 'EDDF 020820Z …'")
    table = pd.DataFrame(rows).sort_values("time", ignore_index=True)
    stations = table["station"].unique()
    if len(stations) > 1:
        raise InputError(
            f"{path}: reports of {len(stations)} stations ({', '.join(stations[:3])}): keep the "
            "one nearest to the route"
        )
    table["time"] = table["time"].dt.tz_localize("UTC").dt.tz_convert(here)
    return table.drop(columns="station").drop_duplicates("time", ignore_index=True)


def on_clock(weather: pd.DataFrame, zone: str | None) -> pd.DataFrame:
    """The weather with its times, where they bear a zone, moved to the logs' zone."""
    times = pd.to_datetime(weather["time"])
    if zone is None or times.dt.tz is None:
        return weather
    return weather.assign(time=times.dt.tz_convert(zone))


def check_dates(weather: pd.DataFrame, starts: pd.Series, path: Path) -> None:
    """Refuse weather that speaks for no run.

    Raises
    ------
    InputError
        That tells weather of other days from a clock that is hours off.
    """
    times = pd.to_datetime(weather["time"])
    times = (times.dt.tz_localize(None) if times.dt.tz is not None else times).sort_values()
    at = times.to_numpy("datetime64[s]").astype(float)
    run = starts.to_numpy("datetime64[s]").astype(float)
    near = np.abs(run[:, None] - at[None, :]).min(1)
    if (near <= WEATHER_REACH.total_seconds()).any():
        return
    days = set(times.dt.date) & set(starts.dt.date)
    span = f"{times.iloc[0]:%Y-%m-%d %H:%M} to {times.iloc[-1]:%Y-%m-%d %H:%M}"
    if days:
        raise InputError(
            f"{path}: on the runs' days no reading is within 90 minutes of a run (readings "
            f"{span}, the first run {starts.min():%H:%M}): its station is in another time zone or "
            "its clock is off; correct zone in [time]"
        )
    raise InputError(
        f"{path}: its readings ({span}) are of none of the runs' days "
        f"({starts.min():%Y-%m-%d} to {starts.max():%Y-%m-%d}): give the weather of those days"
    )


def _report(line: str, number: int, middle: pd.Timestamp, path: Path) -> dict[str, Any]:
    from metar.Metar import Metar, ParserError

    stamp = STAMP.match(line)
    code = line[stamp.end() :] if stamp else line
    found = REPORT.search(code)
    assert found is not None
    day = int(found[0][5:7])
    if stamp:
        year, month = int(stamp[1]), int(stamp[2])
    else:
        year, month = _month(day, middle)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            report = Metar(code[found.start() :], month=month, year=year, strict=False)
    except (ParserError, ValueError) as e:
        raise InputError(
            f"{path}: line {number} is no METAR report: correct it, or remove it"
        ) from e
    if not isinstance(report.time, dt.datetime):
        raise InputError(f"{path}: line {number} has no time: remove it")
    speed = _value(report.wind_speed, "MPS")
    pressure = _value(report.press, "HPA")
    return {
        "time": pd.Timestamp(report.time),
        "station": str(report.station_id),
        "temp_c": _value(report.temp, "C"),
        "dew_point_c": _value(report.dewpt, "C"),
        "qnh_kpa": pressure / 10,
        "wind_speed_m_s": speed,
        "wind_from_deg": np.nan if speed == 0 else _value(report.wind_dir, None),
        "raining": float(_falls(report)),
    }


def _month(day: int, middle: pd.Timestamp) -> tuple[int, int]:
    """Year and month that put a day of the month nearest to the middle of the runs."""
    best = None
    for shift in (-1, 0, 1):
        first = (middle.normalize().replace(day=1) + pd.DateOffset(months=shift)).replace(day=1)
        if day <= first.days_in_month:
            away = abs(first.replace(day=day) - middle)
            best = min(best, (away, first)) if best else (away, first)
    assert best is not None
    return best[1].year, best[1].month


def _falls(report: Any) -> bool:
    kinds = "".join(str(w[2] or "") for w in report.weather if (w[0] or "") != "VC")
    return any(kinds[i : i + 2] in FALLS for i in range(0, len(kinds), 2))


def _value(quantity: Any, unit: str | None) -> float:
    if quantity is None:
        return float("nan")
    return float(quantity.value(unit) if unit else quantity.value())
