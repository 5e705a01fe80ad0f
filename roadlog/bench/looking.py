"""Logs that wait in the inbox: what each is, what its columns are, and taking them in.

Runs in a job's process or in the warm one, with the functions of `roadlog take` and `roadlog
check`; out come plain JSON values for the pages.
"""

from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from roadlog.bench.facts import OnPage
from roadlog.bench.inbox import Inbox
from roadlog.bench.pages_shown import keep_for
from roadlog.errors import InputError, RoadlogError
from roadlog.study.lock import one_writer
from roadlog.wording.units import units_of

if TYPE_CHECKING:
    from roadlog.ingest import Log
    from roadlog.quantities.facts import Fact
    from roadlog.runs.intake import Proposal
    from roadlog.study.settings import Study

Tell = Callable[..., None]
Facts = dict[str, Any]
FIRST_VALUES = 3
LAYOUTS = 8  # tables of columns on the page of all files
MOST_COLUMNS = 200
STEPS = 60  # of a small picture, from left to right
WIDE, HIGH = 120, 28
NOTHING_WAITS = "no file waits here: send some first"


def look(
    *,
    study: str,
    tell: Tell,
    arm: str = "",
    split: bool = False,
    each: dict[str, tuple[str, bool]] | None = None,
) -> Facts:
    """What would become of each file that waits; nothing is written.

    Parameters
    ----------
    arm, split : of every file that isn't in `each`
    each : by file, its arm ("": the schedule tells) and whether its drives are runs of their own
    """
    from roadlog.ingest.clock.localday import zone_warning
    from roadlog.runs.proposed import alike

    folder = Path(study)
    known = _opened(folder)
    inbox = Inbox(folder)
    state, paths = inbox.state(), inbox.waiting()
    if not paths:
        raise InputError(NOTHING_WAITS)
    tell("step", name="reading the files")
    arm = "" if known.shut else arm
    found = _proposed(folder, known, paths, arm, split, each)
    tell("step", name="drawing the columns")
    good = [p for p in found if _can(p)]
    groups = alike([p.log for p in good if p.log is not None])
    runs = [p.log for p in good if p.log is not None and p.kind == "run"]
    return {
        "text": "",
        "state": state,
        "shut": known.shut,
        "arm": arm,
        "split": split,
        "each": each or {},
        "files": [{**_row(p, inbox, known), "own": (each or {}).get(p.source.name)} for p in found],
        "layouts": [_layout(g) for g in groups[:LAYOUTS]],
        "warning": zone_warning(runs, known.time) or "",
    }


def _opened(folder: Path) -> "Study":
    from roadlog.study.folder import load_study
    from roadlog.wording.units import show_in

    known = load_study(folder)
    show_in(known.units)
    return known


def _proposed(
    folder: Path,
    known: "Study",
    paths: Sequence[Path],
    arm: str,
    split: bool,
    each: dict[str, tuple[str, bool]] | None,
) -> "tuple[Proposal, ...]":
    from roadlog.runs.intake import Said, propose

    said = {
        p: Said(None if known.shut else each[p.name][0] or None, each[p.name][1])
        for p in paths
        if each and p.name in each
    }
    return propose(folder, known, paths, arm=arm or None, split=split, each=said)


def _can(p: "Proposal") -> bool:
    return not p.refused and not p.already


def _row(p: "Proposal", inbox: Inbox, known: "Study") -> Facts:
    from roadlog.bench.as_data import as_data
    from roadlog.ingest.facts import Unclear

    refused = _by_click(p, inbox)
    return {
        "name": p.source.name,
        "sha256": p.sha256,
        "can": _can(p),
        "already": p.already,
        "refused": "" if refused is None else f"{refused}",
        "choose": _is_open(p.refused),
        "drives": sum(d.driven for d in p.drives),
        "day_open": p.unclear is not None
        and p.unclear.code in (Unclear.DAY_OR_MONTH, Unclear.SIX_DIGITS),
        "said": [as_data(s) for s in ([refused] if refused is not None else _proposal(p))],
        "arm": "" if known.shut else p.arm or "",
    }


def _proposal(p: "Proposal") -> "list[Fact]":
    from roadlog.runs.facts import OfIntake
    from roadlog.runs.proposed import proposal_facts

    return [
        OnPage.DRIVES_TOGETHER(n=f.value("n")) if f.code is OfIntake.DRIVES_TOGETHER else f
        for f in proposal_facts(p)
    ]


def _by_click(p: "Proposal", inbox: Inbox) -> "Fact | str | None":
    """Why a file isn't taken, with what to click where the command names an option."""
    from roadlog.quantities.facts import Fact, Kind
    from roadlog.runs.facts import OfTaking

    if p.already or not p.refused:
        return None
    if p.unclear is not None:
        return OnPage.UNCLEAR(why=p.unclear)
    if not isinstance(p.refused, Fact):
        return _named(p.refused, inbox)
    clicks: dict[Kind, Kind] = {
        OfTaking.ARM_OPEN: OnPage.ARM_OPEN,
        OfTaking.ARM_SEALED: OnPage.ARM_SEALED,
        OfTaking.SPLIT: OnPage.SPLIT,
    }
    kind = clicks.get(p.refused.code)
    if kind is None:
        return _named(str(p.refused), inbox)
    return kind(**{k: v for k, v in p.refused.values if k != "file"})


