"""Which file is which run: arm, day, switch unit and block of every log.

`study_sources` (a study folder) and `pile_sources` (two piles of files) name the files;
`build_runs` makes the run table once the logs are read.
"""

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

import numpy as np
import pandas as pd
from pandas.api.typing import NaTType

from roadlog.errors import DesignError, InputError
from roadlog.ingest import Log, join_positions, read_alike, read_log, settle_day_first
from roadlog.ingest.datum import settled
from roadlog.quantities.arms import ARMS
from roadlog.runs.run_list import Listed, RunList, read_run_list
from roadlog.runs.taken import sha256_of
from roadlog.runs.undated import GIVE, natural, order_of_undated
from roadlog.runs.vehicle_numbers import hidden_vin, numbers_at_head
from roadlog.study.folder import LOG_SUFFIXES as LOG_SUFFIXES
from roadlog.study.folder import TRACK_SUFFIXES as TRACK_SUFFIXES
from roadlog.study.folder import load_study, log_files, refuse_fleet
from roadlog.study.settings import Study, SwitchedBy

RUN_LIST, CONTROL_RUN_LIST = "runs.csv", "control_runs.csv"
BY_NAME = "their names"


@dataclass(frozen=True)
class Sources:
    """Which files to analyse: (path, arm or None where the schedule tells), and position tracks.

    `listed` is the user's list of runs, where there is one; `control` the logs of a control car,
    which are of no arm.
    """

    runs: tuple[tuple[Path, str | None], ...]
    tracks: tuple[Path, ...] = ()
    notes: Path | None = None
    root: Path | None = None
    listed: Path | None = None
    control: tuple[Path, ...] = ()

    def shown(self, path: Path) -> str:
        """The file's name as the report shows it: relative to the study where possible.

        In piles the bare name, with its folder where another log is called the same.
        """
        if self.root is not None and path.is_relative_to(self.root):
            return path.relative_to(self.root).as_posix()
        alike = sum(p.name == path.name for p, _ in self.runs) > 1
        return f"{path.parent.name}/{path.name}" if alike else path.name


def open_study(folder: Path | str) -> tuple[Study, Sources]:
    """A study folder's settings and its files, as `analyse` and `check_study` take them.

    Raises
    ------
    InputError
        If `study.toml` is missing or wrong, or its logs aren't found.

    >>> study, sources = open_study("sample_logs")
    >>> study.device.name, len(sources.runs)
    ('Bramble collar (invented)', 24)
    """
    study = load_study(Path(folder))
    return study, study_sources(Path(folder), study)


def study_sources(folder: Path, study: Study) -> Sources:
    """The files of a study folder: `[logs]`, or `logs/baseline` and `logs/fitted` without it.

    Raises
    ------
    InputError
        If a pattern matches nothing, no log is found, one file is in both arms, or it is a fleet.
    """
    refuse_fleet(folder, study)
    logs = study.logs
    control = control_logs(folder, study)
    found: list[tuple[Path, str | None]] = [
        (p, "baseline") for p in log_files(folder, logs.baseline)
    ]
    found += [(p, "fitted") for p in log_files(folder, logs.fitted)]
    by_folder: dict[Path, str] = {}
    if not found:
        places = ((arm, folder / "logs" / arm) for arm in ARMS)
        by_folder = {p: arm for arm, place in places if place.is_dir() for p in _logs_in(place)}
    if logs.any and not (by_folder and not any(_matches(folder, logs.any))):
        left = [p for p in log_files(folder, logs.any) if p not in control]
        if not (left or found or by_folder):
            raise InputError(
                f"{folder}: every log that `any` in [logs] finds is the control car's: add the "
                "test car's logs, or correct logs of [control]"
            )
        found += [(p, None) for p in left]
    named = {p for p, _ in found}
    found += [(p, arm) for p, arm in by_folder.items() if p not in named]
    if not found and not (study.fills or study.cans or _has_ledger(folder)):
        raise InputError(
            f"{folder}: no logs: name them in [logs] of study.toml, or put them into "
            "logs/baseline and logs/fitted"
        )
    _refuse_twice(found)
    for path, arm in found:
        if path in control:
            raise InputError(
                f"{path} is given as a run of the {arm} arm and as one of the control car: correct "
                "[logs], or logs of [control], which never has the add-on"
            )
    return Sources(
        runs=tuple(found),
        control=control,
        tracks=tuple(log_files(folder, logs.positions, (*TRACK_SUFFIXES, *LOG_SUFFIXES))),
        notes=_if_there(folder / "notes.csv"),
        root=folder,
        listed=_if_there(folder / RUN_LIST),
    )


def control_logs(folder: Path, study: Study) -> tuple[Path, ...]:
    """The control car's logs by `[control]`; none without it, or as long as none is there."""
    if study.control is None:
        return ()
    patterns = [p for p in study.control.logs if any(_matches(folder, [p]))]
    return tuple(log_files(folder, patterns))


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

    >>> logs = Path("sample_logs/logs")
    >>> out = [logs / "synthetic_2026-03-02_0710_out.csv"]
    >>> fitted = [logs / "synthetic_2026-03-03_0713_out.csv"]
    >>> [arm for _, arm in pile_sources(out, fitted).runs]
    ['baseline', 'fitted']
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


