"""Whether speed, time and positions of a log can be what they were taken for.

In comes a log; every speed in it, labelled or not, is held against the positions by chords of some
hundred metres, which neither a receiver's noise nor a bend changes much, and against the other
speed where there are no positions. A speed whose ratio is another unit's factor, one that fits in
no unit, and positions that fit only with latitude and longitude exchanged are refused rather than
guessed. Part of the ingest stage.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from roadlog.errors import InputError
from roadlog.ingest import shelf
from roadlog.ingest.clock.coarse import spread_rounded
from roadlog.ingest.log import ColumnMatch, Log
from roadlog.ingest.positions.fixes import wheel_distance_m, without_false_fixes
from roadlog.quantities.arrays import Bools, Floats, middle, quantile
from roadlog.quantities.units import convert

EARTH_RADIUS_M = 6371008.8  # mean radius R1, IUGG (GRS 80)
CHORD_M = 300.0  # of a log long enough for so many
CHORDS = 24
SHORTEST_CHORD_M = 150.0  # a log with too few of these says nothing
CLOSER = (0.5, 0.25, 0.13)  # shorter chords, where bends leave too little of the long ones
FIXES_IN_CHORD = 2.5  # at least, of a shorter chord: else only slow driving would be left
LEAST_CHORDS = 10
FITS_WITHIN = 0.08  # of a unit's factor
# No speedometer is off by so much: UN R39 5.3 allows + 10 % and 4 km/h, and nothing below.
PLAUSIBLE = (0.75, 1.25)
_UNITS = ("km/h", "mph", "m/s", "kn")
_SPEEDS = ("speed_kmh", "gps_speed_kmh")
_UNEVEN = 0.04  # spread of the chords' log ratios that an exchange has to halve
_MOVING_KMH = 20.0
_LEAST_PAIRS = 30


@dataclass(frozen=True)
class Chords:
    """Straight lines between fixes of a drive, and the way that the speed adds up to meanwhile.

    `north_deg`, `east_deg` [°] are the changes of latitude and longitude, `lat_deg`, `lon_deg` [°]
    where they are, `driven_m` [m] the distance by speed.
    """

    north_deg: Floats
    east_deg: Floats
    lat_deg: Floats
    lon_deg: Floats
    driven_m: Floats

    def ratios(self, *, exchanged: bool = False) -> Floats:
        """Each chord's length over the distance by speed, as it stands or exchanged."""
        north, east, at = self.north_deg, self.east_deg, self.lat_deg
        if exchanged:
            north, east, at = self.east_deg, self.north_deg, self.lon_deg
        metres = EARTH_RADIUS_M * np.radians(np.hypot(north, east * np.cos(np.radians(at))))
        return np.asarray(metres / self.driven_m, np.float64)


def held_against_positions(log: Log) -> Log:
    """The log without false fixes, if its speeds and positions can belong together.

    Parameters
    ----------
    log : Log

    Returns
    -------
    Log
        Positions at 0, 0 or frozen are blank (`roadlog.ingest.positions.fixes`).

    Raises
    ------
    InputError
        If latitude and longitude fit only exchanged, or a speed fits only in another unit, or
        the car's speed in none.
    """
    log = without_false_fixes(log)
    read = log.read
    frame: Mapping[str, Floats] = {
        "t_s": spread_rounded(read.floats("t_s")),
        **{name: read.floats(name) for name in ("lat_deg", "lon_deg", *_SPEEDS) if name in read},
    }
    for signal in _SPEEDS:
        held = chords(frame, signal)
        if held is not None:
            _check_not_swapped(held, log.path)
            _check_unit(log, signal, _ratio(frame, signal, held))
    if not {"lat_deg", "lon_deg"} <= frame.keys() and set(_SPEEDS) <= frame.keys():
        _check_two_speeds(log, frame)
    return log


