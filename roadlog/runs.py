"""Which file is which run: arm, day, switch unit and block of every log.

`study_sources` (a study folder) and `pile_sources` (two piles of files) name the files;
`build_runs` makes the run table once the logs are read.
"""

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from roadlog.errors import DesignError, InputError
from roadlog.ingest import Log, join_positions, read_alike, read_log, settle_day_first
from roadlog.ingest.datum import settled
from roadlog.results import Warned
from roadlog.study import ARMS, Order, Study, SwitchedBy, log_files
from roadlog.study import LOG_SUFFIXES as LOG_SUFFIXES
from roadlog.study import TRACK_SUFFIXES as TRACK_SUFFIXES
from roadlog.taken import sha256_of


@dataclass(frozen=True)
class Sources:
    """Which files to analyse: (path, arm or None where the schedule tells), and position tracks."""

    runs: tuple[tuple[Path, str | None], ...]
    tracks: tuple[Path, ...] = ()
    notes: Path | None = None
    root: Path | None = None

    def shown(self, path: Path) -> str:
        """The file's name as the report shows it: relative to the study where possible."""
        if self.root is not None and path.is_relative_to(self.root):
            return path.relative_to(self.root).as_posix()
        return path.name


def study_sources(folder: Path, study: Study) -> Sources:
    """The files of a study folder: `[logs]`, or `logs/baseline` and `logs/fitted` without it.

    Raises
    ------
    InputError
        If a pattern matches nothing, no log is found, or one file is in both arms.
    """
    logs = study.logs
    found: list[tuple[Path, str | None]] = [
        (p, "baseline") for p in log_files(folder, logs.baseline)
    ]
    found += [(p, "fitted") for p in log_files(folder, logs.fitted)]
    by_folder: dict[Path, str] = {}
    if not found:
        places = ((arm, folder / "logs" / arm) for arm in ARMS)
        by_folder = {p: arm for arm, place in places if place.is_dir() for p in _logs_in(place)}
    if logs.any and not (by_folder and not any(_matches(folder, logs.any))):
        found += [(p, None) for p in log_files(folder, logs.any)]
    named = {p for p, _ in found}
    found += [(p, arm) for p, arm in by_folder.items() if p not in named]
    if not found and not (study.fills or study.cans or _has_ledger(folder)):
        raise InputError(
            f"{folder}: no logs: name them in [logs] of study.toml, or put them into "
            "logs/baseline and logs/fitted"
        )
    _refuse_twice(found)
    return Sources(
        runs=tuple(found),
        tracks=tuple(log_files(folder, logs.positions, (*TRACK_SUFFIXES, *LOG_SUFFIXES))),
        notes=_if_there(folder / "notes.csv"),
        root=folder,
    )


def _matches(folder: Path, patterns: Sequence[str]) -> Iterator[bool]:
    """Whether each pattern finds a log."""
    for pattern in patterns:
        try:
            yield bool(log_files(folder, [pattern]))
        except InputError:
            yield False


def _has_ledger(folder: Path) -> bool:
    return any((folder / f"{name}.csv").is_file() for name in ("fills", "cans"))


def pile_sources(baseline: Sequence[Path], fitted: Sequence[Path]) -> Sources:
    """Two piles of log files or folders; GPX files among them supply positions.

    Raises
    ------
    InputError
        If a path is missing, a pile is empty, or one file is in both piles.
    """
    runs: list[tuple[Path, str | None]] = []
    tracks: list[Path] = []
    for arm, pile in zip(ARMS, (baseline, fitted), strict=True):
        files = [f for p in pile for f in _files_of(p)]
        tracks += [f for f in files if f.suffix.lower() in TRACK_SUFFIXES]
        logs = [f for f in files if f.suffix.lower() not in TRACK_SUFFIXES]
        if not logs:
            raise InputError(f"--{arm}: no log file in {', '.join(map(str, pile)) or 'nothing'}")
        runs += [(f, arm) for f in logs]
    _refuse_twice(runs)
    return Sources(runs=tuple(runs), tracks=tuple(dict.fromkeys(tracks)))


def with_day_order(study: Study, sources: Sources) -> Study:
    """The study with `[time] day_first` as its logs together settle it: notes follow it too.

    Raises
    ------
    InputError
        If the logs contradict each other.
    """
    files = [path for path, _ in sources.runs]
    time = settle_day_first(files, study.time, columns=study.columns)
    return study if time == study.time else study.model_copy(update={"time": time})


