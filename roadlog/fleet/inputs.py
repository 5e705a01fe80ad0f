"""Where a fleet's logs lie: patterns of files or a Parquet data set in, one source a task out.

A source is what one task reads: a log, or one vehicle's rows of one month. Nothing is opened here
but the column that names the vehicle.
"""

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path, PurePath

from roadlog.errors import InputError
from roadlog.fleet.vehicles import tidy
from roadlog.study.durable import is_part
from roadlog.study.folder import LOG_SUFFIXES

NAMED = "{vehicle}"
_WILD = re.compile(r"[*?\[]")


@dataclass(frozen=True)
class Source:
    """What one task reads. `shown` is its name on pages; rows of a data set have a `month`."""

    vehicle: str
    paths: tuple[Path, ...]
    shown: str
    month: str = ""
    vehicle_value: str = ""
    vehicle_column: str | None = None
    run_column: str | None = None


def sources_by_pattern(root: Path, patterns: Sequence[str]) -> list[Source]:
    """A source for each file that a pattern finds, with the vehicle that the path names.

    The vehicle is the part that `{vehicle}` stands for, else the first part of the pattern that
    has a `*`, `?` or `[…]` in it.

    Raises
    ------
    InputError
        If a pattern finds nothing or names no vehicle.
    """
    found: dict[Path, Source] = {}
    for pattern in patterns:
        base, parts, at = _split(root, pattern)
        hits = 0
        for path in _files(base, parts):
            vehicle = _vehicle(path.relative_to(base).parts, parts, at)
            shown = path.relative_to(root) if path.is_relative_to(root) else path
            found.setdefault(path, Source(tidy(vehicle), (path,), shown.as_posix()))
            hits += 1
        if not hits:
            raise InputError(f"no log fits '{pattern}' in {root}: correct it")
    return sorted(found.values(), key=lambda s: (s.vehicle, s.shown))


def _split(root: Path, pattern: str) -> tuple[Path, list[str], int]:
    """Folder, parts below it, and which of them names the vehicle (counted from the front)."""
    whole = PurePath(root, pattern)
    parts = list(whole.parts)
    if ".." in PurePath(pattern).parts:
        raise InputError(f"'{pattern}': write the pattern without '..'")
    named = [i for i, p in enumerate(parts) if NAMED in p]
    wild = [i for i, p in enumerate(parts) if _WILD.search(p)]
    if not named and not wild:
        raise InputError(
            f"'{pattern}' names no vehicle: put a * where the vehicle's name stands, as in "
            "'cars/*/logs/*.csv', or {vehicle}"
        )
    at = (named or wild)[0]
    first = min([at, *wild])
    if parts[at] == "**" or "**" in parts[first:at]:
        raise InputError(
            f"'{pattern}': put {{vehicle}} or a * before '**', so that one part names it"
        )
    return Path(*parts[:first]), parts[first:], at - first


def _files(base: Path, parts: Sequence[str]) -> Iterator[Path]:
    pattern = "/".join(p.replace(NAMED, "*") for p in parts)
    try:
        hits = sorted(base.glob(pattern))
    except (ValueError, NotImplementedError) as e:
        raise InputError(f"'{pattern}' is no pattern of files: write one as cars/*/*.csv") from e
    open_end = "." not in PurePath(pattern).name
    for path in hits:
        known = not open_end or path.suffix.lower() in LOG_SUFFIXES
        if known and path.is_file() and not is_part(path):
            yield path


def _vehicle(found: Sequence[str], parts: Sequence[str], at: int) -> str:
    """The vehicle that a found path names."""
    part, value = parts[at], found[at]
    if NAMED in part:
        text = re.escape(part).replace(re.escape(NAMED), "(?P<vehicle>.+?)")
        text = text.replace(r"\*", ".*").replace(r"\?", ".")
        whole = re.fullmatch(text, value)
        return value if whole is None else whole["vehicle"]
    if at == len(parts) - 1:  # a file whose name is the vehicle's
        return PurePath(value).stem
    return value
