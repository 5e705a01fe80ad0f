"""`roadlog engine-signals`: what OBD shows of mixture and catalyst, by arm; no tailpipe test."""

import argparse
from pathlib import Path

from roadlog.commands.sources import held


def add(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add the command to the parser."""
    p = commands.add_parser(
        "engine-signals",
        help="compare trims, lambda and catalyst temperature between the arms",
        description=(
            "Compare what OBD shows of mixture control and catalyst between the arms. This is not "
            "a tailpipe measurement and says nothing of what leaves the exhaust."
        ),
        epilog="example:\n  roadlog engine-signals sample_logs\n",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    p.add_argument("study", type=Path, metavar="STUDY", help="folder with study.toml")
    p.set_defaults(run=held(_run, "roadlog engine-signals"))


def _run(a: argparse.Namespace) -> int:
    from roadlog.ingest.timebase import resample
    from roadlog.runs.deviations import find_deviations
    from roadlog.runs.notes import of_no_drive, read_notes
    from roadlog.runs.table import build_runs, open_study, read_logs, with_day_order
    from roadlog.trials.engine_signals import compare_engine_signals
    from roadlog.trials.result import save, screen
    from roadlog.wording.screen import grid

    study, sources = open_study(a.study)
    study = with_day_order(study, sources)
    logs = read_logs(study, sources)
    unit = study.schedule.switched_by if study.schedule else "stretch"
    runs = build_runs(study, sources, logs, unit)
    notes = None
    if sources.notes is not None:
        notes = read_notes(sources.notes, study.time.day_first, tuple(runs["day"]))
    for warning in of_no_drive(notes, runs):
        print(f"Warning: {warning}.")
    set_aside = find_deviations(runs, notes, study.analysis.exclude_if).set_aside
    for run, file in zip(runs["run"], runs["file"], strict=True):
        if run in set_aside:
            print(f"Set aside: {file}: {set_aside[run]}")
    runs = runs[~runs["run"].isin(list(set_aside))].reset_index(drop=True)
    samples = [resample(logs[i].frame) for i in runs["log"]]
    result = compare_engine_signals(samples, runs, notes, device=study.device.name)
    rows = [
        (
            f"{r['signal']}, {r['unit']}".strip(", "),
            *(_cell(r[k]) for k in ("baseline", "fitted", "change", "low", "high")),
        )
        for r in _rows(result.details["signals"])
    ]
    arms = (study.label("baseline"), study.label("fitted"))
    saved = save(result, a.study)
    print("\n".join(grid(("signal", *arms, "change", "95 % from", "to"), rows)))
    print("\n" + "\n".join(screen(result, synthetic=study.synthetic)))
    print(f"Saved: {saved}; the next 'roadlog analyze' shows it.")
    return 0


def _rows(signals: object) -> list[dict[str, object]]:
    assert isinstance(signals, list)
    return signals


def _cell(value: object) -> str:
    return f"{value:.2f}" if isinstance(value, float) else "-"
