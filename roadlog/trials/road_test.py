"""What a trial inherits from the road test whose number it uses: its doubt.

The road test's word and reasons go in; a trial that is computed from its effect or its fuel flow
comes out no firmer than the road test is.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from roadlog.stats.interval import FindingWord, rule_either_way
from roadlog.trials.result import TrialResult

FLOW_FACTOR = 1.5  # of a doubted fuel flow, either way: beyond, no engine's level is left


@dataclass(frozen=True)
class RoadTest:
    """The road test's finding and the reasons that forbid a firm one."""

    word: FindingWord | None
    vetoes: tuple[str, ...] = ()

    @property
    def doubted(self) -> bool:
        """Whether nothing firm may be computed from it."""
        return self.word == "undecided" or bool(self.vetoes)


def road_test(word: FindingWord | None, reasons: Sequence[str]) -> RoadTest:
    """The road test from its finding and its reasons.

    >>> road_test(None, ["Fuel use changed.", "undecided: closure gap"]).vetoes
    ('undecided: closure gap',)
    """
    return RoadTest(word, tuple(r for r in reasons if r.startswith("undecided:")))


def under_road_test(result: TrialResult, road: RoadTest) -> TrialResult:
    """The trial's result, undecided where the road test that it uses is.

    A payback uses the effect, so it is undecided whenever the road test is. An energy ceiling
    uses the fuel flow of the baseline runs alone: its word stays if a flow wrong by `FLOW_FACTOR`
    leaves it.
    """
    used = result.trial == "payback" or (
        result.trial == "ceiling" and result.details.get("flow_from_road_test") is True
    )
    if not used or not road.doubted:
        return result
    why = road.vetoes or ("The road test that this is computed from is undecided.",)
    new = tuple(f"Road test {w}" if w.startswith("undecided:") else w for w in why)
    notes = (*(n for n in new if n not in result.notes), *result.notes)
    if result.trial == "ceiling" and _ceiling_holds(result):
        return replace(result, notes=notes)
    if result.finding is None:
        return replace(result, notes=notes, strength=_WEAK)
    return replace(result, finding="undecided", notes=notes, strength=_WEAK)


_WEAK = "No firmer than the road test from which it is computed, which is undecided."


def _ceiling_holds(result: TrialResult) -> bool:
    claim = result.details.get("claim_pct")
    if result.finding is None or not isinstance(claim, int | float) or result.low is None:
        return False
    at_most = FLOW_FACTOR * result.low
    return (
        math.isfinite(at_most) and rule_either_way(at_most, at_most, float(claim)) == result.finding
    )
