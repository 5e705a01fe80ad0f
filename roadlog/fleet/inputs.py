"""Where a fleet's logs lie: patterns of files or a Parquet data set in, one source a task out.

A source is what one task reads: a log, or one vehicle's rows of a file. Nothing is opened here
but the column that names the vehicle.
"""

import re
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path, PurePath
from urllib.parse import unquote

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from roadlog.errors import InputError
from roadlog.fleet.facts import LeftOut
from roadlog.fleet.vehicles import tidy
from roadlog.ingest.table.columnar import texts_of
from roadlog.ingest.text.handtable import split_unit
from roadlog.quantities.facts import Fact
from roadlog.study.durable import is_part
from roadlog.study.fleet import FleetRule
from roadlog.study.folder import LOG_SUFFIXES
from roadlog.study.lock import LOCK

NAMED = "{vehicle}"
NOBODY = "__HIVE_DEFAULT_PARTITION__"
VEHICLE_KEYS = (
    "vehicle", "vehicle id", "vehicle_id", "car", "car id", "vin", "fleet number", "registration",
    "plate",
)  # fmt: skip
RESULTS = ("vehicles.csv", "left_out.csv")
_KEY = re.compile(r"[0-9a-f]{40}")
_WILD = re.compile(r"[*?\[]")


@dataclass(frozen=True, slots=True)
class Source:
    """What one task reads: a log, or a vehicle's rows of a Parquet file (`columnar`).

    `shown` is its name on pages; `vehicle_values` what the file has in `vehicle_column`, where that
    isn't None. `vehicle_key` is what folders call a vehicle: a column of that name has to agree.
    """

    vehicle: str
    file: str
    shown: str
    columnar: bool = False
    vehicle_values: tuple[str, ...] = ()
    vehicle_column: str | None = None
    vehicle_key: str | None = None
    run_column: str | None = None

    @property
    def path(self) -> Path:
        """Where the file lies."""
        return Path(self.file)


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
            found.setdefault(path, Source(sys.intern(tidy(vehicle)), str(path), shown.as_posix()))
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
        if known and path.is_file() and not is_part(path) and not _is_result(path):
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


def sources_by_data(root: Path, rule: FleetRule) -> tuple[list[Source], list[tuple[str, Fact]]]:
    """A source for each vehicle's rows of each file of a Parquet data set, and what has none.

    The vehicle is in the path (`vehicle=…`) or in a column. A file that can't be opened is told,
    and costs itself.

    Raises
    ------
    InputError
        If there is no file.
    """
    assert rule.data is not None
    top = root / rule.data
    files = [top] if top.is_file() else sorted(p for p in top.rglob("*.parquet") if p.is_file())
    files = [p for p in files if not is_part(p) and not _is_ours(p)]
    if not files:
        raise InputError(f"{top}: no Parquet file: correct data in [fleet]")
    found: list[Source] = []
    lost: list[tuple[str, Fact]] = []
    for path in files:
        shown = path.relative_to(root).as_posix()
        keys = _keys(path.relative_to(root))
        key = next((k for k in keys if k.lower() in VEHICLE_KEYS), None)
        if key is not None:
            named = keys[key]
            if named == NOBODY or not tidy(named):
                lost.append((shown, LeftOut.NO_VEHICLE(n=1)))
            else:
                found.append(
                    Source(
                        tidy(named),
                        str(path),
                        shown,
                        True,
                        run_column=rule.run_column,
                        vehicle_key=key,
                    )
                )
            continue
        try:
            column, values, missing = _vehicles_in(path, rule.vehicle_column)
        except (OSError, pa.ArrowException) as e:
            lost.append((shown, LeftOut.UNREADABLE(why=not_whole(shown, e))))
            continue
        except InputError as e:
            lost.append((shown, LeftOut.UNREADABLE(why=str(e))))
            continue
        if missing:
            lost.append((shown, LeftOut.NO_VEHICLE(n=missing)))
        spelled: dict[str, list[str]] = {}
        for value in values:
            spelled.setdefault(tidy(value), []).append(value)
        found += [
            Source(name, str(path), f"{shown} ({name})", True, tuple(own), column, rule.run_column)
            for name, own in spelled.items()
        ]
    return sorted(found, key=lambda s: (s.vehicle, s.shown)), lost


def _is_ours(path: Path) -> bool:
    """Whether a Parquet file is one of ours, in a results folder that lies within the data."""
    if not _KEY.fullmatch(path.stem):
        return False
    above = path.parts[-4:-1]
    return above[0] in ("passes", "runs") or above[1:] == ("samples", path.stem[:2])


def _is_result(path: Path) -> bool:
    """Whether a table is what an earlier run wrote, which a wide pattern finds too."""
    return path.name in RESULTS and (path.parent / LOCK).exists()


def not_whole(shown: str, error: Exception) -> str:
    """What is told of a Parquet file that can't be read."""
    told = " ".join(str(error).split())[:200]
    return f"{shown}: no whole Parquet file ({told}): write it again"


def _keys(path: PurePath) -> dict[str, str]:
    """Key and value of each folder that is called key=value."""
    pairs = [p.partition("=") for p in path.parts[:-1]]
    return {unquote(k): unquote(v) for k, eq, v in pairs if eq}


def _vehicles_in(path: Path, wanted: str | None) -> tuple[str, list[str], int]:
    """The column that names vehicles, the names in it, and how many rows have none."""
    file = pq.ParquetFile(path)
    names = file.schema_arrow.names
    known = [n for n in names if split_unit(n)[0] in VEHICLE_KEYS]
    if wanted is not None:
        known = [n for n in names if n == wanted]
    if not known:
        raise InputError(
            f"{path.name}: no column names the vehicle among {', '.join(names)}: say which with "
            "vehicle_column in [fleet]"
        )
    kind = file.schema_arrow.field(known[0]).type
    if pa.types.is_nested(kind):
        raise InputError(
            f"{path.name}: column '{known[0]}' holds {kind}, no names: say which column names the "
            "vehicle with vehicle_column in [fleet]"
        )
    values: set[str] = set()
    missing = 0
    for i in range(file.num_row_groups):
        column = texts_of(file.read_row_group(i, columns=[known[0]])[known[0]])
        told = pc.value_counts(column)
        for value, n in zip(told.field(0).to_pylist(), told.field(1).to_pylist(), strict=True):
            if value is None or not tidy(value):
                missing += n
            else:
                values.add(value)
    return known[0], sorted(values), missing
