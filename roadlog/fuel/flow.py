"""Fuel flow: samples and a calibration go in, the frame of stage FUEL comes out.

Implements estimators 1 to 4 in section 1 of the method on top of `roadlog.fuel.air` and
`roadlog.fuel.states`; `fuel_variants` puts every available estimator of a run side by side.
"""

from collections.abc import Sequence
from itertools import groupby

import numpy as np
import pandas as pd

from roadlog.fuel.air import (
    AIR_MEASURES,
    TRIMMED,
    Array,
    Calibration,
    air_flow,
    trim_factor,
)
from roadlog.fuel.choice import ESTIMATORS, computable_estimators
from roadlog.fuel.states import CUT, UNCLEAR, cut_state, lambda_bounds, standing_still
from roadlog.ingest.timebase import distance_km, integrate
from roadlog.quantities.columns import Columns, Table, Words, columns_of, frame_of, in_groups
from roadlog.quantities.fuels import FUELS, Fuel, blend, mass_g
from roadlog.quantities.signals import signal
from roadlog.quantities.tables import FUEL
from roadlog.quantities.warm import WARM_AFTER_S
from roadlog.study.settings import Study

STATES = ("metered", "enriched", "unclear", "cut", "missing")
IDLE_BELOW_KMH, LEAST_IDLE_SAMPLES = 1.0, 15
_METERED, _ENRICHED, _UNCLEAR, _CUT, _MISSING = range(5)


def fuel_of(samples: Table, study: Study, batch: Fuel | None = None) -> Fuel:
    """The fuel of one run: for E85 the blend by the median of PID 52 if logged, else the batch's
    fuel, else the declared one.

    PID 51 can't tell E0 from E10, and PID 52 is often absent.
    """
    if study.vehicle.fuel == "E85" and "ethanol_pct" in samples.columns:
        ethanol = signal(samples, "ethanol_pct")
        ethanol = ethanol[np.isfinite(ethanol)]
        if len(ethanol):
            return blend(float(np.median(ethanol)) / 100)
    return FUELS[study.vehicle.fuel] if batch is None else batch


def litres_per_gram(samples: Table, study: Study, batch: Fuel | None = None) -> float:
    """Litres of the declared fuel at 15 °C that hold the energy of one gram of the run's fuel.

    With the declared fuel in the tank this is its specific volume; another batch counts by its
    lower heating value, so that a winter blend isn't taken for an effect of the add-on.
    """
    declared, burned = FUELS[study.vehicle.fuel], fuel_of(samples, study, batch)
    return burned.lhv_mj_kg / declared.lhv_mj_kg / declared.density_kg_m3


def fuel_flow(
    samples: pd.DataFrame,
    study: Study,
    estimator: str,
    calibration: Calibration,
    batch: Fuel | None = None,
) -> pd.DataFrame:
    """Fuel flow of every sample, with bounds where cut or enrichment is ambiguous.

    Parameters
    ----------
    samples : DataFrame
        Samples of one run (`roadlog.quantities.tables.SAMPLES`).
    study : Study
        Its vehicle gives fuel, displacement and aspiration.
    estimator : str
        The study's estimator (`choose_estimator`).
    calibration : Calibration
        From baseline runs (`calibrate`).
    batch : Fuel, optional
        What was in the tank, where that isn't the declared fuel (`roadlog.fuel.batches`).

    Returns
    -------
    DataFrame
        `samples` with the columns of `roadlog.quantities.tables.FUEL` added: `fuel_flow_g_s` [g/s]
        midway between `fuel_flow_low_g_s` and `fuel_flow_high_g_s`, and `fuel_state`: metered, cut,
        enriched, unclear (fuel or none), missing.

    Notes
    -----
    From air: flow = air/(stoichiometric air x λ), times the trim factor for `maf-trims` and
    `speed-density-trims`. Trims are the controller's correction of its own
    reckoning with its own air-fuel ratio, so with them the declared fuel's ratio counts and not
    the batch's: a leaner blend shows in the trims already. (With PID 52 the controller knows the
    blend.) The engine fuel rate is taken as the controller gives it; litres become grams at 15 °C,
    and litres again by the same density. `vehicle.fuel_scale` multiplies all flows of both arms.

    >>> from roadlog.study.settings import parse_study
    >>> study = parse_study({"vehicle": {"fuel": "E10"}})
    >>> drive = pd.DataFrame({"t_s": [0.0, 1.0], "dt_s": 1.0, "speed_kmh": 50.0, "maf_g_s": 7.0})
    >>> from roadlog.fuel import calibrate
    >>> flow = fuel_flow(drive, study, "maf", calibrate([drive], study))
    >>> flow["fuel_flow_g_s"].round(3).tolist(), flow["fuel_state"].tolist()
    ([0.5, 0.5], ['metered', 'metered'])
    """
    return FUEL.check(frame_of(flow_of(columns_of(samples), study, estimator, calibration, batch)))