def read_logs(
    study: Study,
    sources: Sources,
    each: Callable[[Sequence[Path]], Iterable[Path]] = iter,
) -> list[Log]:
    """Every run's log by the study's rules, with positions from its tracks where it has none.

    Day and month order is settled over all logs together. `each` may wrap the files to show
    progress.

    Raises
    ------
    InputError
        If a file can't be read.
    """
    files = [path for path, _ in sources.runs]
    time = with_day_order(study, sources).time
    tracks = [read_log(p, columns=study.columns, time=time) for p in sources.tracks]
    logs = [read_log(p, columns=study.columns, time=time, alone=False) for p in each(files)]
    alike = read_alike(
        logs, lambda p, rules: read_log(p, columns={**study.columns, **rules}, time=time)
    )
    joined = [join_positions(g, tracks, zone=time.zone) if tracks else g for g in alike]
    return [settled(log, study.road) for log in joined]


def build_runs(
    study: Study, sources: Sources, logs: Sequence[Log], switched_by: SwitchedBy
) -> pd.DataFrame:
    """The run table: arm, day, switch unit and block of each log, in order of start.

    Raises
    ------
    InputError
        If a log has no date where the schedule needs one, or falls on a day that isn't scheduled.
    """
    rows = []
    scheduled = {
        str(day): u
        for u in (study.schedule.unit if study.schedule else ())
        for day in (u.unit, *u.also)
    }
    for i, (log, (path, arm)) in enumerate(zip(logs, sources.runs, strict=True)):
        start = pd.NaT if log.start is None else log.start.tz_localize(None)
        day = "" if log.start is None else f"{start:%Y-%m-%d}"
        name = sources.shown(path)
        entry = scheduled.get(day) or scheduled.get(name) or scheduled.get(path.name)
        if arm is None and entry is None:
            where = f"on {day}" if day else "which has no date"
            raise InputError(
                f"{name}: its arm is unknown: the schedule has no switch unit for this log "
                f"({where}); add one, or list the file under [logs] baseline or fitted"
            )
        if arm is not None and entry is not None and entry.arm != arm:
            raise InputError(
                f"{name}: listed as {arm} but scheduled as {entry.arm} on {day}: correct one"
            )
        rows.append(
            {
                "log": i,
                "file": name,
                "arm": arm or (entry.arm if entry else ""),
                "start": start,
                "day": day,
                "block": "" if entry is None or entry.block is None else str(entry.block),
                "sha256": sha256_of(path),
                "altitude_datum": log.altitude_datum,
            }
        )
    runs = pd.DataFrame(rows)
    runs["start"] = pd.to_datetime(runs["start"])
    _refuse_copies(runs)
    keys = ["start", "file"] if runs["start"].notna().all() else ["file"]
    if len(keys) == 1 and switched_by != "run" and runs["start"].isna().any():
        first = runs.loc[runs["start"].isna(), "file"].iloc[0]
        raise InputError(
            f"{first}: no date in this log, so its {switched_by} is unknown: log date and time, or "
            "say --switched-by run if the add-on was switched between runs"
        )
    runs = runs.sort_values(keys, kind="stable", ignore_index=True)
    runs.insert(0, "run", np.arange(len(runs)))
    stretch = (runs["arm"] != runs["arm"].shift()).cumsum()
    if switched_by == "day":
        runs["switch_unit"] = [str(scheduled[d].unit) if d in scheduled else d for d in runs["day"]]
    elif switched_by == "run":
        runs["switch_unit"] = runs["file"]
    else:
        runs["switch_unit"] = [f"stretch {n}" for n in stretch]
    _refuse_mixed_units(runs, switched_by)
    runs["day"] = runs["day"].where(runs["day"] != "", runs["switch_unit"])
    return runs


def drawn_by_chance(study: Study, order: Order | None, randomised: bool | None) -> bool:
    """Whether chance decided the order of arms, by the user's word or the schedule's.

    Raises
    ------
    InputError
        If the user tells an order and the study has a schedule that tells it already.
    """
    if order is None:
        return study.randomised if randomised is None else randomised
    if study.schedule is not None:
        raise InputError(
            f"--order {order}: the study's [schedule] says already how the order came about; "
            "leave one of them out"
        )
    return order in ("lots", "pairs", "blocks")


def by_order(runs: pd.DataFrame, order: Order | None, sources: Sources) -> pd.DataFrame:
    """The run table with the blocks that the user's word on the order of arms gives.

    Parameters
    ----------
    runs : DataFrame
        Of `build_runs`, in order of start.
    order : {"lots", "pairs", "blocks", "turns", "none"}, optional
        How the order came about; None keeps the schedule's own blocks. `pairs`: neighbouring
        switch units, two by two, tossed for. `blocks`: as the folder of each file inside its pile
        says (out/block1, in/block1). `lots` (one draw for the whole test), `turns` and `none`
        have no blocks.

    Raises
    ------
    InputError
        If a pair or block doesn't hold both arms, or files lie in no folder of a block.
    """
    if order is None:
        return runs
    if order == "pairs":
        place = {u: i for i, u in enumerate(runs["switch_unit"].unique())}
        block = runs["switch_unit"].map(lambda u: f"pair {place[u] // 2 + 1}")
        odd = f"pair {len(place) // 2 + 1}" if len(place) % 2 else ""
        _require_both(runs.assign(block=block), "pair", spared=odd)
        return runs.assign(block=block)
    if order == "blocks":
        block = runs["log"].map(lambda i: sources.runs[i][0].parent.name)
        _require_both(runs.assign(block=block), "block")
        return runs.assign(block=block)
    return runs.assign(block="")


