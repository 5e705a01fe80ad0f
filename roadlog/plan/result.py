"""What was planned and looked at: promises, looks, and what binds a finished analysis."""

from dataclasses import dataclass


@dataclass(frozen=True)
class Look:
    """One analysis of the study's data, as `computed/looks.jsonl` keeps it."""

    time: str  # ISO 8601 with zone
    units: int  # switch units with usable runs
    planned: int  # switch units scheduled, 0 without a schedule
    interim: bool
    level: float  # confidence of the interval that could decide
    finding: str | None
    data_sha256: str
    choices_sha256: str


@dataclass(frozen=True)
class ChanceOfWord:
    """How often each final word comes [0 to 1] if the add-on changes fuel use by `true_pct`."""

    true_pct: float
    refuted: float
    supported: float
    undecided: float


@dataclass(frozen=True)
class Promised:
    """What the plan promised, as `computed/promised.json` keeps it.

    `late` if it was made only after the first fitted run; `half_width_pct` the 95 % interval's
    median half-width, `refutable_pct` the smallest claim refuted 4 times out of 5 if the add-on
    does nothing, `scatter_pct` from switch unit to switch unit, all in % of fuel use.
    """

    made_at: str  # ISO 8601 with zone
    late: bool
    units: int
    half_width_pct: float
    refutable_pct: float
    claim_pct: float | None
    chances: tuple[ChanceOfWord, ...]
    scatter_pct: float
    scatter_source: str


@dataclass(frozen=True)
class Oversight:
    """What was fixed beforehand, what was changed since, and how often the data were looked at."""

    registered_at: str | None
    registered_sha256: str | None
    registered_late: bool
    registrations: int  # entries of the register in all
    changes: tuple[str, ...]
    stop_date: str | None
    look: Look  # this one; its finding is filled in when it is logged
    earlier: tuple[Look, ...]
    spends_alpha: bool
    exclude_if: tuple[str, ...] = ()  # words that set a run aside: as registered, if in time
    promised: Promised | None = None  # None where roadlog plan made no promise
