"""Full load, where a controller may enrich: samples go in, where the driver asks for it comes out.

Air, manifold pressure and calculated load say it of the baseline runs, which fix how far the pedal
is down then. For both arms the pedal decides, else the throttle, else acceleration, so that an
add-on that bends air can't choose what counts as enriched. Implements a part of "Fuel cut and
enrichment" in section 1 of the method.
"""

from collections.abc import Sequence

import numpy as np

from roadlog.fuel.air import Array, FullLoad
from roadlog.fuel.rest import acceleration_of
from roadlog.quantities.columns import Table, columns_of, in_groups
from roadlog.quantities.signals import signal
from roadlog.study.car import Vehicle

# Common practice, no source.
HIGH_CALCULATED_LOAD_PCT = 90.0
HIGH_ABSOLUTE_LOAD_PCT = 80.0
HIGH_MAP_SHARE = 0.92
STANDARD_PRESSURE_KPA = 101.325
RPM_EDGES = (1500.0, 2000.0, 2500.0, 3000.0, 4000.0)
REQUESTS = ("pedal_pct", "throttle_pct")


def learn_full_load(
    baseline: Sequence[Table], every_run: Sequence[Table], vehicle: Vehicle
) -> FullLoad:
    """The request above which a band of rpm holds as much time as was at full load by air.

    Parameters
    ----------
    baseline : sequence of DataFrame
        Samples of the baseline runs.
    every_run : sequence of DataFrame
        Samples of all runs; the request is one that all of them have.
    vehicle : Vehicle
    """
    every, groups = [columns_of(run) for run in every_run], [columns_of(run) for run in baseline]
    by = next((s for s in REQUESTS if all(_mostly(run, s) for run in every)), "speed_kmh")
    each = [_asked(group, by, vehicle) for group in in_groups(groups)]
    asked, full, band = (np.concatenate(of) for of in zip(*each, strict=True))
    thresholds = []
    for k in range(len(RPM_EDGES) + 1):
        mine = (band == k) & np.isfinite(asked)
        share = float(full[mine].mean()) if mine.any() else 0.0
        top = np.quantile(asked[mine], 1 - share, method="higher") if share > 0 else np.inf
        thresholds.append(float(top))
    return FullLoad(by, tuple(thresholds))


def at_full_load(samples: Table, full_load: FullLoad | None) -> Array:
    """Where the driver asks for full load; nowhere if that was never learnt."""
    if full_load is None:
        return np.zeros(len(samples), dtype=bool)
    band = np.digitize(signal(samples, "rpm"), RPM_EDGES)
    asked: Array = _request(samples, full_load.by) >= np.array(full_load.thresholds)[band]
    return asked


def full_load_by_air(samples: Table, vehicle: Vehicle) -> Array:
    """Where calculated load, absolute load or manifold pressure show full load.

    With forced induction only calculated load does: boost is no sign of it.
    """
    high: Array = signal(samples, "engine_load_pct") >= HIGH_CALCULATED_LOAD_PCT
    if vehicle.aspiration == "natural":
        baro = signal(samples, "baro_kpa")
        baro = np.where(np.isfinite(baro), baro, STANDARD_PRESSURE_KPA)
        high = high | (signal(samples, "absolute_load_pct") >= HIGH_ABSOLUTE_LOAD_PCT)
        high = high | (signal(samples, "map_kpa") >= HIGH_MAP_SHARE * baro)
    return high


def _asked(samples: Table, by: str, vehicle: Vehicle) -> tuple[Array, Array, Array]:
    """What is asked for, whether there is full load by air, and the band of rpm."""
    band = np.digitize(signal(samples, "rpm"), RPM_EDGES).astype(np.int8)
    return _request(samples, by), full_load_by_air(samples, vehicle), band


def _mostly(run: Table, name: str) -> bool:
    there = np.isfinite(signal(run, name))
    return bool(there.size and 2 * np.count_nonzero(there) >= there.size)


def _request(samples: Table, by: str) -> Array:
    if by != "speed_kmh":
        return signal(samples, by)
    if "speed_kmh" not in samples.columns or len(samples) < 2:
        return np.full(len(samples), np.nan)
    speed, rpm = signal(samples, "speed_kmh"), signal(samples, "rpm")
    power = speed * acceleration_of(samples)
    return np.where(rpm > 0, power / np.where(rpm > 0, rpm, 1.0), np.nan)
