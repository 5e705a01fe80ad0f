"""Calibration: the samples of the baseline runs go in, what they fix for both arms comes out.

Implements the warm idle, throttle and volumetric-efficiency references of section 1 of the method.
Fitted runs never come in here, so that the add-on can't bend its own yardstick.
"""

import dataclasses
from collections.abc import Sequence

import numpy as np
import pandas as pd

from roadlog.errors import DesignError
from roadlog.fuel.air import (
    Array,
    Calibration,
    VolumetricEfficiency,
    air_flow,
    air_per_revolution,
    manifold_air,
    signal,
    ve_terms,
)
from roadlog.fuel.choice import is_logged
from roadlog.fuel.flow import fuel_flow, fuel_of
from roadlog.fuel.states import BLIND_CUT, certain_overrun, overrun
from roadlog.fuels import volume_l
from roadlog.signals import OPEN_LOOP_LOAD_OR_CUT, TRIMS
from roadlog.study import Study
from roadlog.timebase import integrate

DEFAULT_IDLE_RPM = 750.0  # common practice, no source
DEFAULT_VE = 0.82  # middle of 0.80 to 0.85: common practice, no source
WARM_COOLANT_C = 70.0
WARM_AFTER_S = 300.0  # where coolant isn't logged
MIN_IDLE_SAMPLES = 20
MIN_CUT_SAMPLES = 20
MIN_VE_SAMPLES = 200
STATUS_FOLLOWS_SHARE = 0.8
_WHOLE_RANGE = (0.0, np.inf)


def calibrate(
    baseline_samples: Sequence[pd.DataFrame],
    study: Study,
    *,
    baseline_fuel_l: float | None = None,
) -> Calibration:
    """Take the references for fuel cut and speed-density from baseline runs.

    Parameters
    ----------
    baseline_samples : sequence of DataFrame
        Samples of the baseline runs only.
    study : Study
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
    """
    if not baseline_samples:
        raise DesignError("there is no baseline run to calibrate fuel on: add baseline logs")
    samples = pd.concat(baseline_samples, ignore_index=True)
    warnings: list[str] = []
    idle = _warm_idle(samples)
    if idle.sum() < MIN_IDLE_SAMPLES:
        idle[:] = False
        warnings.append(
            "the baseline runs hold no warm idle: fuel cut can be told only by the fuel-system "
            "status, and not at all without it"
        )
    ve, ve_warning = _volumetric_efficiency(samples, study)
    warnings += [ve_warning] if ve_warning else []
    calibration = Calibration(
        idle_rpm=_median(signal(samples, "rpm")[idle], DEFAULT_IDLE_RPM),
        idle_air_g_rev=_idle_air(samples, idle, study, ve),
        throttle_shut_pct=_median(signal(samples, "throttle_pct")[idle], np.nan),
        pedal_rest_pct=_median(signal(samples, "pedal_pct")[idle], np.nan),
        trims=all(is_logged(run, s) for run in baseline_samples for s in TRIMS[0]),
        rate_signal=next(
            (
                s
                for s in ("fuel_rate_l_h", "fuel_rate_g_s")
                if all(is_logged(run, s) for run in baseline_samples)
            ),
            None,
        ),
        ve=ve,
    )
    calibration = dataclasses.replace(
        calibration, status_shows_cut=_status_shows_cut(samples, study, calibration)
    )
    if ve is not None and ve_warning and baseline_fuel_l is not None:
        calibration = _scale_to_fuel(baseline_samples, study, calibration, baseline_fuel_l)
        warnings.remove(ve_warning)
    if ve is not None and not calibration.trims:
        warnings.append("fuel trims are not logged: fuel from manifold pressure goes without them")
    return dataclasses.replace(calibration, warnings=tuple(warnings))


def _warm_idle(samples: pd.DataFrame) -> Array:
    coolant = signal(samples, "coolant_temp_c")
    if np.isfinite(coolant).any():
        warm = coolant >= WARM_COOLANT_C
    else:
        warm = signal(samples, "t_s") >= WARM_AFTER_S
    rpm = signal(samples, "rpm")
    idle: Array = warm & (signal(samples, "speed_kmh") < 1) & (rpm > 300) & (rpm < 1500)
    return idle


def _median(values: Array, default: float) -> float:
    values = values[np.isfinite(values)]
    return float(np.median(values)) if len(values) else default


def _idle_air(
    samples: pd.DataFrame, idle: Array, study: Study, ve: VolumetricEfficiency | None
) -> dict[str, float]:
    """Median air per revolution at warm idle [g], for each air measure that has one."""
    size = study.vehicle.displacement_l
    measures = ["maf"]
    if size is not None:
        measures += ["absolute-load"] + (["speed-density"] if ve is not None else [])
    found = {
        m: _median(air_per_revolution(samples, air_flow(samples, m, size, ve))[idle], np.nan)
        for m in measures
    }
    return {m: air for m, air in found.items() if air > 0}


def _status_shows_cut(samples: pd.DataFrame, study: Study, calibration: Calibration) -> bool | None:
    """Whether PID 03 reads 4 in the samples that are a fuel cut beyond doubt.

    Some controllers stay in "closed loop" through a cut, and a status that is polled rarely comes
    late; then air and throttle tell the cut. Without a throttle only a status that does read 4 on
    overrun with little air shows that it follows; one that doesn't may stick, or fuel flowed.
    """
    for measure, idle_air in calibration.idle_air_g_rev.items():
        air = air_flow(samples, measure, study.vehicle.displacement_l, calibration.ve)
        ratio = air_per_revolution(samples, air) / idle_air
        status = signal(samples, "fuel_status")[certain_overrun(samples, ratio, calibration)]
        status = status[np.isfinite(status)]
        if len(status) >= MIN_CUT_SAMPLES:
            return bool(np.mean(status == OPEN_LOOP_LOAD_OR_CUT) >= STATUS_FOLLOWS_SHARE)
        likely = overrun(samples, calibration) & (ratio < BLIND_CUT)
        status = signal(samples, "fuel_status")[likely]
        status = status[np.isfinite(status)]
        if len(status) >= MIN_CUT_SAMPLES:
            follows = bool(np.mean(status == OPEN_LOOP_LOAD_OR_CUT) >= STATUS_FOLLOWS_SHARE)
            return True if follows else None
    return True


def _volumetric_efficiency(
    samples: pd.DataFrame, study: Study
) -> tuple[VolumetricEfficiency | None, str]:
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


def _fit_ve(
    samples: pd.DataFrame, full: Array, air: Array, basis: str
) -> VolumetricEfficiency | None:
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
    runs: Sequence[pd.DataFrame], study: Study, calibration: Calibration, baseline_fuel_l: float
) -> Calibration:
    """Scale a flat volumetric efficiency so that the baseline's fuel comes out as measured."""
    assert calibration.ve is not None
    litres = sum(
        volume_l(
            integrate(fuel_flow(run, study, "speed-density", calibration), "fuel_flow_g_s"),
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
    idle_air = dict(calibration.idle_air_g_rev)
    if "speed-density" in idle_air:
        idle_air["speed-density"] *= ratio
    return dataclasses.replace(calibration, ve=scaled, idle_air_g_rev=idle_air)
