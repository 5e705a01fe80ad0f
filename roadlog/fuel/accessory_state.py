"""Accessory time: samples go in, whether a large accessory (an air-conditioning compressor) loaded
the engine comes out, second by second and as a share of each run.

A shut throttle chokes the air, so air flow at standstill and in slow overrun follows the idle
opening, which the controller raises while a compressor is on. Both modes and the thresholds
between them are found for each car from its own logs, with a test whether there are two modes at
all (docs/fuel.md, "Accessory time"). Never under power: there air is fuel.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
import pandas as pd

from roadlog.fuel.air import Array, air_flow, manifold_air
from roadlog.fuel.choice import is_logged
from roadlog.quantities.arrays import blocks, medians, ranges
from roadlog.quantities.columns import Table, columns_of
from roadlog.quantities.signals import signal
from roadlog.quantities.warm import WARM_AFTER_S, WARM_COOLANT_C

STANDING_BELOW_KMH, ROLLING_ABOVE_KMH = 1.0, 5.0
AT_REST_S, BEFORE_MOVING_S, AFTER_START_S = 2.0, 2.0, 15.0
PEDAL_SLACK_PCT = 1.0
IDLE_RPM = (300.0, 1500.0)
SURE_C = 50.0
VALUE_S = 5.0  # one value of closed-throttle air for so long
LEAST_VALUES = 40
LEAST_SEPARATION, MOST_VALLEY, LEAST_WEIGHT = 4.0, 0.3, 0.05
TRIGGER = 0.15  # of the spacing between the modes, on either side of the threshold
SHRINK_S = 40.0
LEAST_SPACING = (
    0.15  # log of air: a compressor takes a kilowatt or more; common practice, no source
)
LEAST_PER_REV_SPACING = 0.15  # log: under it a cold idle's speed can't be told from an accessory
ROLLING_REVS = (0.92, 1.85)  # of the off mode's idle speed; faster, the plate opens in both modes
ROLLING_BINS = 4
ROLLING_SEPARATION, ROLLING_VALLEY, ROLLING_AGREES = 2.0, 0.5, 0.85
AGREES_WITHIN_S = 3.0
LEAST_COMPARED = 20
_LEAST_SIGMA = 0.02  # log: a step of 1 kPa or 0.01 g/s at idle is no scatter
_NAN = float("nan")


@dataclass(frozen=True)
class Modes:
    """Two Gaussians fitted to the log of closed-throttle air [g/s], and how far apart they stand.

    `off` and `on` are their means, `threshold` the lowest density between, all logs; `separation`
    is sqrt(2) x difference / root of summed variances, `valley` the lowest density between the
    modes over the lower peak, `weight_on` the share of the upper mode.
    """

    off: float
    on: float
    threshold: float
    separation: float
    valley: float
    weight_on: float
    values: int

    @property
    def spacing(self) -> float:
        """Distance between the modes (log)."""
        return self.on - self.off

    def apart(self, separation: float = LEAST_SEPARATION, valley: float = MOST_VALLEY) -> bool:
        """Whether these are two modes and not one, or a continuum."""
        return (
            self.separation > separation
            and self.valley < valley
            and LEAST_WEIGHT < self.weight_on < 1 - LEAST_WEIGHT
        )


@dataclass(frozen=True)
class AccessoryState:
    """What closed-throttle air shows of an accessory.

    Attributes
    ----------
    visible : bool
    why : str
        Why it can't be seen; "" where it can.
    modes : Modes or None
        Of warm standstill.
    arm_gap : float
        How far the arms' idle air lies apart (log) where the two modes are the arms; else 0.
    off_rpm, on_rpm : float
        Idle speed in the modes [1/min].
    runs : DataFrame
        One row a run, in their order: `known_s`, `on_s`, `share` (shrunk to the study's mean where
        little is known), and the medians of the modes in that run: `off_air`, `on_air` (log g/s,
        as logged), `off_rpm`, `on_rpm`; NaN where the run hasn't the mode.
    states : tuple of arrays
        For each run 1 (on), 0 (off) or NaN (not known) at each sample.
    standing : tuple of boolean arrays
        Samples of warm standstill with the throttle shut, where idle flow may be compared.
    """

    visible: bool
    why: str
    modes: Modes | None = None
    arm_gap: float = 0.0
    off_rpm: float = _NAN
    on_rpm: float = _NAN
    runs: pd.DataFrame = field(default_factory=pd.DataFrame)
    states: tuple[Array, ...] = ()
    standing: tuple[Array, ...] = ()


@dataclass(frozen=True)
class _Run:
    """One run's closed-throttle samples: log air, log air per revolution, and where they count."""

    t_s: Array
    dt_s: Array
    rpm: Array
    air: Array
    per_rev: Array
    warm: Array  # standing, shut, warm
    cool: Array  # standing, shut, between SURE_C and WARM_COOLANT_C
    rolling: Array  # shut, warm, moving


