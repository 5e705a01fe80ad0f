"""One vehicle's receipts held against what its runs burned: tanks, and the arms' gap.

Receipts and the vehicle's run table go in; out comes a `Filled`. The arithmetic is that of one car
(`roadlog.closure.of_tanks`), but a receipt that is wrong costs itself and the tanks that it may be
in, where one car's owner is asked to correct it.
"""

import datetime as dt
import itertools
from collections import Counter
from collections.abc import Collection, Sequence
from dataclasses import dataclass, field, replace
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from roadlog.closure.fillnote import MOST_KM_A_DAY
from roadlog.closure.ledger import OVER_NOMINAL, moment, tanks
from roadlog.closure.odd_tanks import in_part, not_full, odd_tanks, set_aside, without_full
from roadlog.closure.of_tanks import (
    NOTHING,
    ArmRatio,
    amounts_of,
    arm_ratio,
    gap_of_tanks,
    tank_rows,
)
from roadlog.fleet.facts import FillOut
from roadlog.fleet.fills import Receipt, in_gallons, wrong_goods
from roadlog.ingest.clock.handdates import turned
from roadlog.quantities.arrays import Floats
from roadlog.quantities.facts import Fact, commonest
from roadlog.stats.interval import Interval
from roadlog.study.settings import Fill, Study

NEAR = pd.Timedelta(minutes=10)  # of a run's end: tills and loggers differ by so much; no source
MOST_IN_DRIVES = 0.2  # of the fills: more, and it is the clock
LEAST_IN_DRIVES = 3
MOST_MISREAD = 1 / 3  # of the odometer readings
ONE_ARM = 0.98  # of a tank's computed fuel
_REACH = 40  # readings back, that may be wrong in a row
_MERGES = 3  # passes over the tanks
_Told = list[tuple[str, Fact]]


@dataclass(frozen=True, eq=False)
class Filled:
    """What a vehicle's fills say of its computed fuel.

    `why` says why they say nothing of the arms (None: they do); `gap` is that of one car, real fuel
    per computed fuel, fitted over baseline [%]; `ratio` the same as the fleet's model takes it.
    `tanks` are `tank_rows`; `told` what became of single fills. `scale` is litres filled for a
    litre computed, whatever the arm. Of tanks in one arm: `arm` (1 fitted), `day` since 1970, `log`
    of litres over computed litres, and `ml` computed, (n,) each.
    """

    vehicle: str
    fills: int
    why: Fact | None = None
    told: tuple[tuple[str, Fact], ...] = ()
    tanks: pd.DataFrame = field(default_factory=pd.DataFrame)
    gap: Interval = NOTHING
    ratio: ArmRatio | None = None
    scale: float = float("nan")
    arm: np.ndarray = field(default_factory=lambda: np.zeros(0, dtype=np.intp))
    day: np.ndarray = field(default_factory=lambda: np.zeros(0, dtype=np.intp))
    log: Floats = field(default_factory=lambda: np.zeros(0))
    ml: Floats = field(default_factory=lambda: np.zeros(0))


def held_fills(
    vehicle: str,
    receipts: Sequence[Receipt],
    runs: pd.DataFrame,
    study: Study,
    *,
    table: str = "fills.csv",
    by_order: bool = False,
) -> Filled:
    """Hold a vehicle's receipts against its runs.

    Parameters
    ----------
    runs : DataFrame
        Its run table, unused runs too: they burned fuel.
    study : Study
        With the vehicle's own `[vehicle]` and zone.
    table : what the table of fills is called
    by_order : whether its dates hang on which of day and month comes first
    """
    if not receipts:
        return Filled(vehicle, 0, FillOut.NONE(table=table))
    told: _Told = []
    receipts = [_on_the_logs_clock(r, study.time.zone) for r in receipts]
    runs = runs[runs["start"].notna()]
    if not len(runs):
        return Filled(vehicle, len(receipts), FillOut.NO_DATES())
    if by_order and _turned(receipts, runs):
        return Filled(vehicle, len(receipts), FillOut.TURNED())
    stretches = _stretches(_genuine(receipts, study, told), study, told)
    placed, inside = _placed(stretches, _Drives.of(runs), told)
    n = sum(map(len, stretches))
    if inside >= LEAST_IN_DRIVES and inside > MOST_IN_DRIVES * n:
        return Filled(vehicle, len(receipts), FillOut.CLOCK(n=inside, of=n), tuple(told))
    rows = _tanks(placed, runs, study, told)
    return _of_tanks(vehicle, len(receipts), rows, study, told)


