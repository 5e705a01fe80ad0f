"""What every answer has to know first: the result, whether it has an interval, what forbids a word.

An `Analysed` goes in; a `Stand` comes out, with the words by which another estimate is held against
the claim.
"""

from dataclasses import dataclass

from roadlog.analysis.answered import deciding_interval
from roadlog.analysis.result import Analysed
from roadlog.analysis.warned import told_warnings
from roadlog.stats.interval import FindingWord, Interval, NamedInterval, at_level, rule
from roadlog.wording.numbers import ends_of

UNITS = {"day": "day", "run": "drive", "stretch": "stretch"}
_AGAINST: dict[FindingWord, str] = {
    "refuted": "the whole interval falls short of the claim",
    "supported": "the whole interval reaches the claim",
    "undecided": "the interval holds values that meet the claim and values that don't",
}


@dataclass(frozen=True)
class Stand:
    """The result as the answers need it; `effect` at the confidence that decides at this look.

    `drawn` is whether chance decided the order of arms, `once` whether the arm changed but once,
    `measured_only` whether fuel and distance are all that is known, `placed` whether positions tell
    where the car was.
    """

    effect: Interval
    claim_pct: float | None
    word: FindingWord | None
    vetoed: bool
    interim: bool
    once: bool
    drawn: bool
    measured_only: bool
    placed: bool
    unit: str

    @property
    def bounded(self) -> bool:
        """Whether the result has an interval."""
        return ends_of(self.effect) is not None

    @property
    def many(self) -> str:
        """The user's word for switch units."""
        return "stretches" if self.unit == "stretch" else f"{self.unit}s"

    def units(self, n: int) -> str:
        """A count of switch units in the user's word."""
        return f"{n:,} {self.unit if n == 1 else self.many}"

    def bare(self, i: Interval) -> FindingWord | None:
        """How an interval alone compares with the claim, at the confidence that decides.

        None without a claim or bounds.
        """
        ends = ends_of(at_level(i, self.effect.level))
        if self.claim_pct is None or ends is None:
            return None
        return rule(ends[0], ends[1], self.claim_pct)

    def by_itself(self, i: Interval) -> str:
        """Whether the claim would compare otherwise by this interval; '' where nothing can.

        What forbids a firm word forbids it here too.
        """
        word, own = self.bare(i), self.bare(self.effect)
        if word is None:
            return ""
        text = f"By that figure alone {_AGAINST[word]}"
        if own is not None:
            text += f", {'as' if word == own else 'other than'} by the result's own"
        return f"{text}.{self.no_finding(word)}"

    def no_finding(self, word: FindingWord | None) -> str:
        """That a firm comparison is none where the finding isn't firm; '' elsewhere."""
        if word in ("refuted", "supported") and self.word not in ("refuted", "supported"):
            return " That alone is no finding."
        return ""


def stand_of(a: Analysed) -> Stand:
    """The result of an analysis as the answers need it."""
    codes = {w.code for w in told_warnings(a)}
    claim, measured = a.study.claim, a.fuel_estimator == "ledger"
    return Stand(
        effect=deciding_interval(a),
        claim_pct=None if claim is None else claim.fuel_use_change_pct,
        word=a.finding.word,
        vetoed=bool(a.finding.vetoes),
        interim=a.oversight is not None and a.oversight.look.interim,
        once="before-after" in codes,
        drawn="order-not-randomised" not in codes,
        measured_only=measured,
        placed=a.network.kind != "run" and bool(a.network.segments),
        unit="switch unit" if measured and a.switched_by == "stretch" else UNITS[a.switched_by],
    )


def row_named(a: Analysed, name: str) -> NamedInterval | None:
    """The row of the interval plot with this name, if there is one."""
    return next((r for r in a.effect.rows() if r.name == name), None)