def flow_of(
    samples: Columns,
    study: Study,
    estimator: str,
    calibration: Calibration,
    batch: Fuel | None = None,
) -> Columns:
    """`fuel_flow` of a run's columns."""
    return flow_of_each([samples], study, estimator, calibration, [batch])[0]


def flow_of_each(
    samples: Sequence[Columns],
    study: Study,
    estimator: str,
    calibration: Calibration,
    batches: Sequence[Fuel | None],
) -> list[Columns]:
    """`flow_of` of each run with its batch, some runs together: each as if it were alone."""
    flows: list[Columns] = []
    fuels = [
        fuel_of(run, study, None if estimator in TRIMMED else batch)
        for run, batch in zip(samples, batches, strict=True)
    ]
    alike = groupby(zip(samples, fuels, strict=True), key=lambda each: each[1])
    for fuel, runs in alike:
        for group in in_groups([run for run, _ in runs]):
            low, high, state = _bounds(group, study, estimator, calibration, fuel)
            low, high = study.vehicle.fuel_scale * low, study.vehicle.fuel_scale * high
            middle = (low + high) / 2
            flows += [
                run.assign(
                    fuel_flow_g_s=middle[rows],
                    fuel_flow_low_g_s=low[rows],
                    fuel_flow_high_g_s=high[rows],
                    fuel_state=Words(state[rows], STATES),
                )
                for run, rows in group.runs
            ]
    return flows


def _bounds(
    samples: Columns, study: Study, estimator: str, calibration: Calibration, fuel: Fuel
) -> tuple[Array, Array, Array]:
    """Bounds and state code of runs that burned one fuel."""
    if estimator == "rate":
        return _from_rate(samples, calibration, fuel)
    if estimator == "injection":
        return _from_injection(samples, study)
    return _from_air(samples, study, estimator, calibration, fuel)


def fuel_variants(
    samples: pd.DataFrame, study: Study, calibration: Calibration, batch: Fuel | None = None
) -> pd.DataFrame:
    """Fuel and distance of one run by every estimator that its signals allow, side by side.

    Parameters
    ----------
    samples : DataFrame
        Samples of one run.
    study : Study
    calibration : Calibration
    batch : Fuel, optional

    Returns
    -------
    DataFrame
        One row an estimator, best first: `estimator`; `fuel_l`, `fuel_low_l`, `fuel_high_l` [L of
        the declared fuel at 15 °C with the same energy]; `km` driven while both fuel and speed
        were there [km] and `l_per_100km` over it;
        `expected_error_pct` [%]. Empty if the run allows none.
    """
    rows = []
    told = columns_of(samples)
    per_gram = litres_per_gram(told, study, batch)
    for name in computable_estimators([told], study):
        if AIR_MEASURES.get(name) == "speed-density" and calibration.ve is None:
            continue
        flow = flow_of(told, study, name, calibration, batch)
        litres = {
            column: per_gram * integrate(flow, source)
            for column, source in (
                ("fuel_l", "fuel_flow_g_s"),
                ("fuel_low_l", "fuel_flow_low_g_s"),
                ("fuel_high_l", "fuel_flow_high_g_s"),
            )
        }
        km = per_100km = np.nan
        if "speed_kmh" in flow.columns:
            km = distance_km(flow, also=("fuel_flow_g_s",))
            on_road = per_gram * integrate(flow, "fuel_flow_g_s", also=("speed_kmh",))
            per_100km = 100 * on_road / km if km > 0 else np.nan
        rows.append(
            {"estimator": name}
            | litres
            | {"km": km, "l_per_100km": per_100km}
            | {"expected_error_pct": ESTIMATORS[name].expected_error_pct}
        )
    columns = ["estimator", "fuel_l", "fuel_low_l", "fuel_high_l", "km", "l_per_100km",
               "expected_error_pct"]  # fmt: skip
    return pd.DataFrame(rows, columns=columns)