def _is_open(refused: "Fact | str") -> bool:
    """Whether a choice of arm or of splitting would settle it."""
    from roadlog.quantities.facts import Fact
    from roadlog.runs.facts import OfTaking

    return isinstance(refused, Fact) and isinstance(refused.code, OfTaking)


def _named(text: str, inbox: Inbox) -> str:
    """A sentence with the files' names alone: where they wait is nobody's business."""
    return text.replace(f"{inbox.place}/", "").replace(f"{inbox.place.resolve()}/", "")


def _layout(logs: Sequence["Log"]) -> Facts:
    """The columns of logs that are alike, with first values and pictures of the first log."""
    from roadlog.quantities.units import unit_symbol
    from roadlog.runs.proposed import columns_said

    first = logs[0]
    written = _written(first.path)
    allowed = {e.header: sorted(e.allowed) for e in first.units if len(e.allowed) > 1}
    columns = []
    for said, match in zip(columns_said(logs), first.columns, strict=True):
        columns.append(
            {
                **said._asdict(),
                "note": _note(said.note),
                "first": written.get(match.header, []),
                "units": allowed.get(match.header, []),
                "symbols": [unit_symbol(u) or u for u in allowed.get(match.header, [])],
                "picture": _picture(first, match.signal),
            }
        )
    return {"files": [log.path.name for log in logs], "columns": columns[:MOST_COLUMNS]}


def _note(note: str) -> Facts | None:
    from roadlog.ingest.facts import COLUMN_NOTES

    if not note:
        return None
    return {"say": note, "with": {}} if note in COLUMN_NOTES else {"english": note}


def _written(path: Path) -> dict[str, list[str]]:
    """The first values of each column as they stand in the file, nothing for files without."""
    from roadlog.ingest.text.dialect import sniff, utf8_text
    from roadlog.ingest.text.source import Text

    try:
        text = utf8_text(Text.opened(path).part(0, 1 << 16), path)
        found = sniff(text, path, {})
    except (RoadlogError, ValueError, IndexError):
        return {}
    return {
        header: [cell[:40] for cell in found.columns[i] if cell][:FIRST_VALUES]
        for i, header in enumerate(found.headers)
        if header
    }


def _picture(log: "Log", signal: str | None) -> Facts | None:
    """A line of least and greatest values over the time, in a box of `WIDE` by `HIGH`."""
    import numpy as np

    from roadlog.quantities.signals import SIGNALS
    from roadlog.quantities.units import unit_symbol

    if signal is None or signal not in log.frame:
        return None
    values = log.frame[signal].to_numpy(float)
    t_s = log.frame["t_s"].to_numpy(float)
    there = np.isfinite(values) & np.isfinite(t_s)
    values, t_s = values[there], t_s[there]
    if not len(values):
        return None
    low, high = float(values.min()), float(values.max())
    step = np.minimum((t_s - t_s[0]) / max(float(t_s[-1] - t_s[0]), 1e-9) * STEPS, STEPS - 1)
    at = step.astype(int)
    points = []
    for i in np.unique(at):
        inside = values[at == i]
        for v in (float(inside.min()), float(inside.max())):
            y = HIGH - 2 - (v - low) / max(high - low, 1e-9) * (HIGH - 4)
            points.append(f"{i * WIDE / STEPS:.0f},{y:.0f}")
    unit = unit_symbol(SIGNALS[signal].unit)
    return {"points": " ".join(points), "low": low, "high": high, "unit": unit}


def one_file(*, folder: str, file: str) -> Facts:
    """What one file is and how its columns were understood, as far as it can be read."""
    from roadlog.quantities.signals import SIGNALS, plain
    from roadlog.quantities.units import UNITS
    from roadlog.runs.intake import propose

    home = Path(folder)
    known, inbox = _opened(home), Inbox(home)
    path = inbox.find(file)
    found = propose(home, known, [path])[0]
    log = found.log or _units_left_open(path, known)
    layout = _unread(path) if log is None else _layout([log])
    return {
        **_row(found, inbox, known),
        "layout": layout,
        "signals": [[s, plain(s), SIGNALS[s].unit] for s in SIGNALS],
        "units": sorted(UNITS),
    }


def _units_left_open(path: Path, known: "Study") -> "Log | None":
    """The log with the units that it doesn't settle still open, None if more is wrong with it."""
    from roadlog.ingest import read_log

    try:
        return read_log(path, columns=known.columns, time=known.time, alone=False)
    except RoadlogError:
        return None


