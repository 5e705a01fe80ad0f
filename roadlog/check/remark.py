"""One thing found about a run, and the verdict that all of them make.

A remark is `fatal` (the run can't be used), `care` (it can, with this in it) or a `note`.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

Weight = Literal["fatal", "care", "note"]


@dataclass(frozen=True)
class Remark:
    """`text` completes "not usable because …" or "usable with …"; a note is a clause of its own."""

    weight: Weight
    code: str
    text: str


def verdict(findings: Sequence[Remark]) -> str:
    """One line.

    >>> verdict([Remark("care", "gaps", "gaps over 12 % of the time")])
    'usable with gaps over 12 % of the time'
    """
    fatal = [f.text for f in findings if f.weight == "fatal"]
    care = [f.text for f in findings if f.weight == "care"]
    if fatal:
        return "not usable because " + _joined(fatal)
    return "usable with " + _joined(care) if care else "usable"


def _joined(texts: Sequence[str]) -> str:
    return texts[0] if len(texts) == 1 else ", ".join(texts[:-1]) + " and " + texts[-1]
