"""What of each log may be shown: outside every hidden place, within the road that both arms share.

The logs of a study's cars go in; each comes out with the rows that may be published. Places are
found over the logs of all cars together, and hidden from all: a home at which the control car
stands is hidden from the test car that passes it, too.
"""

import random
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from roadlog import road
from roadlog.analysis.result import Analysed
from roadlog.ingest import Log
from roadlog.ingest.timebase import resample
from roadlog.publish.clock import Happened
from roadlog.publish.cut import Mask, between, on_own_clock, shown_rows
from roadlog.publish.exits import hide
from roadlog.publish.private import Secrets
from roadlog.quantities.arms import ARMS
from roadlog.quantities.tables import FUEL, SAMPLES

CONTROL = "control"  # what stands in place of an arm for a control car's logs
SPARE_S = 5.0  # shown before the first and after the last shared segment


@dataclass(frozen=True)
class Drive:
    """One log and the run that it is: its number in its car's run table, its arm (or `CONTROL`),
    and the file as the whole study shows it."""

    log: Log
    run: int
    arm: str
    file: str


@dataclass(frozen=True)
class Shown(Drive):
    """A drive, and what of it may be shown."""

    rows: Mask
    origin: int | None  # the place at which it begins

    @property
    def frame(self) -> pd.DataFrame:
        """The shown rows on their own clock."""
        return on_own_clock(self.log.frame, self.rows)


def outside_places(
    drives: Sequence[Drive], secrets: Secrets, chance: random.Random
) -> tuple[Secrets, list[Shown]]:
    """Each drive with the rows outside all hidden places, and the secrets with these places.

    Parameters
    ----------
    drives : sequence of Drive
        Of all cars, each car's in order of driving.
    """
    hidden = hide([d.log.frame for d in drives], secrets, chance)
    out = []
    for d, own, origin in zip(drives, hidden.of_run, hidden.origin, strict=True):
        rows = shown_rows(d.log.frame, own, secrets.length_m)
        out.append(Shown(d.log, d.run, d.arm, d.file, rows, origin))
    return hidden.secrets, out


def on_shared_road(
    whole: Analysed, test: Sequence[Shown], control: Sequence[Shown]
) -> tuple[list[Shown], list[Shown]]:
    """The drives from their first to their last piece of road that both arms of the test car share.

    What lies before and after enters no comparison. The pieces are found anew, on what is shown
    alone: those of the whole study begin at the runs' true starts.
    """
    if whole.network.kind != "road":
        return list(test), list(control)
    used = set(whole.runs.loc[whole.runs["used"].astype(bool), "run"])
    # they make the road, all are placed on it
    own = {s.run: _track(s) for s in test if s.run in used and s.rows.any()}
    arms = {s.run: s.arm for s in test if s.run in own}
    rule = whole.study.analysis
    network = None
    if len(set(arms.values())) == len(ARMS):
        network = road.find_network(
            own,
            arms,
            segment_length_km=rule.segment_length_km,
            min_runs_per_arm=rule.min_runs_per_arm,
        )
    found = network if network is not None and network.kind == "road" else None
    return [_on(s, found) for s in test], [_on(s, found) for s in control]


def _track(s: Shown) -> pd.DataFrame:
    unmetered = dict.fromkeys((c for c in FUEL.columns if c not in SAMPLES.columns), np.nan) | {
        "fuel_state": ""
    }
    return resample(s.frame).assign(**unmetered)


def _on(s: Shown, network: road.Network | None) -> Shown:
    rows = np.zeros(len(s.rows), bool)
    if network is not None and s.rows.any():
        track = road.match(_track(s), network, s.run)
        on = track.loc[track["segment"] != "", "t_s"].to_numpy(float)
        if len(on):
            kept = between(s.frame, on[0] - SPARE_S, on[-1] + SPARE_S)
            rows[np.flatnonzero(s.rows)[kept]] = True
    return replace(s, rows=rows)


def happened(s: Shown) -> Happened:
    """When a drive with a date begins to show, and for how long."""
    start, frame = s.log.start, s.frame
    assert start is not None
    begin = start.tz_localize(None)
    first = float(s.log.frame["t_s"].to_numpy(float)[np.flatnonzero(s.rows)[0]])
    return Happened(
        begin + pd.Timedelta(first, unit="s"), float(frame["t_s"].iloc[-1]), begin.normalize()
    )
