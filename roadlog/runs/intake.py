"""Taking logs into a study: files in, proposals out, and from proposals read-only copies.

`propose` reads each file and says what it is, which arm it belongs to, which drives it holds and
where it would lie; it writes nothing. `take_in` copies the originals unchanged and keeps the list
of `roadlog.runs.taken`.
"""

import os
import shutil
import tempfile
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from fnmatch import fnmatchcase
from functools import partial
from pathlib import Path, PurePosixPath
from typing import NamedTuple

import pandas as pd

from roadlog.errors import InputError, RoadlogError
from roadlog.ingest import Log, read_log, settle_day_first
from roadlog.ingest.drives import Drive, find_drives, piece, write_piece
from roadlog.ingest.facts import LeftOpen
from roadlog.quantities.facts import Fact
from roadlog.quantities.signals import POSITION
from roadlog.runs.facts import OfIntake, OfTaking
from roadlog.runs.taken import LIST, Taken, now_utc, read_taken, sha256_of, write_taken
from roadlog.study.durable import atomic_write, clean_parts, is_part
from roadlog.study.folder import LOG_SUFFIXES, TRACK_SUFFIXES
from roadlog.study.settings import Study, TimeRule

READ_ONLY = 0o444
AS_SAID = OfIntake.AS_SAID()
WHOLE = "whole"  # where a log lies whose drives became logs of their own
_SUFFIXES = (*LOG_SUFFIXES, *TRACK_SUFFIXES)
_WILD = frozenset("*?[")


@dataclass(frozen=True)
class Proposal:
    """What would become of one file.

    `refused` says why it can't be taken, `already` where the study has it; both empty if it can.
    `unclear` is what its owner can settle of a fault in the file.
    `targets` are paths relative to the study: the log itself, or one a drive if it is split, and
    `arms` then the arm of each.
    """

    source: Path
    sha256: str = ""
    log: Log | None = None
    kind: str = "run"
    arm: str | None = None
    arm_from: Fact | str = ""
    drives: tuple[Drive, ...] = ()
    arms: tuple[str, ...] = ()
    targets: tuple[str, ...] = ()
    refused: Fact | str = ""
    already: str = ""
    unclear: Fact | None = None

    @property
    def split(self) -> bool:
        """Whether its drives become logs of their own."""
        return len(self.targets) > 1


class Said(NamedTuple):
    """What is said of a file: its arm (None: the schedule tells), whether its drives are split."""

    arm: str | None
    split: bool


def propose(
    folder: Path,
    study: Study,
    files: Sequence[Path],
    *,
    arm: str | None = None,
    split: bool = False,
    each: Mapping[Path, Said] | None = None,
) -> tuple[Proposal, ...]:
    """Say what would become of each file, writing nothing.

    Parameters
    ----------
    folder : Path
        The study's folder.
    files : sequence of Path
        Log files and folders of them.
    arm : {"baseline", "fitted"}, optional
        The arm of all of them; by default the schedule tells by date or file name.
    split : bool
        Make each drive of a log a log of its own.
    each : mapping of Path to Said, optional
        What is said of single files, in place of `arm` and `split`.

    Raises
    ------
    InputError
        If a path is missing or a folder holds no log.
    """
    paths = _expanded(files)
    taken = list(read_taken(folder))
    study_files = _StudyFiles.of(folder, taken)
    time = settle_day_first(paths, study.time, columns=study.columns)
    out: list[Proposal] = []
    seen: dict[str, str] = {}
    for path in paths:
        digest = sha256_of(path)
        if digest in seen:
            out.append(Proposal(path, digest, already=seen[digest]))
            continue
        seen[digest] = path.name
        said = (each or {}).get(path, Said(arm, split))
        made = _known_or_new(study, path, digest, time, said.arm, said.split, study_files)
        study_files = study_files.with_names(made.targets)
        out.append(made)
    return tuple(_refuse_overlaps(out, taken))


