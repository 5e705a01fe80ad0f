"""What a trial inherits from the road test whose number it uses: its doubt.

The road test's word and reasons go in; a trial that is computed from its effect or its fuel flow
comes out no firmer than the road test is.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from roadlog.errors import InputError
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


def road_test(results: Mapping[str, Any]) -> RoadTest:
    """The road test that a results.json holds.

    Raises
    ------
    InputError
        If it doesn't tell what forbids a firm finding.

    >>> road_test({"finding": None, "finding_vetoes": ["undecided: closure gap"]}).doubted
    True
    """
    if "finding_vetoes" not in results:
        raise InputError(
            "results.json doesn't tell what forbids a firm finding: run 'roadlog analyze' again"
        )
    return RoadTest(results.get("finding"), tuple(results["finding_vetoes"]))


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
    new = tuple(f"Road test {veto}" for veto in road.vetoes) or (
        "The road test that this is computed from is undecided.",
    )
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
