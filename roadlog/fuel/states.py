"""Fuel cut and enrichment: samples go in, how sure it is that fuel flowed and how rich comes out.

Implements "Fuel cut and enrichment" in section 1 of the method. Nothing here looks at air flow or
manifold pressure, because an add-on that bends them would then choose the samples that count: a
rule by air turned -6.0 % of air into -6.9 % of fuel. What the signals leave open becomes two
bounds. The thresholds here are common practice without a source, unless said otherwise.
"""

import numpy as np

from roadlog.fuel.air import LAMBDA_LIMITS, Array, Calibration, measured_lambda
from roadlog.fuel.full_load import at_full_load
from roadlog.fuel.rest import (
    AT_REST,
    NOT_KNOWN,
    OPEN_QUESTION,
    PRESSED,
    asks_for_nothing,
    decelerating,
    seconds_at_rest,
)
from roadlog.quantities.columns import Table, once, spread, starts_of
from roadlog.quantities.signals import (
    CLOSED_LOOP,
    CLOSED_LOOP_FAULT,
    OPEN_LOOP_COLD,
    OPEN_LOOP_FAULT,
    OPEN_LOOP_LOAD_OR_CUT,
    TRIMS,
    signal,
)

FUELLED, UNCLEAR, CUT = 0, 1, 2
LEAST_STUCK_S = 120.0  # of driving at more than one load, through which a status keeps one value

CUT_MIN_SPEED_KMH = 12.0
CUT_RPM_ABOVE_IDLE = 300.0
CUT_AFTER_REST_S = 2.0
STOPPED_RPM = 100.0
CUT_FROM_COOLANT_C = 60.0  # a colder engine may be kept fuelled on overrun
CUT_FROM_S = 300.0  # since the start, where coolant isn't logged
ZERO_TRIM_PCT = 0.01  # the trim's own step is 100/128 % (SAE J1979, PID 06)

# Status 4 where the foot isn't known: calculated load is 15 to 35 % in a cut and 80 % and more
# where mixture is enriched. A device that bends it by 10 % carries 35 to 39 or 80 to 72: it can't
# move a sample across.
ENRICHED_LOAD_PCT = 70.0

RICH_LAMBDA = 0.85  # richest to expect under full load: petrol makes most power near there
COLD_COOLANT_C, COLD_LAMBDA = (-20.0, 20.0, 70.0), (0.80, 0.90, 1.0)
COLD_WITHOUT_STATUS_C = 40.0
ENRICHED_LAMBDA = 0.97


def cut_state(samples: Table, calibration: Calibration) -> Array:
    """Whether fuel was cut, sample by sample.

    Parameters
    ----------
    samples : DataFrame
        Samples.
    calibration : Calibration

    Returns
    -------
    array of int
        `FUELLED`, `UNCLEAR` (fuel or none), or `CUT`. A cut is pedal or throttle at rest for 2 s
        without a break, over 12 km/h, 300 turns above the warm idle. The first 2 s, a cold engine,
        and a car that slows down while the foot isn't known are unclear. Where the short term trim
        stands at exactly zero in this car's cuts, one that doesn't is unclear too. PID 03 goes
        before all that where it is logged: value 4 is a cut with the foot off and enrichment with
        the foot on, and "closed loop" is no cut where the status follows cuts in this car's logs.
        An engine that stands burns nothing. Where the status stays closed loop through what foot
        and revs take for a cut, and neither this run nor the calibration shows that it follows
        cuts, it is unclear.
    """
    status = fuel_status(samples)
    foot = asks_for_nothing(samples, calibration)
    possible = overrun(samples, calibration)
    slowing = decelerating(samples)
    state = np.full(len(samples), FUELLED)
    state[possible & ((foot == AT_REST) | (foot == OPEN_QUESTION))] = UNCLEAR
    state[possible & (foot == NOT_KNOWN) & slowing] = UNCLEAR
    trim_moves = trims_zero(samples) == 0
    sure = certain_overrun(samples, calibration)
    state[sure & ~(trim_moves & calibration.trims_show_cut)] = CUT
    load_or_cut = status == OPEN_LOOP_LOAD_OR_CUT
    closed = np.isfinite(status) & ~load_or_cut
    if calibration.status_shows_cut is not False:
        follows = np.full(len(state), bool(calibration.status_shows_cut))
        follows &= ~spread(samples, np.isfinite(_stands_at(samples)))
        state[closed & follows] = FUELLED
        state[closed & ~follows & (state != FUELLED)] = UNCLEAR
    loaded = (foot == PRESSED) | (signal(samples, "engine_load_pct") >= ENRICHED_LOAD_PCT)
    state[load_or_cut & ~(signal(samples, "speed_kmh") < 1)] = UNCLEAR
    state[load_or_cut & loaded] = FUELLED
    state[load_or_cut & possible & (foot == AT_REST)] = CUT
    state[standing_still(samples)] = CUT
    return state


