"""The words of a result: short enough for a terminal, true to the numbers."""

import pytest

from roadlog.analysis.answered import answer_of
from roadlog.analysis.result import Analysed
from roadlog.report import summary_lines
from roadlog.stats.interval import Interval
from roadlog.study.car import Claim
from roadlog.wording.numbers import bounds, signed
from tests.report.conftest import Change


@pytest.mark.parametrize("name", ["whole", "no claim", "before/after", "no positions", "no dates"])
def test_summary_fits_a_terminal(variants: dict[str, Analysed], name: str) -> None:
    lines = summary_lines(variants[name])
    assert max(len(line) for line in lines) <= 88
    assert 8 <= len(lines) <= 24
    assert "nan" not in "\n".join(lines).lower()


def test_summary_ends_in_the_finding_and_its_reason(analysed: Analysed) -> None:
    whole = " ".join(" ".join(summary_lines(analysed)).split())
    end = whole[whole.index("Finding REFUTED") :]
    assert "falls short" in end
    assert end.endswith("The randomisation interval agrees.")


def test_summary_gives_both_units_and_says_synthetic(analysed: Analysed) -> None:
    whole = "\n".join(summary_lines(analysed))
    assert "SYNTHETIC DATA" in whole
    assert "6.41" in whole
    assert "L/100 km" in whole
    assert "36.7 and 36.1 MPG US" in whole


def test_real_data_are_not_called_synthetic(variants: dict[str, Analysed]) -> None:
    assert "SYNTHETIC" not in "\n".join(summary_lines(variants["before/after"]))


def test_a_name_with_line_breaks_and_escapes_stays_on_its_line(change: Change) -> None:
    lines = summary_lines(change(study_name="collar\n\x1b[31mred\u2028x"))
    assert lines[0] == "collar [31mred x"


def test_summary_survives_a_terminal_without_unicode(analysed: Analysed) -> None:
    "\n".join(summary_lines(analysed)).encode("ascii")


def test_the_estimate_is_told_as_one_and_only_beside_its_interval(change: Change) -> None:
    for a in (change(), change(study_claim=None), change(effect_primary=Interval(-3, -4, -2))):
        whole = " ".join(" ".join(summary_lines(a)).split())
        now = signed(a.effect.primary.estimate)
        assert f"estimate {now} % fuel at equal driving (95 % interval" in whole
        assert f"{now.lstrip('+-')} %" not in answer_of(a).text


def test_the_finding_opens_with_the_answer(variants: dict[str, Analysed]) -> None:
    for a in variants.values():
        whole = " ".join(" ".join(summary_lines(a)).split())
        said = (a.finding.word or "no finding").upper()
        assert f"Finding {said}: {answer_of(a).sentences[0]}" in whole


def test_an_interval_with_an_infinite_end_is_no_interval() -> None:
    assert bounds(Interval(1.0, float("-inf"), 2.0)) == "no interval can be given"
    assert bounds(Interval(1.0, float("nan"), 2.0)) == "no interval can be given"


@pytest.mark.parametrize(
    ("claim", "words"),
    [
        (Claim(economy_pct=12), "12 % more distance per fuel (10.7 % less fuel)"),
        (Claim(fuel_pct=10), "10 % less fuel"),
        (Claim(economy_pct=-5), "5 % less distance per fuel (5.3 % more fuel)"),
    ],
)
def test_claim_is_told_in_fuel_too(claim: Claim, words: str) -> None:
    assert claim.words == words
