"""How sharp a study without positions is: whole runs, whole routes, pieces of routes.

`python -m tests.road.without_positions 30` analyses 30 synthetic studies (12 days, out and back)
in four ways and prints, for each, how far estimates lie from the truth and how wide intervals are.
"""

import datetime as dt
import sys
import tempfile
from pathlib import Path

import numpy as np

from roadlog.analysis.analyse import analyse
from roadlog.demo import make_study
from roadlog.runs.table import study_sources
from roadlog.stats.interval import Interval
from roadlog.study.folder import load_study
from roadlog.study.settings import Analysis, RoadRule, Study

TRUTH_PCT = 0.6
NAMED = RoadRule(same_route={"out": ("*_out.csv",), "back": ("*_back.csv",)})
WAYS: dict[str, tuple[bool, RoadRule, float]] = {  # positions logged, rule, piece [km]
    "whole runs, there and back together": (False, RoadRule(), 1.0),
    "whole runs, there and back told apart": (False, NAMED, 1000.0),
    "pieces of 1 km": (False, NAMED, 1.0),
    "with positions": (True, RoadRule(), 1.0),
}


def primary(folder: Path, rule: RoadRule, piece_km: float) -> Interval:
    """The primary effect of a study by this rule."""
    study: Study = load_study(folder)
    choices = Analysis().model_copy(update={"segment_length_km": piece_km})
    study = study.model_copy(update={"road": rule, "analysis": choices})
    after = dt.datetime(2026, 5, 1, tzinfo=dt.UTC)
    return analyse(study, study_sources(folder, study), now=after).effect.primary


def main(seeds: int) -> None:
    """Print a line a way."""
    found: dict[str, list[Interval]] = {way: [] for way in WAYS}
    for seed in range(1, seeds + 1):
        with tempfile.TemporaryDirectory() as place:
            for positions in (False, True):
                folder = Path(place) / str(positions)
                make_study(folder, seed=seed, days=12, effect_pct=TRUTH_PCT, positions=positions)
                for way, (located, rule, km) in WAYS.items():
                    if located == positions:
                        found[way].append(primary(folder, rule, km))
    for way, rows in found.items():
        error = np.array([i.estimate for i in rows]) - TRUTH_PCT
        half = np.array([(i.high - i.low) / 2 for i in rows])
        held = np.mean([i.low <= TRUTH_PCT <= i.high for i in rows])
        print(
            f"{way:38}  half-width {np.median(half):.2f}  bias {error.mean():+.2f} +/- "
            f"{error.std(ddof=1) / np.sqrt(len(rows)):.2f}  rms error "
            f"{np.sqrt(np.mean(error**2)):.2f}  holds the truth {100 * held:.0f} %"
        )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 30)