def find_accessory(
    samples: Sequence[Table], arms: Sequence[str], displacement_l: float | None = None
) -> AccessoryState:
    """Find the accessory's state in a study's runs.

    Parameters
    ----------
    samples : sequence of DataFrame
        `roadlog.quantities.tables.SAMPLES` of the runs of one car.
    arms : sequence of str
        Each run's arm. Air is scaled by its arm's off mode, so that a device that bends the meter
        doesn't move the state.
    displacement_l : float, optional [L]
        Only the level of air hangs on it.

    Notes
    -----
    Air is MAF where every run logs it, else manifold pressure by speed-density, else absolute
    load (PID 43).
    """
    told = [columns_of(s) for s in samples]
    measure = _measure(told)
    if measure is None:
        return AccessoryState(
            False, "the logs hold no air flow, manifold pressure or absolute load with engine speed"
        )
    runs = [_closed_throttle(s, measure, displacement_l or 1.0) for s in told]
    first = two_modes(np.concatenate([values(r.air, r.warm, r.t_s) for r in runs]))
    if first is None:
        return AccessoryState(False, "the logs hold too little warm standstill")
    if not _within_an_arm(runs, arms):
        gap = _arm_gap(runs, arms) if first.apart() else 0.0
        return AccessoryState(False, _why_not(first), first, gap)
    scale = _scale(runs, arms, first) if first.apart() else {}
    shifted = [_shifted(r, scale.get(a, 0.0)) for r, a in zip(runs, arms, strict=True)]
    modes = two_modes(np.concatenate([values(r.air, r.warm, r.t_s) for r in shifted]))
    assert modes is not None
    if not modes.apart():
        return AccessoryState(False, _why_not(modes), modes)
    states = _states(shifted, modes)
    summed = _summed(runs, states, modes)
    every = [np.isfinite(s) & r.warm for s, r in zip(states, runs, strict=True)]
    rpm, state = np.concatenate([r.rpm for r in runs]), np.concatenate(states)
    here = np.concatenate(every)
    return AccessoryState(
        True,
        "",
        modes,
        0.0,
        _median(rpm[here & (state == 0)]),
        _median(rpm[here & (state == 1)]),
        summed,
        tuple(states),
        tuple(every),
    )


def on_less_off(found: AccessoryState, flow: Sequence[Array]) -> float:
    """What the accessory takes while it is on, in the unit of `flow`: on less off idle, medians.

    Parameters
    ----------
    found : AccessoryState
    flow : sequence of arrays
        Fuel flow at each sample of each run.

    Returns
    -------
    float
        NaN where it can't be seen.
    """
    if not found.visible:
        return _NAN
    burned, state = np.concatenate(list(flow)), np.concatenate(found.states)
    here = np.concatenate(found.standing) & (burned > 0)
    return _median(burned[here & (state == 1)]) - _median(burned[here & (state == 0)])


