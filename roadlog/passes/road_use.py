"""From road driven to road used: km that each arm drove, placed and used, and what took the rest.

Matched tracks, runs and passes go in; kilometres by arm and cause come out, with the warning and
the reason that they give against a firm finding. Road that is lost in one arm more than in the
other can pass for an effect, whatever the interval says: docs/road.md has the simulation.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from roadlog.passes.facts import Lost
from roadlog.quantities.against import Against
from roadlog.quantities.arms import ARMS
from roadlog.quantities.arrays import Bools, Floats, Ints
from roadlog.quantities.columns import Array, Columns, Table, columns_of
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

Cause = Fact | str  # "" where used
_FAR = 1 << 25  # cells: more than round the earth


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
    cells = {r: _cells(track) for r, track in on_road.items()}
    shared = _shared_cells(runs, cells, min_runs_per_arm)
    used = table[table["used"].astype(bool)]
    by_arm = used.groupby("segment")["arm"].nunique()
    barren = {str(s): Lost.ONE_ARM() for s in by_arm.index[by_arm < len(ARMS)]}
    parts = []
    passes_of = _passes_of(table)
    each_run = zip(runs["run"], runs["arm"], runs["reason"], samples, strict=True)
    for run, arm, reason, frame in each_run:
        if run in on_road:
            steps, code, causes = _of_track(
                on_road[run],
                passes_of(run),
                network,
                _are_in(cells[run].home, shared),
                cells[run],
                barren,
            )
            placed = float(steps[on_road[run]["traversal"] >= 0].sum())
        else:
            steps = np.diff(_driven(frame), append=np.nan)[:-1]
            code, causes = np.zeros(len(steps), np.int64), [Lost.RUN(why=reason)]
            placed = 0.0
        km = _by_cause(steps / 1000, code, causes)
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


def _passes_of(table: pd.DataFrame) -> Callable[[int], tuple[Array, Array]]:
    """Reason and segment of a run's passes on segments, in their order."""
    of_run = table["run"].to_numpy()
    on = np.flatnonzero((table["segment"] != "").to_numpy(bool))
    on = on[np.argsort(of_run[on], kind="stable")]
    runs, reason, segment = (
        a[on] for a in (of_run, *(table[c].to_numpy(object) for c in ("reason", "segment")))
    )

    def of(run: int) -> tuple[Array, Array]:
        first, last = np.searchsorted(runs, [run, run + 1])
        return reason[first:last], segment[first:last]

    return of


def _are_in(numbers: Ints, ordered: Ints) -> Bools:
    """Whether each number is among those, which are in order."""
    if not len(ordered):
        return np.zeros(len(numbers), bool)
    at = np.minimum(np.searchsorted(ordered, numbers), len(ordered) - 1)
    return np.asarray(ordered[at] == numbers, bool)


def _apart(km: pd.Series, set_aside: bool) -> float:
    """Kilometres that nobody meant to use."""
    codes = [getattr(cause, "code", None) for cause in km.index]
    planned = [code in (Lost.WASHOUT, Lost.ELSEWHERE) for code in codes]
    return float(km.sum() if set_aside else km[planned].sum())


def _by_cause(km: Floats, code: Ints, named: Sequence[Cause]) -> pd.Series:
    """Sums by cause, in the order of their sentences; `code` numbers the causes in `named`."""
    code, met = pd.factorize(code)
    causes = np.empty(len(met), object)
    causes[:] = [named[int(c)] for c in met]
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
    mine: tuple[Array, Array],
    network: Network,
    on_shared: Bools,
    cells: "_Cells",
    barren: Mapping[str, Fact],
) -> tuple[Floats, Ints, list[Cause]]:
    """Metres of each sample's step, and which of the causes they were lost to ("" where used)."""
    steps = np.append(np.diff(track.floats("d_m")), 0.0)
    entry = track["traversal"].astype(np.int64)
    number: dict[Cause, int] = {}
    code = np.full(len(track), number.setdefault(Lost.NO_POSITION(), 0))
    if network.kind == "road":
        astray, elsewhere = (
            number.setdefault(why, len(number)) for why in (Lost.ASTRAY(), Lost.ELSEWHERE())
        )
        code[cells.known] = np.where(on_shared, astray, elsewhere)
    else:
        off = network.off.get(int(track["run"][0]), Lost.AT_REST())
        code[:] = number.setdefault(off, len(number))
    entries = np.unique(entry[entry >= 0])
    for which, reason, segment in zip(entries, *mine, strict=True):
        why = reason or barren.get(segment, "")
        code[entry == which] = number.setdefault(why, len(number))
    return steps, code, list(number)


@dataclass(frozen=True)
class _Cells:
    """A run's cells of place and heading as numbers, alike in all runs."""

    known: Bools
    home: Ints
    beside: Ints


def _cells(track: Columns) -> _Cells:
    """Which samples have a position, their cells of place and heading, and the next heading's.

    Headings are in eighths of a turn, so that a road near the edge of one is in both.
    """
    at = np.column_stack([track.floats("x_m"), track.floats("y_m")])
    known = np.isfinite(at).all(axis=1)
    at = at[known]
    if len(at) < 2:
        none = np.empty(0, dtype=np.int64)
        return _Cells(np.zeros(len(track), bool), none, none)
    reach = min(HEADING_SAMPLES, len(at) - 1)
    ahead = np.vstack([at[reach:], np.repeat(at[-1:], reach, axis=0)])
    behind = np.vstack([np.repeat(at[:1], reach, axis=0), at[:-reach]])
    turn = np.arctan2(*(ahead - behind).T[::-1]) / (2 * np.pi) * 8
    place = np.floor(at / CELL_M)
    home = np.round(turn)
    other = np.where(turn > home, home + 1, home - 1)
    i, j = place.T.astype(np.int64) + _FAR
    number = (i * (2 * _FAR) + j) * 8
    return _Cells(
        known, number + (home % 8).astype(np.int64), number + (other % 8).astype(np.int64)
    )


def _shared_cells(runs: pd.DataFrame, cells: Mapping[int, _Cells], k: int) -> Ints:
    """Cells of place and heading that at least k runs of either arm were in."""
    arm_of = dict(zip(runs["run"], runs["arm"], strict=True))
    none = np.empty(0, dtype=np.int64)
    by_arm = [
        np.concatenate(
            [
                none,
                *(
                    np.unique(np.concatenate([of.home, of.beside]))
                    for run, of in cells.items()
                    if arm_of[run] == arm
                ),
            ]
        )
        for arm in ARMS
    ]
    every, index = np.unique(np.concatenate(by_arm), return_inverse=True)
    split = np.split(index.ravel(), [len(by_arm[0])])
    runs_in = [np.bincount(of_arm, minlength=len(every)) for of_arm in split]
    return np.asarray(every[np.minimum(*runs_in) >= k])


def _driven(samples: pd.DataFrame) -> Floats:
    nowhere = np.full(len(samples), np.nan)
    return travelled(samples, nowhere, nowhere)


def _said(use: ArmUse) -> str:
    lost = "; ".join(f"{km:.0f} km {cause}" for cause, km in use.lost[:3] if km >= 0.5)
    return (
        f"used {use.used_km:.0f} of {use.driven_km:.0f} km driven, {100 * use.share:.0f} % of what "
        f"could be used ({lost or 'lost in small parts'})"
    )
