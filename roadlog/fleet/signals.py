"""What a vehicle's own signals say of its fuel figure: whether the add-on may have bent it.

`of_runs` makes a row a run, kept in the table of runs; `of_units` a `Signals` a vehicle, one value
a switch unit, which the fleet's model compares between the arms (`roadlog.fleet.doubts`).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from roadlog.analysis.doubts import MOST_FUEL_AT_CEILING, ceiling_share
from roadlog.analysis.metering import Metered
from roadlog.closure import (
    TrimsOfRun,
    over_untrimmed,
    run_evidence,
    trims_lacking,
    trims_of_run,
)
from roadlog.closure.bend import BENDING_CLUES
from roadlog.fuel.levels import CARRIERS
from roadlog.quantities.against import Against
from roadlog.quantities.arrays import Floats
from roadlog.quantities.facts import Veto
from roadlog.study.car import Place
from roadlog.study.settings import Study

CLUE = "clue_"  # of a run, before its name: as `roadlog.closure.evidence` has it [%]
ACCESSORY = "accessory"  # what one took of a run's fuel [%]
PART = "trims_part"  # 100 log of a run's fuel over the same fuel without trims
SEEN = ("fuel_g", "trims_logged_g", "trims_closed_g", "trims_moving_g")  # as `TrimsOfRun`
CEILING = "at_ceiling"  # share of a run's fuel


@dataclass(frozen=True, eq=False)
class Signals:
    """What tells whether a vehicle's fuel figure can be believed.

    `clues` (name -> (u,)) are of its switch units, 100 log or percent, NaN where not read;
    `open_log` (u,) is the log of fuel by the upper bound over that by the lower; `lacking` says
    what stands against its trims, `doubts` what forbids to rest a word on it whatever the claim;
    `unit` is what its fuel figure was read in.
    """

    estimator: str
    acts_on: Place | None
    diesel: bool
    lacking: str
    clues: Mapping[str, NDArray[np.float32]]
    open_log: Floats
    doubts: tuple[Veto, ...] = ()
    unit: str = ""


def of_runs(metered: Metered, study: Study) -> pd.DataFrame:
    """A row a run of `metered`: clues, fuel burned with trims to be read, share at the ceiling."""
    rows: list[dict[str, float]] = []
    air_meter = CARRIERS.get(metered.estimator) == ("maf_g_s",)
    for flow, used in zip(metered.burned, metered.runs["used"], strict=True):
        if not used:
            rows.append({})
            continue
        clues = run_evidence(flow, study, metered.calibration)
        seen = trims_of_run(flow)
        row = {CLUE + k: v for k, v in clues.items() if k in BENDING_CLUES}
        row |= dict(zip(SEEN, (seen.all, seen.logged, seen.closed, seen.moving), strict=True))
        row |= {PART: over_untrimmed(flow), CEILING: ceiling_share(flow) if air_meter else 0.0}
        rows.append(row)
    names = [*(CLUE + c for c in BENDING_CLUES), *SEEN, PART, CEILING]
    return pd.DataFrame(rows, columns=names, index=metered.runs.index, dtype=float)


def of_units(
    units: Sequence[str],
    runs: pd.DataFrame,
    passes: pd.DataFrame,
    *,
    estimator: str,
    acts_on: Place | None,
    diesel: bool,
    doubts: Sequence[Veto] = (),
    unit: str = "",
) -> Signals:
    """What a vehicle's run table and pass table say of its fuel figure, by switch unit.

    Parameters
    ----------
    units : labels of the switch units
    runs : DataFrame
        With the columns of `of_runs`.
    passes : DataFrame
    doubts : sentences that forbid a word on this vehicle already
    """
    used = runs[runs["used"].astype(bool)]
    names = [c for c in (*(CLUE + c for c in (*BENDING_CLUES, ACCESSORY)), PART) if c in used]
    means = used.groupby("switch_unit")[names].mean().reindex(list(units))
    clues = {
        n.removeprefix(CLUE): means[n].to_numpy(dtype=np.float32)
        for n in names
        if means[n].notna().any()
    }
    seen = [TrimsOfRun(*map(float, row)) for row in used[list(SEEN)].to_numpy()]
    counted = passes[passes["used"].astype(bool)]
    bounds = counted.groupby("switch_unit")[["fuel_low_ml", "fuel_high_ml"]].sum()
    bounds = bounds.reindex(list(units))
    with np.errstate(divide="ignore", invalid="ignore"):
        open_log = np.log((bounds["fuel_high_ml"] / bounds["fuel_low_ml"]).to_numpy(dtype=float))
    return Signals(
        estimator,
        acts_on,
        diesel,
        trims_lacking(seen, list(used["file"].astype(str)), list(used["arm"])),
        clues,
        np.where(np.isfinite(open_log), open_log, 0.0),
        (*doubts, *_at_ceiling(used)),
        unit,
    )


def _at_ceiling(used: pd.DataFrame) -> list[Veto]:
    grams = used[SEEN[0]] * used[CEILING]
    share = (grams.groupby(used["arm"]).sum() / used[SEEN[0]].groupby(used["arm"]).sum()).max()
    if not share >= MOST_FUEL_AT_CEILING:
        return []
    return [
        Veto(
            f"undecided: the air meter stands at its ceiling over {100 * share:.1f} % of the fuel "
            "of one arm, and what it doesn't show is lost: log the engine fuel rate, or weigh the "
            "fuel",
            Against.AT_CEILING(),
        )
    ]