@dataclass(frozen=True)
class _StudyFiles:
    """What lies in a study: `listed` and `unlisted` logs by SHA-256, `parts` listed by their whole,
    `landed` unlisted logs that `take` copied before something ended it, and all `names`."""

    listed: dict[str, Taken]
    unlisted: dict[str, str]
    parts: dict[str, tuple[str, ...]]
    landed: frozenset[str]
    names: frozenset[str]

    @classmethod
    def of(cls, folder: Path, taken: Sequence[Taken]) -> "_StudyFiles":
        present = _present(folder, taken)
        parts: dict[str, tuple[str, ...]] = {}
        for e in taken:
            if e.part_of:
                parts[e.part_of] = (*parts.get(e.part_of, ()), e.file)
        places = {sha256_of(p): p.relative_to(folder).as_posix() for p in present}
        return cls(
            {e.sha256: e for e in taken},
            places,
            parts,
            frozenset(p.relative_to(folder).as_posix() for p in present if _is_ours(p)),
            frozenset(
                {p.name for p in (folder / "logs").rglob("*") if not is_part(p)}
                | {e.name for e in taken}
            ),
        )

    def with_names(self, targets: Sequence[str]) -> "_StudyFiles":
        return replace(self, names=self.names | {PurePosixPath(t).name for t in targets})

    def without(self, files: Iterable[str]) -> frozenset[str]:
        """The names that are taken once these files and what landed unlisted don't count."""
        return self.names - {PurePosixPath(f).name for f in (*files, *self.landed)}


def _known_or_new(
    study: Study,
    path: Path,
    digest: str,
    time: TimeRule,
    arm: str | None,
    split: bool,
    there: _StudyFiles,
) -> Proposal:
    """What becomes of a log; one whose taking was ended half-way is proposed for the rest."""
    entry, loose = there.listed.get(digest), there.unlisted.get(digest)
    if entry is None and loose is None:
        return _proposal(study, path, digest, time, arm, split, set(there.names))
    place = loose if entry is None else entry.file
    assert place is not None
    already = Proposal(path, digest, already=place)
    whole = place.startswith(f"{WHOLE}/")
    ended = entry.kind != "whole" if entry is not None else place not in there.landed
    if ended:
        return already
    begun = there.parts.get(place, ())
    names = set(there.without((place, path.name, *begun)))
    made = _proposal(study, path, digest, time, arm, split or whole, names)
    if not whole:
        return made if made.targets == (place,) else already
    if begun and len(begun) >= len(made.arms):
        return already
    if PurePosixPath(place).name != path.name:
        again = f"{path}: its taking as {place} was cut short: give it that name and take it again"
        return replace(made, refused=made.refused or again)
    return made


def _is_ours(path: Path) -> bool:
    """Whether `take` put the file there: it leaves its copies read-only."""
    return not path.stat().st_mode & 0o222


def take_in(folder: Path, proposals: Sequence[Proposal]) -> tuple[Taken, ...]:
    """Copy what can be taken, and list each file as it lands.

    A failure takes back what this call brought in. A kill leaves whole, listed files, at most one
    whole file that isn't listed yet, and hidden parts: the next call finishes and cleans.

    Raises
    ------
    InputError
        If a copy differs from its original, as after a change in between.
    """
    before = read_taken(folder)
    for place in {"logs", WHOLE, *(str(Path(t).parent) for p in proposals for t in p.targets)}:
        clean_parts(folder / place)
    written: list[Path] = []
    entries: list[Taken] = []
    known = {e.file for e in before}

    def landed(entry: Taken) -> None:
        if entry.file not in known:
            known.add(entry.file)
            entries.append(entry)
            write_taken(folder, [*before, *entries])

    try:
        for p in proposals:
            if not p.refused and not p.already:
                _take_one(folder, p, written, landed)
    except BaseException:
        if before and entries:
            write_taken(folder, before)
        elif entries:
            (folder / LIST).unlink()
        for path in written:
            path.unlink(missing_ok=True)
        raise
    return tuple(entries)


