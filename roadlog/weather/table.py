"""`weather.csv`: a station's readings as the user wrote or downloaded them."""

from pathlib import Path

import pandas as pd

from roadlog.errors import InputError
from roadlog.ingest.clock.handdates import read_instants
from roadlog.ingest.text.handnumbers import quantity
from roadlog.ingest.text.handtable import TIME_WORDS, read_table, split_unit
from roadlog.physics.geodesic import place_fault

WEATHER_WORDS = {  # our column: unit, words by which stations call it
    "temp_c": ("°c", ("temperature", "air temperature", "temp", "outside temperature")),
    "pressure_kpa": ("kpa", ("pressure", "station pressure", "air pressure", "barometer")),
    "wind_speed_m_s": ("m/s", ("wind speed", "wind", "mean wind speed")),
    "wind_from_deg": ("°", ("wind from", "wind direction", "wind bearing")),
    "humidity_pct": ("%", ("humidity", "relative humidity")),
    "dew_point_c": ("°c", ("dew point", "dewpoint", "dew point temperature")),
    "qnh_kpa": (
        "kpa",
        ("qnh", "sea level pressure", "pressure at sea level", "mean sea level pressure"),
    ),
    "rain_mm": ("mm", ("precipitation", "rain", "rainfall", "precipitation amount")),
}

PLACE_WORDS = {  # of the station, the same in every row
    "station_lat_deg": ("°", ("latitude", "lat", "station latitude")),
    "station_lon_deg": ("°", ("longitude", "lon", "long", "lng", "station longitude")),
    "station_elevation_m": (
        "m",
        ("elevation", "altitude", "station elevation", "station altitude", "station height"),
    ),
}


# what rounding may do to one place [°, °, m]
SAME_PLACE = pd.Series(
    {"station_lat_deg": 0.02, "station_lon_deg": 0.02, "station_elevation_m": 20.0}
)


def read_weather(path: Path, day_first: bool | None = None) -> pd.DataFrame:
    """Read a weather table: `time`, any of `WEATHER_WORDS`, and the station's `PLACE_WORDS`.

    `day_first` is the order of day and month that the study's logs or its `[time]` settle.

    Raises
    ------
    InputError
        If there is no time column, no weather column, a cell that is neither number nor blank, or
        more than one place.
    """
    table = read_table(path)
    out: dict[str, pd.Series] = {}
    for header in table.columns:
        words, unit = split_unit(str(header))
        if words in TIME_WORDS and "time" not in out:
            out["time"] = read_instants(table[header], day_first, path, str(header))
            continue
        for name, (own, known) in (WEATHER_WORDS | PLACE_WORDS).items():
            if words in known:
                if name in out:
                    raise InputError(f"{path}: two columns say '{words}': leave one out")
                out[name] = quantity(table[header], unit, own, path, str(header))
    if "time" not in out:
        raise InputError(f"{path}: no time column: name one 'time', as 2026-03-02T08:00+01:00")
    if not set(out) & set(WEATHER_WORDS):
        known_names = ", ".join(w[0] for _, w in WEATHER_WORDS.values())
        raise InputError(f"{path}: no weather column is recognised: name them {known_names}")
    return _of_one_place(pd.DataFrame(out), path).sort_values("time", ignore_index=True)


def _of_one_place(weather: pd.DataFrame, path: Path) -> pd.DataFrame:
    """The table with the station's place in every row, or without it where no row tells it."""
    known = [c for c in PLACE_WORDS if c in weather and weather[c].notna().any()]
    lat, lon, _ = PLACE_WORDS
    if (lat in known) != (lon in known):
        raise InputError(
            f"{path}: latitude without longitude, or the reverse: give both columns or neither"
        )
    places = weather[known].drop_duplicates()
    if ((places.max() - places.min()) > SAME_PLACE[known]).any():
        raise InputError(
            f"{path}: weather of {len(places)} places: keep the one nearest to the route"
        )
    own = {c: float(weather[c].dropna().iloc[0]) for c in known}
    if lat in own and (fault := place_fault(own[lat], own[lon])):
        raise InputError(f"{path}: {fault}: correct the two columns")
    return weather.drop(columns=[c for c in PLACE_WORDS if c in weather]).assign(**own)
