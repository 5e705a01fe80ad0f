"""`roadlog analyze`: from drive logs to the change in fuel use, a map and a report."""

import argparse
import dataclasses
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from roadlog.commands.sources import (
    add_device,
    add_sources,
    chosen,
    device_given,
    held,
    require_one_source,
    results_folder,
)
from roadlog.quantities.fuelnames import FUEL_NAMES

if TYPE_CHECKING:
    from roadlog.study.settings import Study


def add(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add the command to the parser."""
    p = commands.add_parser(
        "analyze",
        help="from drive logs to the change in fuel use, a map and a report",
        description=(
            "Estimate what the add-on did to fuel use and hold it against the claim. Give either "
            "a STUDY folder with study.toml, or two piles of logs."
        ),
        epilog=(
            "examples:\n"
            "  roadlog analyze sample_logs\n"
            "  roadlog analyze --baseline out/ --fitted in/ --claim-economy 12 --switched-by day\n"
        ),
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    add_sources(p)
    add_device(p)
    p.add_argument(
        "--switched-by",
        choices=("day", "run", "stretch"),
        help="what was assigned to an arm independently (default: the study's schedule; with none, "
        "each unbroken stretch in one arm)",
    )
    _add_order(p)
    p.add_argument("--fuel", choices=FUEL_NAMES, help="fuel in the tank (E10)")
    p.add_argument("--displacement", type=float, metavar="L", help="engine displacement, litres")
    p.add_argument("--mass", type=float, metavar="KG", help="test mass of the car, kg")
    p.add_argument("--out", type=Path, metavar="DIR", help="where to write (default: results/)")
    p.add_argument(
        "--tiles", action="store_true", help="add a tile background to the map (needs a network)"
    )
    p.add_argument(
        "--no-cache",
        action="store_true",
        help="compute everything anew, without the tables that earlier analyses kept",
    )
    p.set_defaults(run=held(_analyze, "roadlog analyze"))


def _add_order(p: argparse.ArgumentParser) -> None:
    order = p.add_mutually_exclusive_group()
    order.add_argument(
        "--order",
        choices=("lots", "pairs", "blocks", "turns", "none"),
        help="how the order of arms came about (a study's schedule says so by itself): lots: one "
        "draw for the whole test; pairs: a toss for each two neighbouring switch units; blocks: a "
        "draw in each block, named by a folder inside both piles (out/block1, in/block1) or by a "
        "column 'block' of --runs or notes.csv; turns: "
        "in and out in turn; none: as it came",
    )
    order.add_argument(
        "--randomised",
        dest="order",
        action="store_const",
        const="lots",
        help="the same as --order lots",
    )


def _analyze(a: argparse.Namespace) -> int:
    require_one_source(a)
    from roadlog.analysis.analyse import analyse
    from roadlog.analysis.earlier import NOTHING_EARLIER, Earlier
    from roadlog.analysis.second import MAY_HELP
    from roadlog.plan.looks import log_look
    from roadlog.report import summary_lines, write_results
    from roadlog.trials.result import load_all

    MAY_HELP.set(True)
    study, sources = chosen(a)
    study = _with_options(study, a)
    out = results_folder(a)
    earlier = NOTHING_EARLIER if a.no_cache else Earlier.of(sources)
    result = analyse(
        study,
        sources,
        switched_by=a.switched_by,
        order=a.order,
        progress=sys.stderr.isatty(),
        earlier=earlier,
    )
    if told := earlier.done():
        print(f"roadlog: {told}", file=sys.stderr)
    if a.study is not None:
        result = dataclasses.replace(result, trials=load_all(a.study))
    if a.study is not None and result.oversight is not None:
        try:
            log_look(a.study, result.oversight, result.finding)
        except OSError as e:
            print(f"roadlog: this look could not be logged ({e.strerror})", file=sys.stderr)
    write_results(result, out, tiles=a.tiles)
    print("\n".join(summary_lines(result)))
    print(f"Report: {out / 'report.html'}")
    return 0 if result.effect.primary.low is not None else 1


def _with_options(study: "Study", a: argparse.Namespace) -> "Study":
    from roadlog.study.settings import override

    vehicle = {"fuel": a.fuel, "displacement_l": a.displacement, "mass_kg": a.mass}
    given = {k: v for k, v in vehicle.items() if v is not None}
    return override(study, vehicle=given, **device_given(a))
