"""The small tables of a trimmed study: notes, weather, fills, cans and gates as they may be shown.

The study's own tables go in; frames or values come out in which names, places, free text and
everything that a hidden length could be reckoned from are gone (docs/privacy.md).
"""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from roadlog.ingest.text.handtable import split_unit
from roadlog.passes.sky import Sky, rain_between, sky_of, weather_at
from roadlog.physics.atmosphere import LAPSE_K_M
from roadlog.publish.clock import PublicClock
from roadlog.publish.private import Place
from roadlog.quantities.arrays import Floats
from roadlog.road.gates import Gate
from roadlog.runs.accessory_notes import HEADINGS, OFF, ON, told
from roadlog.runs.deviations import NO_DEVIATION, agreed_word, is_deviation
from roadlog.runs.guesses import GUESS, kept_guess
from roadlog.runs.notes import BATCH_KEYS, DAY_KEYS, NOTE_KEYS, note_headings
from roadlog.runs.routes import ROUTE_WORDS
from roadlog.study.settings import Study

OTHER_DEVIATION = "other"
STATES = frozenset(
    {"open", "shut", "closed", "half", "ajar", "wet", "dry", "damp", "snow", "summer", "winter",
     "low", "high", "normal", "eco", "sport", "new", "old"}
)  # fmt: skip
HEIGHT_STEP_M = 100.0  # to which a station's height is told
BEFORE = pd.Timedelta(hours=2)  # weather that is told before a run: rain wets the road so long
WEATHER_STEP = pd.Timedelta(minutes=10)


def public_notes(
    notes: pd.DataFrame, study: Study, names: Mapping[str, str], clock: PublicClock
) -> pd.DataFrame:
    """The notes without free text: keys, numbers, yes and no, and what the study's rules read.

    Parameters
    ----------
    notes : DataFrame
        As `roadlog.runs.notes.read_notes` gives them.
    names : mapping of str to str
        Published name of each log that is published, by its bare name; its number, by its number.
    """
    out: dict[str, list[str]] = {}
    wanted = {w.casefold() for w in study.analysis.noted_covariates}
    keep = np.ones(len(notes), bool)
    for name, column in note_headings(notes).items():
        cells = ["" if pd.isna(c) else str(c).strip() for c in notes[column]]
        if name in DAY_KEYS:
            days = pd.to_datetime(pd.Series(cells), format="%Y-%m-%d", errors="coerce")
            out[column] = ["" if pd.isna(d) else f"{clock.date(d):%Y-%m-%d}" for d in days]
        elif name in NOTE_KEYS:
            bare = [c.replace("\\", "/").split("/")[-1] for c in cells]
            out[column] = [names.get(c, "") for c in bare]
            keep &= np.array([not c or c in names for c in bare], bool)
        elif name == "arm":
            labels = {v.casefold(): k for k, v in study.labels.items()} | {
                "baseline": "baseline", "fitted": "fitted",
            }  # fmt: skip
            out[column] = [labels.get(c.casefold(), "") for c in cells]
        elif is_deviation(column):
            out[column] = [_deviation(c, study.analysis.exclude_if) for c in cells]
        elif name == "seal":
            continue
        elif name == GUESS:
            own_words = {str(k): v for k, v in study.labels.items()}
            out[column] = [kept_guess(c, own_words) for c in cells]
        elif _is_read(name, column, wanted) or all(_plain(c) for c in cells):
            out[column] = cells
    frame = pd.DataFrame(out)[keep] if out else pd.DataFrame()
    if not set(note_headings(frame)) & set(NOTE_KEYS):
        return pd.DataFrame()
    return frame.reset_index(drop=True)


def _deviation(cell: str, agreed: Sequence[str]) -> str:
    if cell.casefold() in NO_DEVIATION:
        return ""
    return agreed_word(cell, agreed) or OTHER_DEVIATION


def _is_read(name: str, column: str, wanted: set[str]) -> bool:
    """Whether a rule of the study reads the column's words."""
    plain = split_unit(column)[0]
    known = {*HEADINGS, *ROUTE_WORDS, *BATCH_KEYS}
    return plain in known or {name, plain, plain.replace(" ", "_")} & wanted != set()


def _plain(cell: str) -> bool:
    """Whether a cell is a number, yes or no, or blank: nothing that names somebody."""
    word = cell.strip().casefold()
    if not word or word in ON | OFF | STATES or told(word) is not None:
        return True
    try:
        return bool(np.isfinite(float(word.replace(",", "."))) and len(word) <= 8)
    except ValueError:
        return False


@dataclass(frozen=True)
class Window:
    """One run's shown time: when it truly began to show (without zone), in public, and how long."""

    true: pd.Timestamp
    public: pd.Timestamp
    shown_s: float


