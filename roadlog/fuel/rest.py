"""Whether the driver asks for nothing: samples go in, pedal or throttle at rest comes out.

Implements the pedal part of "Fuel cut" in section 1 of the method: position, speed and their course
in time, never air, manifold pressure or load, which the add-on can move. The thresholds are common
practice without a source, unless said otherwise.
"""

import numpy as np

from roadlog.fuel.air import Array, Calibration
from roadlog.physics.demand import acceleration
from roadlog.quantities.arrays import steps_of_each
from roadlog.quantities.columns import Table, once, starts_of
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
        at = alone.nonzero()[0]
        found[at[_held_or_gained(samples, at)]] = OPEN_QUESTION
    return found


def seconds_at_rest(samples: Table, resting: Array) -> Array:
    """How long the foot has been off without a break [s], 0 where it isn't; gaps are breaks."""
    t = signal(samples, "t_s")
    unbroken = resting & (signal(samples, "dt_s") > 0)
    before = np.append(False, unbroken[:-1] & (t[1:] > t[:-1]))
    before[starts_of(samples)] = False
    first = np.maximum.accumulate(np.where(unbroken & ~before, np.arange(len(t)), 0))
    age: Array = np.where(unbroken, t - t[first], 0.0)
    return age


def decelerating(samples: Table, threshold_m_s2: float = DECELERATING_M_S2) -> Array:
    """Where the car slows down more than it would by rolling free on a level road."""
    slowing: Array = acceleration_of(samples) < threshold_m_s2
    return slowing


def acceleration_of(samples: Table) -> Array:
    """Acceleration by wheel speed [m/s²], NaN where that isn't known."""
    if len(samples) < 2 or "speed_kmh" not in samples.columns:
        return np.full(len(samples), np.nan)
    t, speed = signal(samples, "t_s"), signal(samples, "speed_kmh")
    return once(samples, "acceleration", lambda: acceleration(t, speed, starts_of(samples)))


def _held_or_gained(samples: Table, at: Array) -> Array:
    """Whether speed stays within `HELD_KMH` either way over `HELD_HALF_S`, or rises, at samples."""
    t, speed, starts = signal(samples, "t_s"), signal(samples, "speed_kmh"), starts_of(samples)
    ends = np.append(starts[1:], len(t))
    run = np.searchsorted(starts, at, side="right") - 1
    step = steps_of_each(t, starts, ends)
    half = np.maximum(1, np.round(HELD_HALF_S / step)).astype(np.int64)[run]
    reach = np.arange(-half.max(), half.max() + 1)[:, None]
    near = at + reach
    inside = (np.abs(reach) <= half) & (near >= starts[run]) & (near < ends[run])
    window = np.where(inside, speed[np.clip(near, 0, len(t) - 1)], np.nan)
    known = np.isfinite(window)
    highest = np.where(known, window, -np.inf).max(axis=0)
    lowest = np.where(known, window, np.inf).min(axis=0)
    held = (known.sum(axis=0) > half) & (highest - lowest <= 2 * HELD_KMH)
    driven: Array = held | (acceleration_of(samples)[at] > -DECELERATING_M_S2)
    return driven