def two_modes(x: Array) -> Modes | None:
    """Fit two Gaussians to values (n,) by expectation-maximisation; None under 40 values.

    References
    ----------
    Dempster, Laird and Rubin, J. Royal Statistical Society B 39 (1977), 1-38. Ashman, Bird and
    Zepf, Astronomical Journal 108 (1994), 2348 (the separation D).
    """
    x = np.sort(x[np.isfinite(x)])
    n = len(x)
    if n < LEAST_VALUES:
        return None
    total, square = np.cumsum(x)[:-1], np.cumsum(x * x)[:-1]
    k = np.arange(1, n)
    within = square - total**2 / k
    within += (square[-1] + x[-1] ** 2 - square) - (total[-1] + x[-1] - total) ** 2 / (n - k)
    cut = int(np.argmin(within)) + 1
    mean = np.array([x[:cut].mean(), x[cut:].mean()])
    sigma = np.maximum([x[:cut].std(), x[cut:].std()], _LEAST_SIGMA)
    weight = np.array([cut / n, 1 - cut / n])
    for _ in range(300):
        z = (x[:, None] - mean) / sigma
        density = weight * np.exp(-0.5 * z**2) / sigma
        share = density / np.maximum(density.sum(axis=1, keepdims=True), 1e-300)
        size = np.maximum(share.sum(axis=0), 1e-9)
        moved = (share * x[:, None]).sum(axis=0) / size
        spread = np.sqrt((share * (x[:, None] - moved) ** 2).sum(axis=0) / size)
        settled = bool(np.abs(moved - mean).max() < 1e-7)
        mean, sigma, weight = moved, np.maximum(spread, _LEAST_SIGMA), size / n
        if settled:
            break
    low, high = np.argsort(mean)
    separation = float(np.sqrt(2) * (mean[high] - mean[low]) / np.sqrt((sigma**2).sum()))
    valley, threshold = _valley(x, float(mean[low]), float(mean[high]))
    return Modes(
        float(mean[low]), float(mean[high]), threshold, separation, valley, float(weight[high]), n
    )


def _valley(x: Array, off: float, on: float) -> tuple[float, float]:
    """Lowest density between two modes over the lower peak, and where it lies (its middle)."""
    width = max(_LEAST_SIGMA, (on - off) / 12)
    grid = np.linspace(off - 2 * width, on + 2 * width, 201)
    density = np.exp(-0.5 * ((grid[:, None] - x) / width) ** 2).sum(axis=1)
    middle = (off + on) / 2
    peak = min(density[grid <= middle].max(), density[grid >= middle].max())
    between = (grid >= off) & (grid <= on)
    if on - off < 1e-9 or not between.any():
        return 1.0, middle
    lowest = density[between].min()
    flat = grid[between & (density <= lowest + 0.02 * peak)]
    return float(lowest / peak), float(np.median(flat))


def values(x: Array, keep: Array, t_s: Array, every_s: float = VALUE_S) -> Array:
    """Medians of `x` where `keep` holds, one for each `every_s` seconds of which half is there."""
    if not keep.any():
        return np.empty(0)
    some, number = x[keep], np.floor(t_s[keep] / every_s)
    first, size = blocks(number)
    rows = np.full((len(first), size.max()), np.nan)
    rows[np.repeat(np.arange(len(first)), size), ranges(0 * first, size)] = some
    return medians(rows[size >= every_s / 2].T)


def _measure(samples: Sequence[Table]) -> str | None:
    needs = {"maf": ("maf_g_s",), "map": ("map_kpa", "intake_air_temp_c"),
             "absolute-load": ("absolute_load_pct",)}  # fmt: skip
    for name, signals in needs.items():
        if samples and all(
            is_logged(s, x) for s in samples for x in (*signals, "rpm", "speed_kmh")
        ):
            return name
    return None


def _closed_throttle(samples: Table, measure: str, displacement_l: float) -> _Run:
    t, rpm, speed = (signal(samples, c) for c in ("t_s", "rpm", "speed_kmh"))
    flow = (
        manifold_air(samples, displacement_l)
        if measure == "map"
        else air_flow(samples, measure, displacement_l)
    )
    there = (flow > 0) & (rpm > IDLE_RPM[0])
    air = np.log(np.where(there, flow, np.nan))
    per_rev = air - np.log(np.where(there, rpm, np.nan))
    since = signal(samples, "engine_runtime_s")
    since = np.where(np.isfinite(since), since, t)
    coolant = signal(samples, "coolant_temp_c")
    if not np.isfinite(coolant).any():
        coolant = np.where(since >= WARM_AFTER_S, WARM_COOLANT_C, 0.0)
    shut = there & _at_rest(samples, t, rpm, speed) & (since >= AFTER_START_S)
    still = speed < STANDING_BELOW_KMH
    standing = shut & still & (rpm < IDLE_RPM[1]) & ~_soon(t, speed >= STANDING_BELOW_KMH)
    standing &= _between_moves(speed)
    pedal = np.isfinite(signal(samples, "pedal_pct")).any()
    return _Run(
        t,
        signal(samples, "dt_s"),
        rpm,
        air,
        per_rev,
        standing & (coolant >= WARM_COOLANT_C),
        standing & (coolant >= SURE_C) & (coolant < WARM_COOLANT_C),
        shut & (speed > ROLLING_ABOVE_KMH) & (coolant >= WARM_COOLANT_C) & bool(pedal),
    )


