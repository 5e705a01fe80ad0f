"""Fuel cut and enrichment: samples go in, how sure it is that fuel flowed and how rich comes out.

Implements "Fuel cut and enrichment" in section 1 of the method. What the signals leave open
becomes two bounds; nothing is decided by a guess. The thresholds here are common practice without
a source, unless said otherwise.
"""

import numpy as np
import pandas as pd

from roadlog.fuel.air import Array, Calibration, measured_lambda, signal
from roadlog.signals import (
    CLOSED_LOOP,
    CLOSED_LOOP_FAULT,
    OPEN_LOOP_COLD,
    OPEN_LOOP_FAULT,
    OPEN_LOOP_LOAD_OR_CUT,
)
from roadlog.study import Vehicle

FUELLED, UNCLEAR, CUT = 0, 1, 2
LEAST_STUCK_S = 120.0  # of driving at more than one load, through which a status keeps one value

CUT_MIN_SPEED_KMH = 15.0
CUT_RPM_ABOVE_IDLE = 300.0
STOPPED_RPM = 100.0
PEDAL_MARGIN_PCT = 1.5
THROTTLE_MARGIN_PCT = 2.0

# Air per revolution over that of the warm idle. An engine that fires on less air than it idles on
# gives less work a revolution than its own friction takes: it is on overrun. Fuelled overrun at
# light load reaches up to the idle's own air, hence the open band below 1.
SHUT_CUT, SHUT_UNCLEAR = 0.85, 1.15  # throttle known to be shut
BLIND_CUT, BLIND_UNCLEAR = 0.8, 1.0  # throttle not known
OPEN_UNCLEAR = 0.7  # throttle open, yet hardly any air: the two readings differ in time
LOADED = 2.0  # status 4 with this much air is enrichment, not cut

RICH_LAMBDA = 0.85  # richest to expect under full load: petrol makes most power near there
COLD_COOLANT_C, COLD_LAMBDA = (-20.0, 20.0, 70.0), (0.80, 0.90, 1.0)
COLD_WITHOUT_STATUS_C = 40.0
ENRICHED_LAMBDA = 0.97
HIGH_CALCULATED_LOAD_PCT = 90.0
HIGH_ABSOLUTE_LOAD_PCT = 80.0
HIGH_MAP_SHARE = 0.92
STANDARD_PRESSURE_KPA = 101.325


def cut_state(samples: pd.DataFrame, air_ratio: Array, calibration: Calibration) -> Array:
    """Whether fuel was cut, sample by sample.

    Parameters
    ----------
    samples : DataFrame
        Samples.
    air_ratio : array [1]
        Air per revolution over the warm idle's; NaN if unknown.
    calibration : Calibration

    Returns
    -------
    array of int
        `FUELLED`, `UNCLEAR` (fuel or none), or `CUT`. PID 03 decides where it is logged and
        follows cuts: value 4 is a cut at low load, enrichment at high load. Else a cut needs
        speed > 15 km/h, rpm > idle + 300, and clearly less air per revolution than the warm idle;
        near the idle's air it is unclear, unless an open throttle says that fuel flowed. An engine
        that stands burns nothing. Where the status stays closed loop through what air takes for a
        cut, and neither this run nor the calibration shows that it follows cuts, it is unclear.
    """
    status = fuel_status(samples)
    moving = overrun(samples, calibration)
    state = _by_air(samples, air_ratio, calibration)
    load_or_cut = status == OPEN_LOOP_LOAD_OR_CUT
    closed = np.isfinite(status) & ~load_or_cut
    if calibration.status_shows_cut and not _never_moves(samples):
        state[closed] = FUELLED
    elif calibration.status_shows_cut is not False:
        state[closed & (state != FUELLED)] = UNCLEAR
    low = moving & (air_ratio < SHUT_UNCLEAR)
    loaded = (air_ratio >= LOADED) | (signal(samples, "engine_load_pct") >= 70)
    state[load_or_cut & ~(signal(samples, "speed_kmh") < 1)] = UNCLEAR
    state[load_or_cut & loaded] = FUELLED
    state[load_or_cut & low & ~loaded] = CUT
    state[standing_still(samples)] = CUT
    return state


def fuel_status(samples: pd.DataFrame) -> Array:
    """PID 03 where it can be believed: NaN in a run that reads "load or cut" all along.

    An engine that idles, pulls and overruns isn't in one such state throughout, so the status
    sticks, or isn't what it is taken for.
    """
    status = signal(samples, "fuel_status")
    stuck = _never_moves(samples) and bool((status == OPEN_LOOP_LOAD_OR_CUT).any())
    return np.full(len(status), np.nan) if stuck else status


def _never_moves(samples: pd.DataFrame) -> bool:
    """Whether a run's fuel-system status keeps one value for minutes of driving."""
    status = signal(samples, "fuel_status")
    there = np.isfinite(status) & (signal(samples, "speed_kmh") > CUT_MIN_SPEED_KMH)
    long = there.sum() and samples["dt_s"].to_numpy(np.float64)[there].sum() >= LEAST_STUCK_S
    return bool(long) and bool(np.ptp(status[np.isfinite(status)]) == 0)


