"""From road driven to road used: km that each arm drove, placed and used, and what took the rest.

Matched tracks, runs and passes go in; kilometres by arm and cause come out, with the warning and
the reason that they give against a firm finding. Road that is lost in one arm more than in the
other can pass for an effect, whatever the interval says: docs/road.md has the simulation.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from roadlog.passes.facts import Lost
from roadlog.quantities.against import Against
from roadlog.quantities.arms import ARMS
from roadlog.quantities.arrays import Floats, Ints
from roadlog.quantities.columns import Columns, Table, columns_of
from roadlog.quantities.facts import Fact, Veto, Warned
from roadlog.road.network import Network
from roadlog.road.trace import travelled
from roadlog.wording.alike import alike

WARN_BELOW = 0.80
LEAST_SHARE = 0.60  # for a firm finding: tests/studies/lost_road.py
UNEVEN_WHEELS = 0.01
LEAST_RUNS = 3
CELL_M = 150.0  # places this near count as one, so that an astray receiver is still on its road

HEADING_SAMPLES = 5

Causes = NDArray[np.object_]
Cell = tuple[int, int, int]


@dataclass(frozen=True)
class ArmUse:
    """One arm's road: km driven, placed on shared road and used, and km lost by cause.

    `share` is what is used of the km that could have been: without washout, drives set aside by
    words agreed beforehand, and roads that too few runs of both arms drive.
    """

    driven_km: float
    placed_km: float
    used_km: float
    share: float
    lost: tuple[tuple[str, float], ...]


@dataclass(frozen=True)
class RoadUse:
    """Both arms' road, and each run's: `runs` has `run`, `driven_km`, `placed_km`, `used_km`."""

    arms: dict[str, ArmUse]
    runs: pd.DataFrame


def lost_warnings(use: RoadUse) -> list[Warned]:
    """A sentence for each arm that lost more than a fifth of its road."""
    return [
        Warned("road-lost", f"the {arm} arm {_said(mine)}")
        for arm, mine in use.arms.items()
        if mine.share < WARN_BELOW
    ]


def lost_blocking(use: RoadUse) -> list[str]:
    """Why no firm finding can rest on so little of the road; empty if it can."""
    return [
        Veto(
            f"undecided: the {arm} arm {_said(mine)}; under {100 * LEAST_SHARE:.0f} %, which road "
            "is left can pass for an effect",
            Against.LITTLE_ROAD(),
        )
        for arm, mine in use.arms.items()
        if mine.share < LEAST_SHARE
    ]


def uneven_wheels(table: pd.DataFrame) -> list[str]:
    """Why no firm finding can rest on wheels that measure the same road differently by arm.

    Parameters
    ----------
    table : DataFrame
        `tables.PASSES` with `length_ratio`, wheel distance over the segment's length.

    Notes
    -----
    Fuel for a distance is wrong by what the distance is wrong by, so a speed that reads 3 % more in
    one arm is an effect of -3 %. Welch's interval over runs; tyres and pressure make under 1 %
    (common practice, no source).
    """
    if "length_ratio" not in table.columns:
        return []
    used = table[table["used"].astype(bool) & (table["length_ratio"] > 0)]
    logs = pd.Series(np.log(used["length_ratio"].to_numpy(float)), index=used.index)
    by_run = logs.groupby([used["arm"], used["run"]]).median()
    each = [by_run.xs(arm).to_numpy() for arm in ARMS if arm in by_run.index.get_level_values(0)]
    if len(each) < len(ARMS) or min(map(len, each)) < LEAST_RUNS:
        return []
    apart = float(each[1].mean() - each[0].mean())
    error = float(np.sqrt(sum(x.var(ddof=1) / len(x) for x in each)))
    if abs(apart) < UNEVEN_WHEELS or abs(apart) < 3 * error:
        return []
    longer = "longer" if apart > 0 else "shorter"
    return [
        Veto(
            f"undecided: by the logged speed the same road is {abs(100 * np.expm1(apart)):.1f} % "
            f"{longer} in the fitted arm than in the baseline: speed, tyres or clock differ "
            "between the arms, and fuel for a distance with them",
            Against.WHEELS(),
        )
    ]


def road_use(
    runs: pd.DataFrame,
    samples: Sequence[pd.DataFrame],
    tracks: Mapping[int, Table],
    table: pd.DataFrame,
    network: Network,
    *,
    set_aside: Sequence[int] = (),
    min_runs_per_arm: int = 2,
) -> RoadUse:
    """Account for every kilometre driven.

    Parameters
    ----------
    runs : DataFrame
        `run`, `arm`, `used`, `reason` as metered, before passes are judged.
    samples : sequence of DataFrame
        `tables.SAMPLES`, one a run, for the runs that count for nothing.
    tracks : mapping of run to DataFrame
        `tables.TRACK` of the runs that count, with `d_m`.
    table : DataFrame
        `tables.PASSES`.
    set_aside : sequence of int
        Runs that agreed words set aside.
    min_runs_per_arm : int
        Runs of either arm that make a road shared.
    """
    on_road = {r: columns_of(t) for r, t in tracks.items()}
    shared = _shared_cells(runs, on_road, min_runs_per_arm)
    used = table[table["used"].astype(bool)]
    by_arm = used.groupby("segment")["arm"].nunique()
    barren = {str(s): Lost.ONE_ARM() for s in by_arm.index[by_arm < len(ARMS)]}
    parts = []
    each_run = zip(runs["run"], runs["arm"], runs["reason"], samples, strict=True)
    for run, arm, reason, frame in each_run:
        if run in on_road:
            mine = table[(table["run"] == run) & (table["segment"] != "")]
            steps, cause = _of_track(on_road[run], mine, network, shared, barren)
            placed = float(steps[on_road[run]["traversal"] >= 0].sum())
        else:
            steps = np.diff(_driven(frame), append=np.nan)[:-1]
            cause = np.full(len(steps), Lost.RUN(why=reason), object)
            placed = 0.0
        km = _by_cause(steps / 1000, cause)
        parts.append(
            {
                "run": run, "arm": arm, "driven_km": float(km.sum()),
                "placed_km": placed / 1000, "used_km": float(km.get("", 0.0)),
                "apart_km": _apart(km, run in set_aside), "lost": km.drop("", errors="ignore"),
            }
        )  # fmt: skip
    each = pd.DataFrame(parts)
    arms: dict[str, ArmUse] = {arm: _summed(each[each["arm"] == arm]) for arm in ARMS}
    return RoadUse(arms, each[["run", "driven_km", "placed_km", "used_km"]])


def _apart(km: pd.Series, set_aside: bool) -> float:
    """Kilometres that nobody meant to use."""
    codes = [getattr(cause, "code", None) for cause in km.index]
    planned = [code in (Lost.WASHOUT, Lost.ELSEWHERE) for code in codes]
    return float(km.sum() if set_aside else km[planned].sum())


def _by_cause(km: Floats, cause: Causes) -> pd.Series:
    """Sums by cause, in the order of their sentences."""
    code, causes = pd.factorize(cause)
    order = np.argsort([str(c) for c in causes])
    sums = pd.Series(km).groupby(np.argsort(order)[code]).sum()
    return sums.set_axis(causes[order])


def _summed(each: pd.DataFrame) -> ArmUse:
    lost = pd.concat(each["lost"].tolist()) if len(each) else pd.Series(dtype=float)
    told = alike(lost.index.tolist(), lost.tolist())
    driven, used = float(each["driven_km"].sum()), float(each["used_km"].sum())
    wanted = driven - float(each["apart_km"].sum())
    return ArmUse(
        driven,
        float(each["placed_km"].sum()),
        used,
        min(used / wanted, 1.0) if wanted > 0 else 0.0,
        tuple((cause, km) for cause, km in told if km >= 0.05),
    )


def _of_track(
    track: Columns,
    mine: pd.DataFrame,
    network: Network,
    shared: set[Cell],
    barren: Mapping[str, Fact],
) -> tuple[Floats, Causes]:
    """Metres of each sample's step, and what they were lost to ("" where used)."""
    steps = np.append(np.diff(track.floats("d_m")), 0.0)
    entry = track["traversal"].astype(np.int64)
    cause = np.full(len(track), Lost.NO_POSITION(), dtype=object)
    if network.kind == "road":
        known, home, _ = _cells(track)
        astray, elsewhere = Lost.ASTRAY(), Lost.ELSEWHERE()
        cause[known] = [astray if c in shared else elsewhere for c in map(tuple, home.tolist())]
    else:
        cause[:] = network.off.get(int(track["run"][0]), Lost.AT_REST())
    entries = np.unique(entry[entry >= 0])
    for number, reason, segment in zip(entries, mine["reason"], mine["segment"], strict=True):
        cause[entry == number] = reason or barren.get(segment, "")
    return steps, cause


