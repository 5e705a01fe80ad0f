"""Whether the driver asks for nothing: samples go in, pedal or throttle at rest comes out.

Implements the pedal part of "Fuel cut" in section 1 of the method: position, speed and their course
in time, never air, manifold pressure or load, which the add-on can move. The thresholds are common
practice without a source, unless said otherwise.
"""

import numpy as np

from roadlog.fuel.air import Array, Calibration
from roadlog.physics.demand import acceleration
from roadlog.quantities.arrays import median_step
from roadlog.quantities.columns import Table, once
from roadlog.quantities.signals import signal

PRESSED, OPEN_QUESTION, AT_REST, NOT_KNOWN = range(4)

PEDAL_MARGIN_PCT = 1.5
# Beyond the warm idle's lower and upper edge: about two and four steps of the PID's 100/255 %.
THROTTLE_LOW_MARGIN_PCT = 0.8
THROTTLE_MARGIN_PCT = 1.6
# Rolling resistance and air drag of a car at 50 km/h, without any help of the engine's friction.
DECELERATING_M_S2 = -0.2
BRAKING_M_S2 = -0.6  # more than rolling or light driving uphill: engine drag and brakes
HELD_KMH, HELD_HALF_S = 1.5, 5.0  # cruise control keeps a speed so


def asks_for_nothing(samples: Table, calibration: Calibration) -> Array:
    """What is known of the driver's foot, sample by sample.

    Parameters
    ----------
    samples : DataFrame
        Samples.
    calibration : Calibration

    Returns
    -------
    array of int
        `PRESSED`, `AT_REST`, `OPEN_QUESTION` (one or the other), or `NOT_KNOWN`, where
        deceleration has to tell.

    Notes
    -----
    The pedal decides where it is logged. A pedal at rest while the plate stands open is cruise
    control, or an engine that opens the plate on overrun: not known. Without a throttle signal
    cruise control is seen by a speed that is held or rises, as it may downhill: an open question.
    By the throttle alone a plate within the lower edge of the warm idle is at rest. Up to the
    idle's upper edge, where an accessory that runs at idle holds it, it may as well be light
    driving: at rest if the car slows down more than it would roll, else not known.
    """
    rest = (calibration.pedal_rest_pct, calibration.throttle_low_pct, calibration.throttle_shut_pct)
    return once(samples, ("foot", *rest), lambda: _foot(samples, calibration))


def _foot(samples: Table, calibration: Calibration) -> Array:
    """What `asks_for_nothing` tells."""
    pedal = signal(samples, "pedal_pct") - calibration.pedal_rest_pct
    plate = signal(samples, "throttle_pct")
    low = plate <= calibration.throttle_low_pct + THROTTLE_LOW_MARGIN_PCT
    shut = plate <= calibration.throttle_shut_pct + THROTTLE_MARGIN_PCT
    pedal_known = np.isfinite(pedal)
    plate_known = np.isfinite(plate) & np.isfinite(calibration.throttle_shut_pct)
    slowing = decelerating(samples)
    found = np.full(len(samples), NOT_KNOWN)
    found[plate_known] = PRESSED
    found[plate_known & shut] = NOT_KNOWN
    found[plate_known & (low | (shut & slowing))] = AT_REST
    resting = pedal_known & (pedal <= PEDAL_MARGIN_PCT)
    found[pedal_known] = PRESSED
    found[resting] = AT_REST
    found[resting & plate_known & ~shut] = NOT_KNOWN
    alone = resting & ~plate_known
    if alone.any():
        found[alone & _held_or_gained(samples)] = OPEN_QUESTION
    return found


def seconds_at_rest(samples: Table, resting: Array) -> Array:
    """How long the foot has been off without a break [s], 0 where it isn't; gaps are breaks."""
    t = signal(samples, "t_s")
    unbroken = resting & (signal(samples, "dt_s") > 0)
    before = np.concatenate([[False], unbroken[:-1] & (np.diff(t) > 0)])
    first = np.maximum.accumulate(np.where(unbroken & ~before, np.arange(len(t)), 0))
    age: Array = np.where(unbroken, t - t[first], 0.0)
    return age


def decelerating(samples: Table, threshold_m_s2: float = DECELERATING_M_S2) -> Array:
    """Where the car slows down more than it would by rolling free on a level road."""
    slowing: Array = _acceleration(samples) < threshold_m_s2
    return slowing


def _acceleration(samples: Table) -> Array:
    if len(samples) < 2 or "speed_kmh" not in samples.columns:
        return np.full(len(samples), np.nan)
    return once(
        samples,
        "acceleration",
        lambda: acceleration(signal(samples, "t_s"), signal(samples, "speed_kmh")),
    )


def _held_or_gained(samples: Table) -> Array:
    """Where speed stays within `HELD_KMH` either way over `HELD_HALF_S`, or rises."""
    t, speed = signal(samples, "t_s"), signal(samples, "speed_kmh")
    step = median_step(t) if len(t) > 1 else 1.0
    half = max(1, round(HELD_HALF_S / step))
    known = np.isfinite(speed)
    number = np.concatenate([[0], np.cumsum(known)])
    at = np.arange(len(t))
    enough = number[np.minimum(at + half + 1, len(t))] - number[np.maximum(at - half, 0)] > half
    highest = _highest(np.where(known, speed, -np.inf), half)
    lowest = -_highest(np.where(known, -speed, -np.inf), half)
    held = enough & (highest - lowest <= 2 * HELD_KMH)
    driven: Array = held | (_acceleration(samples) > -DECELERATING_M_S2)
    return driven


def _highest(value: Array, half: int) -> Array:
    """The highest within `half` samples either way, by doubling the reach."""
    none = np.full(half, -np.inf)
    top, reach, width = np.concatenate([none, value, none]), 1, 2 * half + 1
    while 2 * reach <= width:
        top = np.maximum(top[: len(top) - reach], top[reach:])
        reach *= 2
    rest = width - reach
    highest: Array = np.maximum(top[: len(top) - rest], top[rest:])
    return highest