def fuel_status(samples: Table) -> Array:
    """PID 03 where it can be believed: NaN in a run that reads "load or cut" all along.

    An engine that idles, pulls and overruns isn't in one such state throughout, so the status
    sticks, or isn't what it is taken for.
    """
    status = signal(samples, "fuel_status")
    sticks = _stands_at(samples) == OPEN_LOOP_LOAD_OR_CUT
    return np.where(spread(samples, sticks), np.nan, status) if sticks.any() else status


def status_sticks(samples: Table) -> bool:
    """Whether the fuel-system status of a run stands at 'open loop by load or cut' all along."""
    return bool((_stands_at(samples) == OPEN_LOOP_LOAD_OR_CUT).all())


def _stands_at(samples: Table) -> Array:
    """The value that each run's fuel-system status keeps for minutes of driving, else NaN."""
    return once(samples, "status stands at", lambda: _stuck_at(samples))


def _stuck_at(samples: Table) -> Array:
    status, starts = signal(samples, "fuel_status"), starts_of(samples)
    if not len(status):
        return np.full(len(starts), np.nan)
    value = np.fmin.reduceat(status, starts)
    value[value != np.fmax.reduceat(status, starts)] = np.nan
    ends = np.append(starts[1:], len(status))
    for k in np.isfinite(value).nonzero()[0].tolist():
        run = slice(starts[k], ends[k])
        driven = signal(samples, "speed_kmh")[run] > CUT_MIN_SPEED_KMH
        there = np.isfinite(status[run]) & driven
        if not there.any() or signal(samples, "dt_s")[run][there].sum() < LEAST_STUCK_S:
            value[k] = np.nan
    return value


def standing_still(samples: Table) -> Array:
    """Where the engine is known to stand: start-stop, or a hybrid on its battery."""
    stopped: Array = signal(samples, "rpm") < STOPPED_RPM
    return stopped


def overrun(samples: Table, calibration: Calibration) -> Array:
    """Where a fuel cut is possible at all: driven fast enough, above idle speed."""
    fast = signal(samples, "speed_kmh") > CUT_MIN_SPEED_KMH
    spinning = signal(samples, "rpm") > calibration.idle_rpm + CUT_RPM_ABOVE_IDLE
    possible: Array = fast & spinning
    return possible


def certain_overrun(samples: Table, calibration: Calibration) -> Array:
    """Samples that are a cut by foot, speed and revs, whatever status and trims say."""
    resting = asks_for_nothing(samples, calibration) == AT_REST
    settled = seconds_at_rest(samples, resting) >= CUT_AFTER_REST_S
    coolant = signal(samples, "coolant_temp_c")
    warm = np.where(
        np.isfinite(coolant),
        coolant >= CUT_FROM_COOLANT_C,
        signal(samples, "t_s") >= CUT_FROM_S,
    ).astype(bool)
    certain: Array = overrun(samples, calibration) & settled & warm
    return certain


def trims_zero(samples: Table) -> Array:
    """1 where the short term trims of all logged banks are exactly zero, 0 where not, else NaN."""
    logged = [signal(samples, short) for short, _ in TRIMS if short in samples.columns]
    if not logged:
        return np.full(len(samples), np.nan)
    banks = np.stack(logged)
    there = np.isfinite(banks)
    zero = (~there | (np.abs(banks) < ZERO_TRIM_PCT)).all(axis=0)
    return np.where(there.any(axis=0), zero, np.nan)


def lambda_bounds(
    samples: Table, calibration: Calibration, *, trust_sensor: bool = True
) -> tuple[Array, Array, Array]:
    """Leanest and richest λ of the fuelled samples, and where the mixture is enriched.

    Parameters
    ----------
    samples : DataFrame
        Samples.
    calibration : Calibration
        Its full load tells where the mixture may be enriched.
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
    low, high = LAMBDA_LIMITS
    commanded = np.where((commanded >= low) & (commanded <= high), commanded, np.nan)
    coolant = signal(samples, "coolant_temp_c")
    cold = np.interp(np.where(np.isfinite(coolant), coolant, 20.0), COLD_COOLANT_C, COLD_LAMBDA)
    unknown = ~np.isfinite(status)
    rich = np.ones(len(samples))
    warming = (status == OPEN_LOOP_COLD) | (unknown & (coolant < COLD_WITHOUT_STATUS_C))
    rich[warming] = cold[warming]
    rich[(status == OPEN_LOOP_LOAD_OR_CUT) | (status == OPEN_LOOP_FAULT)] = RICH_LAMBDA
    closed = (status == CLOSED_LOOP) | (status == CLOSED_LOOP_FAULT)
    rich[at_full_load(samples, calibration.full_load) & ~closed] = RICH_LAMBDA
    decided = commanded
    if trust_sensor:
        decided = np.where(np.isfinite(commanded) | closed, commanded, measured_lambda(samples))
    known = np.isfinite(decided)
    rich = np.where(known, decided, rich)
    lean = np.where(known, decided, 1.0)
    return lean, rich, rich < np.where(known, ENRICHED_LAMBDA, 1.0)