def _at_rest(samples: Table, t: Array, rpm: Array, speed: Array) -> Array:
    """Foot off the pedal for `AT_REST_S`; at standstill it counts as off where it isn't logged."""
    pedal = signal(samples, "pedal_pct")
    idle = (speed < STANDING_BELOW_KMH) & (rpm > IDLE_RPM[0]) & np.isfinite(pedal)
    pressed = np.zeros(len(t), dtype=bool)
    if idle.any():
        pressed = ~(pedal <= float(np.median(pedal[idle])) + PEDAL_SLACK_PCT)
    last = np.maximum.accumulate(np.where(pressed, t, -np.inf)) if len(t) else t
    return np.asarray(t - last >= AT_REST_S)


def _soon(t: Array, moving: Array) -> Array:
    """Whether the car moves within `BEFORE_MOVING_S`."""
    ahead = np.minimum.accumulate(np.where(moving, t, np.inf)[::-1])[::-1] if len(t) else t
    return np.asarray(ahead - t <= BEFORE_MOVING_S)


def _between_moves(speed: Array) -> Array:
    """Stops on the way: parked, an automatic gearbox idles out of gear, which is another mode.

    A log in which the car never moves counts whole.
    """
    moved = np.flatnonzero(speed > ROLLING_ABOVE_KMH)
    inside = np.ones(len(speed), dtype=bool)
    if len(moved):
        inside[: moved[0]] = inside[moved[-1] + 1 :] = False
    return inside


def _within_an_arm(runs: Sequence[_Run], arms: Sequence[str]) -> bool:
    """Whether one arm alone shows both modes: a device that bends the meter makes two of the arms.

    A spacing under `LEAST_SPACING` is no compressor's.
    """
    for arm in dict.fromkeys(arms):
        mine = [values(r.air, r.warm, r.t_s) for r, a in zip(runs, arms, strict=True) if a == arm]
        own = two_modes(np.concatenate(mine))
        if own is not None and own.apart() and own.spacing > LEAST_SPACING:
            return True
    return False


def _arm_gap(runs: Sequence[_Run], arms: Sequence[str]) -> float:
    """Distance between the arms' median idle air (log); 0 with one arm."""
    found = []
    for arm in dict.fromkeys(arms):
        mine = [values(r.air, r.warm, r.t_s) for r, a in zip(runs, arms, strict=True) if a == arm]
        found.append(_median(np.concatenate(mine)))
    known = [x for x in found if np.isfinite(x)]
    return max(known) - min(known) if known else 0.0


def _scale(runs: Sequence[_Run], arms: Sequence[str], modes: Modes) -> dict[str, float]:
    """What to add to an arm's log air so that its off mode stands where all runs' does."""
    found = {}
    for arm in dict.fromkeys(arms):
        mine = [r for r, a in zip(runs, arms, strict=True) if a == arm]
        air = np.concatenate([values(r.air, r.warm, r.t_s) for r in mine])
        off = air[air < modes.threshold]
        if len(off) >= LEAST_COMPARED:
            found[arm] = modes.off - _median(off)
    return found


def _shifted(run: _Run, by: float) -> _Run:
    return _Run(
        run.t_s, run.dt_s, run.rpm, run.air + by, run.per_rev + by, run.warm, run.cool, run.rolling
    )


def _states(runs: Sequence[_Run], modes: Modes) -> list[Array]:
    """State at each sample: standing, then rolling where rolling agrees with the next stop."""
    cool = _per_rev_threshold(runs, modes)
    scores = []
    for r in runs:
        score = np.where(r.warm, (r.air - modes.threshold) / modes.spacing, np.nan)
        if cool is not None:
            score = np.where(r.cool, (r.per_rev - cool[0]) / cool[1], score)
        scores.append(score)
    bins = _rolling_bins(runs, modes)
    both = []
    for r, score in zip(runs, scores, strict=True):
        rolled = score.copy()
        for low, high, threshold in bins:
            here = r.rolling & (r.rpm >= low) & (r.rpm < high)
            rolled[here] = (r.air[here] - threshold) / modes.spacing
        both.append(triggered(rolled))
    return both if _agrees(runs, both) else [triggered(s) for s in scores]