def standing_still(samples: pd.DataFrame) -> Array:
    """Where the engine is known to stand: start-stop, or a hybrid on its battery."""
    stopped: Array = signal(samples, "rpm") < STOPPED_RPM
    return stopped


def overrun(samples: pd.DataFrame, calibration: Calibration) -> Array:
    """Where a fuel cut is possible at all: driven fast enough, above idle speed."""
    fast = signal(samples, "speed_kmh") > CUT_MIN_SPEED_KMH
    spinning = signal(samples, "rpm") > calibration.idle_rpm + CUT_RPM_ABOVE_IDLE
    possible: Array = fast & spinning
    return possible


def certain_overrun(samples: pd.DataFrame, air_ratio: Array, calibration: Calibration) -> Array:
    """Samples that are a fuel cut beyond doubt by air and throttle, whatever the status says."""
    shut, _ = _throttle(samples, calibration)
    certain: Array = overrun(samples, calibration) & shut & (air_ratio < SHUT_CUT)
    return certain


def lambda_bounds(
    samples: pd.DataFrame, vehicle: Vehicle, *, trust_sensor: bool = True
) -> tuple[Array, Array, Array]:
    """Leanest and richest λ of the fuelled samples, and where the mixture is enriched.

    Parameters
    ----------
    samples : DataFrame
        Samples.
    vehicle : Vehicle
    trust_sensor : bool
        False for an add-on that acts on the oxygen sensor: what the sensor reads is then no
        evidence of λ.

    Returns
    -------
    lean, rich : array [1]
        Both the commanded λ (PID 44) where that is logged; both 1 in closed loop. Elsewhere both
        the wide-band sensor's λ (PIDs 24-2B, 34-3B) where that is logged and trusted. In open loop
        without either λ lies between 1 and 0.85 under load, or between 1 and a value by coolant
        when cold.
    enriched : array of bool
    """
    status = fuel_status(samples)
    commanded = signal(samples, "lambda_commanded")
    coolant = signal(samples, "coolant_temp_c")
    cold = np.interp(np.where(np.isfinite(coolant), coolant, 20.0), COLD_COOLANT_C, COLD_LAMBDA)
    unknown = ~np.isfinite(status)
    rich = np.ones(len(samples))
    warming = (status == OPEN_LOOP_COLD) | (unknown & (coolant < COLD_WITHOUT_STATUS_C))
    rich[warming] = cold[warming]
    rich[(status == OPEN_LOOP_LOAD_OR_CUT) | (status == OPEN_LOOP_FAULT)] = RICH_LAMBDA
    closed = (status == CLOSED_LOOP) | (status == CLOSED_LOOP_FAULT)
    rich[_high_load(samples, vehicle) & ~closed] = RICH_LAMBDA
    decided = commanded
    if trust_sensor:
        decided = np.where(np.isfinite(commanded) | closed, commanded, measured_lambda(samples))
    known = np.isfinite(decided)
    rich = np.where(known, decided, rich)
    lean = np.where(known, decided, 1.0)
    return lean, rich, rich < np.where(known, ENRICHED_LAMBDA, 1.0)


def _by_air(samples: pd.DataFrame, air_ratio: Array, calibration: Calibration) -> Array:
    """Cut by speed, rpm, throttle and air alone."""
    shut, opened = _throttle(samples, calibration)
    blind = ~shut & ~opened
    moving = overrun(samples, calibration)
    cut = (shut & (air_ratio < SHUT_CUT)) | (blind & (air_ratio < BLIND_CUT))
    unclear = (
        (shut & (air_ratio < SHUT_UNCLEAR))
        | (blind & (air_ratio < BLIND_UNCLEAR))
        | (opened & (air_ratio < OPEN_UNCLEAR))
    )
    state = np.full(len(samples), FUELLED)
    state[moving & unclear] = UNCLEAR
    state[moving & cut] = CUT
    return state


def _throttle(samples: pd.DataFrame, calibration: Calibration) -> tuple[Array, Array]:
    """Where the throttle is known to be shut, and where to be open.

    A pressed pedal opens it. A pedal at rest with an open plate is cruise control, or an engine
    that opens the plate on overrun: neither is known then.
    """
    pedal = signal(samples, "pedal_pct") - calibration.pedal_rest_pct
    plate = signal(samples, "throttle_pct") - calibration.throttle_shut_pct
    pedal_known, plate_known = np.isfinite(pedal), np.isfinite(plate)
    pressed = pedal > PEDAL_MARGIN_PCT
    ajar = plate > THROTTLE_MARGIN_PCT
    opened = pressed | (ajar & ~pedal_known)
    shut = (pedal_known | plate_known) & ~pressed & ~ajar
    return shut, opened


def _high_load(samples: pd.DataFrame, vehicle: Vehicle) -> Array:
    high: Array = signal(samples, "engine_load_pct") >= HIGH_CALCULATED_LOAD_PCT
    if vehicle.aspiration == "natural":
        baro = signal(samples, "baro_kpa")
        baro = np.where(np.isfinite(baro), baro, STANDARD_PRESSURE_KPA)
        high = high | (signal(samples, "absolute_load_pct") >= HIGH_ABSOLUTE_LOAD_PCT)
        high = high | (signal(samples, "map_kpa") >= HIGH_MAP_SHARE * baro)
    return high
