"""What road and driving ask of a car: tractive power, specific power, operating modes."""

import numpy as np
from numpy.typing import NDArray

from roadlog.physics.roadload import REFERENCE_DENSITY_KG_M3, RoadLoad
from roadlog.quantities.arrays import Floats, Ints, ranges, steps_of_each
from roadlog.quantities.units import KM_PER_MILE, STANDARD_GRAVITY_M_S2

ROTATING_MASS = 1.04  # wheels and driveline as a share of mass; common practice, no source
ACCELERATION_WINDOW_S = 5.0  # the speed PID counts whole km/h: shorter windows see steps


def tractive_power(
    speed_m_s: Floats, accel_m_s2: Floats, grade: Floats, density_kg_m3: Floats, load: RoadLoad,
    headwind_m_s: Floats | float = 0.0, rolling: Floats | float = 1.0,
) -> Floats:  # fmt: skip
    """Power at the wheels [W] that motion asks for: inertia, climbing, rolling, air.

    Parameters
    ----------
    speed_m_s, accel_m_s2 : (n,) array [m/s], [m/s²]
    grade : (n,) array
        Rise over run.
    density_kg_m3 : (n,) array [kg/m³]
    load : RoadLoad
        Mass and A + B v + C v², whose C is taken in proportion to density.
    headwind_m_s : (n,) array or float [m/s]
        At the height of the car, against the motion.
    rolling : (n,) array or float
        Rolling resistance over that at 20 °C (`roadload.rolling_share`).

    Returns
    -------
    (n,) array [W], negative where the car has to be braked. Standing still asks for none: idle
    is another quantity.

    References
    ----------
    T. D. Gillespie, Fundamentals of Vehicle Dynamics (SAE, 1992), ch. 2 and 4 (from memory).

    >>> load = RoadLoad(1500.0, 150.0, 0.0, 0.4)
    >>> v, still, density = np.array([20.0]), np.zeros(1), np.array([REFERENCE_DENSITY_KG_M3])
    >>> tractive_power(v, still, still, density, load)
    array([6200.])
    """
    angle = np.arctan(grade)
    air = speed_m_s + headwind_m_s
    tyres = load.a_n + load.b_n_s_m * speed_m_s
    drag = load.c_n_s2_m2 * density_kg_m3 / REFERENCE_DENSITY_KG_M3
    force = (
        load.mass_kg * ROTATING_MASS * accel_m_s2
        + load.mass_kg * STANDARD_GRAVITY_M_S2 * np.sin(angle)
        + rolling * tyres * np.cos(angle)
        + drag * air * np.abs(air)
    )
    return np.asarray(force * speed_m_s, float)


def vehicle_specific_power(speed_m_s: Floats, accel_m_s2: Floats, grade: Floats) -> Floats:
    """Vehicle specific power of a typical light-duty vehicle [kW/t].

    v (1.1 a + 9.81 sin θ + 0.132) + 0.000302 v³, with fixed coefficients whatever the car.

    References
    ----------
    J. L. Jiménez-Palacios, Understanding and Quantifying Motor Vehicle Emissions with Vehicle
    Specific Power and TILDAS Remote Sensing, PhD thesis, MIT (1999); coefficients as later
    literature quotes them.

    >>> vehicle_specific_power(np.array([10.0]), np.array([1.0]), np.array([0.0])).round(3)
    array([12.622])
    """
    climb = 9.81 * np.sin(np.arctan(grade))
    return np.asarray(
        speed_m_s * (1.1 * accel_m_s2 + climb + 0.132) + 0.000302 * speed_m_s**3, float
    )


