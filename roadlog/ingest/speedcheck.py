"""Whether a speed without a unit can be what it was taken for.

In come a log's frame and its position columns; out comes the ratio of the distance between fixes
to the distance that the speed adds up to. A ratio that is another unit's factor is refused rather
than guessed. Part of the ingest stage.
"""

from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
import pandas as pd

from roadlog.errors import InputError
from roadlog.ingest.columns import Meaning
from roadlog.ingest.log import Floats
from roadlog.ingest.positions import MAX_FIX_GAP_S, ground_speed_kmh
from roadlog.units import convert

_MOVING_KMH = 20.0  # by the fixes: below, position noise adds distance
_LEAST_PAIRS = 30
_FITS_WITHIN = 0.06


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


def distance_ratio(t_s: Floats, speed_kmh: Floats, lat_deg: Floats, lon_deg: Floats) -> float:
    """Distance between fixes over distance by speed while moving, NaN if there is too little.

    Parameters
    ----------
    t_s : array, shape (rows,) [s]
    speed_kmh : array, shape (rows,) [km/h]
    lat_deg, lon_deg : arrays, shape (rows,) [°]
    """
    fixes = pd.DataFrame({"t_s": t_s, "lat_deg": lat_deg, "lon_deg": lon_deg}).dropna()
    fixes = fixes[~fixes["t_s"].floordiv(1).duplicated()].reset_index(drop=True)
    have = ~np.isnan(speed_kmh)
    if len(fixes) < _LEAST_PAIRS or have.sum() < _LEAST_PAIRS:
        return float("nan")
    at = fixes["t_s"].to_numpy(np.float64)
    own = np.interp(at, t_s[have], speed_kmh[have])
    dt = np.diff(at)
    by_speed = (own[1:] + own[:-1]) / 2 * dt
    by_fixes = ground_speed_kmh(fixes)[1:] * dt
    ok = (dt > 0) & (dt <= MAX_FIX_GAP_S) & (by_fixes > _MOVING_KMH * dt)
    if ok.sum() < _LEAST_PAIRS or not by_speed[ok].sum() > 0:
        return float("nan")
    return float(by_fixes[ok].sum() / by_speed[ok].sum())
