"""The course of a road where no receiver saw the sky, from what is known at both ends of it.

A line with a stretch that no fix supports goes in, together with the distance that the wheels
turned over it; the line with a likelier course through that stretch comes out. A straight chord
would cut every bend in a tunnel. Part of method section 3.
"""

from collections.abc import Callable

import numpy as np
from scipy.optimize import brentq

from roadlog.quantities.arrays import Floats

STEP_M = 10.0
LENGTH_KNOWN_TO = 0.01  # wheel distance over a tunnel is trusted to this share
LEAST_TURN = 0.05  # sine of the angle below which two directions count as parallel


def course(
    start: Floats, heading_in: Floats, end: Floats, heading_out: Floats, length_m: float
) -> tuple[Floats, Floats]:
    """Path from `start` to `end` that leaves and arrives in the given directions.

    Parameters
    ----------
    start, end : (2,) float [m]
        Last and first known place (east, north).
    heading_in, heading_out : (2,) float
        Unit vectors of travel there.
    length_m : float [m]
        Distance driven between them.

    Returns
    -------
    x_m, y_m : (n,) float [m]
        At steps of about 10 m, both ends included.

    Notes
    -----
    A plain cubic curve is taken where its length is right. Else two shapes are tried, a single
    bend (two straights and an arc whose radius makes the length right) and a cubic curve whose
    handles make it right; the one whose length is nearer to that driven is taken. Which shape the
    tunnel truly has can't be known: a bend in the middle is placed to about 10 m in 600 m of
    tunnel, two unequal bends worse.

    >>> x, y = course(np.array([0., 0.]), np.array([1., 0.]),
    ...               np.array([300., 300.]), np.array([0., 1.]), 600.0)
    >>> bool(np.hypot(x - 300, y).min() < 5)
    True
    """
    chord = float(np.hypot(*(end - start)))
    if length_m <= chord:
        return _resampled(np.array([start, end]))
    plain = _cubic(start, heading_in, end, heading_out)(length_m / 3)
    if abs(_length(plain) - length_m) <= LENGTH_KNOWN_TO * length_m:
        return _resampled(plain)
    tried = [_fitted_cubic(start, heading_in, end, heading_out, length_m)]
    bend = _single_bend(start, heading_in, end, heading_out, length_m)
    if bend is not None:
        tried.insert(0, bend)
    misses = [abs(_length(p) - length_m) for p in tried]
    best = 0 if misses[0] <= misses[-1] + 0.01 * length_m else len(tried) - 1
    return _resampled(tried[best])


def _single_bend(a: Floats, ha: Floats, b: Floats, hb: Floats, length_m: float) -> Floats | None:
    turn = ha[0] * hb[1] - ha[1] * hb[0]
    if abs(turn) < LEAST_TURN:
        return None
    to = b - a
    leg_a = (to[0] * hb[1] - to[1] * hb[0]) / turn
    leg_b = (ha[0] * to[1] - ha[1] * to[0]) / turn
    if leg_a <= 0 or leg_b <= 0:
        return None
    angle = float(np.arctan2(abs(turn), ha @ hb))
    half = np.tan(angle / 2)
    radius = max(leg_a + leg_b - length_m, 0.0) / (2 * half - angle)
    tangent = min(radius * half, leg_a, leg_b)
    radius = tangent / half
    corner = a + leg_a * ha
    begin = corner - tangent * ha
    left = np.sign(turn) * np.array([-ha[1], ha[0]])
    swept = np.linspace(0, angle, max(2, int(radius * angle / STEP_M) + 1))[:, None]
    arc = begin + radius * (np.sin(swept) * ha + (1 - np.cos(swept)) * left)
    return np.vstack([a, arc, b])


def _cubic(a: Floats, ha: Floats, b: Floats, hb: Floats) -> Callable[[float], Floats]:
    t = np.linspace(0, 1, 101)[:, None]

    def path(handle: float) -> Floats:
        c, d = a + handle * ha, b - handle * hb
        return np.asarray(
            (1 - t) ** 3 * a + 3 * (1 - t) ** 2 * t * c + 3 * (1 - t) * t**2 * d + t**3 * b, float
        )

    return path


def _fitted_cubic(a: Floats, ha: Floats, b: Floats, hb: Floats, length_m: float) -> Floats:
    path = _cubic(a, ha, b, hb)

    def excess(handle: float) -> float:
        return _length(path(handle)) - length_m

    shortest, longest = length_m / 3, 2 * length_m
    if excess(shortest) >= 0 or excess(longest) <= 0:
        return path(shortest)
    return path(float(brentq(excess, shortest, longest, xtol=0.1)))


def _length(path: Floats) -> float:
    return float(np.hypot(*np.diff(path, axis=0).T).sum())


def _resampled(path: Floats) -> tuple[Floats, Floats]:
    s = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(path, axis=0).T))])
    at = np.linspace(0, s[-1], max(2, round(s[-1] / STEP_M) + 1))
    return np.interp(at, s, path[:, 0]), np.interp(at, s, path[:, 1])
