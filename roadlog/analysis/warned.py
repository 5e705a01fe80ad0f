"""Warnings as they are told: those that say the same of many logs are one line with a count.

A finished analysis goes in; out come its warnings in order, each with the logs that it is about.
"""

from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from roadlog.quantities.facts import Warned
from roadlog.wording.alike import kind_of, together

if TYPE_CHECKING:
    from roadlog.analysis.result import Analysed


@dataclass(frozen=True)
class Told:
    """One line: a stable code, the sentence, and every log that it is about (none: the study)."""

    code: str
    message: str
    logs: tuple[str, ...] = ()


def told_warnings(analysed: "Analysed") -> list[Told]:
    """Warnings of every stage, in order; facts of logs that differ in numbers only are one."""
    kinds: dict[Hashable, list[Warned]] = {}
    for w in dict.fromkeys((*analysed.warnings, *analysed.effect.warnings)):
        told = kind_of(w.message) if w.log else w.message
        kinds.setdefault((w.code, told, bool(w.log)), []).append(w)
    return [_told(same) for same in kinds.values()]


def _told(same: Sequence[Warned]) -> Told:
    logs = tuple(dict.fromkeys(w.log for w in same if w.log))
    where = "" if not logs else f"{logs[0]}: "
    if len(logs) > 1:
        where = f"{len(logs)} logs, first {logs[0]}: "
    return Told(same[0].code, where + together([w.message for w in same]), logs)
