"""A list of runs that somebody keeps by hand: file, arm, day, block, in order of driving.

It tells what logs can't: the order and the days of logs without a date, the block of each run, the
arm where no schedule and no pile of files does, and how a run began whose log begins later.
`runs.csv` of a study, or `--runs`, comes in.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath

import pandas as pd

from roadlog.errors import InputError
from roadlog.ingest.clock.handdates import looks_like_a_date, read_days
from roadlog.ingest.text.handnumbers import quantity
from roadlog.ingest.text.handtable import line_of, read_table, split_unit

FILE_WORDS = ("file", "log", "run")
DAY_WORDS = ("date", "day")
KNOWN = "file, arm, date (or day), order, block, vehicle"
# How a run began, where its log begins later: our column, its unit, and its heading.
BEGAN = {
    "coolant_start_c": ("°c", "coolant at start"),
    "ambient_start_c": ("°c", "ambient at start"),
    "before_km": ("m", "driven before"),  # in its switch unit, before the log's first sample
}
KM_PER_M = 0.001  # the unit table has metres as the base of length


@dataclass(frozen=True)
class Listed:
    """One line: the log's name, and what is said of it ("" where nothing is).

    `vehicle` tells which car drove, where its log doesn't. `began` has the columns of `BEGAN` that
    the line fills in.
    """

    line: int
    file: str
    arm: str = ""
    day: str = ""
    block: str = ""
    vehicle: str = ""
    began: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class RunList:
    """The lines in order of driving."""

    path: Path
    rows: tuple[Listed, ...]

    def of(self, logs: Sequence[Path]) -> dict[int, Listed]:
        """The line about each log, by its position in `logs`; logs that no line names are absent.

        Raises
        ------
        InputError
            If a line names no log or several, or two lines name one.
        """
        names = [PurePosixPath("/", p.resolve().as_posix()) for p in logs]
        found: dict[int, Listed] = {}
        for row in self.rows:
            own = PurePosixPath(row.file).parts
            hits = [i for i, n in enumerate(names) if n.parts[-len(own) :] == own]
            where = f"{self.path}: line {row.line}: '{row.file}'"
            if not hits:
                raise InputError(f"{where} is none of the logs: correct the name, or take it out")
            if len(hits) > 1:
                raise InputError(
                    f"{where} fits {len(hits)} logs: write the folder too, as "
                    + _with_folder(names, hits)
                )
            if hits[0] in found:
                raise InputError(
                    f"{where} is on line {found[hits[0]].line} already: keep one of the two"
                )
            found[hits[0]] = row
        return found


def _with_folder(names: Sequence[PurePosixPath], hits: Sequence[int]) -> str:
    return " or ".join("/".join(names[i].parts[-2:]) for i in hits[:2])


def read_run_list(
    path: Path, day_first: bool | None = None, arms: Mapping[str, str] | None = None
) -> RunList:
    """Read a list of runs.

    Parameters
    ----------
    path : Path
        A delimited text with a column `file` and any of `arm`, `date` or `day`, `order`, `block`,
        `vehicle`; other columns are not looked at.
    day_first : bool, optional
        The order of day and month that the logs or `[time]` settle.
    arms : mapping of str to str, optional
        Words for the arms beside `baseline` and `fitted` (a study's labels), to the arm.

    Raises
    ------
    InputError
        If it can't be read, has no column of files, or naming the line of a wrong cell.
    """
    if not path.is_file():
        raise InputError(f"{path} doesn't exist: name a table with the columns {KNOWN}")
    table = read_table(path)
    heads = {str(c).strip().lower(): str(c) for c in table.columns}
    file = next((heads[w] for w in FILE_WORDS if w in heads), None)
    if file is None:
        raise InputError(
            f"{path} has no column 'file' (it has {', '.join(heads)}): name the columns {KNOWN}"
        )
    if table.empty:
        raise InputError(f"{path} lists no run: write a line for each, in order of driving")
    day = next((heads[w] for w in DAY_WORDS if w in heads), None)
    days = None if day is None else _days(table[day], day_first, path, day)
    words = {"baseline": "baseline", "fitted": "fitted"}
    words |= {w.strip().lower(): arm for w, arm in (arms or {}).items()}
    began = _began(table, path)
    rows = []
    for i in range(len(table)):
        name = _cell(table, file, i)
        line = line_of(table, i)
        if not name:
            raise InputError(f"{path}: line {line} names no file: add it, or take the line out")
        arm = _cell(table, heads.get("arm"), i)
        if arm and arm.lower() not in words:
            raise InputError(
                f"{path}: line {line}, column 'arm': '{arm}' is no arm: write "
                + " or ".join(sorted(words))
            )
        rows.append(
            Listed(
                line,
                name.replace("\\", "/"),
                words.get(arm.lower(), ""),
                "" if days is None else days[i],
                _cell(table, heads.get("block"), i),
                _cell(table, heads.get("vehicle"), i),
                {k: float(v.iloc[i]) for k, v in began.items() if pd.notna(v.iloc[i])},
            )
        )
    return RunList(path, tuple(rows[i] for i in _order(table, heads.get("order"), path)))


def _began(table: pd.DataFrame, path: Path) -> dict[str, pd.Series]:
    """Columns of how runs began, in our units."""
    out = {}
    for head in map(str, table.columns):
        words, unit = split_unit(head)
        for name, (own, heading) in BEGAN.items():
            if words == heading and own == "m":
                out[name] = KM_PER_M * quantity(table[head], unit or "km", own, path, head)
            elif words == heading:
                out[name] = quantity(table[head], unit, own, path, head)
    return out


def _cell(table: pd.DataFrame, column: str | None, i: int) -> str:
    value = None if column is None else table[column].iloc[i]
    return "" if value is None or pd.isna(value) else str(value).strip()


def _days(cells: pd.Series, day_first: bool | None, path: Path, head: str) -> list[str]:
    """Days as YYYY-MM-DD where the column holds dates, else as they are called."""
    told = cells.dropna().astype("str")
    if len(told) and all(looks_like_a_date(c) for c in told):
        cells = read_days(cells, day_first, path, head)
    return ["" if pd.isna(c) else str(c).strip() for c in cells]


def _order(table: pd.DataFrame, column: str | None, path: Path) -> list[int]:
    """Positions of the lines in order of driving: by the column `order`, else as they stand."""
    if column is None:
        return list(range(len(table)))
    numbers = pd.to_numeric(table[column].str.replace(",", ".", regex=False), errors="coerce")
    wrong = numbers.isna() | numbers.duplicated()
    if wrong.any():
        i = int(wrong.to_numpy().argmax())
        raise InputError(
            f"{path}: line {line_of(table, i)}, column '{column}': '{_cell(table, column, i)}' is "
            "no number, or is there twice: number the runs in the order in which they were driven"
        )
    return [int(i) for i in numbers.to_numpy().argsort(kind="stable")]
