"""What the commands that take a STUDY folder or two piles of logs share: arguments and reading."""

import argparse
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import fields, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from roadlog.errors import InputError

if TYPE_CHECKING:
    from _typeshed import DataclassInstance

    from roadlog.runs.table import Sources
    from roadlog.study.settings import ColumnRule, Study

Options = TypeVar("Options", bound="DataclassInstance")


def add_sources(p: argparse.ArgumentParser) -> None:
    """Add STUDY, --baseline and --fitted."""
    p.add_argument("study", nargs="?", type=Path, metavar="STUDY", help="folder with study.toml")
    p.add_argument(
        "--baseline", nargs="+", type=Path, metavar="PATH", help="logs with the add-on out or off"
    )
    p.add_argument(
        "--fitted", nargs="+", type=Path, metavar="PATH", help="logs with the add-on in and on"
    )
    p.add_argument(
        "--runs",
        type=Path,
        metavar="FILE",
        help="a table of the runs in order of driving, with the columns file, arm, date (or day) "
        "and block as far as logs and piles don't tell them; a study's is runs.csv",
    )
    p.add_argument(
        "--name", help="name of the study on pages and in results, where no study.toml has one"
    )
    p.add_argument(
        "--device", metavar="NAME", help="name of the add-on, where no study.toml has one"
    )
    p.add_argument(
        "--column",
        action="append",
        default=[],
        metavar="HEADER=SIGNAL[UNIT]",
        help="what a column of the logs is, as [columns] in study.toml says it, such as "
        "'V=speed_kmh[mph]', 'Time=time[min]' or 'Speed 2=ignore'; may be repeated",
    )


def opened(folder: Path, *, fleet: bool = False) -> "Study":
    """A study's settings; from here on the command prints in the study's units.

    Raises
    ------
    InputError
        As `load_study`, and for a fleet's study where the command is for one car's.
    """
    from roadlog.study.folder import load_car, load_study
    from roadlog.wording.units import show_in

    study = load_study(folder) if fleet else load_car(folder)
    show_in(study.units)
    return study


def require_one_source(a: argparse.Namespace) -> None:
    """Raise InputError unless the call names a study, both piles, or a list of runs."""
    piles = [arm for arm in ("baseline", "fitted") if getattr(a, arm) is not None]
    if (a.study is None) == (not piles and a.runs is None):
        raise InputError(
            "give either a STUDY folder or both --baseline and --fitted, or a list of runs "
            "(--runs; a study's is its runs.csv)"
        )
    if len(piles) == 1:
        missing = "fitted" if piles == ["baseline"] else "baseline"
        raise InputError(f"--{missing} is missing: a comparison needs logs of both arms")


def chosen(
    a: argparse.Namespace, in_study: "Callable[[Path, Study], Sources] | None" = None
) -> "tuple[Study, Sources]":
    """The study and its files; `in_study` names a study's files where they aren't its [logs]."""
    from roadlog.runs.table import listed_sources, pile_sources, study_sources
    from roadlog.study.settings import column_rules

    require_one_source(a)
    rules = column_rules(a.column)
    if a.study is None:
        if a.baseline is None:
            return _nameless(a, "a list of runs", rules), listed_sources(a.runs)
        piles = replace(pile_sources(a.baseline, a.fitted), listed=a.runs)
        return _nameless(a, "two piles of logs", rules), piles
    if a.name is not None or a.device is not None:
        option = "--name" if a.name is not None else "--device"
        raise InputError(f"{option} is for logs without a study: {a.study / 'study.toml'} has it")
    study = opened(a.study)
    study = study.model_copy(update={"columns": {**study.columns, **rules}})
    return study, (in_study or study_sources)(a.study, study)


def _nameless(a: argparse.Namespace, usual: str, rules: "dict[str, ColumnRule]") -> "Study":
    """The study of logs that have no study.toml, called as the options say."""
    from roadlog.study.car import Device
    from roadlog.study.settings import Study
    from roadlog.wording.screen import one_line

    name, device = (None if v is None else one_line(v) for v in (a.name, a.device))
    for option, given in (("--name", name), ("--device", device)):
        if given == "":
            raise InputError(f"{option} is blank: give a name, or leave the option out")
    named = {"device": Device(name=device)} if device else {}
    labels = {"labels": {"baseline": f"{device} out", "fitted": f"{device} in"}} if device else {}
    return Study.model_validate({"name": name or usual, "columns": rules, **named, **labels})


def held(
    run: Callable[[argparse.Namespace], int], what: str, folder: str = "study"
) -> Callable[[argparse.Namespace], int]:
    """A command that writes into a study, which it holds as its one writer from start to end.

    Parameters
    ----------
    what : str
        The command as whoever has to wait is told it ("roadlog analyze").
    folder : str
        The argument that names the study's folder.
    """

    def holding(a: argparse.Namespace) -> int:
        with writing(None if getattr(a, "dry_run", False) else getattr(a, folder), what):
            return run(a)

    return holding


@contextmanager
def writing(folder: Path | None, what: str) -> Iterator[None]:
    """Hold a study as its one writer; where there is no study nothing is held.

    Raises
    ------
    InputError
        If another program writes there now.
    """
    from roadlog.study.lock import one_writer

    if folder is None or not (folder / "study.toml").is_file():
        yield
        return
    with one_writer(folder, what):
        yield


def given(options: type[Options], a: argparse.Namespace) -> Options:
    """A trial's options out of the arguments of the same names."""
    return options(**{f.name: getattr(a, f.name) for f in fields(options)})


def say_saved(saved: Path | None) -> None:
    """Say where a trial's result is kept, if there was a study to keep it."""
    if saved is not None:
        print(f"Saved: {saved}; the next 'roadlog analyze' shows it.")


def results_folder(a: argparse.Namespace) -> Path:
    """Where results go: --out, the study's `results`, or `results` here."""
    out: Path = a.out or (a.study / "results" if a.study else Path("results"))
    if out.exists() and not out.is_dir():
        raise InputError(f"--out {out} is a file: name a folder")
    return out


def add_device(p: argparse.ArgumentParser) -> None:
    """Add what is claimed of the add-on, and where it acts."""
    claim = p.add_mutually_exclusive_group()
    claim.add_argument(
        "--claim-economy", type=float, metavar="PCT", help="claimed gain in distance per fuel, %%"
    )
    claim.add_argument(
        "--claim-fuel", type=float, metavar="PCT", help="claimed saving of fuel per distance, %%"
    )
    p.add_argument(
        "--acts-on",
        choices=("intake", "fuel", "oxygen-sensor", "electrical", "aero-or-rolling", "other"),
        help="where the add-on acts: decides which fuel figure it can't bend; 'other' touches "
        "neither intake nor fuel nor sensors (not declared: only alike fuel trims allow a firm "
        "word)",
    )


def device_given(a: argparse.Namespace) -> dict[str, Any]:
    """What the options of `add_device` change in a study, as `override` takes it."""
    claim = {"economy_pct": a.claim_economy, "fuel_pct": a.claim_fuel}
    given = {k: v for k, v in claim.items() if v is not None}
    return {"device": {"acts_on": a.acts_on} if a.acts_on else {}, "claim": given or None}
