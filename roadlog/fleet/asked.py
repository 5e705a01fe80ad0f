"""What is asked of one car's runs before a word, asked of a vehicle of a fleet.

The runs on which its road and calibration rest go in (`roadlog.fleet.one_vehicle`), with their
samples, tracks and passes; out come the sentences that forbid to rest a word on the vehicle, and
what an accessory took of each run's fuel, which the fleet's model compares between the arms.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from roadlog.analysis.accessory_time import (
    LEAST_KNOWN_S,
    ONE_ARM_ONLY,
    one_arm_only,
    seen_by_run,
    takes_ml_s,
)
from roadlog.analysis.metering import Metered
from roadlog.closure.unit_shift import UNKNOWN, unit_shift_blocking
from roadlog.ingest.copied import Marks, shared_signals
from roadlog.passes.road_use import LEAST_SHARE, lost_blocking, road_use
from roadlog.quantities.against import Against
from roadlog.quantities.arms import ARMS
from roadlog.quantities.columns import Columns
from roadlog.quantities.facts import Fact, Veto
from roadlog.quantities.signals import signal
from roadlog.road import Network
from roadlog.study.settings import Study

SURE = 2.0  # half-widths of its interval from none: one vehicle of many shifts less by chance


@dataclass(frozen=True)
class Asked:
    """Vetoes on a vehicle as sentence and code of `Against`; accessory fuel [%] by run."""

    doubts: tuple[tuple[str, str], ...] = ()
    accessory_pct: Mapping[int, float] | None = None


def asked_of_vehicle(
    study: Study,
    metered: Metered,
    samples: Sequence[Columns],
    tracks: Mapping[int, Columns],
    passes: pd.DataFrame,
    network: Network,
    units: Sequence[Mapping[str, str]],
    sketches: Sequence[Mapping[str, Marks]],
) -> Asked:
    """What stands against a vehicle's figures, as for a study of it alone.

    Parameters
    ----------
    study : Study
        With the vehicle's own `[vehicle]`.
    metered, samples, units, sketches
        Its runs, with an entry a run each.
    tracks, passes, network
        Where they were driven.
    """
    runs = metered.runs
    found: list[str] = []
    if runs.loc[runs["used"].astype(bool), "arm"].nunique() == len(ARMS):
        found += _lost(study, runs, samples, tracks, passes, network)
        found += unit_shift_blocking(
            study, metered.estimator, metered.burned, runs, units, UNKNOWN, beyond=SURE
        )
    found += _copied(sketches, runs)
    pct, gap = _accessory(study, metered, samples)
    if gap > ONE_ARM_ONLY:
        found.append(Veto(f"undecided: {one_arm_only(gap)}", Against.COOLING_ONE_ARM()))
    return Asked(tuple(named(v) for v in found if isinstance(v, Veto)), pct)


def named(veto: Veto) -> tuple[str, str]:
    """A veto as a file can keep it: its sentence, and the code of its clause."""
    plain = veto.plain
    return str(veto), plain.code.name if isinstance(plain, Fact) else Against.TOLD_BELOW.name


def veto_of(kept: tuple[str, str]) -> Veto:
    """A veto that was kept.

    >>> veto_of(("undecided: so it is", "WHEELS")).plain == Against.WHEELS()
    True
    """
    return Veto(kept[0], Against[kept[1]]())


def _lost(
    study: Study,
    runs: pd.DataFrame,
    samples: Sequence[Columns],
    tracks: Mapping[int, Columns],
    passes: pd.DataFrame,
    network: Network,
) -> list[str]:
    """Whether too little of an arm's road is left; looked into only where it may be."""
    counted = passes[passes["used"].astype(bool)]
    used_km = counted.groupby("arm")["distance_km"].sum()
    if (used_km.reindex(ARMS) >= LEAST_SHARE * runs.groupby("arm")["km"].sum()).all():
        return []
    frames = [
        pd.DataFrame({n: signal(s, n) for n in ("t_s", "speed_kmh", "gps_speed_kmh")})
        for s in samples
    ]
    least = study.analysis.min_runs_per_arm
    return lost_blocking(road_use(runs, frames, tracks, passes, network, min_runs_per_arm=least))


def _copied(sketches: Sequence[Mapping[str, Marks]], runs: pd.DataFrame) -> list[Veto]:
    """Signals that fuel comes from and that are another run's, reading for reading."""
    found = shared_signals(sketches, runs["file"].astype(str).tolist())
    return [Veto(f"undecided: {c}", Against.COPIED()) for c in found]


def _accessory(
    study: Study, metered: Metered, samples: Sequence[Columns]
) -> tuple[dict[int, float], float]:
    """What an accessory took of each used run's fuel [%], where it can be seen, and by how much
    idle air differs between the arms where it ran in one alone [log]."""
    at = np.flatnonzero(metered.runs["used"].astype(bool))
    runs = metered.runs.iloc[at].reset_index(drop=True)
    state, table = seen_by_run([samples[int(i)] for i in at], runs, study.vehicle)
    if not state.visible:
        return {}, state.arm_gap
    takes = takes_ml_s(state, [metered.burned[int(i)] for i in at], study.vehicle)
    seconds = 3600 * float(runs["hours"].sum())
    per_s = 1000 * float(runs["burned_l"].sum()) / seconds if seconds > 0 else np.nan
    pct = 100 * table["seen"] * takes / per_s
    known = table["known_s"] >= LEAST_KNOWN_S
    return dict(zip(runs["run"], pct.where(known), strict=True)), 0.0