def distance_ratio(frame: Mapping[str, Floats], signal: str = "speed_kmh") -> float:
    """Distance by positions over distance by a speed, NaN if there is too little to tell.

    Parameters
    ----------
    frame : mapping of str to array, each of shape (rows,)
        `t_s` [s], `lat_deg`, `lon_deg` [°] and the speed [km/h].
    signal : str
        The speed's name.

    Notes
    -----
    Of the chords' median and upper quartile, the one nearer to 1: bends shorten chords, so that
    the straighter quarter says more, and noise lengthens them. Where they come out far too short
    (laps, hairpins), shorter ones are asked as long as that changes much; where too long, ones that
    are shorter by as much.
    """
    return _ratio(frame, signal, chords(frame, signal))


def _ratio(frame: Mapping[str, Floats], signal: str, held: Chords | None) -> float:
    """The same, where the chords at full length are known."""
    ratio = float("nan") if held is None else _middle(held)
    if ratio > PLAUSIBLE[1]:
        closer = chords(frame, signal, scale=1 / ratio)
        return ratio if closer is None else _middle(closer)
    for scale in CLOSER:
        closer = chords(frame, signal, scale=scale) if ratio < PLAUSIBLE[0] else None
        if closer is None or not (nearer := _middle(closer)) > ratio * (1 + FITS_WITHIN):
            break
        ratio = nearer
    return ratio


def _middle(held: Chords) -> float:
    r = np.maximum(held.ratios(), 1e-9)
    both = np.array([middle(r), quantile(r, 0.75)])
    return float(both[np.argmin(np.abs(np.log(both)))])


def chords(frame: Mapping[str, Floats], signal: str, *, scale: float = 1.0) -> Chords | None:
    """Chords of 150 to 300 m by this speed, times `scale`; None if there are too few.

    Chords over time in which the speed isn't known are left out.
    """
    if not {signal, "lat_deg", "lon_deg"} <= frame.keys():
        return None
    fix = shelf.finite(frame["lat_deg"]) & shelf.finite(frame["lon_deg"])
    if fix.sum() < LEAST_CHORDS or shelf.finite(frame[signal]).sum() < LEAST_CHORDS:
        return None
    at = shelf.where(fix, frame["t_s"])
    d, blind = wheel_distance_m(frame["t_s"], frame[signal], at)
    length = scale * float(np.clip((d[-1] - d[0]) / CHORDS, SHORTEST_CHORD_M, CHORD_M))
    if scale < 1:
        apart = np.diff(d)
        if length < FIXES_IN_CHORD * float(np.quantile(apart[apart > 0], 0.75)):
            return None
    chord = shelf.space(len(d))
    for part in shelf.parts(len(d)):
        np.floor(d[part] / length, out=chord[part])
    ends = np.flatnonzero(np.append(True, chord[1:] > chord[:-1]))
    del chord
    shelf.rest()
    rows = _places(fix, ends)
    lat, lon = frame["lat_deg"][rows], frame["lon_deg"][rows]
    shelf.rest()
    driven = np.diff(d[ends])
    kept = (np.diff(blind[ends]) == 0) & (driven > length / 2) & (driven < 2 * length)
    if kept.sum() < LEAST_CHORDS:
        return None
    east = (np.diff(lon) + 180) % 360 - 180
    return Chords(np.diff(lat)[kept], east[kept], lat[1:][kept], lon[1:][kept], driven[kept])


def _places(there: Bools, which: NDArray[np.intp]) -> NDArray[np.intp]:
    """`numpy.flatnonzero(there)[which]`, for a few of many in order."""
    found, before = [], 0
    for part in shelf.parts(len(there)):
        rows = np.flatnonzero(there[part])
        inside = which[(which >= before) & (which < before + len(rows))]
        found.append(rows[inside - before] + part.start)
        before += len(rows)
    return np.concatenate(found)


def _check_unit(log: Log, signal: str, ratio: float) -> None:
    column = next((c for c in log.columns if c.signal == signal), None)
    fitting = _fitting(column, ratio)
    if fitting is not None:
        raise InputError(
            f"{log.path}: {_named(column, signal)} and looks like {fitting} by the log's positions "
            f"(they lie {ratio:.2f} times as far apart as the speed adds up to): "
            + _settle(column, signal, fitting)
        )
    if signal == "speed_kmh" and not PLAUSIBLE[0] <= ratio <= PLAUSIBLE[1]:
        raise InputError(
            f"{log.path}: {_named(column, signal)}, but the log's positions lie {ratio:.2f} times "
            "as far apart as it adds up to, which is no speedometer's error and fits in no unit: "
            "correct speed, time or positions, or leave the log out"
        )


