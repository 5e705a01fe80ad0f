"""How much road may be lost in one arm before what is left can pass for an effect.

Synthetic studies of the demonstration are analysed whole; then passes of the fitted arm alone are
taken away in five ways until a share of the arm's road is left, and the effect is fitted again.
The shift against the same study's whole road is told, and how often the interval still holds the
true effect. `python -m tests.studies.lost_road 8 DIR` prints the table of docs/road.md; a record
of each study is kept in DIR, so that it goes on where it stopped (slow).
"""

import json
import sys
import tempfile
from pathlib import Path

import numpy as np
import pandas as pd

from roadlog.analysis.analyse import analyse
from roadlog.demo import make_study
from roadlog.effect.estimate import primary_stages
from roadlog.runs.table import study_sources
from roadlog.stats.interval import percent_interval
from roadlog.study.folder import load_study
from tests.studies.drawn import PHYSICS

TRUTH_PCT = 0.6
SHARES = (0.9, 0.8, 0.7, 0.6, 0.5, 0.4, 0.3)
WAYS = {
    "by chance": "any pass",
    "by place": "the end of each drive first, as a receiver that freezes loses it",
    "by start": "the beginning of each drive first, as a receiver that finds no fix",
    "by pace": "the slowest passes of their segment first, as among high buildings",
    "by fuel": "the thirstiest passes of their segment first: the worst that can be",
}


def passes_of(seed: int, days: int = 12) -> pd.DataFrame:
    """The used passes of one synthetic study."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "study"
        make_study(folder, seed=seed, effect_pct=TRUTH_PCT, days=days)
        study = load_study(folder)
        table = analyse(study, study_sources(folder, study)).passes
    return table[table["used"].astype(bool)].reset_index(drop=True)


def thinned(
    used: pd.DataFrame, way: str, share: float, rng: np.random.Generator, arm: str = "fitted"
) -> pd.DataFrame:
    """The passes with `share` of the arm's distance left, the rest lost in this way."""
    mine = used["arm"] == arm
    of_segment = used.groupby("segment")
    first_lost = {
        "by chance": pd.Series(rng.random(len(used))),
        "by place": -used.groupby("run")["since_start_s"].rank(pct=True),
        "by start": used.groupby("run")["since_start_s"].rank(pct=True),
        "by pace": of_segment["mean_speed_kmh"].rank(pct=True),
        "by fuel": -of_segment["ml_per_km"].rank(pct=True),
    }[way]
    order = first_lost[mine].sort_values().index
    km = used.loc[order, "distance_km"].cumsum() / used.loc[mine, "distance_km"].sum()
    return used.drop(index=order[(km <= 1 - share).to_numpy()]).reset_index(drop=True)


def effect_of(used: pd.DataFrame) -> tuple[float, float, float]:
    """Estimate and bounds [%] at equal driving."""
    stages = primary_stages(used, randomised=True, physics=PHYSICS, whole_runs=False)
    c = stages.contrast
    interval = percent_interval(c.tau, c.half_width(), c.df, "")
    return interval.estimate, float(interval.low or np.nan), float(interval.high or np.nan)


def record(seed: int) -> list[tuple[str, float, float, bool, float]]:
    """Way, share, shift [points], whether the truth is held, and half-width of one study."""
    used = passes_of(4000 + seed)
    whole = effect_of(used)[0]
    rng = np.random.default_rng(seed)
    rows = []
    for way in WAYS:
        for share in SHARES:
            estimate, low, high = effect_of(thinned(used, way, share, rng))
            held = bool(low <= TRUTH_PCT <= high)
            rows.append((way, share, estimate - whole, held, (high - low) / 2))
    return rows


def main(studies: int, folder: Path) -> None:
    """Make the records that are missing, then print shift and coverage by way and share."""
    rows = []
    for seed in range(1, studies + 1):
        path = folder / f"{seed}.json"
        if not path.exists():
            folder.mkdir(parents=True, exist_ok=True)
            path.write_text(json.dumps(record(seed)))
        rows += json.loads(path.read_text())
    frame = pd.DataFrame(rows, columns=["way", "share", "shift", "held", "half"])
    print("way          share  shift: mean, rms, most   truth inside   half-width, median")
    for (way, share), g in frame.groupby(["way", "share"], sort=False):
        rms = float(np.sqrt((g["shift"] ** 2).mean()))
        print(
            f"{way:12} {share:5.1f}  {g['shift'].mean():+6.2f} {rms:5.2f} "
            f"{g['shift'].abs().max():5.2f}        {int(g['held'].sum()):3d} of {len(g):3d}"
            f"        {g['half'].median():.2f}"
        )


if __name__ == "__main__":
    main(int(sys.argv[1]), Path(sys.argv[2]))