def _of_tanks(
    vehicle: str, n: int, rows: pd.DataFrame, study: Study, told: Sequence[tuple[str, Fact]]
) -> Filled:
    used = rows[rows["used"].astype(bool)]
    if not len(rows):
        return Filled(vehicle, n, FillOut.TOO_FEW(), tuple(told), rows)
    if not len(used):
        why = FillOut.NO_TANK(n=len(rows), why=commonest(rows["reason"]))
        return Filled(vehicle, n, why, tuple(told), rows)
    litres, computed = amounts_of(used)
    whole = computed.sum(axis=1)
    share = computed[:, 1] / whole
    pure = np.maximum(share, 1 - share) >= ONE_ARM
    gap, ratio = gap_of_tanks(rows, study, {}), arm_ratio(rows, study)
    silent: Fact | None = None
    if (computed.sum(axis=0) <= 0).any():
        silent = FillOut.ONE_ARM()
    elif ratio is None:
        silent = FillOut.SAME_MIX()
    elif unit := in_gallons(1 + gap.estimate / 100):
        silent = FillOut.OTHER_UNIT(unit=unit)
    end = pd.to_datetime(used["end"]).to_numpy().astype("datetime64[D]").astype(np.int64)
    return Filled(
        vehicle, n, silent, tuple(told), rows,
        gap=gap, ratio=ratio if silent is None else None,
        scale=float(litres.sum() / whole.sum()),
        arm=(share[pure] > 0.5).astype(np.intp), day=end[pure].astype(np.intp),
        log=np.log(litres[pure] / whole[pure]), ml=1000 * whole[pure],
    )  # fmt: skip


def _on_the_logs_clock(receipt: Receipt, zone: str | None) -> Receipt:
    """The receipt with its time as the vehicle's logs tell it, if it names a zone and theirs is
    known; else with the time as written."""
    time = receipt.time
    if not isinstance(time, dt.datetime) or time.tzinfo is None:
        return receipt
    local = (time if zone is None else time.astimezone(ZoneInfo(zone))).replace(tzinfo=None)
    fill = None if receipt.fill is None else receipt.fill.model_copy(update={"time": local})
    return replace(receipt, time=local, fill=fill)


def _turned(receipts: Sequence[Receipt], runs: pd.DataFrame) -> bool:
    """Whether more fills lie on days that were driven with day and month the other way round."""
    driven = set(runs["start"].dt.strftime("%Y-%m-%d"))
    return turned([f"{r.time:%Y-%m-%d}" for r in receipts if r.time is not None], driven)


def _genuine(receipts: Sequence[Receipt], study: Study, told: _Told) -> list[Receipt]:
    """The receipts in order of time, without those that are no fill of this tank.

    What can't be read stays, since it may have been one: no tank is reckoned across it.
    """
    diesel = study.vehicle.fuel == "diesel"
    seen: dict[tuple[object, float], int] = {}
    kept: list[Receipt] = []
    for r in receipts:
        why = r.why or wrong_goods(r.goods, diesel=diesel)
        key = (r.time, round(r.litres, 3))
        if r.why is None and why is None and r.litres > 0 and key in seen:
            why = FillOut.TWICE(line=seen[key])
        if why is not None:
            told.append((r.what, why))
            if r.why is None or r.time is None:
                continue
        elif r.litres > 0:
            seen[key] = r.line
        kept.append(r)
    kept.sort(key=lambda r: (moment(r.time), r.line))  # type: ignore[arg-type]
    return _taken_back(kept, told)


