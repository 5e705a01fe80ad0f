"""`roadlog publish`: a study in, one folder for the public out.

The whole study is analysed first, then a trimmed copy of it; all that is published is made from the
copy, and the whole's answer is only held beside it. The folder comes to be whole or not at all, and
only if the leak test finds nothing in it.
"""

import datetime as dt
import math
import os
import shutil
import tempfile
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

import pandas as pd

from roadlog.analysis.analyse import analyse
from roadlog.analysis.answered import answer_of, deciding_interval
from roadlog.analysis.result import Analysed
from roadlog.errors import DesignError, InputError
from roadlog.plan.looks import log_look
from roadlog.publish.about import About, told_of_trimming
from roadlog.publish.archive import write_archive
from roadlog.publish.cards import cards, subjects_of
from roadlog.publish.clock import Clock
from roadlog.publish.crate import checked_licence
from roadlog.publish.leaks import doubtful_words, leaks
from roadlog.publish.pdf import report_pdf
from roadlog.publish.text import post
from roadlog.publish.trim import Trimmed, trimmed_study
from roadlog.report.write import result_files
from roadlog.runs.table import open_study
from roadlog.study.durable import make_folder, sync_folder
from roadlog.trials.result import load_all
from roadlog.wording.answer import Answer
from roadlog.wording.numbers import ends_of, signed

ARCHIVE = "archive.zip"
PAGES = ("index.html", "objections.html", "map.html")
PDF = "report.pdf"
PICTURES = "pictures"
POST = "post.txt"
MARK = "roadlog-published.txt"
WHOLE = "change of fuel use by the whole logs, %"
WHOLE_WORD = "finding by the whole logs"
ON_PAPER = ("index.html", "objections.html")
_PART = ".roadlog-publish-"
_MARKED = "Made by roadlog publish; made anew as a whole by the next one.\n"

Told = Callable[[str], None]


@dataclass(frozen=True)
class Published:
    """What was made: where, its answer, the whole study's, and what is missing and why.

    `missing` has the subjects of pictures that there are none of; `doubts` are sentences on words
    of the user's own that may say too much.
    """

    folder: Path
    analysed: Analysed
    whole: Analysed
    answer: Answer
    archive_sha256: str
    files: int
    missing: Mapping[str, str]
    doubts: tuple[str, ...]


def publish(
    root: Path | str,
    out: Path | str,
    *,
    clock: Clock = "hours",
    licence: str = "CC-BY-4.0",
    authors: tuple[str, ...] = (),
    today: dt.date | None = None,
    progress: bool = False,
    told: Told = lambda _: None,
) -> Published:
    """Write everything that may be shown of a study into one folder.

    Parameters
    ----------
    root : Path or str
        Folder of the study.
    out : Path or str
        Folder, new or one that an earlier `publish` made, which it replaces as a whole.
    clock : {"hours", "shifted"}
        Dates with whole hours, or all moved by a drawn time.
    licence : str
        SPDX identifier, of data and pages.
    authors : tuple of str
        Nobody is named unless given.
    today : date, optional
        Of the publication, by default this computer's.
    told : callable
        Gets a few words as each step begins.

    Raises
    ------
    InputError
        If `out` holds something else, or the study or the licence is wrong.
    DesignError
        If the data can't answer, or something private was found in what was made.
    """
    root, out = Path(root), Path(out)
    checked_licence(licence)
    _require_ours(out)
    day = today or dt.date.today()
    now = dt.datetime.combine(day, dt.time(12), dt.UTC)
    told("analysing the whole study")
    study, sources = open_study(root)
    whole = analyse(study, sources, progress=progress, now=now)
    if whole.oversight is not None:
        log_look(root, whole.oversight, whole.finding)
    whole = replace(whole, trials=load_all(root))
    with _folder_beside(out) as part:
        told("cutting off what isn't shown")
        trimmed = trimmed_study(whole, sources, part / "study", clock=clock)
        told("analysing what is shown")
        seen_at = _as_of(whole, clock, now) + trimmed.moved.to_pytimedelta()
        shown = analyse(*open_study(trimmed.folder), progress=progress, now=seen_at)
        shown = replace(shown, trials=load_all(trimmed.folder))
        answer = answer_of(shown)
        carried = whole_beside(whole)
        files = published_files(shown, seen_at, difference(shown, carried), told)
        about = _about(whole, trimmed, seen_at, licence, authors, carried)
        told("packing the archive")
        ready = part / "out"
        digest = _write(ready, files, trimmed, about, shown, answer)
        told("looking for what must not be there")
        _require_nothing_private(ready, trimmed)
        _put_in_place(ready, out)
    return Published(
        folder=out,
        analysed=shown,
        whole=whole,
        answer=answer,
        archive_sha256=digest,
        files=sum(p.is_file() for p in out.rglob("*")),
        missing={k: v.rstrip(".") for k, v in subjects_of(shown).items() if v is not None},
        doubts=tuple(doubtful_words(study)),
    )


