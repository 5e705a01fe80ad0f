"""What was planned and looked at: promises, looks, and what binds a finished analysis."""

from dataclasses import dataclass
from typing import Literal

from roadlog.quantities.arms import Arm
from roadlog.stats.blinding import BlindingIndex
from roadlog.stats.interval import Finding

FULL_LEVEL = 0.95  # of an interval that no look before has paid for


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
class Stamped:
    """What an RFC 3161 time-stamp proves: an authority says that the fingerprint existed then.

    `root_from` says whether the study's author gave the root that the chain ends in, or it only
    came with the token; a reader may hold `root_sha256` against the authority's own.
    """

    at: str  # ISO 8601, UTC
    authority: str
    root: str
    root_sha256: str
    root_from: Literal["given", "embedded"]
    sha256: str


Kept = Literal[
    "blind",
    "guessed right",
    "guesses changed",
    "said to know",
    "opened early",
    "sealed late",
    "undated",
    "no opening",
    "not shown",
    "seal dropped",
    "not sealed",
]


@dataclass(frozen=True)
class Blinding:
    """Whether the driver was kept from knowing the arm, and whether the daily guesses bear it out.

    `kept` is "blind" only where a sealed schedule was registered before the first run and opened
    after the last, nobody says otherwise, and the guesses aren't right more often than chance
    (`right_p`, of chance's orders, None where none are known or nobody guessed). `after_opening`
    are units driven later than the opening; `arms_changed` units whose arm isn't the sealed one.
    """

    kept: Kept
    sealed_at: str | None = None  # ISO 8601 with zone, as are the others
    opened_at: str | None = None
    sha256: str | None = None
    units: int = 0
    after_opening: tuple[str, ...] = ()
    dummy_days: int = 0
    arms_changed: tuple[str, ...] = ()
    guesses: tuple[tuple[Arm, BlindingIndex], ...] = ()
    right_p: float | None = None

    @property
    def blind(self) -> bool:
        """Whether the word may be said."""
        return self.kept == "blind"

    @property
    def guessed(self) -> int:
        """Switch units with a guess, "don't know" too."""
        return sum(index.guesses for _, index in self.guesses)


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
    stamped: Stamped | None = None  # None without a time-stamp of the registration that counts
    stamp_late: bool = False  # it is of after the first fitted run

    def allowed(self, finding: Finding) -> Finding:
        """The finding that this look may announce."""
        look = self.look
        where = f"{look.units} of {look.planned} switch units are in"
        if look.interim and not self.spends_alpha:
            wait = (
                f"undecided (interim): {where}, and the plan decides after the last one "
                f"({self.stop_date}); deciding whenever a look pleases would be wrong far more "
                "often than 5 times in 100"
            )
            return Finding(
                None if finding.word is None else "undecided", (*finding.reasons[:1], wait)
            )
        if look.level == FULL_LEVEL:
            return finding
        if look.level >= 1:
            paid = f"undecided (interim): {where}, too early for the plan to spend any of its 5 %"
            return Finding(None if finding.word is None else "undecided", (paid,))
        kind = "interim look" if look.interim else "last look"
        paid = (
            f"{where}; this {kind} decides by a {100 * look.level:.4g} % interval, so that all "
            "looks together are wrong at most 5 times in 100."
        )
        if look.interim and finding.word == "undecided":
            paid = f"undecided (interim): {paid}"
        return Finding(finding.word, (*finding.reasons, paid), vetoes=finding.vetoes)