def _take_one(
    folder: Path, p: Proposal, written: list[Path], landed: Callable[[Taken], None]
) -> None:
    assert p.log is not None
    columns = {c.header: c.signal for c in p.log.columns if c.signal}
    whole = f"{WHOLE}/{p.source.name}" if p.split else p.targets[0]
    _land(folder / whole, partial(shutil.copyfile, p.source), written)
    if sha256_of(folder / whole) != p.sha256:
        raise InputError(f"{p.source} changed while it was taken in: take it again")
    entry = Taken(
        file=whole,
        sha256=p.sha256,
        name=p.source.name,
        taken=now_utc(),
        kind="whole" if p.split else p.kind,
        arm=None if p.split else p.arm,
        start=_ends(p.log)[0],
        end=_ends(p.log)[1],
        columns=columns,
    )
    landed(entry)
    if not p.split:
        return
    driven = [d for d in p.drives if d.driven]
    for target, drive, arm in zip(p.targets, driven, p.arms, strict=True):
        part = piece(p.log, drive)
        path = folder / target
        _land(path, partial(write_piece, part), written)
        start, end = _ends(part)
        landed(
            replace(
                entry,
                file=target,
                sha256=sha256_of(path),
                kind=p.kind,
                arm=arm or None,
                start=start,
                end=end,
                part_of=whole,
            )
        )


def _land(path: Path, write: Callable[[Path], object], written: list[Path]) -> None:
    """Put a read-only file there, unless an earlier call did so before something ended it."""
    if not os.path.lexists(path):
        written.append(path)
        atomic_write(path, write, READ_ONLY)
        return
    with tempfile.TemporaryDirectory() as scratch:
        again = Path(scratch) / path.name
        write(again)
        if not path.is_file() or sha256_of(again) != sha256_of(path):
            raise InputError(f"{path} is there already with other contents: rename the new log")


def _proposal(
    study: Study,
    path: Path,
    digest: str,
    time: TimeRule,
    arm: str | None,
    split: bool,
    names: set[str],
) -> Proposal:
    found = Proposal(path, digest)
    try:
        log = read_log(path, columns=study.columns, time=time)
    except RoadlogError as e:
        fault = e.fault if isinstance(e, LeftOpen) else None
        return replace(found, refused=str(e), unclear=fault)
    kind = "run" if set(log.frame.columns) - {"t_s", *POSITION} else "positions"
    found = replace(found, log=log, kind=kind)
    if kind == "run":
        found = _with_arms(replace(found, drives=find_drives(log)), study, arm, split)
    if found.refused:
        return found
    name = path.name if path.name not in names else f"{path.stem}-{digest[:8]}{path.suffix}"
    wanted = [(name, found.arm)]
    if split and len(found.arms) > 1:
        stem = PurePosixPath(name).stem
        wanted = [(f"{stem}-drive{i + 1}.csv", a) for i, a in enumerate(found.arms)]
        both = next(
            (q for q in (*study.logs.any, *study.logs.baseline, *study.logs.fitted)
             if q.startswith("**")),
            None,
        )  # fmt: skip
        if both is not None:
            return replace(
                found,
                refused=f"{path}: '{both}' in [logs] would read the whole log beside its drives: "
                'name a folder there, as "logs/*.csv"',
            )
    targets = []
    for file, its_arm in wanted:
        target = _target(study, replace(found, arm=its_arm or None), file)
        if target is None:
            return replace(
                found, refused=_no_pattern(path, replace(found, arm=its_arm or None), file)
            )
        targets.append(target)
    return replace(found, targets=tuple(targets))


def _with_arms(p: Proposal, study: Study, arm: str | None, split: bool) -> Proposal:
    """The proposal with its arm, and one for each drive if it is split."""
    assert p.log is not None
    driven = [d for d in p.drives if d.driven]
    starts = [p.log.start if len(driven) < 2 else piece(p.log, d).start for d in driven]
    told = [arm_of(p.source, study, s, arm) for s in starts or [p.log.start]]
    wrong: Fact | str = next((t.refused for t in told if t.refused), "")
    if not wrong and len({(t.arm, t.sealed_unit) for t in told}) > 1 and not split:
        both = "several switch units" if told[0].sealed_unit else "both arms"
        wrong = OfTaking.SPLIT(file=p.source, n=len(told), both=both)
    return replace(
        p,
        arm=told[0].arm or None,
        arm_from=told[0].why,
        arms=tuple(t.arm for t in told),
        refused=wrong,
    )