def listed_sources(path: Path) -> Sources:
    """The logs that a list of runs names, relative to its folder, with the arms that it tells.

    Raises
    ------
    InputError
        If the list can't be read, a log is missing, or a line tells no arm.
    """
    runs: list[tuple[Path, str | None]] = []
    for row in read_run_list(path).rows:
        log = path.parent / row.file
        if not log.is_file():
            raise InputError(f"{path}: line {row.line}: {log} doesn't exist: correct the name")
        if not row.arm:
            raise InputError(
                f"{path}: line {row.line}: no arm: write baseline or fitted in a column 'arm', or "
                "give the two piles with --baseline and --fitted"
            )
        runs.append((log, row.arm))
    _refuse_twice(runs)
    return Sources(runs=tuple(runs), listed=path)


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
    read: Callable[..., Log] = read_log,
    every: Callable[[Callable[[Path], Log], Sequence[Path]], Iterable[Log]] = map,
    *,
    order_settled: bool = False,
) -> list[Log]:
    """Every run's log by the study's rules, with positions from its tracks where it has none.

    Day and month order is settled over all logs together, unless it has been (`with_day_order`).
    `each` may wrap the files to show progress, `read` is what reads one, `every` reads them all.

    Raises
    ------
    InputError
        If a file can't be read.

    >>> study, sources = open_study("sample_logs")
    >>> logs = read_logs(study, sources)
    >>> len(logs), f"{logs[0].start:%Y-%m-%d %H:%M}"
    (24, '2026-03-02 07:10')
    """
    files = [path for path, _ in sources.runs]
    time = study.time if order_settled else with_day_order(study, sources).time
    tracks = [read(p, columns=study.columns, time=time) for p in sources.tracks]
    found = every(lambda p: read(p, columns=study.columns, time=time, alone=False), files)
    logs = [log for _, log in zip(each(files), found, strict=True)]
    alike = read_alike(
        logs, lambda p, rules: read(p, columns={**study.columns, **rules}, time=time)
    )
    joined = [join_positions(g, tracks, zone=time.zone) if tracks else g for g in alike]
    return [settled(log, study.road) for log in joined]


def build_runs(
    study: Study,
    sources: Sources,
    logs: Sequence[Log],
    switched_by: SwitchedBy,
) -> pd.DataFrame:
    """The run table: arm, day, switch unit and block of each log, in order of driving.

    Returns
    -------
    DataFrame
        Its `attrs["told_by"]` says what told the order where not every log has a date, else "".

    Raises
    ------
    InputError
        If a log has no date where it is needed, or falls on a day that isn't scheduled.
    DesignError
        If the schedule is sealed.

    >>> study, sources = open_study("sample_logs")
    >>> runs = build_runs(study, sources, read_logs(study, sources), "day")
    >>> runs.groupby("arm")["switch_unit"].nunique().to_dict()
    {'baseline': 6, 'fitted': 6}
    """
    refuse_sealed(study)
    scheduled = {
        str(day): u
        for u in (study.schedule.unit if study.schedule else ())
        for day in (u.unit, *u.also)
    }
    listed = _listed(study, sources)
    rows = []
    for i, (log, (path, arm)) in enumerate(zip(logs, sources.runs, strict=True)):
        start = pd.NaT if log.start is None else log.start.tz_localize(None)
        name, said = sources.shown(path), listed.get(i)
        day = _day(name, start, said)
        key = next((k for k in (day, name, path.name) if k in scheduled), "")
        entry = scheduled.get(key)
        told = {
            "listed as {}": arm,
            "scheduled as {}": None if entry is None else entry.arm,
            "called {} in the list of runs": (said.arm if said else "") or None,
        }
        block = "" if entry is None or entry.block is None else str(entry.block)
        rows.append(
            {
                "log": i,
                "file": name,
                "arm": _one_arm(name, day, told),
                "start": start,
                "day": day,
                "block": block or (said.block if said else ""),
                "sha256": sha256_of(path),
                "altitude_datum": log.altitude_datum,
                "unit": key,
                "vehicle_numbers": _vehicle_numbers(path, said),
                **({} if said is None else said.began),
            }
        )
    runs = pd.DataFrame(rows)
    runs["start"] = pd.to_datetime(runs["start"])
    _refuse_copies(runs)
    runs, told_by = _in_order(runs, logs, listed, list(scheduled), switched_by)
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
    runs.attrs["told_by"] = told_by
    return runs


def _listed(study: Study, sources: Sources) -> dict[int, Listed]:
    """What the list of runs says of each log, in order of driving; empty without a list."""
    if sources.listed is None:
        return {}
    words = {label: arm for arm, label in study.labels.items()}
    found: RunList = read_run_list(sources.listed, study.time.day_first, words)
    return found.of([path for path, _ in sources.runs])


