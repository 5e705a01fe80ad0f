"""A study's weather, made ready once for all runs.

A weather table goes in; out come the weather interpolated to a run's samples and whether rain was
reported before them. Implements the joining of weather in method section 4.
"""

from collections.abc import Collection
from dataclasses import dataclass

import numpy as np
import pandas as pd

from roadlog.physics.atmosphere import WEATHER_REACH
from roadlog.quantities.arrays import Bools, Floats, Ints

WEATHER_COLUMNS = (
    "temp_c", "pressure_kpa", "qnh_kpa", "wind_speed_m_s", "wind_from_deg", "humidity_pct",
)  # fmt: skip
_MARGIN_NS = 86_400 * 10**9  # about a run; local clocks go back by less in autumn
_SECOND_NS = 10**9


@dataclass(frozen=True)
class Sky:
    """Weather in order of time: instants [ns], the same by local clocks, and values by column.

    `utc_ns` is None where the times have no zone. `rained` counts the reports of rain up to each
    row of those that tell of rain or none, at `rain_ns` and `rain_utc_ns`.
    """

    local_ns: Ints
    utc_ns: Ints | None
    values: dict[str, Floats]
    rain_local_ns: Ints
    rain_utc_ns: Ints | None
    rained: Ints
    station_elevation_m: float | None

    def __len__(self) -> int:
        return len(self.local_ns)


def sky_of(weather: pd.DataFrame) -> Sky:
    """Make a weather table ready.

    Parameters
    ----------
    weather : DataFrame
        As for `roadlog.passes.conditions.add_conditions`.
    """
    table = weather.sort_values("time")
    values = {c: table[c].to_numpy(float) for c in WEATHER_COLUMNS if c in table.columns}
    if {"wind_speed_m_s", "wind_from_deg"} <= set(values):
        from_ = np.radians(values["wind_from_deg"])
        calm = values["wind_speed_m_s"] == 0
        values["north"] = np.where(calm, 0, values["wind_speed_m_s"] * np.cos(from_))
        values["east"] = np.where(calm, 0, values["wind_speed_m_s"] * np.sin(from_))
    said = [c for c in ("raining", "rain_mm") if c in weather.columns]
    told = weather.dropna(subset=said, how="all").sort_values("time") if said else table.iloc[:0]
    rain = (told[said].fillna(0) > 0).any(axis=1).to_numpy() if said else np.zeros(0, bool)
    height = "station_elevation_m"
    return Sky(
        *_clocks(table["time"]),
        values,
        *_clocks(told["time"]),
        np.concatenate([[0], np.cumsum(rain)]),
        float(weather[height].iloc[0]) if height in weather.columns and len(weather) else None,
    )


def _clocks(times: pd.Series) -> tuple[Ints, Ints | None]:
    index = pd.DatetimeIndex(times).as_unit("ns")
    local = index.tz_localize(None).asi8
    return local, None if index.tz is None else index.asi8


def _seconds(
    local_ns: Ints, utc_ns: Ints | None, start: pd.Timestamp, t_s: Floats, before_s: float = 0.0
) -> tuple[slice, Floats]:
    """Which rows may matter to a run, and their times [s] from its start.

    Where only one of the two has a zone, both are local time.
    """
    if utc_ns is None or start.tzinfo is None:
        every, zero = local_ns, start.tz_localize(None).as_unit("ns").value
    else:
        every, zero = utc_ns, start.as_unit("ns").value
    first, last = (t_s[0], t_s[-1]) if len(t_s) else (0.0, 0.0)
    low = np.searchsorted(every, zero + int((first - before_s) * _SECOND_NS) - _MARGIN_NS) - 1
    high = np.searchsorted(every, zero + int(last * _SECOND_NS) + _MARGIN_NS) + 1
    rows = slice(max(int(low), 0), int(high))
    return rows, (every[rows] - zero) / _SECOND_NS


def weather_at(
    t_s: Floats,
    start: pd.Timestamp | None,
    weather: Sky | None,
    names: Collection[str] = (*WEATHER_COLUMNS, "north", "east"),
) -> dict[str, Floats]:
    """Weather interpolated to the samples; wind as the components that it comes from [m/s].

    Parameters
    ----------
    t_s : (n,) array [s]
        Times since `start`, not decreasing.
    start, weather
        As for `roadlog.passes.conditions.conditions_of`.
    names
        What is asked for, by default all.
    """
    nothing = np.full(len(t_s), np.nan)
    out = dict.fromkeys(names, nothing)
    if weather is None or start is None or pd.isna(start) or not len(weather):
        return out
    rows, clock = _seconds(weather.local_ns, weather.utc_ns, start, t_s)
    reach = WEATHER_REACH.total_seconds()
    read = dict[bytes, Bools]()
    for name in names:
        if name not in weather.values:
            continue
        value = weather.values[name][rows]
        known = np.isfinite(value)
        if not known.any():
            continue
        at = clock[known]
        near = read.get(key := known.tobytes())
        if near is None:
            after = np.minimum(np.searchsorted(at, t_s), len(at) - 1)
            before = np.maximum(after - 1, 0)
            nearest = np.minimum(np.abs(at[after] - t_s), np.abs(at[before] - t_s))
            near = read[key] = nearest <= reach
        out[name] = np.where(near, np.interp(t_s, at, value[known]), np.nan)
    return out


def rain_between(
    after_s: Floats, to_s: Floats, start: pd.Timestamp | None, weather: Sky | None
) -> Floats:
    """1 where rain was reported from one time to another [s since `start`], 0 where reports tell of
    none, NaN where there is no report."""
    none = np.full(len(to_s), np.nan)
    if weather is None or start is None or pd.isna(start) or not len(weather.rain_local_ns):
        return none
    longest = float((to_s - after_s).max(initial=0.0))
    rows, clock = _seconds(weather.rain_local_ns, weather.rain_utc_ns, start, to_s, longest)
    rained = weather.rained[rows.start : rows.stop + 1]
    upto = np.searchsorted(clock, to_s, "right")
    since = np.searchsorted(clock, after_s, "left")
    return np.where(upto > since, (rained[upto] > rained[since]).astype(float), none)