@dataclass(frozen=True)
class Told:
    """A log's arm and what tells it, or why none is known; the unit whose arm is sealed."""

    arm: str = ""
    why: Fact | str = ""
    refused: Fact | str = ""
    sealed_unit: str = ""


def arm_of(
    source: Path, study: Study, start: pd.Timestamp | None, arm: str | None, *, name: str = ""
) -> Told:
    """The arm of a log by the schedule, held against what was said.

    Parameters
    ----------
    source : Path
        The file; its name may be a switch unit.
    start : Timestamp, optional
        Its first instant; the day is read off its own clock.
    arm : str, optional
        The arm that the user says.
    name : str
        Its name within the study, if that differs.
    """
    day = "" if start is None else f"{start.tz_localize(None):%Y-%m-%d}"
    units = study.schedule.unit if study.schedule else ()
    by_key = {str(k): u for u in units for k in (u.unit, *u.also)}
    key = next((k for k in (day, name or f"logs/{source.name}", source.name) if k in by_key), None)
    if study.shut:
        return _told_sealed(source, day, arm, None if key is None else str(by_key[key].unit))
    scheduled = None if key is None else by_key[key].arm
    if arm and scheduled and arm != scheduled:
        return Told(refused=f"{source}: said to be {arm}, but {key} is scheduled as {scheduled}")
    if arm and not scheduled:
        return Told(arm, AS_SAID)
    if scheduled:
        return Told(scheduled, OfIntake.SCHEDULED(unit=key))
    when = f"on {day}" if day else "for a log without a date"
    return Told(refused=OfTaking.ARM_OPEN(file=source, when=when))


def _told_sealed(source: Path, day: str, arm: str | None, unit: str | None) -> Told:
    """A log of a study whose schedule is sealed: its switch unit at the most is known."""
    if unit is None:
        return Told(
            refused=f"{source}: no switch unit is scheduled {f'on {day}' if day else 'for it'}, "
            "and while the schedule is sealed nothing else tells the arm: a drive beside the plan "
            "is no part of the test"
        )
    if arm:
        return Told(refused=OfTaking.ARM_SEALED(file=source))
    return Told(why=OfIntake.SEALED(unit=unit), sealed_unit=unit)


def _target(study: Study, p: Proposal, name: str) -> str | None:
    """Where the file would lie so that the study reads it, None if no pattern of [logs] does."""
    logs = study.logs
    if p.kind == "positions":
        patterns: Iterable[str] = logs.positions
    elif (
        p.arm is not None
        and not (logs.baseline or logs.fitted)
        and (p.arm_from == AS_SAID or not logs.any)
    ):
        place = PurePosixPath("logs", str(p.arm), name)
        if any(_finds(pattern, place) for pattern in logs.any):
            return None  # that pattern leaves the arm to the schedule, which doesn't tell it
        return place.as_posix()
    else:
        own = () if p.arm is None else logs.baseline if p.arm == "baseline" else logs.fitted
        patterns = (*own, *(logs.any if p.arm_from != AS_SAID else ()))
    for pattern in patterns:
        base = []
        for part in PurePosixPath(pattern).parts[:-1]:
            if _WILD & set(part):
                break
            base.append(part)
        stem, suffix = PurePosixPath(name).stem, PurePosixPath(name).suffix
        for spelling in (name, stem + suffix.lower()):
            place = PurePosixPath(*base, spelling)
            if place.match(pattern.replace("**/", "")) and not place.is_absolute():
                return place.as_posix()
    return None


