"""Calibration: the samples of the runs go in, what they fix for both arms comes out.

Implements the warm idle, throttle and volumetric-efficiency references of section 1 of the method.
What makes fuel of a signal comes from baseline runs only, so that the add-on can't bend its own
yardstick. Where the idle and the pedal rest is asked of both arms at once: an accessory that ran in
one arm only would move it, and one threshold for both arms can't make a difference between them.
"""

import dataclasses
from collections.abc import Sequence

import numpy as np

from roadlog.errors import DesignError
from roadlog.fuel.air import (
    Array,
    Calibration,
    VolumetricEfficiency,
    air_flow,
    manifold_air,
    ve_terms,
)
from roadlog.fuel.choice import is_logged
from roadlog.fuel.flow import flow_of, fuel_of
from roadlog.fuel.full_load import learn_full_load
from roadlog.fuel.rest import (
    BRAKING_M_S2,
    PEDAL_MARGIN_PCT,
    PRESSED,
    asks_for_nothing,
    decelerating,
)
from roadlog.fuel.states import certain_overrun, overrun, trims_zero
from roadlog.ingest.timebase import integrate
from roadlog.quantities.columns import Columns, Table, columns_of, joined
from roadlog.quantities.fuels import volume_l
from roadlog.quantities.signals import OPEN_LOOP_LOAD_OR_CUT, SIGNALS, signal
from roadlog.quantities.tables import SAMPLES
from roadlog.quantities.warm import WARM_AFTER_S, WARM_COOLANT_C
from roadlog.study.settings import Study

DEFAULT_IDLE_RPM = 750.0  # common practice, no source
DEFAULT_VE = 0.82  # middle of 0.80 to 0.85: common practice, no source
MIN_IDLE_SAMPLES = 20
MIN_CUT_SAMPLES = 20
MIN_VE_SAMPLES = 200
HIGH_REVS = 800.0  # above idle: there hardly any controller still fires on overrun
STATUS_FOLLOWS_SHARE = 0.7
# Of one car's samples at rest for 2 s at high revs 81 to 89 % stood at exactly zero, of those with
# the pedal down 11 % (docs/fuel.md).
ZERO_IN_CUT, ZERO_UNDER_LOAD = 0.6, 0.3
# Accessories run part of the idle, and raise its revs and throttle by a step: below the fifth of
# the revs and above nearly all of the throttle lie no other modes.
PEDAL_FLOOR = 0.01
LOWER_MODE, LOW_EDGE, UPPER_EDGE = 0.2, 0.05, 0.95
SETTLED_IDLE = 3  # samples before moving off and after coming to rest that aren't idle
_WHOLE_RANGE = (0.0, np.inf)