def _day(name: str, start: "pd.Timestamp | NaTType", said: Listed | None) -> str:
    """The run's day: its log's, else the list's.

    Raises
    ------
    InputError
        If the two are different dates.
    """
    own = "" if pd.isna(start) else f"{start:%Y-%m-%d}"
    listed = "" if said is None else said.day
    if own and listed and own != listed:
        raise InputError(
            f"{name}: its log is of {own}, and the list of runs says {listed} (line "
            f"{said.line if said else 0}): correct the list, or leave the day out of it"
        )
    return own or listed


def _vehicle_numbers(path: Path, said: Listed | None) -> str:
    """The vehicle's numbers in a log, as hashes, and what the list of runs says; "" for none."""
    listed = {said.vehicle} if said is not None and said.vehicle else set[str]()
    return " ".join(sorted({hidden_vin(v) for v in listed} | numbers_at_head(path)))


def _one_arm(name: str, day: str, told: dict[str, str | None]) -> str:
    """The arm that all who tell it agree on.

    Raises
    ------
    InputError
        If nobody tells it, or two tell different ones.
    """
    known = {who: arm for who, arm in told.items() if arm is not None}
    if not known:
        where = f"on {day}" if day else "which has no date"
        raise InputError(
            f"{name}: its arm is unknown: the schedule has no switch unit for this log "
            f"({where}); add one, or list the file under [logs] baseline or fitted"
        )
    (who, arm), *others = known.items()
    for other, its in others:
        if its != arm:
            raise InputError(
                f"{name}: {who.format(arm)} but {other.format(its)}"
                f"{f' on {day}' if day else ''}: correct one"
            )
    return arm


def _in_order(
    runs: pd.DataFrame,
    logs: Sequence[Log],
    listed: dict[int, Listed],
    scheduled: Sequence[str],
    switched_by: SwitchedBy,
) -> tuple[pd.DataFrame, str]:
    """The runs in order of driving, and what told it where not every log has a date.

    Runs that were switched one by one stand in the order of their names where nothing tells it.

    Raises
    ------
    InputError
        If nothing tells the order or the days.
    """
    undated = runs["start"].isna()
    if not undated.any():
        return runs.sort_values(["start", "file"], kind="stable", ignore_index=True).drop(
            columns="unit"
        ), ""
    first = runs.loc[undated, "file"].iloc[0]
    if switched_by == "day" and (runs["day"] == "").any():
        lost = runs.loc[runs["day"] == "", "file"].iloc[0]
        raise InputError(
            f"{lost}: no date in this log, so its day is unknown: log date and time, or list the "
            "logs in order of driving in a table with the columns file and day (runs.csv in the "
            "study, else --runs), or say --switched-by run if the add-on was switched between runs"
        )
    place = {unit: n for n, unit in enumerate(scheduled)}
    at = [place.get(u) for u in runs["unit"]] if switched_by == "run" else []
    found = order_of_undated(logs, runs["file"].tolist(), listed, at)
    runs = runs.drop(columns="unit")
    if found is not None:
        runs = runs.assign(place=found.place).sort_values("place", ignore_index=True)
        return runs.drop(columns="place"), found.told_by
    if switched_by != "run":
        raise InputError(f"{first}: no date in this log, so its {switched_by} is unknown: {GIVE}")
    return runs.sort_values("file", key=_by_name, ignore_index=True), BY_NAME


def _by_name(files: pd.Series) -> pd.Series:
    """Sort key by the bare names, so that piles whose logs are called alike take turns."""
    names = sorted(dict.fromkeys(files), key=lambda f: (natural(PurePosixPath(f).name), f))
    return files.map({f: i for i, f in enumerate(names)})


def refuse_sealed(study: Study) -> None:
    """Raise DesignError as long as the schedule is sealed: no run's arm is known."""
    if study.shut:
        raise DesignError(
            "the schedule is sealed, so no run's arm is known: after the last drive the switcher's "
            "file opens it, with roadlog unseal; until then roadlog check tells what the logs are "
            "worth"
        )


def arms_aside(study: Study) -> Study:
    """The study with every unit of a sealed schedule in one arm: for what doesn't hang on arms."""
    if study.schedule is None or not study.shut:
        return study
    units = tuple(u.model_copy(update={"arm": ARMS[0]}) for u in study.schedule.unit)
    return study.model_copy(update={"schedule": study.schedule.model_copy(update={"unit": units})})


def require_both_arms(study: Study, sources: Sources) -> None:
    """Raise DesignError if an arm has no log at all, or the arms are sealed."""
    refuse_sealed(study)
    known = {arm for _, arm in sources.runs if arm is not None}
    if any(arm is None for _, arm in sources.runs) and study.schedule:
        known |= {u.arm for u in study.schedule.unit if u.arm is not None}
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