def _unread(path: Path) -> Facts:
    """The columns of a file that can't be read as a log: what their headings alone would say."""
    from roadlog.ingest.text.columns import match_header

    columns = []
    for header, first in _written(path).items():
        meaning = match_header(header)
        taken_for = meaning.signal or ("time" if meaning.role == "time" else "")
        said = {"header": header, "taken_for": taken_for, "unit": meaning.unit or "", "filled": ""}
        columns.append({**said, "note": None, "first": first, "units": [], "picture": None})
    return {"files": [path.name], "columns": columns[:MOST_COLUMNS]}


def say_column(*, folder: str, header: str, signal: str, unit: str) -> Facts:
    """Write into study.toml what a column is."""
    from pydantic import ValidationError

    from roadlog.ingest.text.columns import by_rule
    from roadlog.plan.studyfile import write_column
    from roadlog.study.faults import first_fault
    from roadlog.study.settings import ColumnRule

    if not header.strip():
        raise InputError("name the column: its heading is empty")
    path = Path(folder) / "study.toml"
    try:
        rule = ColumnRule(signal=signal, unit=unit or None)
    except ValidationError as e:
        raise InputError(f"'{header}': {first_fault(e, ColumnRule)}") from e
    by_rule(header, None, rule, path)
    with one_writer(Path(folder), "the bench"):
        write_column(path, header, rule)
    return {"header": header}


def say_day_first(*, folder: str, day_first: bool) -> Facts:
    """Write into study.toml whether the logs' dates have the day before the month."""
    from roadlog.plan.studyfile import write_day_first

    with one_writer(Path(folder), "the bench"):
        write_day_first(Path(folder) / "study.toml", day_first)
    return {"day_first": day_first}


def take(
    *,
    study: str,
    tell: Tell,
    seen: list[tuple[str, str]],
    arm: str = "",
    split: bool = False,
    each: dict[str, tuple[str, bool]] | None = None,
) -> Facts:
    """Take in the files that were seen, as they were seen; each leaves the inbox once it is in."""
    from roadlog.runs.intake import take_in
    from roadlog.runs.taken import read_taken

    folder = Path(study)
    inbox = Inbox(folder)
    with one_writer(folder, "taking logs in"):
        known = _opened(folder)
        shown = dict(seen)
        paths = [p for p in inbox.waiting() if p.name in shown]
        if not paths:
            raise InputError(NOTHING_WAITS)
        tell("step", name="reading the files")
        found = _proposed(folder, known, paths, arm, split, each)
        other = next((p for p in found if p.sha256 != shown[p.source.name]), None)
        if other is not None:
            raise InputError(f"{other.source.name} changed since it was looked at: look again")
        good = [p for p in found if _can(p)]
        tell("step", name="copying")
        take_in(folder, good)
        inside = {e.sha256 for e in read_taken(folder)}
        gone = [p for p in found if _can(p) or (p.already and p.sha256 in inside)]
        for p in gone:
            p.source.unlink(missing_ok=True)
    left = len(found) - len(gone)
    waits = f" {left} stay here: each says why." if left else ""
    return {"text": f"{len(good)} of {len(found)} taken in.{waits}", "code": 0}


def check(*, study: str, tell: Tell, reader: str = "", pages: str = "") -> Facts:
    """Check every run, its page written to `results/`; for a reader of other units once more."""
    from roadlog.check import check_study
    from roadlog.check.told import keep_verdicts
    from roadlog.report.check_page import check_page
    from roadlog.runs.table import study_sources
    from roadlog.study.durable import atomic_write
    from roadlog.wording.numbers import number

    folder = Path(study)
    with one_writer(folder, "a check"):
        known = _opened(folder)
        sources = study_sources(folder, known)
        count = len(sources.runs)
        done = {"n": 0}

        def reading(name: str) -> None:
            tell("progress", what=name, done=done["n"], of=count)
            done["n"] += 1

        tell("step", name="reading the logs")
        checked = check_study(known, sources, progress=reading)
        page = check_page(checked)
        path = folder / "results" / "check.html"
        atomic_write(path, partial(Path.write_text, data=page, encoding="utf-8"))
        keep_verdicts(checked, sources)
        keep_for(
            reader, pages, folder / "results", units_of(known.units),
            lambda: {"check.html": check_page(checked).encode()},
        )  # fmt: skip
    rows = [
        {
            "file": r.file,
            "begun": r.begun,
            "arm": "" if known.shut else r.arm,
            "minutes": number(r.minutes, 0) if r.signals else "",
            "km": r.km if r.signals else None,
            "usable": r.usable,
            "verdict": r.verdict,
        }
        for r in checked.runs
    ]
    usable = sum(r.usable for r in checked.runs)
    return {
        "code": 0,
        "text": f"{usable} of {len(rows)} runs can be used.",
        "shut": known.shut,
        "rows": rows,
        "warnings": list(checked.warnings),
    }
