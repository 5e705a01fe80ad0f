"""`roadlog fleet`: many vehicles' logs to their pass tables and the fleet's effect."""

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from roadlog.commands.sources import add_device, device_given

if TYPE_CHECKING:
    from roadlog.study.fleet import FleetRule
    from roadlog.study.settings import Study


def add(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add the command to the parser."""
    p = commands.add_parser(
        "fleet",
        help="the change in fuel use over many vehicles, and what to expect of the next",
        description=(
            "Take the logs of many vehicles to one pass table by vehicle and month, and from there "
            "to the fleet's effect. Give a STUDY folder whose study.toml has a [fleet] table, or "
            "patterns of files in quotes, in which a * stands for the vehicle's name. What was "
            "done before isn't done again; what can't count is listed with why."
        ),
        epilog=(
            "examples:\n"
            "  roadlog fleet my_fleet\n"
            "  roadlog fleet 'cars/*/logs/*.csv' --vehicles vehicles.csv --out results\n"
            "  roadlog fleet my_fleet --scheduler tcp://10.0.0.5:8786\n"
        ),
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    p.add_argument("study", nargs="+", metavar="STUDY|GLOB", help="folder, or patterns of logs")
    p.add_argument("--vehicles", type=Path, metavar="FILE", help="table of the vehicles: what each "
                   "is, and when the add-on was fitted (default: vehicles.csv)")  # fmt: skip
    p.add_argument("--fills", type=Path, metavar="FILE", help="table of the fuel that was filled: "
                   "vehicle, date, time, litres, odometer (default: fills.csv)")  # fmt: skip
    add_device(p)
    where = p.add_mutually_exclusive_group()
    where.add_argument("--scheduler", metavar="ADDRESS", help="a Dask cluster's scheduler, all of "
                       "whose workers see the same folders (extra 'fleet')")  # fmt: skip
    where.add_argument("--workers", type=int, metavar="N", help="processes of this computer "
                       "(default: one a core; 1 works without any)")  # fmt: skip
    p.add_argument("--out", type=Path, metavar="DIR", help="where to write (default: results/)")
    p.add_argument("--without-map", action="store_true", help="a page that shows no place")
    p.set_defaults(run=_fleet)


def _fleet(a: argparse.Namespace) -> int:
    from roadlog.errors import InputError, RoadlogError
    from roadlog.fleet.answer import answer, design_of
    from roadlog.fleet.cluster import cluster
    from roadlog.fleet.pipeline import find_fleet, fleet_tables
    from roadlog.fleet.workers import no_room, noting, processes, usual_workers
    from roadlog.report.fleet_words import fleet_lines, work_lines
    from roadlog.report.fleet_write import write_fleet, write_left_out, write_run
    from roadlog.study.durable import make_folder
    from roadlog.study.lock import one_writer
    from roadlog.study.settings import override

    if a.workers is not None and a.workers < 1:
        raise InputError(f"--workers {a.workers}: give 1 or more")
    study, root, rule, out = _what(a)
    study = override(study, vehicle={}, **device_given(a))
    fleet = find_fleet(study, root, rule)
    design_of(fleet)  # a heading that isn't there is told before hours of work
    where = cluster(a.scheduler) if a.scheduler else processes(a.workers or usual_workers())
    shown = sys.stderr.isatty()
    again: dict[str, int] = {}
    make_folder(out)
    with one_writer(out, "a fleet's analysis"), where as bare:
        run = noting(bare, again)
        tables = fleet_tables(fleet, run, out=out, work=out / "computed", progress=shown)
        try:
            found = answer(tables, run, progress=shown)
        except RoadlogError:
            write_left_out(tables, out)  # why there is no answer may stand there
            raise
        try:
            write_fleet(found, out, with_map=not a.without_map)
            write_run(tables, again, out)
        except OSError as e:
            raise no_room(e, str(out)) from e
    print("\n".join([*fleet_lines(found), *work_lines(tables, again)]))
    print(f"Report: {out / 'fleet.html'}")
    return 0 if found.result.effect.low is not None else 1


def _what(a: argparse.Namespace) -> "tuple[Study, Path, FleetRule | None, Path]":
    """Study, folder, rule and where to write."""
    from roadlog.commands.sources import opened
    from roadlog.errors import InputError
    from roadlog.study.fleet import FleetRule
    from roadlog.study.settings import Study

    tables = {"vehicles": a.vehicles, "fills": a.fills}
    named = {k: str(path.resolve()) for k, path in tables.items() if path is not None}
    first = Path(a.study[0])
    if len(a.study) == 1 and first.is_dir():
        study = opened(first, fleet=True)
        if study.fleet is None:
            raise InputError(
                f"{first}: this is one car's study: roadlog analyze {first} (a fleet's study.toml "
                'has [fleet] with logs = ["cars/*/logs/*.csv"])'
            )
        rule = study.fleet.model_copy(update=named)
        return study, first, rule, a.out or first / "results"
    rule = FleetRule(logs=tuple(a.study)).model_copy(update=named)
    return Study(name="a fleet"), Path.cwd(), rule, a.out or Path("results")