def calibrate(
    baseline_samples: Sequence[Table],
    study: Study,
    *,
    fitted_samples: Sequence[Table] = (),
    baseline_fuel_l: float | None = None,
) -> Calibration:
    """Take the references for fuel cut and speed-density.

    Parameters
    ----------
    baseline_samples : sequence of DataFrame
        Samples of the baseline runs only.
    study : Study
    fitted_samples : sequence of DataFrame, optional
        Samples of the fitted runs, for idle speed and the rest of pedal and throttle alone.
    baseline_fuel_l : float, optional [L]
        Fuel weighed or filled over exactly these runs; sets the level of volumetric efficiency
        where no MAF or absolute load does.

    Returns
    -------
    Calibration
        Deterministic. Volumetric efficiency is fitted to MAF, else to absolute load, else scaled
        to `baseline_fuel_l`, else a flat 0.82 with a warning.

    Raises
    ------
    DesignError
        If there is no baseline run.

    >>> import pandas as pd
    >>> from roadlog.study.settings import parse_study
    >>> study = parse_study({"vehicle": {"fuel": "E10"}})
    >>> drive = pd.DataFrame({"t_s": [0.0, 1.0], "dt_s": 1.0, "speed_kmh": 50.0, "maf_g_s": 7.0})
    >>> calibrate([drive], study).ve is None
    True
    """
    if not baseline_samples:
        raise DesignError("there is no baseline run to calibrate fuel on: add baseline logs")
    every_run = [columns_of(s) for s in (*baseline_samples, *fitted_samples)]
    baseline = every_run[: len(baseline_samples)]
    every = joined(every_run, (*SAMPLES.columns, *SIGNALS))
    samples = every.rows(slice(0, sum(map(len, baseline))))
    warnings: list[str] = []
    idle = _warm_idle(every)
    if idle.sum() < MIN_IDLE_SAMPLES:
        idle[:] = False
        warnings.append(
            "the runs hold no warm idle: fuel cut can be told only by the fuel-system status and "
            "the pedal, and not at all without them"
        )
    idle_rpm = signal(every, "rpm")[idle]
    plate = signal(every, "throttle_pct")[idle & ~_pedal_down(every, idle)]
    ve, ve_warning = _volumetric_efficiency(samples, study)
    warnings += [ve_warning] if ve_warning else []
    calibration = Calibration(
        idle_rpm=_quantile(idle_rpm, LOWER_MODE, DEFAULT_IDLE_RPM),
        throttle_low_pct=_quantile(plate, LOW_EDGE, np.nan),
        throttle_shut_pct=_quantile(plate, UPPER_EDGE, np.nan),
        pedal_rest_pct=_pedal_rest(every, idle),
        full_load=learn_full_load(baseline, every_run, study.vehicle),
        rate_signal=next(
            (
                s
                for s in ("fuel_rate_l_h", "fuel_rate_g_s")
                if all(is_logged(run, s) for run in baseline)
            ),
            None,
        ),
        ve=ve,
    )
    surest = np.concatenate([_surest_cuts(run, calibration) for run in baseline])
    calibration = dataclasses.replace(
        calibration,
        status_shows_cut=_status_shows_cut(baseline, surest, calibration),
        trims_show_cut=_trims_show_cut(baseline, surest, calibration),
    )
    if ve is not None and ve_warning and baseline_fuel_l is not None:
        calibration = _scale_to_fuel(baseline, study, calibration, baseline_fuel_l)
        warnings.remove(ve_warning)
    return dataclasses.replace(calibration, warnings=tuple(warnings))


def _warm_idle(samples: Table) -> Array:
    coolant = signal(samples, "coolant_temp_c")
    if np.isfinite(coolant).any():
        warm = coolant >= WARM_COOLANT_C
    else:
        warm = signal(samples, "t_s") >= WARM_AFTER_S
    rpm = signal(samples, "rpm")
    moves = np.append(0, np.cumsum(~(signal(samples, "speed_kmh") < 1)))
    at = np.arange(len(samples))
    before, after = np.maximum(at - SETTLED_IDLE, 0), np.minimum(at + SETTLED_IDLE + 1, len(at))
    idle: Array = warm & (moves[before] == moves[after]) & (rpm > 300) & (rpm < 1500)
    return idle


def _quantile(values: Array, share: float, default: float) -> float:
    values = values[np.isfinite(values)]
    return float(np.quantile(values, share)) if len(values) else default


def _pedal_rest(samples: Table, idle: Array) -> float:
    """The pedal's median at idle, else its lowest position but for outliers [%].

    It is one position: the pedal knows nothing of accessories.
    """
    pedal = signal(samples, "pedal_pct")
    return _quantile(pedal[idle], 0.5, _quantile(pedal, PEDAL_FLOOR, np.nan))


def _pedal_down(samples: Table, idle: Array) -> Array:
    down: Array = signal(samples, "pedal_pct") > _pedal_rest(samples, idle) + PEDAL_MARGIN_PCT
    return down


def _status_shows_cut(
    runs: Sequence[Columns], surest: Array, calibration: Calibration
) -> bool | None:
    """Whether PID 03 reads 4 in the samples that are a fuel cut beyond doubt.

    Some controllers stay in "closed loop" through a cut, and a status that is polled rarely comes
    late; then foot and revs tell the cut. Where the foot isn't known, only a status that does
    read 4 while the car slows down shows that it follows; one that doesn't may stick, or fuel
    flowed.
    """
    status = np.concatenate([signal(run, "fuel_status") for run in runs])
    told = status[surest & np.isfinite(status)]
    if len(told) >= MIN_CUT_SAMPLES:
        return bool(np.mean(told == OPEN_LOOP_LOAD_OR_CUT) >= STATUS_FOLLOWS_SHARE)
    likely = np.concatenate(
        [overrun(run, calibration) & decelerating(run, BRAKING_M_S2) for run in runs]
    )
    told = status[likely & np.isfinite(status)]
    if len(told) >= MIN_CUT_SAMPLES:
        return True if np.mean(told == OPEN_LOOP_LOAD_OR_CUT) >= STATUS_FOLLOWS_SHARE else None
    return True


