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
_CLEAR_BEND, _CLEAR_S = 1e-4, 0.1  # of a parabola whose vertex rounding moves by far less
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
    found = _peak(wheel, gps, step_s)
    lag, peak = _refined(wheel, gps, found, step_s)
    note = found.note or _lag_change(wheel, gps, step_s)
    return Lag(0.0 if note else lag, peak, n, note)


def surely_late_s(wheel: Floats, gps: Floats, step_s: float, least_s: float) -> float | None:
    """The lag of `lag_of` where it is `least_s` or more either way and nothing is against it [s].

    As quick as can be where it isn't, which is the rule.
    """
    found = _peak(wheel, gps, step_s)
    if found.note or (found.bend < -_CLEAR_BEND and abs(found.lag_s) < least_s - _CLEAR_S):
        return None
    lag = lag_of(wheel, gps, step_s)
    return None if lag.note or abs(lag.lag_s) < least_s else lag.lag_s


def correlations(wheel: Array, gps: Array, step: float) -> tuple[Array, Array]:
    """Pearson correlation of the two speeds at every lag on the grid; positive = GPS late.

    From the sums over the samples that have both, for all lags at once.
    """
    reach = round(MAX_LAG_S / step)
    lags = np.arange(-reach, reach + 1)
    r = np.full(len(lags), np.nan)
    a_there, b_there = np.isfinite(wheel), np.isfinite(gps)
    whole = _unbroken(a_there), _unbroken(b_there)
    a, b = np.zeros(len(wheel)), np.zeros(len(gps) + 2 * reach)
    inside = b[reach : reach + len(gps)]
    _centre(wheel, a_there, whole[0], a)
    _centre(gps, b_there, whole[1], inside)
    if whole[0] and whole[1]:
        n, (sa, saa), (sb, sbb) = _sums(a, inside, whole[0], whole[1], lags)
    else:
        x, y = a_there.astype(float), np.zeros(len(b))
        y[reach : reach + len(gps)] = b_there
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
    n = int(np.count_nonzero(there))
    first = int(there.argmax()) if n < len(there) else 0
    return (first, first + n) if n and there[first : first + n].all() else None


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
        first, end = (np.minimum(np.maximum(i, 0), len(c)) for i in (first, end))
        sums = told[:, end] - told[:, first]
        return sums[0], sums[1]

    return (high - low).astype(float), over(a, low, high), over(b, low + lags, high + lags)


def _centre(value: Array, there: Array, whole: tuple[int, int] | None, out: Array) -> None:
    """Put the known values less their mean into `out`, which is 0 elsewhere."""
    if whole is not None:
        known = value[whole[0] : whole[1]]
        np.subtract(known, known.mean(), out=out[whole[0] : whole[1]])
    elif there.any():
        known = value[there]
        out[there] = known - known.mean()


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


@dataclass(frozen=True)
class _Peak:
    """Where the correlation has its peak, by a parabola through `around`, and what is against."""

    at: int  # samples
    around: tuple[float, float, float]
    height: float
    lag_s: float
    note: str = ""

    @property
    def bend(self) -> float:
        """Second difference of `around`."""
        return self.around[0] - 2 * self.around[1] + self.around[2]


def _peak(wheel: Array, gps: Array, step: float) -> _Peak:
    """The peak by the sums of `correlations`, which differ from `_correlation` by rounding."""
    lags, r = correlations(wheel, gps, step)
    there = np.isfinite(r)
    known = r if there.all() else r[there]
    none = (np.nan, np.nan, np.nan)
    if not len(known):
        return _Peak(0, none, np.nan, 0.0, "the two speeds overlap too little")
    k = int(np.argmax(r)) if len(known) == len(r) else int(np.nanargmax(r))
    height = float(r[k])
    if k in (0, len(r) - 1):
        return _Peak(0, none, height, 0.0, f"the clocks differ by {MAX_LAG_S:.0f} s or more")
    if height < _MIN_CORRELATION or height - middle(known) < _MIN_PROMINENCE:
        flat = "the correlation of the two speeds is too flat to align the clocks"
        return _Peak(0, none, height, 0.0, flat)
    before, at, after = r[k - 1 : k + 2].tolist()
    around = (before, at, after)
    return _Peak(k - len(r) // 2, around, height, _vertex(float(lags[k]), around, step))


def _vertex(lag_s: float, around: tuple[float, float, float], step: float) -> float:
    """Where the parabola through three correlations a step apart has its vertex [s]."""
    before, at, after = around
    bend = before - 2 * at + after
    if not (np.isfinite(bend) and bend < 0):
        return lag_s
    return lag_s + 0.5 * (before - after) / bend * step


def _refined(wheel: Array, gps: Array, found: _Peak, step: float) -> tuple[float, float]:
    """Lag [s] and correlation of a peak to the last digit.

    By the lag readings 3 s apart lie within reach or not.
    """
    if found.note or not np.isfinite(found.around).all():
        return found.lag_s, found.height
    before, at, after = (_correlation(wheel, gps, found.at + i) for i in (-1, 0, 1))
    return _vertex(found.at * step, (before, at, after), step), at


def _lag_change(wheel: Array, gps: Array, step: float) -> str:
    """One sentence if the two halves of a run give different lags, else ""."""
    half = len(wheel) // 2
    first = _peak(wheel[:half], gps[:half], step)
    second = _peak(wheel[half:], gps[half:], step)
    change_s = second.lag_s - first.lag_s
    if first.note or second.note or abs(change_s) <= _MAX_LAG_CHANGE_S:
        return ""
    return f"the GPS clock steps by {change_s:+.0f} s against the other within the run"