def _finds(pattern: str, place: PurePosixPath) -> bool:
    """Whether a glob pattern finds a file."""
    if "**" in pattern:
        return fnmatchcase(place.as_posix(), pattern.replace("**/", "*"))
    same_depth = len(PurePosixPath(pattern).parts) == len(place.parts)
    return same_depth and fnmatchcase(place.as_posix(), pattern)


def _no_pattern(path: Path, p: Proposal, name: str) -> str:
    if p.kind == "positions":
        return (
            f"{path}: a position track, and [logs] of study.toml has no place for it: add "
            f'positions = ["tracks/*{PurePosixPath(name).suffix}"]'
        )
    if p.arm is None:
        return (
            f"{path}: its arm is sealed, and no pattern of [logs] in study.toml takes logs without "
            'telling the arm: add any = ["logs/*"]'
        )
    return (
        f"{path}: no pattern of [logs] in study.toml takes a {p.arm} log called {name}: add "
        f'{p.arm} = ["logs/{p.arm}/*{PurePosixPath(name).suffix}"]'
    )


def _refuse_overlaps(proposals: Sequence[Proposal], taken: Sequence[Taken]) -> list[Proposal]:
    """One car makes one drive at a time: a run that overlaps another is the same, logged twice."""
    whole = {e.file: e.sha256 for e in taken if e.kind == "whole"}
    spans = [
        (pd.Timestamp(e.start), pd.Timestamp(e.end), e.file, whole.get(e.part_of or "", e.sha256))
        for e in taken
        if e.kind == "run" and e.start and e.end and not _only_dated(pd.Timestamp(e.start))
    ]
    out = []
    for p in proposals:
        start, end = (None, None) if p.log is None else map(_stamp, _ends(p.log))
        run = not p.refused and p.kind == "run" and start is not None and end is not None
        if run and start is not None and end is not None and not _only_dated(start):
            others = (s for s in spans if s[3] != p.sha256)
            same = next((f for c, d, f, _ in others if _overlap_s(c, d, start, end) > 60), None)
            if same is not None:
                p = replace(p, refused=f"{p.source}: the same time as {same}: take one of the two")
            else:
                spans.append((start, end, p.source.name, p.sha256))
        out.append(p)
    return out


def _overlap_s(a: pd.Timestamp, b: pd.Timestamp, c: pd.Timestamp, d: pd.Timestamp) -> float:
    if (a.tz is None) != (c.tz is None):
        return 0.0
    return float((min(b, d) - max(a, c)).total_seconds())


def _only_dated(start: pd.Timestamp) -> bool:
    return bool(start == start.normalize())


def _ends(log: Log) -> tuple[str | None, str | None]:
    if log.start is None:
        return None, None
    end = log.start + pd.Timedelta(float(log.frame["t_s"].iloc[-1]), unit="s")
    return log.start.isoformat(), end.isoformat()


def _stamp(text: str | None) -> pd.Timestamp | None:
    return None if text is None else pd.Timestamp(text)


def _expanded(files: Sequence[Path]) -> list[Path]:
    found: dict[Path, None] = {}
    for path in files:
        if path.is_dir():
            inside = sorted(
                p
                for p in path.rglob("*")
                if p.is_file() and p.suffix.lower() in _SUFFIXES and not p.name.startswith(".")
            )
            if not inside:
                raise InputError(f"{path} holds no log: name the files or another folder")
            found.update(dict.fromkeys(inside))
        elif path.is_file():
            found[path] = None
        else:
            raise InputError(f"{path} doesn't exist: name a log file or a folder of logs")
    return list(found)


def _present(folder: Path, taken: Sequence[Taken]) -> list[Path]:
    """Logs that lie in the study without having been taken in."""
    listed = {e.file for e in taken}
    return [
        p
        for place in ("logs", WHOLE)
        for p in sorted((folder / place).rglob("*"))
        if p.is_file()
        and p.suffix.lower() in _SUFFIXES
        and not is_part(p)
        and p.relative_to(folder).as_posix() not in listed
    ]
