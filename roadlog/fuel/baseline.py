"""Calibration: the samples of the runs go in, what they fix for both arms comes out.

Implements the warm idle, throttle and volumetric-efficiency references of section 1 of the method.
What makes fuel of a signal comes from baseline runs only, so that the add-on can't bend its own
yardstick. Where the idle and the pedal rest is asked of both arms at once: an accessory that ran in
one arm only would move it, and one threshold for both arms can't make a difference between them.
"""

import dataclasses
from collections.abc import Iterator, Sequence

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
from roadlog.quantities.arrays import middle
from roadlog.quantities.columns import Columns, Table, columns_of, in_groups
from roadlog.quantities.fuels import volume_l
from roadlog.quantities.signals import OPEN_LOOP_LOAD_OR_CUT, signal
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
SURFACE_ROWS = 4_000  # at once: more outgrow the processor's cache
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
    warnings: list[str] = []
    idle = _at_idle(every_run)
    if not len(idle["rpm"]):
        warnings.append(
            "the runs hold no warm idle: fuel cut can be told only by the fuel-system status and "
            "the pedal, and not at all without them"
        )
    pedal_rest = _pedal_rest(every_run, idle["pedal_pct"])
    plate = idle["throttle_pct"][~(idle["pedal_pct"] > pedal_rest + PEDAL_MARGIN_PCT)]
    ve, ve_warning = _volumetric_efficiency(baseline, study)
    warnings += [ve_warning] if ve_warning else []
    calibration = Calibration(
        idle_rpm=_quantile(idle["rpm"], LOWER_MODE, DEFAULT_IDLE_RPM),
        throttle_low_pct=_quantile(plate, LOW_EDGE, np.nan),
        throttle_shut_pct=_quantile(plate, UPPER_EDGE, np.nan),
        pedal_rest_pct=pedal_rest,
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
    clues = _clues(baseline, calibration)
    calibration = dataclasses.replace(
        calibration,
        status_shows_cut=_status_shows_cut(clues),
        trims_show_cut=_trims_show_cut(clues),
    )
    if ve is not None and ve_warning and baseline_fuel_l is not None:
        calibration = _scale_to_fuel(baseline, study, calibration, baseline_fuel_l)
        warnings.remove(ve_warning)
    return dataclasses.replace(calibration, warnings=tuple(warnings))


def _at_idle(runs: Sequence[Columns]) -> dict[str, Array]:
    """Engine speed, pedal and throttle where the warm engine idles; nothing if it hardly does."""
    names = ("rpm", "pedal_pct", "throttle_pct")
    moves = np.concatenate([~(signal(group, "speed_kmh") < 1) for group in in_groups(runs)])
    near = np.concatenate([np.zeros(SETTLED_IDLE, bool), moves, np.zeros(SETTLED_IDLE, bool)])
    settled = ~np.logical_or.reduce([near[i : i + len(moves)] for i in range(2 * SETTLED_IDLE + 1)])
    has_coolant = any(np.isfinite(signal(run, "coolant_temp_c")).any() for run in runs)
    found: list[list[Array]] = []
    at = 0
    for group in in_groups(runs):
        rpm = signal(group, "rpm")
        warm = (
            signal(group, "coolant_temp_c") >= WARM_COOLANT_C
            if has_coolant
            else signal(group, "t_s") >= WARM_AFTER_S
        )
        idle = warm & settled[at : at + len(group)] & (rpm > 300) & (rpm < 1500)
        found.append([signal(group, name)[idle] for name in names])
        at += len(group)
    values = [np.concatenate(of) for of in zip(*found, strict=True)]
    enough = len(values[0]) >= MIN_IDLE_SAMPLES
    return {n: v if enough else v[:0] for n, v in zip(names, values, strict=True)}


def _quantile(values: Array, share: float, default: float) -> float:
    values = values[np.isfinite(values)]
    return float(np.quantile(values, share)) if len(values) else default


def _pedal_rest(runs: Sequence[Columns], at_idle: Array) -> float:
    """The pedal's median at idle, else its lowest position but for outliers [%].

    It is one position: the pedal knows nothing of accessories.
    """
    if np.isfinite(at_idle).any():
        return _quantile(at_idle, 0.5, np.nan)
    every = np.concatenate([signal(run, "pedal_pct") for run in runs])
    return _quantile(every, PEDAL_FLOOR, np.nan)


@dataclasses.dataclass(frozen=True)
class _Clues:
    """What shows how cuts look in a car's logs.

    The fuel-system status where it is known in samples that are a cut beyond doubt and in those
    that are likely one; whether trims are zero (1 or 0), where known, in the first and under load.
    """

    status_sure: Array
    status_likely: Array
    zero_sure: Array
    zero_pressed: Array


def _clues(runs: Sequence[Columns], calibration: Calibration) -> _Clues:
    each = [_clues_of(group, calibration) for group in in_groups(runs)]
    return _Clues(*(np.concatenate(of) for of in zip(*each, strict=True)))


def _clues_of(samples: Columns, calibration: Calibration) -> tuple[Array, Array, Array, Array]:
    braking = decelerating(samples, BRAKING_M_S2)
    fast = signal(samples, "rpm") > calibration.idle_rpm + HIGH_REVS
    surest = certain_overrun(samples, calibration) & fast & braking
    likely = overrun(samples, calibration) & braking
    pressed = asks_for_nothing(samples, calibration) == PRESSED
    status, zero = signal(samples, "fuel_status"), trims_zero(samples)
    told, known = np.isfinite(status), np.isfinite(zero)
    return (
        status[surest & told], status[likely & told], zero[surest & known], zero[pressed & known]
    )  # fmt: skip


def _status_shows_cut(clues: _Clues) -> bool | None:
    """Whether PID 03 reads 4 in the samples that are a fuel cut beyond doubt.

    Some controllers stay in "closed loop" through a cut, and a status that is polled rarely comes
    late; then foot and revs tell the cut. Where the foot isn't known, only a status that does
    read 4 while the car slows down shows that it follows; one that doesn't may stick, or fuel
    flowed.
    """
    for told, otherwise in ((clues.status_sure, False), (clues.status_likely, None)):
        if len(told) >= MIN_CUT_SAMPLES:
            follows = np.mean(told == OPEN_LOOP_LOAD_OR_CUT) >= STATUS_FOLLOWS_SHARE
            return True if follows else otherwise
    return True


def _trims_show_cut(clues: _Clues) -> bool:
    """Whether the short term trim is exactly zero in cuts, and seldom while the engine works."""
    in_cut, working = clues.zero_sure, clues.zero_pressed
    if min(len(in_cut), len(working)) < MIN_CUT_SAMPLES:
        return False
    return bool(in_cut.mean() >= ZERO_IN_CUT and working.mean() <= ZERO_UNDER_LOAD)


def _volumetric_efficiency(
    runs: Sequence[Columns], study: Study
) -> tuple[VolumetricEfficiency | None, str]:
    """The surface for speed-density, and a warning if its level is assumed."""
    size = study.vehicle.displacement_l
    if size is None or not any(np.isfinite(signal(run, "map_kpa")).any() for run in runs):
        return None, ""
    for measure, basis in (("maf", "MAF"), ("absolute-load", "absolute load")):
        fitted = _fit_ve(runs, size, measure, basis)
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
    runs: Sequence[Columns], size_l: float, measure: str, basis: str
) -> VolumetricEfficiency | None:
    """Least squares over rpm and manifold pressure, refitted once without outliers."""
    each = [_drawn_in(group, size_l, measure) for group in in_groups(runs)]
    rpm, pressure, y = (np.concatenate(of) for of in zip(*each, strict=True))
    if len(y) < MIN_VE_SAMPLES:
        return None
    coefficients = _surface(rpm, pressure, y)
    off = np.empty(len(y))
    for part in _parts(len(y)):
        off[part] = np.abs(y[part] - ve_terms(rpm[part], pressure[part]) @ coefficients)
    kept = off <= 4.5 * middle(off) + 1e-9
    a, b, c, d, e = _surface(rpm, pressure, y, kept).tolist()
    edges = [np.quantile(v, [0.005, 0.995], overwrite_input=True).tolist() for v in (rpm, pressure)]
    return VolumetricEfficiency(
        (a, b, c, d, e),
        (edges[0][0], edges[0][1]),
        (edges[1][0], edges[1][1]),
        basis,
    )