def _taken_back(receipts: Sequence[Receipt], told: _Told) -> list[Receipt]:
    """Without fills whose litres a later line takes back, and those lines."""
    kept: list[Receipt] = []
    for r in receipts:
        if not r.litres < 0 or r.why is not None:
            kept.append(r)
            continue
        back = [k for k in kept if abs(k.litres + r.litres) < 0.005]
        if back:
            kept.remove(back[-1])
            told.append((back[-1].what, FillOut.TAKEN_BACK(line=r.line)))
        else:
            told.append((r.what, FillOut.NOTHING_TAKEN_BACK()))
            kept.append(Receipt(r.line, r.time, None, r.goods, FillOut.NOTHING_TAKEN_BACK()))
    return kept


def _stretches(receipts: Sequence[Receipt], study: Study, told: _Told) -> list[list[Receipt]]:
    """The fills cut where one can't be believed: no tank lies across."""
    misread = _misread([r.fill for r in receipts])
    tank = study.vehicle.tank_l
    out: list[list[Receipt]] = [[]]
    for r, wrong in zip(receipts, misread, strict=True):
        why = None
        if r.fill is not None and tank is not None and r.fill.litres > OVER_NOMINAL * tank:
            why = FillOut.OVERFULL(litres=f"{r.fill.litres:.1f}", tank=f"{tank:g}")
        elif r.fill is not None and wrong:
            why = FillOut.ODOMETER(km=f"{r.fill.odometer_km:,.0f}")
        if why is not None:
            told.append((r.what, why))
        if why is not None or r.fill is None:
            out.append([])
            continue
        last = out[-1][-1] if out[-1] else None
        if last is not None and last.time == r.time:  # two nozzles, or a pump that stopped
            out[-1][-1] = _together(last, r)
        else:
            out[-1].append(r)
    return [s for s in out if s]


def _together(a: Receipt, b: Receipt) -> Receipt:
    assert a.fill is not None
    assert b.fill is not None
    both = {
        "litres": a.fill.litres + b.fill.litres,
        "full": a.fill.full or b.fill.full,
        "odometer_km": a.fill.odometer_km or b.fill.odometer_km,
    }
    return Receipt(b.line, b.time, b.fill.model_copy(update=both), b.goods, litres=b.litres)


def _misread(fills: Sequence[Fill | None]) -> list[bool]:
    """Which fills' odometers don't go with the others: not in the longest run of readings that
    never goes back nor ahead by more than a car drives."""
    at = [i for i, f in enumerate(fills) if f is not None and f.odometer_km is not None]
    wrong = [False] * len(fills)
    if not at:
        return wrong
    km = [float(fills[i].odometer_km or 0) for i in at]  # type: ignore[union-attr]
    when = [moment(fills[i].time) for i in at]  # type: ignore[union-attr]
    best, before = [1] * len(at), [-1] * len(at)
    for j in range(len(at)):
        for i in range(max(0, j - _REACH), j):
            days = (when[j].normalize() - when[i].normalize()).days + 1
            ahead = 0 <= km[j] - km[i] <= MOST_KM_A_DAY * days
            if ahead and best[i] + 1 > best[j]:
                best[j], before[j] = best[i] + 1, i
    last = int(np.argmax(best))
    kept = set()
    while last >= 0:
        kept.add(at[last])
        last = before[last]
    for i in at:
        wrong[i] = i not in kept
    return wrong


