"""`roadlog engine-signals`: what OBD shows of mixture and catalyst, by arm; no tailpipe test."""

import argparse
from pathlib import Path

from roadlog.commands.sources import held, say_saved


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
    from roadlog.analysis.trial_engine_signals import reckon_engine_signals
    from roadlog.trials.result import screen
    from roadlog.wording.screen import grid

    done = reckon_engine_signals(a.study)
    study, result = done.study, done.result
    for line in done.said:
        print(line)
    rows = [
        (
            f"{r['signal']}, {r['unit']}".strip(", "),
            *(_cell(r[k]) for k in ("baseline", "fitted", "change", "low", "high")),
        )
        for r in _rows(result.details["signals"])
    ]
    arms = (study.label("baseline"), study.label("fitted"))
    print("\n".join(grid(("signal", *arms, "change", "95 % from", "to"), rows)))
    print("\n" + "\n".join(screen(result, synthetic=study.synthetic)))
    say_saved(done.saved)
    return 0


def _rows(signals: object) -> list[dict[str, object]]:
    assert isinstance(signals, list)
    return signals


def _cell(value: object) -> str:
    return f"{value:.2f}" if isinstance(value, float) else "-"
