"""Fuel flow: samples and a calibration go in, the frame of stage FUEL comes out.

Implements estimators 1 to 4 in section 1 of the method on top of `roadlog.fuel.air` and
`roadlog.fuel.states`; `fuel_variants` puts every available estimator of a run side by side.
"""

import numpy as np
import pandas as pd

from roadlog.fuel.air import (
    AIR_MEASURES,
    Array,
    Calibration,
    air_flow,
    air_per_revolution,
    signal,
    trim_factor,
)
from roadlog.fuel.choice import ESTIMATORS, available_estimators
from roadlog.fuel.states import CUT, UNCLEAR, cut_state, lambda_bounds
from roadlog.fuels import FUELS, Fuel, blend, mass_g, volume_l
from roadlog.study import Study
from roadlog.tables import FUEL
from roadlog.timebase import distance_km, integrate

STATES = np.array(["metered", "enriched", "unclear", "cut", "missing"], dtype=object)
_METERED, _ENRICHED, _UNCLEAR, _CUT, _MISSING = range(5)


def fuel_of(samples: pd.DataFrame, study: Study) -> Fuel:
    """The fuel of one run: the declared one; for E85, the blend by the median of PID 52 if logged.

    Other fuels are taken as declared: PID 51 can't tell E0 from E10, and PID 52 is often absent.
    """
    ethanol = signal(samples, "ethanol_pct")
    ethanol = ethanol[np.isfinite(ethanol)]
    if study.vehicle.fuel == "E85" and len(ethanol):
        return blend(float(np.median(ethanol)) / 100)
    return FUELS[study.vehicle.fuel]


def fuel_flow(
    samples: pd.DataFrame, study: Study, estimator: str, calibration: Calibration
) -> pd.DataFrame:
    """Fuel flow of every sample, with bounds where cut or enrichment is ambiguous.

    Parameters
    ----------
    samples : DataFrame
        Samples of one run (`roadlog.tables.SAMPLES`).
    study : Study
        Its vehicle gives fuel, displacement and aspiration.
    estimator : str
        The study's estimator (`choose_estimator`).
    calibration : Calibration
        From baseline runs (`calibrate`).

    Returns
    -------
    DataFrame
        `samples` with the columns of `roadlog.tables.FUEL` added: `fuel_flow_g_s` [g/s] midway
        between `fuel_flow_low_g_s` and `fuel_flow_high_g_s`, and `fuel_state`: metered, cut,
        enriched, unclear (fuel or none), missing.

    Notes
    -----
    From air: flow = air/(stoichiometric air x λ), times the trim factor for `maf-trims` and, where
    trims are logged, for `speed-density`. The engine fuel rate is taken as the controller gives
    it; litres become grams at 15 °C, and litres again by the same density.
    """
    if estimator == "rate":
        low, high, state = _from_rate(samples, study, calibration)
    else:
        low, high, state = _from_air(samples, study, estimator, calibration)
    return FUEL.check(
        samples.assign(
            fuel_flow_g_s=(low + high) / 2,
            fuel_flow_low_g_s=low,
            fuel_flow_high_g_s=high,
            fuel_state=STATES[state],
        )
    )


def fuel_variants(samples: pd.DataFrame, study: Study, calibration: Calibration) -> pd.DataFrame:
    """Fuel and distance of one run by every estimator that its signals allow, side by side.

    Parameters
    ----------
    samples : DataFrame
        Samples of one run.
    study : Study
    calibration : Calibration

    Returns
    -------
    DataFrame
        One row an estimator, best first: `estimator`; `fuel_l`, `fuel_low_l`, `fuel_high_l` [L at
        15 °C]; `km` driven while both fuel and speed were there [km] and `l_per_100km` over it;
        `expected_error_pct` [%]. Empty if the run allows none.
    """
    rows = []
    for name in available_estimators([samples], study):
        if name == "speed-density" and calibration.ve is None:
            continue
        flow = fuel_flow(samples, study, name, calibration)
        fuel = fuel_of(samples, study)
        litres = {
            column: volume_l(integrate(flow, source), fuel)
            for column, source in (
                ("fuel_l", "fuel_flow_g_s"),
                ("fuel_low_l", "fuel_flow_low_g_s"),
                ("fuel_high_l", "fuel_flow_high_g_s"),
            )
        }
        km = per_100km = np.nan
        if "speed_kmh" in flow.columns:
            km = distance_km(flow, also=("fuel_flow_g_s",))
            on_road = volume_l(integrate(flow, "fuel_flow_g_s", also=("speed_kmh",)), fuel)
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


def _from_rate(
    samples: pd.DataFrame, study: Study, calibration: Calibration
) -> tuple[Array, Array, Array]:
    """Bounds and state code from the engine's own fuel rate."""
    if calibration.rate_signal == "fuel_rate_g_s":
        flow = signal(samples, "fuel_rate_g_s")
    else:
        per_hour = mass_g(signal(samples, "fuel_rate_l_h"), fuel_of(samples, study))
        flow = per_hour / 3600
    state = np.where(flow > 0, _METERED, _CUT)
    state[~np.isfinite(flow)] = _MISSING
    return flow, flow, state


def _from_air(
    samples: pd.DataFrame, study: Study, estimator: str, calibration: Calibration
) -> tuple[Array, Array, Array]:
    """Bounds and state code from air, λ, trims and fuel cut."""
    measure = AIR_MEASURES[estimator]
    air = air_flow(samples, measure, study.vehicle.displacement_l, calibration.ve)
    stoichiometric = air / fuel_of(samples, study).stoich_afr
    if estimator == "maf-trims" or (estimator == "speed-density" and calibration.trims):
        stoichiometric = stoichiometric * trim_factor(samples)
    idle_air = calibration.idle_air_g_rev.get(measure, np.nan)
    cut = cut_state(samples, air_per_revolution(samples, air) / idle_air, calibration)
    lean, rich, enriched = lambda_bounds(samples, study.vehicle)
    low = np.where(cut == CUT, 0.0, stoichiometric / lean)
    low[(cut == UNCLEAR) & np.isfinite(low)] = 0.0
    high = np.where(cut == CUT, 0.0, stoichiometric / rich)
    state = np.where(enriched, _ENRICHED, _METERED)
    state[cut == UNCLEAR] = _UNCLEAR
    state[cut == CUT] = _CUT
    in_gap = (samples["dt_s"].to_numpy(np.float64) == 0) & ~np.isfinite(air)
    missing = ~np.isfinite(high) | in_gap
    low[missing] = high[missing] = np.nan
    state[missing] = _MISSING
    return low, high, state
