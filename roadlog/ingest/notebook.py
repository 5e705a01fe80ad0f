"""The study's own small tables: `notes.csv` (what the driver wrote down) and `weather.csv`.

In comes a delimited text in any dialect; out come frames as `roadlog.passes` and
`roadlog.conditions` take them. Weather columns are matched by meaning and unit; `noted` says which
row of the notes is about which run.
"""

import io
import re
from pathlib import Path

import numpy as np
import pandas as pd

from roadlog.errors import InputError
from roadlog.ingest.columns import unit_of
from roadlog.ingest.dialect import as_utf8
from roadlog.place import place_fault
from roadlog.units import UNITS, convert

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
NOTE_KEYS = ("run", "file", "date", "day")  # what a row of the notes is about, nearest first
TIME_WORDS = ("time", "date time", "datetime", "timestamp", "date")


def read_notes(path: Path) -> pd.DataFrame:
    """Read `notes.csv` as text cells, one row a day or a run.

    Raises
    ------
    InputError
        If it isn't a table with a header and equal rows.
    """
    return read_table(path)


def note_headings(notes: pd.DataFrame) -> dict[str, str]:
    """The notes' headings by their words in lower case."""
    return {str(c).strip().lower(): str(c) for c in notes.columns}


def noted(notes: pd.DataFrame, runs: pd.DataFrame, values: pd.Series) -> pd.Series:
    """What the notes tell of each run in one column: the entry of its own row, else of its day's.

    Parameters
    ----------
    notes : DataFrame
        With at least one of `NOTE_KEYS`. A row is about the run or file that it names, or else
        about its day.
    runs : DataFrame
        Columns `run`, `file`, `day`.
    values : Series
        A column of the notes, perhaps converted; NaN where blank.

    Returns
    -------
    Series
        Indexed by run, NaN where nothing was noted.

    Raises
    ------
    InputError
        If the notes have none of the keys, two rows about one thing, or a date that can't be read.
    """
    names = note_headings(notes)
    keys = [k for k in NOTE_KEYS if k in names]
    if not keys:
        raise InputError(
            f"notes.csv has no column 'date', 'run' or 'file' (it has {', '.join(names)}): add one "
            "that says which day or run each row is about"
        )
    out = pd.Series(np.nan, index=runs["run"].to_numpy())
    spoken_for = np.zeros(len(notes), dtype=bool)
    for key in keys:
        ids, own = _note_ids(notes[names[key]], key), _own_ids(runs, key)
        about = ((ids != "") & ~spoken_for).to_numpy(dtype=bool)
        spoken_for |= about
        twice = ids[about][ids[about].duplicated()]
        if len(twice):
            raise InputError(
                f"notes.csv has two rows for {key} {twice.iloc[0]}: keep one, or give a row a run "
                "with a column 'run' or 'file'"
            )
        entry = own.map(dict(zip(ids[about], values[about], strict=True)))
        entry.index = out.index
        out = entry.where(out.isna(), out)
    return out


def _note_ids(cells: pd.Series, key: str) -> pd.Series:
    ids = cells.astype("str").fillna("").str.strip()
    if key not in ("date", "day"):
        return ids.str.replace("\\", "/").str.split("/").str[-1]
    try:
        return pd.to_datetime(ids).dt.strftime("%Y-%m-%d").fillna("")
    except (ValueError, TypeError) as e:
        raise InputError(f"notes.csv: a date can't be read ({e}): write dates as YYYY-MM-DD") from e


def _own_ids(runs: pd.DataFrame, key: str) -> pd.Series:
    if key in ("date", "day"):
        return runs["day"].astype("str")
    return runs[key].astype("str").str.replace("\\", "/").str.split("/").str[-1]


def read_weather(path: Path) -> pd.DataFrame:
    """Read a weather table: `time`, any of `WEATHER_WORDS`, and the station's `PLACE_WORDS`.

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
            out["time"] = _times(table[header], path)
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


def read_table(path: Path) -> pd.DataFrame:
    """A delimited text file as text cells, whatever its delimiter.

    Raises
    ------
    InputError
        If it isn't a table with one header and equal rows.
    """
    text = as_utf8(path.read_bytes(), path).decode()
    first = text.partition("\n")[0]
    delimiter = max(",;\t|", key=first.count)
    try:
        table = pd.read_csv(
            io.StringIO(text),
            sep=delimiter,
            dtype=str,
            skip_blank_lines=True,
            skipinitialspace=True,
        )
    except (pd.errors.ParserError, pd.errors.EmptyDataError) as e:
        raise InputError(f"{path}: not a table: {str(e).strip()}: one header, equal rows") from e
    return table.rename(columns=lambda c: str(c).strip())


def _times(cells: pd.Series, path: Path) -> pd.Series:
    try:
        return pd.to_datetime(cells, format="ISO8601")
    except (ValueError, TypeError) as e:
        raise InputError(f"{path}: a time can't be read ({e}): write 2026-03-02T08:00+01:00") from e


def quantity(cells: pd.Series, unit: str | None, own: str, path: Path, header: str) -> pd.Series:
    """Text cells as numbers in the unit `own`; blank cells as NaN.

    Raises
    ------
    InputError
        Naming the line of a cell that is no number, or the unit if it doesn't fit.
    """
    text = cells.str.strip().str.replace(",", ".", regex=False)
    numbers = pd.to_numeric(text, errors="coerce")
    bad = numbers.isna() & text.notna() & ~text.isin(["", "-", "NA", "N/A", "nan"])
    if bad.any():
        row = int(bad.to_numpy().argmax())
        raise InputError(
            f"{path}: line {row + 2}, column '{header}': '{cells.iloc[row]}' is no number"
        )
    name = own if unit is None else unit_of(unit)
    if name is None or UNITS[name].dimension != UNITS[own].dimension:
        raise InputError(f"{path}: column '{header}': unit '{unit}' doesn't fit: use {own}")
    return pd.Series(convert(numbers.to_numpy(dtype=float), name, own), index=cells.index)


def split_unit(header: str) -> tuple[str, str | None]:
    """The words of a header in lower case, and the unit in brackets or behind the last gap."""
    bracketed = re.fullmatch(r"(.*?)[\s_]*[\[(]([^\])]*)[\])]\s*", header)
    if bracketed:
        words, unit = bracketed[1], bracketed[2] or None
    else:
        head, _, tail = header.replace("_", " ").replace(",", " ").strip().rpartition(" ")
        words, unit = (head, tail) if head and unit_of(tail) else (header, None)
    return " ".join(re.sub(r"[_\-]", " ", words).lower().split()), unit