def believed_units(
    runs: pd.DataFrame, switched_by: SwitchedBy, by_chance: bool
) -> tuple[pd.DataFrame, list[Warned]]:
    """The run table, days put together into stretches where days can't be believed as trials.

    Without chance in the order, n days count one by one only if the arm changed at least
    (n - 1)/2 times, rounded down: neighbouring days are alike, and long stretches that are called
    days pass that likeness off as replication. Measured in docs/calibration.md.
    """
    if switched_by != "day" or by_chance:
        return runs, []
    arms = runs.groupby("switch_unit", sort=False)["arm"].first()
    changes, least = int((arms != arms.shift()).sum()) - 1, (len(arms) - 1) // 2
    if changes >= least:
        return runs, []
    stretch = (runs["arm"] != runs["arm"].shift()).cumsum()
    told = (
        f"the arm changed {changes} time{'s' * (changes != 1)} in {len(arms)} days, and chance "
        f"didn't draw the order: days count one by one from {least} changes on, so each unbroken "
        "stretch in one arm counts as one switch unit"
    )
    units = [f"stretch {n}" for n in stretch]
    return runs.assign(switch_unit=units, block=""), [Warned("days-are-stretches", told)]


def _require_both(runs: pd.DataFrame, what: str, spared: str = "") -> None:
    arms = runs.groupby("block", sort=False)["arm"].nunique()
    lone = [b for b in arms.index[arms < 2] if b != spared]
    if lone:
        files = runs.loc[runs["block"] == lone[0], "file"]
        raise InputError(
            f"{lone[0]} ({files.iloc[0]}{', …' if len(files) > 1 else ''}) holds one arm only, "
            f"though each {what} was said to hold both"
            + (
                ": put the logs of each block into a folder of the same name in both piles "
                "(out/block1, in/block1)"
                if what == "block"
                else ": say --order none, or lots if one draw decided the whole test"
            )
        )


def require_both_arms(study: Study, sources: Sources) -> None:
    """Raise DesignError if an arm has no log at all."""
    known = {arm for _, arm in sources.runs if arm is not None}
    if any(arm is None for _, arm in sources.runs) and study.schedule:
        known |= {u.arm for u in study.schedule.unit}
    for arm in ARMS:
        if arm not in known:
            raise DesignError(
                f"no log of the {arm} arm: an effect needs runs with the add-on in and out"
            )


def _refuse_mixed_units(runs: pd.DataFrame, switched_by: SwitchedBy) -> None:
    mixed = runs.groupby("switch_unit")["arm"].nunique()
    if (mixed > 1).any():
        raise InputError(
            f"both arms were driven on {mixed.index[mixed > 1][0]}, though the study says that the "
            f"add-on was switched by {switched_by}: say --switched-by run, or correct the arms"
        )


def _refuse_twice(runs: Iterable[tuple[Path, str | None]]) -> None:
    seen: dict[Path, str | None] = {}
    for path, arm in runs:
        key = path.resolve()
        if key in seen:
            raise InputError(f"{path} is given twice ({seen[key]} and {arm}): list it once")
        seen[key] = arm


def _refuse_copies(runs: pd.DataFrame) -> None:
    twice = runs[runs["sha256"].duplicated(keep=False)]
    if not twice.empty:
        same = twice[twice["sha256"] == twice["sha256"].iloc[0]]["file"].tolist()
        raise InputError(f"{same[0]} and {same[1]} are the same log: remove one of them")


def _files_of(path: Path) -> list[Path]:
    if path.is_dir():
        return [*_logs_in(path), *_with_suffix(path, TRACK_SUFFIXES)]
    if not path.exists():
        raise InputError(f"{path} doesn't exist: name a log file or a folder of logs")
    return [path]


def _logs_in(folder: Path) -> list[Path]:
    return _with_suffix(folder, LOG_SUFFIXES)


def _with_suffix(folder: Path, suffixes: Sequence[str]) -> list[Path]:
    return sorted(
        p
        for p in folder.rglob("*")
        if p.is_file() and p.suffix.lower() in suffixes and not p.name.startswith(".")
    )


def _if_there(path: Path) -> Path | None:
    return path if path.is_file() else None
