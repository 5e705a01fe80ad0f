"""The invented driver of the demonstration: road, habit and traffic in, speed over time out.

A ceiling on speed (limits, bends, lorries, stops) is made feasible by a forward pass
(acceleration) and a backward pass (braking) along the road, for all runs at once. It feeds the
generator behind `roadlog demo` and implements no part of the method.
"""

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import gaussian_filter1d
from scipy.signal import lfilter

from roadlog.demo.road import STEP_M, Road
from roadlog.quantities.arrays import Floats

STEP_S = 0.2
LATERAL_LIMIT_M_S2 = 2.2
RED_LIGHT_SHARE = 0.45
LORRY_SHARE = 0.35
QUEUE_SHARE = 0.3


@dataclass(frozen=True)
class Drive:
    """One run as driven, every 0.2 s: time [s], distance [m], speed [m/s], acceleration [m/s²]."""

    t_s: Floats
    s_m: Floats
    speed_m_s: Floats
    accel_m_s2: Floats


def smooth_noise(rng: np.random.Generator, n: int, length: float) -> Floats:
    """First-order autoregressive noise of unit variance, shape (n,).

    `length` is the correlation length in samples.
    """
    keep = np.exp(-1 / length)
    white = rng.standard_normal(n)
    white[0] /= np.sqrt(1 - keep**2)
    return np.asarray(lfilter([np.sqrt(1 - keep**2)], [1, -keep], white))


def _ceiling(road: Road, slows_pct: float, rng: np.random.Generator) -> tuple[Floats, Floats]:
    """Speed [m/s] that road and traffic allow, and the standing time [s] at each point."""
    s = road.s_m
    style = 1 + 0.03 * rng.standard_normal()
    wander = 1 + 0.025 * smooth_noise(rng, s.size, 400 / STEP_M)
    wish = road.limit_kmh / 3.6 * style * wander
    open_road = road.limit_kmh >= 70
    wish = np.where(open_road, wish * (1 - slows_pct / 100), wish)
    bend = np.sqrt(LATERAL_LIMIT_M_S2 * rng.uniform(0.85, 1.15) / (road.curvature_1_m + 1e-9))
    top = np.minimum(wish, bend)
    lorry, place, length, pace = rng.uniform(size=4)
    if lorry < LORRY_SHARE:
        start = 1_500 + 11_000 * place
        behind = open_road & (s > start) & (s < start + 1_000 + 4_500 * length**2)
        top = np.where(behind, np.minimum(top, (56 + 14 * pace) / 3.6), top)
    wait = np.zeros(s.size)
    for at in road.lights_m:
        red, left = rng.uniform(size=2)
        if red < RED_LIGHT_SHARE:
            wait[round(at / STEP_M)] = 3 + 52 * left
    for at in road.stop_lines_m:
        wait[round(at / STEP_M)] = 1.5 + rng.lognormal(1.2, 0.9)
    queue, where = rng.uniform(size=2)
    moves, pauses = rng.uniform(25, 45, size=5), rng.lognormal(1.6, 0.7, size=5)
    if queue < QUEUE_SHARE:
        light = road.lights_m[int(where * len(road.lights_m))]
        points = np.round((light - np.cumsum(moves)) / STEP_M).astype(int)
        wait[points] = np.minimum(pauses, 60)
    wait[[0, -1]] = 0
    top[wait > 0] = 0
    top[[0, -1]] = 0
    return top, wait


def _feasible(top: Floats, grade: Floats, pull_m_s2: Floats) -> Floats:
    """Largest speed under `top` that the car can reach and a calm driver can leave.

    `top` [m/s] and `grade` have shape (runs, points), `pull_m_s2` has shape (runs,).
    """
    square = top**2
    for i in range(1, square.shape[1]):
        before = square[:, i - 1]
        gain = pull_m_s2 * (1 - np.sqrt(before) / 40) - 4.5 * np.maximum(grade[:, i], 0)
        square[:, i] = np.minimum(square[:, i], before + 2 * STEP_M * np.maximum(gain, 0.15))
    for i in range(square.shape[1] - 2, -1, -1):
        after = square[:, i + 1]
        brake = np.clip(1.45 - 0.045 * np.sqrt(after), 0.55, 1.4)
        square[:, i] = np.minimum(square[:, i], after + 2 * STEP_M * brake)
    return np.asarray(np.sqrt(square))


def _over_time(speed: Floats, wait: Floats, rng: np.random.Generator) -> Drive:
    """Turn speed over distance [m/s] and standing times [s] into a drive every 0.2 s."""
    moving = 2 * STEP_M / (speed[1:] + speed[:-1])
    before, after = rng.uniform(8, 25), rng.uniform(3, 8)
    arrive = np.concatenate([[0.0], np.cumsum(moving + wait[:-1])])
    knots_t = np.column_stack([arrive, arrive + wait]).ravel() + before
    knots_v = np.repeat(speed, 2)
    t = np.arange(0, knots_t[-1] + after, STEP_S)
    v = np.interp(t, knots_t, knots_v, left=0, right=0)
    v = v + 0.12 * smooth_noise(rng, t.size, 5 / STEP_S) * np.clip(v / 15 - 0.3, 0, 1)
    v = np.maximum(gaussian_filter1d(v, 0.7 / STEP_S), 0)
    v[v < 0.02] = 0
    s = np.concatenate([[0.0], np.cumsum((v[1:] + v[:-1]) / 2 * STEP_S)])
    return Drive(t, s, v, np.gradient(v, STEP_S))


def drive_all(
    roads: list[Road], slows_pct: list[float], rngs: list[np.random.Generator]
) -> list[Drive]:
    """Drive each road once.

    Parameters
    ----------
    roads : the road of each run
    slows_pct : by how much the driver undercuts the usual open-road speed, each run [%]
    rngs : one generator a run, so that runs don't disturb each other

    Returns
    -------
    list of Drive, one a run
    """
    ceilings = [_ceiling(*each) for each in zip(roads, slows_pct, rngs, strict=True)]
    pull = np.array([rng.uniform(1.2, 1.8) for rng in rngs])
    speed = _feasible(
        np.array([top for top, _ in ceilings]), np.array([road.grade for road in roads]), pull
    )
    return [
        _over_time(v, wait, rng) for v, (_, wait), rng in zip(speed, ceilings, rngs, strict=True)
    ]