def public_weather(
    weather: pd.DataFrame, windows: Sequence[Window], pressure_kpa: float
) -> tuple[pd.DataFrame, float | None]:
    """The weather at the runs, on the public clock and of no place; the station's rounded height.

    Parameters
    ----------
    weather : DataFrame
        As `roadlog.weather.reports.study_weather` gives it.
    windows : sequence of Window
    pressure_kpa : float
        What is added to the pressure of a station of unknown height, which would tell the height.

    Notes
    -----
    Rows stand every ten minutes from two hours before a run to its end, interpolated at the true
    time. Temperature is carried to the rounded height by the same lapse that the analysis takes.
    """
    if not windows:
        return pd.DataFrame(), None
    sky = sky_of(weather)
    rows: list[pd.DataFrame] = []
    last = pd.Timestamp.min
    for w in sorted(windows, key=lambda w: w.public):
        begin = max(w.public - BEFORE, last + WEATHER_STEP if rows else pd.Timestamp.min)
        end = w.public + pd.Timedelta(w.shown_s, unit="s") + WEATHER_STEP
        at = pd.date_range(begin.ceil(WEATHER_STEP), end, freq=WEATHER_STEP)
        if not len(at):
            continue
        t = np.asarray((at - w.public).total_seconds(), float)
        rows.append(pd.DataFrame({"time": at, **_values(sky, w.true, t)}))
        last = at[-1]
    out = pd.concat(rows, ignore_index=True)
    height = _told_once(weather, "station_elevation_m")
    if height is None:
        out = out.drop(columns="qnh_kpa", errors="ignore")
        if "pressure_kpa" in out:
            out["pressure_kpa"] += pressure_kpa
        rounded = None
    else:
        rounded = HEIGHT_STEP_M * round(height / HEIGHT_STEP_M)
        out = out.drop(columns="pressure_kpa", errors="ignore")
        if "temp_c" in out:
            out["temp_c"] -= LAPSE_K_M * (rounded - height)
    digits = {"temp_c": 2, "pressure_kpa": 3, "qnh_kpa": 3, "wind_speed_m_s": 2,
              "wind_from_deg": 1, "humidity_pct": 1, "rain_mm": 1}  # fmt: skip
    out = out.round(digits).dropna(axis="columns", how="all")
    out = out.dropna(how="all", subset=[c for c in out if c != "time"])
    columns = {k: v for k, v in _WEATHER_HEADINGS.items() if k in out}
    out["time"] = out["time"].dt.strftime("%Y-%m-%dT%H:%M")
    return out.rename(columns=columns)[list(columns.values())], rounded


_WEATHER_HEADINGS = {
    "time": "time", "temp_c": "temperature [degC]", "pressure_kpa": "pressure [kPa]",
    "qnh_kpa": "qnh [kPa]", "wind_speed_m_s": "wind speed [m/s]",
    "wind_from_deg": "wind from [deg]", "humidity_pct": "humidity [%]", "rain_mm": "rain [mm]",
}  # fmt: skip


def _values(sky: Sky, start: pd.Timestamp, t_s: Floats) -> dict[str, Floats]:
    air = weather_at(t_s, start, sky)
    north, east = air.pop("north"), air.pop("east")
    known = np.isfinite(north) & np.isfinite(east)
    if known.any():
        air["wind_speed_m_s"] = np.where(known, np.hypot(north, east), air["wind_speed_m_s"])
        turn = np.degrees(np.arctan2(east, north)) % 360
        air["wind_from_deg"] = np.where(known, turn, np.nan)
    rain = rain_between(t_s - WEATHER_STEP.total_seconds(), t_s, start, sky)
    air["rain_mm"] = np.where(np.isfinite(rain), 0.1 * rain, np.nan)
    return air


def _told_once(weather: pd.DataFrame, column: str) -> float | None:
    if column not in weather or weather[column].isna().all():
        return None
    return float(weather[column].dropna().iloc[0])


def public_gates(
    gates: Sequence[Gate], hidden: Sequence[Place], near: Sequence[tuple[Floats, Floats]]
) -> str:
    """The gates on the published road as GeoJSON; empty where fewer than two are left.

    Parameters
    ----------
    near : sequence of (lat_deg, lon_deg)
        Positions of the published runs.
    """
    features = []
    for i, gate in enumerate(gates, 1):
        lat, lon = float(np.mean(gate.lat_deg)), float(np.mean(gate.lon_deg))
        here = Place(lat, lon, 0.0, 0.0, 0.0)
        if any(p.inside(np.array(lat), np.array(lon), 100.0) for p in hidden):
            continue
        if not any(len(a) and here.away_m(a, b).min() < 60 for a, b in near):
            continue
        places = [[round(float(x), 5), round(float(y), 5)]
                  for x, y in zip(gate.lon_deg, gate.lat_deg, strict=True)]  # fmt: skip
        shape = {"type": "Point", "coordinates": places[0]}
        if len(places) > 1:
            shape = {"type": "LineString", "coordinates": places}
        told: dict[str, object] = {"name": f"gate {i}"}
        if gate.heading_deg is not None:
            told["heading"] = gate.heading_deg
        if gate.segment is not None:
            told["segment"] = gate.segment
        features.append({"type": "Feature", "geometry": shape, "properties": told})
    if len(features) < 2:
        return ""
    return json.dumps({"type": "FeatureCollection", "features": features}, indent=1) + "\n"
