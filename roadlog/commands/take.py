"""`roadlog take`: copy drive logs into a study, unchanged and read-only."""

import argparse
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from roadlog.commands.sources import opened

if TYPE_CHECKING:
    from roadlog.ingest import Log
    from roadlog.runs.intake import Proposal


def add(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add the command to the parser."""
    p = commands.add_parser(
        "take",
        help="copy drive logs into a study, unchanged and read-only",
        description=(
            "Copy logs and position tracks into a STUDY folder: unchanged, read-only, each once, "
            "listed with its SHA-256 in logs/taken.json. Shows first what every column is taken "
            "for, which arm each log belongs to and which drives it holds."
        ),
        epilog=(
            "examples:\n"
            "  roadlog take my_test phone/*.csv --dry-run\n"
            "  roadlog take my_test phone/monday.csv --arm baseline\n"
            "  roadlog take my_test whole_day.csv --split\n"
        ),
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    p.add_argument("study", type=Path, metavar="STUDY", help="folder with study.toml")
    p.add_argument("files", nargs="+", type=Path, metavar="FILE", help="logs, or folders of them")
    p.add_argument(
        "--arm",
        choices=("baseline", "fitted"),
        help="the arm of these logs (default: the schedule's, by date)",
    )
    p.add_argument("--split", action="store_true", help="make each drive of a log a run of its own")
    p.add_argument("--dry-run", action="store_true", help="show it, and write nothing")
    p.set_defaults(run=_take)


def _take(a: argparse.Namespace) -> int:
    from roadlog.errors import InputError
    from roadlog.ingest.clock.localday import zone_warning
    from roadlog.runs.intake import propose, take_in

    study = opened(a.study)
    proposals = propose(a.study, study, a.files, arm=a.arm, split=a.split)
    good = [p for p in proposals if not p.refused and not p.already]
    logs = [p.log for p in good if p.log is not None]
    for lines in _column_tables(logs):
        print("\n".join(lines) + "\n")
    for p in proposals:
        print("\n".join(_lines(p)))
    if warning := zone_warning([p.log for p in good if p.log and p.kind == "run"], study.time):
        print(f"\nWarning: {warning}.")
    repeats = [p for p in proposals if p.already]
    if not good and len(repeats) == len(proposals):
        raise InputError("every one of these logs is in the study already: nothing was taken")
    refused = len(proposals) - len(good) - len(repeats)
    if a.dry_run:
        print(f"\nA dry run: nothing was written; {len(good)} of {len(proposals)} can be taken.")
        return 2 if refused else 0
    if good:
        take_in(a.study, good)
    print(f"\n{len(good)} of {len(proposals)} taken into {a.study}. Next: roadlog check {a.study}")
    return 2 if refused else 0


def _lines(p: "Proposal") -> list[str]:
    if p.already:
        return [f"{p.source.name}: in the study already, as {p.already}: left out"]
    if p.refused:
        return [f"NOT TAKEN: {p.refused}"]
    assert p.log is not None
    log = p.log
    minutes = float(log.frame["t_s"].iloc[-1]) / 60
    start = "no date" if log.start is None else f"{log.start:%Y-%m-%d %H:%M}"
    arm = "positions" if p.kind == "positions" else f"{p.arm or 'arm not told'} ({p.arm_from})"
    lines = [f"{p.source.name}: {start}, {minutes:.0f} min, {len(log.frame)} rows, {arm}"]
    driven = [d for d in p.drives if d.driven]
    if len(driven) > 1:
        lines.append(f"  {len(driven)} drives" + ("" if p.split else "; --split makes each a run"))
        for i, d in enumerate(driven):
            km = "" if d.km != d.km else f", {d.km:.1f} km"
            lines.append(
                f"    drive {i + 1}: {_clock(log, d.start_s)} to {_clock(log, d.end_s)}{km}"
                + (f", {p.arms[i]}" if len(set(p.arms)) > 1 else "")
                + (f"; then {d.why}" if d.why else "")
            )
    lines += [f"  to {t}" for t in p.targets]
    lines += [f"  note: {n}" for n in log.notes]
    return lines


def _clock(log: "Log", t_s: float) -> str:
    if log.start is None:
        return f"{t_s / 60:.0f} min"
    import pandas as pd

    return f"{log.start + pd.Timedelta(t_s, unit='s'):%H:%M}"


def _column_tables(logs: Sequence["Log"]) -> list[list[str]]:
    """One table for all logs whose columns were taken for the same."""
    alike: dict[object, list[Log]] = {}
    for log in logs:
        alike.setdefault(tuple((c.header, c.signal, c.unit) for c in log.columns), []).append(log)
    return [_column_table(group) for group in alike.values()]


def _column_table(logs: Sequence["Log"]) -> list[str]:
    from roadlog.quantities.units import unit_symbol

    first = logs[0]
    rows = []
    for c in first.columns:
        share = ""
        if c.signal and c.signal in first.frame:
            filled = sum(float(log.frame[c.signal].notna().mean()) for log in logs) / len(logs)
            share = f"{100 * filled:.0f} %"
        taken_for = c.signal or ("time" if c.role == "time" else "-")
        unit = "" if c.unit is None else unit_symbol(c.unit)
        note = c.note if c.signal or c.role == "ignored" else c.note or "not recognised: not used"
        rows.append((c.header, taken_for, unit, share, "" if note == "time" else note))
    heads = ("header", "taken for", "unit", "filled", "")
    widths = [max(len(r[i]) for r in [heads, *rows]) for i in range(4)]
    many = f" and {len(logs) - 1} more" if len(logs) > 1 else ""
    lines = [f"Columns of {first.path.name}{many}:"]
    for row in [heads, *rows]:
        cells = [
            x.rjust(w) if i == 3 else x.ljust(w)
            for i, (x, w) in enumerate(zip(row, widths, strict=False))
        ]
        lines.append(("  " + "  ".join([*cells, row[4]])).rstrip())
    return lines
