"""What one trial of the claim found, as a file in the study that the report picks up.

Every trial ends in a `TrialResult`, saved as `results/trials/<trial>.json` in the study's folder;
`load_all` reads them back for the report's table of the whole claim.
"""

import json
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import pandas as pd

from roadlog.errors import DesignError, InputError
from roadlog.stats.interval import Interval, NamedInterval
from roadlog.study.durable import atomic_write, json_text
from roadlog.wording.forest import plot_rows
from roadlog.wording.screen import paragraph
from roadlog.wording.shown import Said, Shown

if TYPE_CHECKING:
    from matplotlib.axes import Axes

TrialName = Literal[
    "standing-start", "runout", "ceiling", "inspection", "payback", "engine-signals"
]

_EARLIER_NAMES = {"emissions-signals": "engine-signals"}  # in files that studies still hold


@dataclass(frozen=True, repr=False)
class TrialResult(Shown):
    """One part of the claim: what was claimed, what was measured, and what that is worth.

    Attributes
    ----------
    trial : TrialName
    question : str
        The part of the claim in plain words, as a question.
    claimed : str
        What the seller says of it, with quantity; '' if nothing.
    measured : str
        One sentence with the number and its interval.
    estimate, low, high : float or None [unit]
    unit : str
    finding : {"refuted", "supported", "undecided"} or None
    strength : str
        How strong the evidence is, in one plain sentence.
    cautions : tuple of str
        Safety cautions that belong beside the result.
    notes : tuple of str
        Assumptions and sources.
    method : str
    details : dict
        Further numbers, ready for JSON.
    """

    trial: TrialName
    question: str
    claimed: str
    measured: str
    estimate: float | None
    low: float | None
    high: float | None
    unit: str
    finding: Literal["refuted", "supported", "undecided"] | None
    strength: str
    cautions: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    method: str = ""
    details: dict[str, object] = field(default_factory=dict)

    def __str__(self) -> str:
        return "\n".join(screen(self))

    def to_frame(self) -> pd.DataFrame:
        """One row, to be put under another trial's."""
        kept = ("trial", "claimed", "measured", "estimate", "low", "high", "unit", "finding")
        return pd.DataFrame([{k: getattr(self, k) for k in kept}])

    def plot(self, axes: "Axes | None" = None) -> "Axes":
        """The estimate with its interval.

        Raises
        ------
        DesignError
            If the trial gives no one number.
        """
        if self.estimate is None:
            raise DesignError(f"{self.trial}: no one number to draw: print the result instead")
        row = NamedInterval(self.trial, Interval(self.estimate, self.low, self.high), "primary")
        return plot_rows([row], None, axes, self.unit)

    def _said(self) -> Said:
        finding = [] if self.finding is None else [("Finding", self.finding.upper())]
        claimed = [("Claimed", self.claimed)] if self.claimed else []
        rows = [("Question", self.question), *claimed, ("Measured", self.measured), *finding]
        rows.append(("How strong", self.strength))
        for label, texts in (("Notes", self.notes), ("Cautions", self.cautions)):
            rows += [("" if i else label, f"- {text}") for i, text in enumerate(texts)]
        return Said(self.trial, rows)


def save(result: TrialResult, study_folder: Path) -> Path:
    """Write the result into the study, in place of an earlier one of the same trial."""
    path = study_folder / "results" / "trials" / f"{result.trial}.json"
    text = json_text(asdict(result))
    atomic_write(path, lambda temporary: temporary.write_text(text, encoding="utf-8"))
    return path


def load_all(study_folder: Path) -> tuple[TrialResult, ...]:
    """All trial results of a study, by name.

    Raises
    ------
    InputError
        If a file can't be read as a trial result.
    """
    found: dict[str, TrialResult] = {}
    for path in sorted((study_folder / "results" / "trials").glob("*.json")):
        try:
            data = json.loads(path.read_text(encoding="utf-8"))
            for key in ("cautions", "notes"):
                data[key] = tuple(data[key])
            data["trial"] = _EARLIER_NAMES.get(data["trial"], data["trial"])
            found[data["trial"]] = TrialResult(**data)
        except (ValueError, TypeError, KeyError) as e:
            raise InputError(f"{path}: not a trial result: run the trial again") from e
    return tuple(found.values())


def screen(result: TrialResult, *, synthetic: bool = False) -> list[str]:
    """What a command prints of its result, at most 88 columns wide; numbers stay with units.

    `synthetic` says so of the study's data, before anything else.
    """
    lines = ["SYNTHETIC DATA: generated by a program, not measured."] if synthetic else []
    for label, text in result._said().rows:
        listed = text.startswith("- ")
        lines += paragraph(label or " ", text, hang=2 * listed)
    return lines
