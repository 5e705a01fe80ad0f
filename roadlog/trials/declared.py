"""Which rises were full-throttle starts, where neither pedal nor throttle was logged.

In goes what the tester declares, a table of starts or the word that these logs hold nothing else;
out comes whether a rise counts. Speed alone can't tell a full-throttle start from pulling out of
a side road: method section 7, standing start.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path, PurePath

from roadlog.errors import InputError
from roadlog.trials.sheet import read_sheet

NEAR_S = 10.0  # a start is declared to about this, read off the log or a watch
LEAST_SHARE = 0.10  # of the time in motion: a session of starts holds little else
UNDECLARED = (
    "neither pedal nor throttle was logged and the start isn't declared: list it in a table of "
    "file and at_s (--starts), or log the pedal"
)


@dataclass(frozen=True)
class Declared:
    """Starts that the tester vouches for.

    `at_s` seconds from the beginning of each log, by file name; `only_starts` if every rise from
    rest to the target was a start at full throttle.
    """

    at_s: Mapping[str, tuple[float, ...]] = field(default_factory=dict)
    only_starts: bool = False

    def holds(self, file: str, at_s: float) -> bool:
        """Whether a rise [s from the log's beginning] of this file is declared."""
        named = self.at_s.get(PurePath(file).name, ())
        return self.only_starts or any(abs(at_s - a) <= NEAR_S for a in named)

    def missed(self, file: str, found_s: list[float]) -> list[float]:
        """Declared times [s] of this file at which no rise to the target begins."""
        named = self.at_s.get(PurePath(file).name, ())
        return [a for a in named if not any(abs(f - a) <= NEAR_S for f in found_s)]


def read_declared(path: Path) -> dict[str, tuple[float, ...]]:
    """Read a table of starts: columns `file` and `at_s`, a row a start.

    Raises
    ------
    InputError
        With the line, if a file name or a time is missing.
    """
    sheet = read_sheet(path, numbers=("at_s",), texts=("file",), needed=("file", "at_s"))
    out: dict[str, tuple[float, ...]] = {}
    for row in sheet.to_dict("records"):
        name, at = PurePath(str(row["file"])).name, float(row["at_s"])
        if not name or not at >= 0:
            raise InputError(
                f"{path}: line {row['line']}: a start needs its file and at_s, the seconds from "
                "the beginning of that log"
            )
        out[name] = (*out.get(name, ()), at)
    return out