def _fitting(column: ColumnMatch | None, ratio: float) -> str | None:
    """The unit, other than the one that was taken, in which the speed fits, if it doesn't as it is.

    Knots and miles an hour lie 15 % apart, within what is plausible: there the nearer one counts.
    """
    taken = (column.unit if column is not None else None) or "km/h"
    misfit = {u: abs(ratio * convert(1.0, taken, u) - 1) for u in _UNITS}
    unit = min(_UNITS, key=lambda u: misfit[u])
    near = PLAUSIBLE[0] <= convert(1.0, unit, taken) <= PLAUSIBLE[1]
    fits = misfit[unit] < (FITS_WITHIN / 2 if near else FITS_WITHIN)
    return unit if fits and unit != taken else None


def _named(column: ColumnMatch | None, signal: str) -> str:
    if column is None:
        return f"{signal} was taken in km/h"
    if column.assumed:
        return f"column '{column.header}' has no unit"
    return f"column '{column.header}' is taken in {column.unit or 'km/h'}"


def _settle(column: ColumnMatch | None, signal: str, unit: str) -> str:
    header = signal if column is None else column.header
    return (
        f'settle it in study.toml under [columns], as "{header}" = '
        f'{{signal = "{signal}", unit = "{unit}"}}'
    )


def _check_two_speeds(log: Log, frame: Mapping[str, Floats]) -> None:
    """Without positions: neither of the two speeds is the other in another unit."""
    wheel, gps = frame["speed_kmh"], frame["gps_speed_kmh"]
    t, have = frame["t_s"], np.isfinite(gps)
    if have.sum() < _LEAST_PAIRS or np.isfinite(wheel).sum() < _LEAST_PAIRS:
        return
    known = np.isfinite(wheel)
    own = np.interp(t[have], t[known], wheel[known])
    fast = (own > _MOVING_KMH / 3.6) & (gps[have] > _MOVING_KMH / 3.6)
    if fast.sum() < _LEAST_PAIRS:
        return
    ratio = float(np.median(gps[have][fast] / own[fast]))
    column = next((c for c in log.columns if c.signal == "speed_kmh"), None)
    fitting = _fitting(column, ratio)
    if fitting is not None:
        raise InputError(
            f"{log.path}: {_named(column, 'speed_kmh')}, and the receiver's speed is "
            f"{ratio:.2f} times as high, as if one of the two were in {fitting}: name the unit of "
            "both in study.toml under [columns]"
        )


def _check_not_swapped(held: Chords, path: Path) -> None:
    """Refuse positions whose distances fit the speed only with latitude and longitude exchanged.

    Both within 90° is no proof that they aren't: a degree of longitude is shorter than one of
    latitude, so that exchanged columns bend every distance that isn't driven due one way. Near the
    equator, or where both are about equal, nothing can be told.
    """
    if np.abs(held.lon_deg).max() > 90:
        return
    spread, far = _spread_and_size(held.ratios())
    if spread <= _UNEVEN and far <= np.log(PLAUSIBLE[1]):
        return
    other, near = _spread_and_size(held.ratios(exchanged=True))
    uneven = spread > _UNEVEN and other < spread / 2
    beside = far > np.log(PLAUSIBLE[1]) and near < np.log(1 + FITS_WITHIN) and other < 1.1 * spread
    if uneven or beside:
        raise InputError(
            f"{path}: latitude and longitude look swapped (distances fit the speed only with the "
            "two exchanged): exchange them in study.toml under [columns]"
        )


def _spread_and_size(ratios: Floats) -> tuple[float, float]:
    """How far the ratios' logarithms lie from their median, at the median, and from 0."""
    r = np.log(np.maximum(ratios, 1e-9))
    return middle(np.abs(r - middle(r))), abs(quantile(r, 0.75))