def _drawn_in(samples: Columns, size_l: float, measure: str) -> tuple[Array, Array, Array]:
    """Engine speed, manifold pressure and volumetric efficiency where all are known."""
    rpm, pressure = signal(samples, "rpm"), signal(samples, "map_kpa")
    full, air = manifold_air(samples, size_l), air_flow(samples, measure, size_l)
    use = np.isfinite(full) & np.isfinite(air) & (rpm > 500) & (full > 0) & (air > 0)
    return rpm[use], pressure[use], air[use] / full[use]


def _surface(rpm: Array, pressure: Array, y: Array, kept: Array | None = None) -> Array:
    """Coefficients of the surface by least squares, as `numpy.linalg.lstsq` of all its terms.

    The terms of a part go over into a triangle before the next part's are made.
    """
    triangles = []
    for part in _parts(len(y)):
        some = [a[part] if kept is None else a[part][kept[part]] for a in (rpm, pressure, y)]
        terms = np.vstack([ve_terms(some[0], some[1]).T, some[2]]).T
        triangles.append(np.linalg.qr(terms, mode="r"))
    whole = np.concatenate(triangles)
    rounding = np.finfo(float).eps * len(y)
    found: Array = np.linalg.lstsq(whole[:, :-1], whole[:, -1], rcond=rounding)[0]
    return found


def _parts(rows: int) -> Iterator[slice]:
    yield from (slice(at, at + SURFACE_ROWS) for at in range(0, rows, SURFACE_ROWS))


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
