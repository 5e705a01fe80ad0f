"""How much later the clock of GPS shows the same event than that of OBD, by their two speeds.

Two speeds on one even grid go in; the lag that their cross-correlation has its peak at comes out,
with what speaks against it. Part of section 2 of the method.
"""

from dataclasses import dataclass

import numpy as np

from roadlog.quantities.arrays import Floats, middle

Array = np.ndarray

MAX_LAG_S = 30.0
MIN_OVERLAP_S = 60.0
_MIN_CORRELATION = 0.7
_MIN_PROMINENCE = 0.02
_MAX_LAG_CHANGE_S = 2.0
_ROUNDING = 1e-9  # a variance under this share of its sum of squares is looked at closely


@dataclass(frozen=True)
class Lag:
    """By how much GPS comes late [s], the correlation there, samples with both, what is against."""

    lag_s: float
    correlation: float
    n: int
    note: str


def lag_of(wheel: Floats, gps: Floats, step_s: float) -> Lag:
    """The lag of two speeds [km/h], NaN where there is none, on a grid of `step_s` [s].

    It is 0, with a note, where the two don't pin it down.
    """
    n = int(np.count_nonzero(np.isfinite(wheel) & np.isfinite(gps)))
    if n * step_s < MIN_OVERLAP_S:
        return Lag(0.0, np.nan, n, "the two speeds overlap for under a minute")
    lag, peak, note = _find_lag(wheel, gps, step_s)
    note = note or _lag_change(wheel, gps, step_s)
    return Lag(0.0 if note else lag, peak, n, note)


def correlations(wheel: Array, gps: Array, step: float) -> tuple[Array, Array]:
    """Pearson correlation of the two speeds at every lag on the grid; positive = GPS late.

    From the sums over the samples that have both, for all lags at once.
    """
    reach = round(MAX_LAG_S / step)
    lags = np.arange(-reach, reach + 1)
    r = np.full(len(lags), np.nan)
    a_there, b_there = np.isfinite(wheel), np.isfinite(gps)
    a, b = _centred(wheel, a_there), np.zeros(len(gps) + 2 * reach)
    inside = slice(reach, reach + len(gps))
    b[inside] = _centred(gps, b_there)
    whole = _unbroken(a_there), _unbroken(b_there)
    if whole[0] and whole[1]:
        n, (sa, saa), (sb, sbb) = _sums(a, b[inside], whole[0], whole[1], lags)
    else:
        x, y = a_there.astype(float), np.zeros(len(b))
        y[inside] = b_there
        n = np.correlate(y, x)
        sa, saa = np.correlate(y, a), np.correlate(y, a * a)
        sb, sbb = np.correlate(b, x), np.correlate(b * b, x)
    ab = np.correlate(b, a)
    enough = ~(n * step < MIN_OVERLAP_S / 2)
    over = np.maximum(n, 1.0)
    va, vb, both = saa - sa * sa / over, sbb - sb * sb / over, ab - sa * sb / over
    clear = (va > _ROUNDING * saa) & (vb > _ROUNDING * sbb)
    sure = enough & clear
    r[sure] = both[sure] / np.sqrt(va[sure] * vb[sure])
    for k in np.flatnonzero(enough & ~clear):
        r[k] = _correlation(wheel, gps, int(lags[k]))
    return lags * step, r


def _unbroken(there: Array) -> tuple[int, int] | None:
    """From where to where a speed is known, if it is without a break between."""
    if there.all():
        return 0, len(there)
    known = np.flatnonzero(there)
    if not len(known) or known[-1] - known[0] + 1 != len(known):
        return None
    return int(known[0]), int(known[-1]) + 1


def _sums(
    a: Array, b: Array, a_known: tuple[int, int], b_known: tuple[int, int], lags: Array
) -> tuple[Array, tuple[Array, Array], tuple[Array, Array]]:
    """How many samples have both at each lag, and the sums of each and of its square over them."""
    low = np.maximum(a_known[0], b_known[0] - lags)
    high = np.maximum(np.minimum(a_known[1], b_known[1] - lags), low)

    def over(c: Array, first: Array, end: Array) -> tuple[Array, Array]:
        told = np.zeros((2, len(c) + 1))
        np.cumsum(c, out=told[0, 1:])
        np.cumsum(c * c, out=told[1, 1:])
        first, end = np.clip(first, 0, len(c)), np.clip(end, 0, len(c))
        return told[0][end] - told[0][first], told[1][end] - told[1][first]

    return (high - low).astype(float), over(a, low, high), over(b, low + lags, high + lags)


def _centred(value: Array, there: Array) -> Array:
    """The values less their mean, 0 where there is none."""
    if there.all() and len(there):
        less: Array = value - value.mean()
        return less
    if not there.any():
        return np.zeros(len(value))
    centred: Array = np.where(there, value - value[there].mean(), 0.0)
    return centred


def _correlation(wheel: Array, gps: Array, lag: int) -> float:
    """Pearson correlation at one lag [samples], 0 where either speed stands."""
    late, early = max(0, lag), max(0, -lag)
    a, b = wheel[early : len(wheel) - late], gps[late : len(gps) - early]
    ok = np.isfinite(a + b)
    if not ok.all():
        a, b = a[ok], b[ok]
    x, y = a - np.add.reduce(a) / len(a), b - np.add.reduce(b) / len(b)
    spread = float(np.sqrt((x @ x) * (y @ y)))
    return float(x @ y) / spread if spread > 0 else 0.0


def _find_lag(
    wheel: Array, gps: Array, step: float, *, exact: bool = True
) -> tuple[float, float, str]:
    """The lag [s] by parabola through the peak, the correlation there, and what speaks against.

    If `exact`, to the last digit: by it readings 3 s apart lie within reach or not.
    """
    lags, r = correlations(wheel, gps, step)
    known = r[np.isfinite(r)]
    if not len(known):
        return 0.0, np.nan, "the two speeds overlap too little"
    k = int(np.argmax(r)) if len(known) == len(r) else int(np.nanargmax(r))
    peak = float(r[k])
    if k in (0, len(r) - 1):
        return 0.0, peak, f"the clocks differ by {MAX_LAG_S:.0f} s or more"
    if peak < _MIN_CORRELATION or peak - middle(known) < _MIN_PROMINENCE:
        return 0.0, peak, "the correlation of the two speeds is too flat to align the clocks"
    around = r[k - 1 : k + 2].tolist()
    if exact and np.isfinite(around).all():
        around = [_correlation(wheel, gps, k + i - len(r) // 2) for i in (-1, 0, 1)]
        peak = around[1]
    bend = float(around[0] - 2 * around[1] + around[2])
    refine = float(0.5 * (around[0] - around[2]) / bend) if np.isfinite(bend) and bend < 0 else 0.0
    return float(lags[k] + refine * step), peak, ""


def _lag_change(wheel: Array, gps: Array, step: float) -> str:
    """One sentence if the two halves of a run give different lags, else ""."""
    half = len(wheel) // 2
    first, _, a = _find_lag(wheel[:half], gps[:half], step, exact=False)
    second, _, b = _find_lag(wheel[half:], gps[half:], step, exact=False)
    if a or b or abs(first - second) <= _MAX_LAG_CHANGE_S:
        return ""
    return f"the GPS clock steps by {second - first:+.0f} s against the other within the run"
