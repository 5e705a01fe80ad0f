"""Warnings as they are told: those that say the same of many logs are one line with a count.

A finished analysis goes in; out come its warnings in order, each with the logs that it is about.
"""

from dataclasses import dataclass

from roadlog.analysis.result import Analysed
from roadlog.wording.alike import kind_of, together


@dataclass(frozen=True)
class Told:
    """One line: a stable code, the sentence, and every log that it is about (none: the study)."""

    code: str
    message: str
    logs: tuple[str, ...] = ()


def told_warnings(analysed: Analysed) -> list[Told]:
    """Warnings of every stage, in order; sentences on logs that differ in numbers only are one."""
    kinds: dict[tuple[str, str, bool], tuple[list[str], list[str]]] = {}
    for w in dict.fromkeys((*analysed.warnings, *analysed.effect.warnings)):
        same = (w.code, kind_of(w.message) if w.log else w.message, bool(w.log))
        messages, logs = kinds.setdefault(same, ([], []))
        messages.append(w.message)
        logs.append(w.log)
    return [
        Told(code, _line(messages, logs), tuple(dict.fromkeys(logs)) if of_log else ())
        for (code, _, of_log), (messages, logs) in kinds.items()
    ]


def _line(messages: list[str], logs: list[str]) -> str:
    different = len(dict.fromkeys(logs))
    where = f"{logs[0]}: " if logs[0] else ""
    if different > 1:
        where = f"{different} logs, first {logs[0]}: "
    return where + together(messages)
