"""A study's folder: its settings read, its logs found."""

from collections.abc import Mapping, Sequence
from pathlib import Path, PurePosixPath

from pydantic import ValidationError

from roadlog.errors import InputError
from roadlog.study.durable import is_part
from roadlog.study.faults import first_fault
from roadlog.study.settings import Study, T, parse_study

LOG_SUFFIXES = (".csv", ".tsv", ".txt", ".log", ".asc", ".dat", ".jsonl", ".ndjson")
OWN = ".roadlog"  # what the bench keeps there; logs that wait in its inbox aren't the study's yet
TRACK_SUFFIXES = (".gpx", ".kml", ".tcx", ".nmea")


def load_study(folder: Path) -> Study:
    """Read `folder/study.toml`.

    Raises
    ------
    InputError
        If the folder or the file is missing, or the file is wrong.
    """
    path = folder / "study.toml"
    if not folder.is_dir():
        raise InputError(f"{folder} is not a folder: name the folder that holds study.toml")
    if not path.is_file():
        raise InputError(
            f"{folder} has no study.toml: write one, or use --baseline and --fitted instead"
        )
    try:
        return parse_study(path.read_text(encoding="utf-8-sig"), str(path))
    except UnicodeDecodeError as e:
        raise InputError(f"{path}: not UTF-8 text (byte {e.start}): save it as UTF-8") from e


def refuse_fleet(folder: Path, study: Study) -> None:
    """Raise InputError for a fleet's study, where one car's is needed."""
    if study.fleet is not None:
        raise InputError(f"{folder}: this is a fleet: roadlog fleet {folder}")


def load_car(folder: Path) -> Study:
    """As `load_study`, of one car; a fleet's is refused too.

    Raises
    ------
    InputError
    """
    study = load_study(folder)
    refuse_fleet(folder, study)
    return study


def log_files(
    folder: Path, patterns: Sequence[str], suffixes: Sequence[str] = LOG_SUFFIXES
) -> list[Path]:
    """The files that glob patterns name, relative to `folder`, sorted, each once.

    A pattern that names no suffix (`logs/*`) takes files with one of `suffixes`.

    Raises
    ------
    InputError
        If a pattern matches nothing, or is none that can be looked up in the folder.
    """
    found: dict[Path, None] = {}
    for pattern in patterns:
        try:
            hits = sorted(
                p
                for p in folder.glob(pattern)
                if p.is_file() and not is_part(p) and OWN not in p.parts[len(folder.parts) :]
            )
        except (ValueError, NotImplementedError, IndexError) as e:
            raise InputError(
                f"'{pattern}' in [logs] is no pattern of files within {folder}: write one relative "
                'to the study\'s folder, as "logs/fitted/*.csv"'
            ) from e
        if "." not in PurePosixPath(pattern).name:
            hits = [p for p in hits if p.suffix.lower() in suffixes]
        if not hits:
            raise InputError(f"no file matches '{pattern}' in {folder}: correct [logs]")
        found.update(dict.fromkeys(hits))
    return list(found)


def row_of(model: type[T], values: Mapping[str, object], where: str) -> T:
    """One row of a table file as the model that study.toml uses for it.

    Raises
    ------
    InputError
        Naming `where` and the first fault.
    """
    try:
        return model.model_validate(dict(values))
    except ValidationError as e:
        raise InputError(f"{where}: {first_fault(e, model)}") from e
