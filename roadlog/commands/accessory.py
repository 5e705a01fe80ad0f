"""`roadlog accessory`: ask the tester, blind, whether the accessory ran as the logs look."""

import argparse
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from roadlog.commands.sources import opened, writing
from roadlog.errors import InputError

if TYPE_CHECKING:
    import pandas as pd

ANSWERS = {"on": "on", "off": "off", "automatic": "automatic", "auto": "automatic"}
LEAST_TOLD_S = 40.0


def add(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add the command to the parser."""
    p = commands.add_parser(
        "accessory",
        help="say of each day whether air conditioning was on, off or automatic",
        description=(
            "List for each day of a STUDY how long air conditioning looks on, and keep your answer "
            "(on, off or automatic) in the column 'accessory' of notes.csv. Shows neither arm nor "
            "effect. Answer from memory or notes, not from the list."
        ),
        epilog=(
            "examples:\n  roadlog accessory my_test\n"
            "  roadlog accessory my_test --answer 2026-03-04=on --answer 2026-03-05=off\n"
        ),
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    p.add_argument("study", type=Path, metavar="STUDY", help="folder with study.toml")
    p.add_argument(
        "--answer",
        action="append",
        default=[],
        metavar="DATE=on|off|automatic",
        help="answer for one day (or log file, where logs have no date); may be repeated",
    )
    p.set_defaults(run=_run)


def _run(a: argparse.Namespace) -> int:
    from roadlog.analysis.accessory_time import seen_by_run
    from roadlog.analysis.metering import judged, sampled
    from roadlog.runs.accessory_notes import accessory_noted
    from roadlog.runs.notes import read_notes
    from roadlog.runs.table import (
        arms_aside,
        build_runs,
        read_logs,
        study_sources,
        with_day_order,
    )

    answers = dict(_answer(text) for text in a.answer)
    study = opened(a.study)
    sources = study_sources(a.study, study)
    study = with_day_order(study, sources)
    logs = read_logs(study, sources)
    runs = build_runs(arms_aside(study), sources, logs, "stretch")
    samples, _ = sampled([logs[i] for i in runs["log"]], sys.stderr.isatty())
    runs = judged(runs, samples, both_arms=False)
    at = [i for i, used in enumerate(runs["used"]) if used]
    runs = runs.iloc[at].reset_index(drop=True)
    found, table = seen_by_run([samples[i] for i in at], runs, study.vehicle, sealed=study.shut)
    notes = None
    if sources.notes is not None:
        notes = read_notes(sources.notes, study.time.day_first, tuple(runs["day"].astype(str)))
    noted = accessory_noted(notes, runs)
    days = _days(table.assign(answered=noted.answered.to_numpy()))
    unknown = [k for k in answers if k not in days]
    if unknown:
        raise InputError(
            f"--answer {unknown[0]}: no drive of the study is of that day: use one of "
            f"{', '.join(list(days)[:3])} …"
        )
    if not found.visible:
        seen = "isn't told from" if study.shut else "can't be seen in"
        print(
            f"Whether an accessory ran {seen} these logs: {found.why}. Your answers are the only "
            "source."
        )
    for key, (line, _) in days.items():
        print(f"{line}{'  ' + answers[key] if key in answers else ''}")
    if not answers and sys.stdin.isatty():
        answers = _asked(days)
    if not answers:
        open_days = [k for k, (_, answered) in days.items() if not answered]
        print(f"\n{len(days) - len(open_days)} of {len(days)} are answered.")
        if open_days:
            print(f"Answer with --answer {open_days[0]}=on (or off, automatic).")
        return 0
    path = sources.notes or a.study / "notes.csv"
    _keep(a.study, path, answers, study.time.day_first)
    print(f"\nKept {len(answers)} answers in {path}.")
    return 0


def _keep(study: Path, path: Path, answers: dict[str, str], day_first: bool | None) -> None:
    """Write the answers, or say how to give them again."""
    from roadlog.plan.today import command
    from roadlog.runs.accessory_notes import write_answers

    try:
        with writing(study, "roadlog accessory"):
            write_answers(path, answers, day_first)
    except InputError as e:
        told = (f"--answer={k}={v}" for k, v in answers.items())
        again = command("accessory", str(study), *told)
        raise InputError(f"{e}; nothing was written: go on with  {again}") from e


def _answer(text: str) -> tuple[str, str]:
    key, _, word = text.rpartition("=")
    if not key.strip() or word.strip().lower() not in ANSWERS:
        raise InputError(f"--answer {text}: write DATE=on, DATE=off or DATE=automatic")
    return key.strip(), ANSWERS[word.strip().lower()]


def _days(table: "pd.DataFrame") -> dict[str, tuple[str, bool]]:
    """For each day (or log without a date) its question, and whether it is answered."""
    dated = table["day"].astype(str).str.fullmatch(r"\d{4}-\d{2}-\d{2}").all()
    names = table["file"].astype(str).str.replace("\\", "/").str.split("/").str[-1]
    key = table["day"].astype(str) if dated else names
    found = {}
    for name, own in table.groupby(key.to_numpy(), sort=False):
        known = float(own["known_s"].sum())
        looks = "can't be told from its logs"
        if known >= LEAST_TOLD_S:
            on = float((own["seen"].fillna(0) * own["known_s"]).sum()) / known
            looks = f"it looks on {100 * on:.0f} % of the time"
        line = f"On {name} {looks}: on, off, automatic?"
        if not dated:
            line = line.replace("On ", "In ", 1)
        found[str(name)] = (line, bool(own["answered"].all()))
    return found


def _asked(days: Mapping[str, tuple[str, bool]]) -> dict[str, str]:
    """Answers typed in, for the days that have none; a blank line leaves a day out."""
    found: dict[str, str] = {}
    print()
    for key, (_, answered) in days.items():
        if answered:
            continue
        while True:
            word = input(f"{key}: on, off, automatic (blank: don't know) ").strip().lower()
            if word in ANSWERS:
                found[key] = ANSWERS[word]
            if word in ANSWERS or not word:
                break
    return found