@dataclass(frozen=True, eq=False)
class _Drives:
    """When a vehicle's runs began and ended, in order, with their files and the days driven."""

    start: np.ndarray
    end: np.ndarray
    files: np.ndarray
    days: frozenset[dt.date]

    @classmethod
    def of(cls, runs: pd.DataFrame) -> "_Drives":
        runs = runs.sort_values("start", kind="stable")
        start = runs["start"].to_numpy().astype("datetime64[ns]")
        seconds = 3600 * runs["hours"].fillna(0).to_numpy(dtype=float)
        end = start + (1e9 * seconds).astype("timedelta64[ns]")
        ends = (*start.astype("datetime64[D]").tolist(), *end.astype("datetime64[D]").tolist())
        return cls(start, end, runs["file"].astype(str).to_numpy(), frozenset(ends))

    def holding(self, time: dt.datetime) -> int | None:
        """The run that a moment falls into."""
        at = moment(time).to_datetime64()
        i = int(np.searchsorted(self.start, at, side="right")) - 1
        return i if i >= 0 and at < self.end[i] else None


def _placed(
    stretches: Sequence[Sequence[Receipt]], drives: _Drives, told: _Told
) -> tuple[list[list[Fill]], int]:
    """The fills with a place among the runs, and how many fall into one.

    Where a fill's place isn't known, or its odometer, no tank ends with it.
    """
    days = [_day(r.time) for s in stretches for r in s if r.time is not None]
    shared = {d for d, n in Counter(days).items() if n > 1}
    out: list[list[Fill]] = []
    inside = 0
    for stretch in stretches:
        out.append([])
        for r in stretch:
            fill, why = _place(r, drives, shared)
            inside += why is not None and why.code is FillOut.IN_A_DRIVE
            if why is not None:
                told.append((r.what, why))
            if fill is None:
                out.append([])
            else:
                out[-1].append(fill)
    return [s for s in out if s], inside


def _place(
    receipt: Receipt, drives: _Drives, shared: Collection[dt.date]
) -> tuple[Fill | None, Fact | None]:
    """The fill as it counts (None: no tank lies across it), and what is to be told of it.

    `shared` are days with more than one fill.
    """
    fill = receipt.fill
    assert fill is not None
    if fill.odometer_km is None:
        fill = in_part(fill)
    if not isinstance(fill.time, dt.datetime):
        if fill.time not in drives.days:
            return fill, None
        if fill.time in shared:
            return None, FillOut.NO_HOUR_OF_TWO()
        return in_part(fill), FillOut.NO_HOUR()
    i = drives.holding(fill.time)
    if i is None:
        return fill, None
    at = moment(fill.time)
    since, left = at - pd.Timestamp(drives.start[i]), pd.Timestamp(drives.end[i]) - at
    if since <= min(NEAR, left):
        return fill.model_copy(update={"time": at - since}), None
    if left <= NEAR:
        return fill, None
    return in_part(fill), FillOut.IN_A_DRIVE(file=drives.files[i])


def _day(time: dt.datetime | dt.date) -> dt.date:
    return time.date() if isinstance(time, dt.datetime) else time


def _tanks(
    stretches: Sequence[Sequence[Fill]], runs: pd.DataFrame, study: Study, told: _Told
) -> pd.DataFrame:
    """The tanks as `tank_rows` has them, without fills that can't have been full and odd tanks."""
    own = [list(s) for s in stretches]
    for _ in range(_MERGES + 1):
        each = [tanks(s) for s in own]
        found = list(itertools.chain(*each))
        rows = tank_rows(found, runs, study).assign(end=[t.end for t in found])
        rows = rows.set_axis(_index(each))
        off = odd_tanks(rows)
        partial = not_full(found, rows, off)
        if not partial:
            break
        told += [
            (f"{moment(f.time):%Y-%m-%d %H:%M}, {f.litres:.1f} L", FillOut.NOT_FULL())
            for f in sorted(partial, key=lambda f: moment(f.time))
        ]
        own = [without_full(s, partial) for s in own]
    return set_aside(rows, off)


def _index(each: Sequence[Sequence[object]]) -> list[int]:
    """Numbers of the tanks, with a gap where one stretch ends and the next begins."""
    out: list[int] = []
    for stretch in each:
        first = out[-1] + 2 if out else 0
        out += range(first, first + len(stretch))
    return out