def idle_flow_g_s(flow: Table) -> float:
    """Median fuel flow [g/s] of a run while the warm engine idles at standstill; NaN without any.

    Parameters
    ----------
    flow : DataFrame
        `roadlog.quantities.tables.FUEL`. Five minutes after the start an engine counts as warm.
    """
    burned = signal(flow, "fuel_flow_g_s")
    standing = (signal(flow, "speed_kmh") < IDLE_BELOW_KMH) & (signal(flow, "t_s") > WARM_AFTER_S)
    idle = burned[standing & (burned > 0)]
    return float(np.median(idle)) if len(idle) >= LEAST_IDLE_SAMPLES else float("nan")


def _from_rate(
    samples: Columns, calibration: Calibration, fuel: Fuel
) -> tuple[Array, Array, Array]:
    """Bounds and state code from the engine's own fuel rate."""
    if calibration.rate_signal == "fuel_rate_g_s":
        flow = signal(samples, "fuel_rate_g_s")
    else:
        flow = mass_g(signal(samples, "fuel_rate_l_h"), fuel) / 3600
    return _told_by_engine(flow, samples)


def _from_injection(samples: Columns, study: Study) -> tuple[Array, Array, Array]:
    """Bounds and state code from the mass of one injection: a cylinder fires every two turns."""
    assert study.vehicle.cylinders is not None, "injection needs cylinders"
    strokes_s = study.vehicle.cylinders * signal(samples, "rpm") / 120
    return _told_by_engine(signal(samples, "injected_mg_stroke") / 1000 * strokes_s, samples)


def _told_by_engine(flow: Array, samples: Columns) -> tuple[Array, Array, Array]:
    """As told; nothing where the engine stands, which many loggers leave blank."""
    resting = ~np.isfinite(flow) & standing_still(samples) & (signal(samples, "dt_s") > 0)
    flow = np.where(resting, 0.0, flow)
    state = np.where(flow > 0, _METERED, _CUT)
    state[~np.isfinite(flow)] = _MISSING
    return flow, flow, state


def _from_air(
    samples: Columns, study: Study, estimator: str, calibration: Calibration, fuel: Fuel
) -> tuple[Array, Array, Array]:
    """Bounds and state code from air, λ, trims and fuel cut."""
    measure = AIR_MEASURES[estimator]
    air = air_flow(samples, measure, study.vehicle.displacement_l, calibration.ve)
    stoichiometric = air / fuel.stoich_afr
    if estimator in TRIMMED:
        stoichiometric = stoichiometric * trim_factor(samples)
    cut = cut_state(samples, calibration)
    lean, rich, enriched = lambda_bounds(
        samples, calibration, trust_sensor=study.device.acts_on != "oxygen-sensor"
    )
    low = np.where(cut == CUT, 0.0, stoichiometric / lean)
    low[(cut == UNCLEAR) & np.isfinite(low)] = 0.0
    high = np.where(cut == CUT, 0.0, stoichiometric / rich)
    state = np.where(enriched, _ENRICHED, _METERED)
    state[cut == UNCLEAR] = _UNCLEAR
    state[cut == CUT] = _CUT
    in_gap = (signal(samples, "dt_s") == 0) & ~np.isfinite(air)
    missing = ~np.isfinite(high) | in_gap
    low[missing] = high[missing] = np.nan
    state[missing] = _MISSING
    return low, high, state
