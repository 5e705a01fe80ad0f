"""One drive in two logs: samples of all runs go in, the pairs that hold one drive come out.

Counted twice in one arm a drive passes for two, and in both arms it speaks for and against itself.
A copy is told by its readings alone, whatever its clock says; two loggers in one car by their
clocks and their speed.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from itertools import combinations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from roadlog.errors import InputError
from roadlog.ingest.copied import LEAST_SHARED, SHARE, Marks, changes_of
from roadlog.ingest.facts import Beside
from roadlog.ingest.log import Log
from roadlog.quantities.arrays import Floats
from roadlog.quantities.columns import Table
from roadlog.quantities.facts import Fact, Warned
from roadlog.quantities.signals import POSITION, signal

WINDOW_S = 60  # of speed, second by second, that no second drive repeats to the tenth of a km/h
LEAST_SPREAD_KMH = 3.0  # of a window: standing and steady driving repeat themselves
COPIED_SHARE = 0.5  # of the shorter log's windows
LEAST_WINDOWS = 60
LEAST_CHANGES = 100  # of speed, which two drives don't share
HASH_FACTOR = np.uint64(0x9E3779B97F4A7C15)  # odd, with bits all over
LEAST_OVERLAP_S = 60.0
CLOCKS_APART_S = 90  # that two loggers of one drive may be
LEAST_LIKENESS = 0.95  # correlation of the speeds in the time that both hold


@dataclass(frozen=True)
class Twice:
    """`same` are pairs of runs that hold one drive, `clash` pairs of one time and two drives."""

    same: tuple[tuple[int, int], ...] = ()
    clash: tuple[tuple[int, int], ...] = ()
    set_aside: Mapping[int, Fact] = field(default_factory=dict)
    warnings: tuple[Warned, ...] = ()


def same_readings(samples: Sequence[Table]) -> list[tuple[int, int]]:
    """Pairs of logs that repeat each other's readings second by second, whatever their clocks say.

    Two cars in one convoy don't: only the same drive repeats itself to the tenth of a km/h.
    """
    readings = _readings(samples)
    found = _copied([_speed(s) for s in samples])
    return sorted(pair for pair in found if not _told_apart(*pair, samples, readings))


def logged_twice(runs: pd.DataFrame, samples: Sequence[Table]) -> Twice:
    """Runs that hold the same drive, the poorer log of each set aside.

    Parameters
    ----------
    runs : DataFrame
        `run`, `file`, `arm`, `start` of each, in order of start.
    samples : sequence of DataFrame
        `tables.SAMPLES`, one a run.

    Returns
    -------
    Twice
        In `set_aside` run number to reason. The log with more signals is kept, then the longer,
        then the first: nothing that the add-on can change.

    Raises
    ------
    InputError
        If one drive is in both arms.
    """
    speeds = [_speed(s) for s in samples]
    readings = _readings(samples)
    copies = {pair for pair in _copied(speeds) if not _told_apart(*pair, samples, readings)}
    overlaps = _overlapping(runs, speeds)
    same = sorted(copies | {p for p in overlaps if _alike(*p, runs, speeds)})
    clash = tuple(sorted(overlaps - set(same)))
    files, arms = runs["file"].astype(str).tolist(), runs["arm"].tolist()
    for a, b in same:
        if arms[a] != arms[b]:
            raise InputError(
                f"{files[a]} ({arms[a]}) and {files[b]} ({arms[b]}) hold the same drive, which "
                "can't belong to both arms: correct its arm, or leave one of the two out"
            )
    worth = [(len(s.columns), len(s), -i) for i, s in enumerate(samples)]
    aside: dict[int, int] = {}
    for a, b in same:
        if a in aside or b in aside:
            continue
        keep, drop = (a, b) if worth[a] >= worth[b] else (b, a)
        aside[drop] = keep
    numbers = runs["run"].tolist()
    return Twice(
        tuple(same),
        clash,
        {int(numbers[d]): Beside.SAME_DRIVE(log=files[k]) for d, k in aside.items()},
        (
            *(
                Warned("logged-twice", Beside.LOGGED_TWICE(log=files[k]), files[d])
                for d, k in aside.items()
            ),
            *(
                Warned("clocks-clash", Beside.CLOCKS_CLASH(log=files[b]), files[a])
                for a, b in clash
            ),
        ),
    )  # fmt: skip


def same_speeds(logs: Sequence[Log]) -> list[str]:
    """Logs that hold one drive as it was polled, whatever their clocks say, one sentence a pair.

    For logs that aren't samples of a study's runs yet (`roadlog.check`).
    """
    said = []
    seen: dict[bytes, int] = {}
    frames = [log.frame for log in logs]
    readings = _readings(frames)
    for i, log in enumerate(logs):
        if (key := _speed_key(log.frame)) is None:
            continue
        first = seen.setdefault(key, i)
        if first != i and not _told_apart(first, i, frames, readings):
            said.append(
                f"{logs[first].path.name} and {log.path.name} hold the same speeds from first to "
                "last, so one drive counts twice: leave one out"
            )
    return said


def _speed_key(frame: pd.DataFrame) -> bytes | None:
    """The speeds of a drive, None of one that is too short or too even to be told by them."""
    speeds = _speed(frame)
    speeds = speeds[np.isfinite(speeds)]
    if (np.diff(speeds) != 0).sum() < LEAST_CHANGES:
        return None
    return np.round(speeds, 2).tobytes()


def _speed(samples: Table) -> Floats:
    return signal(samples, "speed_kmh")


def _copied(speeds: Sequence[Floats]) -> set[tuple[int, int]]:
    """Pairs that share most of their windows of speed to the tenth, and all that they link."""
    from scipy.sparse.csgraph import connected_components

    marks = [_windows(v) for v in speeds]
    owner = np.repeat(np.arange(len(marks)), [len(m) for m in marks])
    order = np.lexsort((owner, whole := np.concatenate([np.empty(0, np.uint64), *marks])))
    whole, owner = whole[order], owner[order]
    twice = np.flatnonzero(whole[1:] == whole[:-1])
    shared = np.zeros((len(marks), len(marks)), dtype=np.int64)
    np.add.at(shared, (owner[twice], owner[twice + 1]), 1)
    link = np.zeros_like(shared)
    for a, b in np.argwhere(shared >= LEAST_WINDOWS):
        link[a, b] = shared[a, b] >= COPIED_SHARE * min(len(marks[a]), len(marks[b]))
    group = connected_components(link, directed=False)[1]
    return {(a, b) for a, b in combinations(range(len(marks)), 2) if group[a] == group[b]}


def _readings(frames: Sequence[Table]) -> Callable[[int, str], Marks]:
    """The changes of one column of one run, made once however many runs it is held against."""

    @cache
    def of(i: int, name: str) -> Marks:
        return changes_of(signal(frames[i], name))

    return of


def _told_apart(
    a: int, b: int, frames: Sequence[Table], readings: Callable[[int, str], Marks]
) -> bool:
    """Whether two runs of one trace of speed (a bench's, a program's) differ in all else."""
    differ = False
    for name in frames[a].columns:
        if name not in frames[b].columns or name in ("t_s", "dt_s", "speed_kmh", *POSITION):
            continue
        ours, theirs = readings(a, name), readings(b, name)
        fewer = min(len(ours), len(theirs))
        if fewer >= LEAST_SHARED:
            if len(np.intersect1d(ours, theirs)) >= max(LEAST_SHARED, SHARE * fewer):
                return False
            differ = True
    return differ


def _windows(speed: Floats) -> NDArray[np.uint64]:
    """One number for each different minute of changing speed (a rolling hash modulo 2^64)."""
    n = len(speed) - WINDOW_S + 1
    if n < 1:
        return np.empty(0, np.uint64)
    known = np.isfinite(speed)
    value = np.where(known, np.clip(speed, 0, 1000), 0.0)

    def over_window(x: Floats) -> Floats:
        sums = np.concatenate([[0.0], np.cumsum(x)])
        return np.asarray(sums[WINDOW_S:] - sums[:-WINDOW_S], np.float64)

    mean = over_window(value) / WINDOW_S
    spread = over_window(value**2) / WINDOW_S - mean**2
    tells = (over_window(known.astype(float)) == WINDOW_S) & (spread >= LEAST_SPREAD_KMH**2)
    digits = np.round(10 * value).astype(np.uint64)
    mark = np.zeros(n, np.uint64)
    for k in range(WINDOW_S):
        mark = mark * HASH_FACTOR + digits[k : k + n]
    return np.unique(mark[tells])


def _overlapping(runs: pd.DataFrame, speeds: Sequence[Floats]) -> set[tuple[int, int]]:
    """Pairs that share over a minute by their clocks; a log with a date alone has none."""
    start = runs["start"]
    dated = [
        i for i, t in enumerate(start) if not pd.isna(t) and t != t.normalize()
    ]  # fmt: skip
    dated.sort(key=lambda i: start.iloc[i])
    found = set()
    for n, a in enumerate(dated):
        end = start.iloc[a] + pd.Timedelta(len(speeds[a]), unit="s")
        for b in dated[n + 1 :]:
            last = min(end, start.iloc[b] + pd.Timedelta(len(speeds[b]), unit="s"))
            if start.iloc[b] >= end:
                break
            if (last - start.iloc[b]).total_seconds() > LEAST_OVERLAP_S:
                found.add((min(a, b), max(a, b)))
    return found


def _alike(a: int, b: int, runs: pd.DataFrame, speeds: Sequence[Floats]) -> bool:
    """Whether two logs of one time show one drive, their clocks some seconds apart."""
    by_clock = round((runs["start"].iloc[b] - runs["start"].iloc[a]).total_seconds())
    best = 0.0
    for shift in range(by_clock - CLOCKS_APART_S, by_clock + CLOCKS_APART_S + 1):
        x = speeds[a][max(shift, 0) :]
        y = speeds[b][max(-shift, 0) :]
        n = min(len(x), len(y))
        known = np.isfinite(x[:n]) & np.isfinite(y[:n])
        if known.sum() < LEAST_OVERLAP_S:
            continue
        x, y = x[:n][known], y[:n][known]
        if min(x.std(), y.std()) > 0:
            best = max(best, float(np.corrcoef(x, y)[0, 1]))
    return best >= LEAST_LIKENESS