def triggered(score: Array) -> Array:
    """A Schmitt trigger: 1 above `TRIGGER`, 0 below its negative, between them as before.

    NaN where the score is unknown, or nothing came before.

    >>> triggered(np.array([0.1, -0.4, 0.1, np.nan, 0.3, -0.1]))
    array([nan,  0.,  0., nan,  1.,  1.])
    """
    told = pd.Series(np.where(score > TRIGGER, 1.0, np.where(score < -TRIGGER, 0.0, np.nan)))
    return np.where(np.isfinite(score), told.ffill().to_numpy(), np.nan)


def _per_rev_threshold(runs: Sequence[_Run], modes: Modes) -> tuple[float, float] | None:
    """Threshold and spacing of air per revolution, which a cold idle's speed doesn't move."""
    air = np.concatenate([r.air[r.warm] for r in runs])
    per_rev = np.concatenate([r.per_rev[r.warm] for r in runs])
    off, on = _median(per_rev[air < modes.threshold]), _median(per_rev[air > modes.threshold])
    spacing = on - off
    return ((off + on) / 2, spacing) if spacing > LEAST_PER_REV_SPACING else None


def _rolling_bins(runs: Sequence[_Run], modes: Modes) -> list[tuple[float, float, float]]:
    """Ranges of engine speed in which slow overrun shows both modes, with their thresholds."""
    air = np.concatenate([r.air[r.warm] for r in runs])
    rpm = np.concatenate([r.rpm[r.warm] for r in runs])
    idle = _median(rpm[air < modes.threshold])
    edges = idle * np.linspace(*ROLLING_REVS, ROLLING_BINS + 1)
    found = []
    for low, high in pairwise(edges):
        inside = [r.rolling & (r.rpm >= low) & (r.rpm < high) for r in runs]
        there = [r.air[i] for r, i in zip(runs, inside, strict=True)]
        own = two_modes(np.concatenate(there))
        if (
            own is not None
            and own.apart(ROLLING_SEPARATION, ROLLING_VALLEY)
            and 0.5 * modes.spacing < own.spacing < 1.5 * modes.spacing
        ):
            found.append((float(low), float(high), own.threshold))
    return found


def _agrees(runs: Sequence[_Run], states: Sequence[Array]) -> bool:
    """Whether rolling seconds beside a stop tell the same as the stop."""
    same = []
    for r, state in zip(runs, states, strict=True):
        known = np.flatnonzero(np.isfinite(state))
        for a, b in pairwise(known):
            near = r.t_s[b] - r.t_s[a] <= AGREES_WITHIN_S
            if near and r.rolling[a] != r.rolling[b]:
                same.append(state[a] == state[b])
    return len(same) >= LEAST_COMPARED and float(np.mean(same)) >= ROLLING_AGREES


def _summed(runs: Sequence[_Run], states: Sequence[Array], modes: Modes) -> pd.DataFrame:
    rows = []
    for r, state in zip(runs, states, strict=True):
        on, off = r.warm & (state == 1), r.warm & (state == 0)
        rows.append(
            {
                "known_s": float(r.dt_s[np.isfinite(state)].sum()),
                "on_s": float(r.dt_s[state == 1].sum()),
                "off_air": _median(r.air[off]),
                "on_air": _median(r.air[on]),
                "off_rpm": _median(r.rpm[off]),
                "on_rpm": _median(r.rpm[on]),
            }
        )
    table = pd.DataFrame(rows)
    mean = float(table["on_s"].sum() / table["known_s"].sum())
    share = (table["on_s"] + mean * SHRINK_S) / (table["known_s"] + SHRINK_S)
    return table.assign(share=share)


def _why_not(modes: Modes) -> str:
    if modes.apart():
        return (
            "idle at standstill shows two modes only between the arms, or too near for a compressor"
        )
    if modes.separation > LEAST_SEPARATION and modes.valley < MOST_VALLEY:
        return (
            f"one idle mode holds {100 * max(modes.weight_on, 1 - modes.weight_on):.0f} % of the "
            "warm standstill, the other next to nothing"
        )
    return (
        "idle at standstill shows one mode or no clear two (an electric or variable compressor, or "
        "one that was never switched)"
    )


def _median(x: Array) -> float:
    x = x[np.isfinite(x)]
    return float(np.median(x)) if len(x) else _NAN
