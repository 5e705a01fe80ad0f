"""Whether speed, time and positions of a log can be what they were taken for.

In come a log's frame and its position columns; out comes the ratio of the distance between fixes
to the distance that the speed adds up to. A speed without a unit whose ratio is another unit's
factor, a clock without one that makes the speed jump, and a latitude that fits only as longitude
are refused rather than guessed. Part of the ingest stage.
"""

from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
import pandas as pd

from roadlog.errors import InputError
from roadlog.ingest.coarse import spread_rounded
from roadlog.ingest.columns import Meaning
from roadlog.ingest.log import Floats
from roadlog.ingest.positions import MAX_FIX_GAP_S, ground_speed_kmh
from roadlog.units import convert

_MOVING_KMH = 20.0  # by the fixes: below, position noise adds distance
_LEAST_PAIRS = 30
_FITS_WITHIN = 0.06
_LEAST_SWAP_PAIRS = 100
_SWAP_ROWS = 50_000  # hours of driving, whatever the file's size
_MISFIT, _FIT = 0.10, 0.05  # median relative error of distances, as they stand and exchanged
_HARDEST_M_S2 = 15.0  # a road car on tyres brakes at about 1 g; common practice, no source


def check_speed_units(
    t_s: Floats, frame: Mapping[str, Floats], meanings: Sequence[Meaning], path: Path
) -> None:
    """Hold every speed whose header has no unit against the log's own positions.

    Raises
    ------
    InputError
        If the positions say that the speed is in another unit.
    """
    for m in meanings:
        if not m.assumed or m.signal not in ("speed_kmh", "gps_speed_kmh"):
            continue
        if m.header in (m.signal,) or "lat_deg" not in frame or "lon_deg" not in frame:
            continue
        ratio = distance_ratio(t_s, frame[m.signal], frame["lat_deg"], frame["lon_deg"])
        for unit in ("mph", "m/s", "kn"):
            factor = convert(1.0, unit, "km/h")
            if abs(ratio / factor - 1) < _FITS_WITHIN:
                raise InputError(
                    f"{path}: column '{m.header}' has no unit and looks like {unit} by the log's "
                    f'positions: settle it in study.toml under [columns], as "{m.header}" = '
                    f'{{signal = "{m.signal}", unit = "{unit}"}}'
                )


def check_time_unit(t_s: Floats, frame: Mapping[str, Floats], header: str, path: Path) -> None:
    """Hold seconds that were only assumed against the speed: no car speeds up as fast as that.

    Raises
    ------
    InputError
        If a twentieth of the changes of speed are harder than any car's, for want of a unit of
        time.
    """
    if "speed_kmh" not in frame:
        return
    have = ~np.isnan(frame["speed_kmh"])
    t, v = spread_rounded(t_s)[have], frame["speed_kmh"][have]
    changed = np.flatnonzero(np.diff(v) != 0)
    if len(changed) < _LEAST_PAIRS:
        return
    dt = np.maximum(np.diff(t)[changed], 1e-3)
    # a whole km/h is the least step that most logs have, so it tells nothing
    hard = (np.abs(np.diff(v)[changed]) - 1) / 3.6 / dt > _HARDEST_M_S2
    if hard.mean() > 0.05:
        raise InputError(
            f"{path}: column '{header}' has no unit, and taken as seconds the speed changes faster "
            "than any car's: name the unit in study.toml under [columns], as "
            f'"{header}" = {{signal = "time", unit = "min"}}'
        )


def check_not_swapped(t_s: Floats, frame: Mapping[str, Floats], path: Path) -> None:
    """Refuse positions whose distances fit the speed only with latitude and longitude exchanged.

    Both within 90° is no proof that they aren't: a degree of longitude is shorter than one of
    latitude, so that exchanged columns bend every distance that isn't driven due one way. Near the
    equator, or where both are about equal, nothing can be told.

    Raises
    ------
    InputError
        If the distances fit exchanged, and as they stand they don't.
    """
    name = next((s for s in ("gps_speed_kmh", "speed_kmh") if s in frame), None)
    if name is None or not {"lat_deg", "lon_deg"} <= frame.keys():
        return
    lat, lon = frame["lat_deg"][:_SWAP_ROWS], frame["lon_deg"][:_SWAP_ROWS]
    t_s, speed = t_s[:_SWAP_ROWS], frame[name][:_SWAP_ROWS]
    if np.fmax.reduce(np.abs(lon), initial=0.0) > 90:
        return
    stands = _distance_error(t_s, speed, lat, lon)
    if not stands > _MISFIT:
        return
    if _distance_error(t_s, speed, lon, lat) < _FIT:
        raise InputError(
            f"{path}: latitude and longitude look swapped (distances fit the speed only with the "
            "two exchanged): exchange them in study.toml under [columns]"
        )


def _distance_error(t_s: Floats, speed_kmh: Floats, lat_deg: Floats, lon_deg: Floats) -> float:
    """Median relative error of the distances between fixes, a scale factor taken out."""
    pairs = _distances(t_s, speed_kmh, lat_deg, lon_deg)
    if pairs is None or len(pairs[0]) < _LEAST_SWAP_PAIRS:
        return float("nan")
    ratio = pairs[0] / pairs[1]
    middle = float(np.median(ratio))
    if not 0.5 < middle < 2:
        return float("nan")
    return float(np.median(np.abs(ratio / middle - 1)))


def distance_ratio(t_s: Floats, speed_kmh: Floats, lat_deg: Floats, lon_deg: Floats) -> float:
    """Distance between fixes over distance by speed while moving, NaN if there is too little.

    Parameters
    ----------
    t_s : array, shape (rows,) [s]
    speed_kmh : array, shape (rows,) [km/h]
    lat_deg, lon_deg : arrays, shape (rows,) [°]
    """
    pairs = _distances(t_s, speed_kmh, lat_deg, lon_deg)
    if pairs is None or len(pairs[0]) < _LEAST_PAIRS:
        return float("nan")
    return float(pairs[0].sum() / pairs[1].sum())


def _distances(
    t_s: Floats, speed_kmh: Floats, lat_deg: Floats, lon_deg: Floats
) -> tuple[Floats, Floats] | None:
    """Distance by fixes and by speed [km/h s] of each step between fixes while moving."""
    fixes = pd.DataFrame({"t_s": t_s, "lat_deg": lat_deg, "lon_deg": lon_deg}).dropna()
    fixes = fixes[~fixes["t_s"].floordiv(1).duplicated()].reset_index(drop=True)
    have = ~np.isnan(speed_kmh)
    if len(fixes) < _LEAST_PAIRS or have.sum() < _LEAST_PAIRS:
        return None
    at = fixes["t_s"].to_numpy(np.float64)
    own = np.interp(at, t_s[have], speed_kmh[have])
    dt = np.diff(at)
    by_speed = (own[1:] + own[:-1]) / 2 * dt
    by_fixes = ground_speed_kmh(fixes)[1:] * dt
    ok = (dt > 0) & (dt <= MAX_FIX_GAP_S) & (by_fixes > _MOVING_KMH * dt) & (by_speed > 0)
    return by_fixes[ok], by_speed[ok]
