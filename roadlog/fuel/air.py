"""Air and trims: samples go in, air mass flow and the trim factor come out.

Implements the air part of section 1 of the method: MAF, absolute load (PID 43), and
speed-density with a volumetric efficiency over rpm and manifold pressure. `Calibration` is what
baseline runs fix beforehand for every later step.
"""

from dataclasses import dataclass

import numpy as np

from roadlog.physics.air import GAS_CONSTANT_DRY_AIR
from roadlog.quantities.columns import Table
from roadlog.quantities.signals import LAMBDA_MEASURED, TRIMS, signal

Array = np.ndarray

LOAD_AIR_DENSITY_KG_M3 = 1.184  # SAE J1979, PID 43: air at 25 °C and 101.3 kPa
ZERO_CELSIUS_K = 273.15
VE_LIMITS = (0.3, 1.3)
# Petrol engines run within; a wide-band reading outside comes from fuel cut or a cold sensor.
LAMBDA_LIMITS = (0.7, 1.3)

AIR_MEASURES = {"maf": "maf", "maf-trims": "maf", "absolute-load": "absolute-load",
                "speed-density": "speed-density",
                "speed-density-trims": "speed-density"}  # fmt: skip
TRIMMED = ("maf-trims", "speed-density-trims")


@dataclass(frozen=True)
class VolumetricEfficiency:
    """Air drawn in over the air that would fill the displacement at manifold state [1].

    A surface a + b r + c r² + d p + e r p in r = rpm/1000 and p = manifold pressure/100 kPa,
    held at the edge of `rpm_range` and `map_range_kpa`. `basis` says what it was fitted to.
    """

    coefficients: tuple[float, float, float, float, float]
    rpm_range: tuple[float, float]
    map_range_kpa: tuple[float, float]
    basis: str

    def at(self, rpm: Array, map_kpa: Array) -> Array:
        """Volumetric efficiency [1] at engine speed [1/min] and manifold pressure [kPa]."""
        surface: Array = ve_terms(
            np.clip(rpm, *self.rpm_range), np.clip(map_kpa, *self.map_range_kpa)
        ) @ np.array(self.coefficients)
        held: Array = np.clip(surface, *VE_LIMITS)
        return held


@dataclass(frozen=True)
class FullLoad:
    """From where on the driver asks for full load (`roadlog.fuel.full_load`).

    `by` is `pedal_pct`, `throttle_pct` or `speed_kmh` (speed times acceleration over rpm, which
    goes with the engine's torque); `thresholds` holds one for each band of rpm, infinite where
    the baseline shows no full load.
    """

    by: str
    thresholds: tuple[float, ...]


@dataclass(frozen=True)
class Calibration:
    """What is fixed for both arms before any fuel is counted.

    Attributes
    ----------
    idle_rpm : float
        Warm idle speed [1/min] without accessories.
    throttle_low_pct, throttle_shut_pct : float
        Lower and upper edge of the throttle position at warm idle [%], NaN if not logged.
    pedal_rest_pct : float
        Pedal position at rest [%], NaN if not logged.
    status_shows_cut : bool or None
        Whether the fuel-system status (PID 03) follows fuel cuts in these logs; None if they
        don't show it.
    trims_show_cut : bool
        Whether the short term trim (PIDs 06, 08) stands at exactly zero in fuel cuts.
    full_load : FullLoad or None
    rate_signal : str or None
        `fuel_rate_l_h` or `fuel_rate_g_s`, whichever all baseline runs have.
    ve : VolumetricEfficiency or None
        None without displacement or manifold pressure.
    warnings : tuple of str
        Plain sentences on what had to be assumed.
    """

    idle_rpm: float
    throttle_low_pct: float = np.nan
    throttle_shut_pct: float = np.nan
    pedal_rest_pct: float = np.nan
    status_shows_cut: bool | None = True
    trims_show_cut: bool = False
    full_load: FullLoad | None = None
    rate_signal: str | None = None
    ve: VolumetricEfficiency | None = None
    warnings: tuple[str, ...] = ()


def ve_terms(rpm: Array, map_kpa: Array) -> Array:
    """The five terms of the volumetric-efficiency surface, shape (n, 5)."""
    r, p = np.asarray(rpm) / 1000, np.asarray(map_kpa) / 100
    return np.stack([np.ones_like(r), r, r * r, p, r * p]).T