def _as_of(whole: Analysed, clock: Clock, now: dt.datetime) -> dt.datetime:
    """When the analysis of what is shown looks at it.

    With a shifted clock that is the day after the test's last: today, moved, would tell by how
    much everything was moved, since everybody sees when it was published.
    """
    starts = whole.runs["start"].dropna()
    if clock != "shifted" or starts.empty:
        return now
    last = pd.Timestamp(starts.max()).date()
    plan = whole.study.schedule
    if plan is not None and whole.oversight is not None and not whole.oversight.look.interim:
        last = max(last, dt.date.fromisoformat(str(plan.stop_date)))
    return min(now, dt.datetime.combine(last + dt.timedelta(days=1), now.timetz()))


def published_files(
    a: Analysed, when: dt.datetime, beside: str = "", told: Told = lambda _: None
) -> dict[str, bytes]:
    """Pages, tables, pictures and paper of the trimmed study, by their names."""
    told("drawing pages and pictures")
    files = result_files(a, published=True, beside=beside)
    pictures = {f"{PICTURES}/{name}": data for name, data in cards(a)}
    road = pictures.get(f"{PICTURES}/map-wide-light.svg")
    told("setting the paper")
    files[PDF] = report_pdf(
        [files[name].decode("utf-8") for name in ON_PAPER],
        a.study.name,
        synthetic=a.study.synthetic,
        made=when,
        road=None if road is None else road.decode("utf-8"),
    )
    return {**files, **pictures}


def _about(
    whole: Analysed,
    trimmed: Trimmed,
    when: dt.datetime,
    licence: str,
    authors: tuple[str, ...],
    carried: Mapping[str, float | str | None],
) -> About:
    return About(
        study=whole.study.name,
        published=when,
        licence=licence,
        synthetic=whole.study.synthetic,
        dates_moved=bool(trimmed.moved),
        authors=authors,
        untrimmed_sha256={r.file: r.sha256 for r in trimmed.runs if r.file is not None},
        cannot_tell=told_of_trimming(trimmed.told),
        carried=carried,
    )


def whole_beside(whole: Analysed) -> dict[str, float | str | None]:
    """What the whole logs gave, start and end of each drive included."""
    i = deciding_interval(whole)
    return {
        WHOLE: _printed(i.estimate),
        f"{WHOLE}, low": _printed(i.low),
        f"{WHOLE}, high": _printed(i.high),
        WHOLE_WORD: whole.finding.word,
    }


def _printed(value: float | None) -> float | None:
    """To a hundredth: beyond that, a network kept from before changes digits."""
    return None if value is None or not math.isfinite(value) else round(value, 2)


def difference(shown: Analysed, carried: Mapping[str, float | str | None]) -> str:
    """How the answer of what is shown lies beside the whole's (`whole_beside`), in one sentence."""
    ends = ends_of(deciding_interval(shown))
    low, high = (carried[f"{WHOLE}, {end}"] for end in ("low", "high"))
    whole = (low, high) if isinstance(low, float) and isinstance(high, float) else None
    said = [
        "no interval" if e is None else f"{signed(e[0])} to {signed(e[1])} % fuel"
        for e in (ends, whole)
    ]
    words = [w or "no finding" for w in (shown.finding.word, carried[WHOLE_WORD])]
    same = "the same word" if words[0] == words[1] else words[1]
    return (
        f"As shown: {said[0]}, {words[0]}. With the starts and ends of the drives that aren't "
        f"shown: {said[1]}, {same}."
    )


def _write(
    ready: Path,
    files: Mapping[str, bytes],
    trimmed: Trimmed,
    about: About,
    shown: Analysed,
    answer: Answer,
) -> str:
    for name, data in files.items():
        path = ready / name
        make_folder(path.parent)
        path.write_bytes(data)
    digest = write_archive(trimmed.folder, files, ready / ARCHIVE, about=about)
    (ready / POST).write_text(post(shown, answer, digest), encoding="utf-8")
    (ready / MARK).write_text(_MARKED, encoding="utf-8")
    return digest


def _require_nothing_private(ready: Path, trimmed: Trimmed) -> None:
    found = leaks(ready, trimmed.private)
    if found:
        more = f" and {len(found) - 3} more" if len(found) > 3 else ""
        raise DesignError(
            "nothing was published, since something private was found in what was made: "
            + "; ".join(map(str, found[:3]))
            + more
        )


def _require_ours(out: Path) -> None:
    if out.is_dir() and not any(out.iterdir()):
        return
    if out.exists() and not (out / MARK).is_file():
        raise InputError(
            f"{out} is there already and isn't of roadlog publish: name another folder"
        )


@contextmanager
def _folder_beside(out: Path) -> Iterator[Path]:
    """A hidden folder on the same disk, gone when the block ends."""
    make_folder(out.absolute().parent)
    part = Path(tempfile.mkdtemp(prefix=_PART, dir=out.absolute().parent))
    try:
        yield part
    finally:
        shutil.rmtree(part, ignore_errors=True)


def _put_in_place(ready: Path, out: Path) -> None:
    """Give a finished folder its name; the one that had it goes only then."""
    old = ready.parent / "old"
    if out.exists():
        out.rename(old)
    try:
        ready.chmod(0o755)
        ready.rename(out)
    except OSError:
        if old.exists():
            os.replace(old, out)
        raise
    sync_folder(out.absolute().parent)