def _cells(track: Columns) -> tuple[NDArray[np.bool_], Ints, Ints]:
    """Which samples have a position, their cells of place and heading, and the next heading's.

    Headings are in eighths of a turn, so that a road near the edge of one is in both.
    """
    at = np.column_stack([track.floats("x_m"), track.floats("y_m")])
    known = np.isfinite(at).all(axis=1)
    at = at[known]
    if len(at) < 2:
        none = np.empty((0, 3), dtype=np.int64)
        return np.zeros(len(track), bool), none, none
    reach = min(HEADING_SAMPLES, len(at) - 1)
    ahead = np.vstack([at[reach:], np.repeat(at[-1:], reach, axis=0)])
    behind = np.vstack([np.repeat(at[:1], reach, axis=0), at[:-reach]])
    turn = np.arctan2(*(ahead - behind).T[::-1]) / (2 * np.pi) * 8
    place = np.floor(at / CELL_M)
    home = np.column_stack([place, np.round(turn) % 8]).astype(np.int64)
    other = np.where(turn > np.round(turn), np.round(turn) + 1, np.round(turn) - 1)
    beside = np.column_stack([place, other % 8]).astype(np.int64)
    return known, home, beside


def _shared_cells(runs: pd.DataFrame, tracks: Mapping[int, Columns], k: int) -> set[Cell]:
    """Cells of place and heading that at least k runs of either arm were in."""
    arm_of = dict(zip(runs["run"], runs["arm"], strict=True))
    found = []
    for run, track in tracks.items():
        cells = np.unique(np.vstack(_cells(track)[1:]), axis=0)
        found.append(pd.DataFrame(cells, columns=["i", "j", "turn"]).assign(arm=arm_of[run]))
    every = pd.concat(found) if found else pd.DataFrame(columns=["i", "j", "turn", "arm"])
    counts = every.groupby(["i", "j", "turn", "arm"]).size().unstack(fill_value=0)
    enough = counts.reindex(columns=list(ARMS), fill_value=0).min(axis=1) >= k
    return {(int(i), int(j), int(turn)) for i, j, turn in counts.index[enough]}


def _driven(samples: pd.DataFrame) -> Floats:
    nowhere = np.full(len(samples), np.nan)
    return travelled(samples, nowhere, nowhere)


def _said(use: ArmUse) -> str:
    lost = "; ".join(f"{km:.0f} km {cause}" for cause, km in use.lost[:3] if km >= 0.5)
    return (
        f"used {use.used_km:.0f} of {use.driven_km:.0f} km driven, {100 * use.share:.0f} % of what "
        f"could be used ({lost or 'lost in small parts'})"
    )