def _trims_show_cut(runs: Sequence[Columns], surest: Array, calibration: Calibration) -> bool:
    """Whether the short term trim is exactly zero in cuts, and seldom while the engine works."""
    feet = np.concatenate([asks_for_nothing(run, calibration) for run in runs])
    zero = np.concatenate([trims_zero(run) for run in runs])
    known = np.isfinite(zero)
    in_cut, working = zero[surest & known], zero[(feet == PRESSED) & known]
    if min(len(in_cut), len(working)) < MIN_CUT_SAMPLES:
        return False
    return bool(in_cut.mean() >= ZERO_IN_CUT and working.mean() <= ZERO_UNDER_LOAD)


def _surest_cuts(samples: Table, calibration: Calibration) -> Array:
    fast = signal(samples, "rpm") > calibration.idle_rpm + HIGH_REVS
    braking = decelerating(samples, BRAKING_M_S2)
    surest: Array = certain_overrun(samples, calibration) & fast & braking
    return surest


def _volumetric_efficiency(samples: Table, study: Study) -> tuple[VolumetricEfficiency | None, str]:
    """The surface for speed-density, and a warning if its level is assumed."""
    size = study.vehicle.displacement_l
    if size is None or not np.isfinite(signal(samples, "map_kpa")).any():
        return None, ""
    full = manifold_air(samples, size)
    for measure, basis in (("maf", "MAF"), ("absolute-load", "absolute load")):
        fitted = _fit_ve(samples, full, air_flow(samples, measure, size), basis)
        if fitted is not None:
            return fitted, ""
    flat = VolumetricEfficiency(
        (DEFAULT_VE, 0.0, 0.0, 0.0, 0.0), _WHOLE_RANGE, _WHOLE_RANGE, "assumed"
    )
    return flat, (
        f"volumetric efficiency is taken as {DEFAULT_VE:g} everywhere (common practice, no "
        "source): the level of fuel use from manifold pressure is uncertain, the ratio of the "
        "arms less so"
    )


def _fit_ve(samples: Table, full: Array, air: Array, basis: str) -> VolumetricEfficiency | None:
    """Least squares over rpm and manifold pressure, refitted once without outliers."""
    rpm, pressure = signal(samples, "rpm"), signal(samples, "map_kpa")
    use = np.isfinite(full) & np.isfinite(air) & (rpm > 500) & (full > 0) & (air > 0)
    if use.sum() < MIN_VE_SAMPLES:
        return None
    rpm, pressure, y = rpm[use], pressure[use], air[use] / full[use]
    terms = ve_terms(rpm, pressure)
    coefficients = np.linalg.lstsq(terms, y, rcond=None)[0]
    off = np.abs(y - terms @ coefficients)
    kept = off <= 4.5 * np.median(off) + 1e-9
    coefficients = np.linalg.lstsq(terms[kept], y[kept], rcond=None)[0]
    a, b, c, d, e = (float(x) for x in coefficients)
    ranges = np.quantile(np.stack([rpm, pressure]), [0.005, 0.995], axis=1)
    return VolumetricEfficiency(
        (a, b, c, d, e),
        (float(ranges[0, 0]), float(ranges[1, 0])),
        (float(ranges[0, 1]), float(ranges[1, 1])),
        basis,
    )


def _scale_to_fuel(
    runs: Sequence[Columns], study: Study, calibration: Calibration, baseline_fuel_l: float
) -> Calibration:
    """Scale a flat volumetric efficiency so that the baseline's fuel comes out as measured."""
    assert calibration.ve is not None
    litres = sum(
        volume_l(
            integrate(flow_of(run, study, "speed-density", calibration), "fuel_flow_g_s"),
            fuel_of(run, study),
        )
        for run in runs
    )
    if not (litres > 0 and baseline_fuel_l > 0):
        raise DesignError("the fuel of the baseline runs is not positive: correct baseline_fuel_l")
    ratio = baseline_fuel_l / litres
    a, b, c, d, e = (ratio * x for x in calibration.ve.coefficients)
    scaled = dataclasses.replace(
        calibration.ve, coefficients=(a, b, c, d, e), basis="measured fuel"
    )
    return dataclasses.replace(calibration, ve=scaled)