def manifold_air(samples: Table, displacement_l: float) -> Array:
    """Air flow [g/s] of a four-stroke that fills its displacement at manifold state.

    Ideal gas: p V/(R T) a cycle, rpm/120 cycles a second (displacement once in two revolutions).
    """
    temperature_k = signal(samples, "intake_air_temp_c") + ZERO_CELSIUS_K
    density = signal(samples, "map_kpa") / (GAS_CONSTANT_DRY_AIR / 1000 * temperature_k)
    flow: Array = density * displacement_l * signal(samples, "rpm") / 120
    return flow


def air_flow(
    samples: Table,
    measure: str,
    displacement_l: float | None,
    ve: VolumetricEfficiency | None = None,
) -> Array:
    """Air mass flow into the engine.

    Parameters
    ----------
    samples : DataFrame
        Samples.
    measure : str
        "maf"; "absolute-load": PID 43/100 x 1.184 kg/m³ x displacement x rpm/120 (four-stroke);
        or "speed-density": volumetric efficiency x `manifold_air`.
    displacement_l : float or None [L]
        Needed for all but "maf".
    ve : VolumetricEfficiency, optional
        Needed for "speed-density".

    Returns
    -------
    array [g/s]
        NaN where a signal is missing.

    References
    ----------
    SAE J1979, PIDs 10 and 43. Heywood, Internal Combustion Engine Fundamentals (1988), section
    2.10 (volumetric efficiency).

    >>> import pandas as pd
    >>> samples = pd.DataFrame({"rpm": [2400.0], "absolute_load_pct": [50.0]})
    >>> air_flow(samples, "absolute-load", 2.0).round(2)
    array([23.68])
    """
    if measure == "maf":
        return signal(samples, "maf_g_s")
    assert displacement_l is not None, f"{measure} needs displacement"
    rpm = signal(samples, "rpm")
    if measure == "absolute-load":
        share = signal(samples, "absolute_load_pct") / 100
        flow: Array = share * LOAD_AIR_DENSITY_KG_M3 * displacement_l * rpm / 120
        return flow
    assert ve is not None, "speed-density needs a volumetric efficiency"
    filled: Array = ve.at(rpm, signal(samples, "map_kpa")) * manifold_air(samples, displacement_l)
    return filled


def air_per_revolution(samples: Table, air_g_s: Array) -> Array:
    """Air per crankshaft revolution [g]; NaN where the engine doesn't turn."""
    rpm = signal(samples, "rpm")
    return np.where(rpm > 0, air_g_s * 60 / np.where(rpm > 0, rpm, 1.0), np.nan)


def trim_factor(samples: Table) -> Array:
    """1 + short-term + long-term trim, averaged over the banks that have both [1]; else NaN.

    >>> import pandas as pd
    >>> samples = pd.DataFrame({"stft1_pct": [2.0], "ltft1_pct": [3.0], "stft2_pct": [0.0],
    ...                         "ltft2_pct": [1.0]})
    >>> trim_factor(samples)
    array([1.03])
    """
    logged = [
        signal(samples, short) + signal(samples, long)
        for short, long in TRIMS
        if short in samples.columns and long in samples.columns
    ]
    if not logged:
        return np.full(len(samples), np.nan)
    banks = np.stack(logged)
    there = np.isfinite(banks)
    count = there.sum(axis=0)
    total = np.where(there, banks, 0.0).sum(axis=0)
    return np.where(count > 0, 1 + total / np.maximum(count, 1) / 100, np.nan)


def measured_lambda(samples: Table) -> Array:
    """λ of the wide-band sensors before the catalyst [1], averaged over banks; NaN if none.

    Readings outside 0.7 to 1.3 are left out: fuel cut, or a sensor that isn't hot yet.

    References
    ----------
    SAE J1979, PIDs 24-2B (with voltage) and 34-3B (with current), for sensors 1 to 8.

    >>> import pandas as pd
    >>> samples = pd.DataFrame({"lambda_measured": [0.98, 1.99], "lambda_measured2": [1.02, 1.99]})
    >>> measured_lambda(samples)
    array([ 1., nan])
    """
    logged = [signal(samples, name) for name in LAMBDA_MEASURED if name in samples.columns]
    if not logged:
        return np.full(len(samples), np.nan)
    banks = np.stack(logged)
    low, high = LAMBDA_LIMITS
    there = (banks >= low) & (banks <= high)
    count = there.sum(axis=0)
    total = np.where(there, banks, 0.0).sum(axis=0)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)