def operating_mode(
    vsp_kw_t: Floats, speed_kmh: Floats, accel_m_s2: Floats, step_s: float | Floats = 1.0,
    starts: Ints | None = None,
) -> NDArray[np.int64]:  # fmt: skip
    """Operating mode of running light-duty vehicles: bins of specific power and speed class.

    Where `starts` are given, a run begins at each of them, and `step_s` may differ by run.

    0 braking (deceleration of 2 mph/s, or more than 1 mph/s for three seconds), 1 idle (below
    1 mph), 11-16 below 25 mph, 21-30 from 25 to 50 mph, 33-40 from 50 mph; -1 where unknown.

    References
    ----------
    U.S. EPA, Exhaust Emission Rates for Light-Duty Onroad Vehicles in MOVES4, EPA-420-R-23-028
    (2023), section 2.3.1 (operating modes). The limits are those of a public
    program that follows MOVES; the report itself wasn't at hand.

    >>> operating_mode(np.array([4.0, 40.0]), np.array([30.0, 100.0]), np.zeros(2)).tolist()
    [13, 40]
    """
    mph, rate = speed_kmh / KM_PER_MILE, accel_m_s2 * 3.6 / KM_PER_MILE
    bins = [  # speed class from [mph]: lower ends of specific power, modes
        (1.0, (-np.inf, 0, 3, 6, 9, 12), (11, 12, 13, 14, 15, 16)),
        (25.0, (-np.inf, 0, 3, 6, 9, 12, 18, 24, 30), (21, 22, 23, 24, 25, 27, 28, 29, 30)),
        (50.0, (-np.inf, 6, 12, 18, 24, 30), (33, 35, 37, 38, 39, 40)),
    ]
    mode = np.where(np.isfinite(mph), 1, -1)
    for start, lower, modes in bins:
        place = np.searchsorted(np.array(lower), vsp_kw_t, "right") - 1
        named = np.array(modes)[np.clip(place, 0, len(modes) - 1)]
        mode = np.where(mph >= start, named, mode)
    first = np.zeros(1, np.int64) if starts is None else starts
    size = np.diff(first, append=len(rate))
    back = np.maximum(1, np.round(1.0 / np.broadcast_to(step_s, len(first)))).astype(np.int64)
    at, begin, back = np.arange(len(rate)), np.repeat(first, size), np.repeat(back, size)
    slowing = rate < -1.0
    long = slowing.copy()
    for earlier in (at - back, at - 2 * back):
        long &= (earlier >= begin) & slowing[np.maximum(earlier, 0)]
    mode = np.where((rate <= -2.0) | long, 0, mode)
    return np.where(np.isfinite(vsp_kw_t) & np.isfinite(mph), mode, -1).astype(np.int64)


def acceleration(t_s: Floats, speed_kmh: Floats, starts: Ints | None = None) -> Floats:
    """Acceleration [m/s²]: slope of a line through the speeds of `ACCELERATION_WINDOW_S`.

    Samples are evenly spaced (the time base sees to that); NaN where the speed is. Where `starts`
    are given, a run begins at each of them and no line reaches from one run into another.

    >>> acceleration(np.arange(5.0), np.array([36.0, 37.8, 39.6, 41.4, 43.2]))[2:3]
    array([0.5])
    """
    first = np.zeros(1, np.int64) if starts is None else starts
    end = np.append(first[1:], len(t_s))
    known = np.isfinite(speed_kmh)
    v = speed_kmh / 3.6
    number = np.append(0, np.cumsum(known))
    some = number[end] - number[first]
    for k in ((some >= 2) & (some < end - first)).nonzero()[0].tolist():
        run = slice(first[k], end[k])
        t, there = t_s[run], known[run]
        v[run][~there] = np.interp(t[~there], t[there], speed_kmh[run][there]) / 3.6
    step, few = steps_of_each(t_s, first, end), some < 2
    half = np.maximum(1, np.round(ACCELERATION_WINDOW_S / step / 2 - 0.25)).astype(np.int64)
    slope = np.full(len(t_s), np.nan)
    for reach in set(half[~few].tolist()):
        mine = ((half == reach) & ~few).nonzero()[0]
        at, value = _slopes(v, first[mine], end[mine], reach)
        slope[at] = value / np.repeat(step[mine], end[mine] - first[mine])
    return np.where(known, slope, np.nan)


def _slopes(v: Floats, first: Ints, end: Ints, half: int) -> tuple[Ints, Floats]:
    """Rows of some runs, and there the slope a sample over `half` samples either way.

    Before a run and after it stand its first and its last value.
    """
    size = end - first
    at = ranges(first, size)
    place = np.arange(len(at)) + np.repeat(half * (2 * np.arange(len(first)) + 1), size)
    padded = np.empty(len(at) + 2 * half * len(first))
    padded[place] = v[at]
    begin, last = place[np.cumsum(size) - size], place[np.cumsum(size) - 1]
    for i in range(1, half + 1):
        padded[begin - i], padded[last + i] = v[first], v[end - 1]
    k = np.arange(-half, half + 1)
    return at, (np.convolve(padded, k[::-1], "valid") / (k @ k))[place - half]
