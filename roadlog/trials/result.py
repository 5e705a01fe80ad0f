"""What one trial of the claim found, as a file in the study that the report picks up.

Every trial ends in a `TrialResult`, saved as `results/trials/<trial>.json` in the study's folder;
`load_all` reads them back for the report's table of the whole claim.
"""

import json
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Literal

from roadlog.errors import InputError
from roadlog.study.durable import atomic_write

TrialName = Literal[
    "standing-start", "runout", "ceiling", "inspection", "payback", "emissions-signals"
]


@dataclass(frozen=True)
class TrialResult:
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


def save(result: TrialResult, study_folder: Path) -> Path:
    """Write the result into the study, in place of an earlier one of the same trial."""
    path = study_folder / "results" / "trials" / f"{result.trial}.json"
    text = json.dumps(asdict(result), indent=1, ensure_ascii=False, allow_nan=False) + "\n"
    atomic_write(path, lambda temporary: temporary.write_text(text, encoding="utf-8"))
    return path


def load_all(study_folder: Path) -> tuple[TrialResult, ...]:
    """All trial results of a study, by name.

    Raises
    ------
    InputError
        If a file can't be read as a trial result.
    """
    found = []
    for path in sorted((study_folder / "results" / "trials").glob("*.json")):
        try:
            data = json.loads(path.read_text(encoding="utf-8"))
            for key in ("cautions", "notes"):
                data[key] = tuple(data[key])
            found.append(TrialResult(**data))
        except (ValueError, TypeError, KeyError) as e:
            raise InputError(f"{path}: not a trial result: run the trial again") from e
    return tuple(found)
