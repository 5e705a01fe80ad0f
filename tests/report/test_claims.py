"""The table of the whole claim: every trial a row, cautions beside it, nothing half said."""

import dataclasses

from roadlog.analysis.result import Analysed
from roadlog.report.claim_table import interval_cell, parts_of_claim
from roadlog.report.json_out import to_json
from roadlog.report.page import report_page
from roadlog.stats.interval import Finding
from roadlog.trials.ceiling import CAUTIONS
from roadlog.trials.payback import Purchase, payback_result
from roadlog.trials.result import TrialResult, load_all, save
from tests.report.conftest import Change
from tests.report.pages import Page

NASTY = "<script>alert('x')</script>"

STARTS = TrialResult(
    trial="standing-start",
    question="Does the car pull away quicker?",
    claimed="+8 % power",
    measured="10 to 100 km/h takes 8.36 s without; with it +0.02 s.",
    estimate=-0.2,
    low=-1.4,
    high=0.9,
    unit="% power",
    finding="refuted",
    strength="Good: 4 + 4 switch units.",
    cautions=("closed course only",),
    notes=("a reading every 0.25 s",),
    method="t interval",
)
CEILING = TrialResult(
    trial="ceiling",
    question="Can the add-on's own energy save that much?",
    claimed="-10.7 % fuel use",
    measured="245 W.",
    estimate=4.2,
    low=-0.42,
    high=4.2,
    unit="% fuel use",
    finding="refuted",
    strength="Firm.",
    cautions=CAUTIONS,
)
SIGNALS = TrialResult(
    trial="engine-signals",
    question="What does the engine control show?",
    claimed="",
    measured="No difference.",
    estimate=None,
    low=None,
    high=None,
    unit="",
    finding=None,
    strength="This is not a tailpipe measurement.",
)


def payback(effect: float = 0.62) -> TrialResult:
    return payback_result(Purchase(89, 1.75, 14_000, 6.4), effect, -0.8, 2.1, claim_years=1)


def test_every_trial_is_a_row_and_the_road_test_is_the_first(
    analysed: Analysed, change: Change
) -> None:
    parts = parts_of_claim(change(trials=(SIGNALS, CEILING, STARTS, payback())))
    assert [p.name for p in parts] == [
        "Road test", "Standing start", "Energy ceiling", "Payback", "Engine signals",
    ]  # fmt: skip
    assert parts[0].claimed.startswith("12 % more distance")
    assert parts[0].interval == "-0.8 to +2.1 %"


def test_intervals_say_what_they_are() -> None:
    assert interval_cell(STARTS) == "-1.4 to +0.9 % power"
    assert "assumptions, not chance" in interval_cell(CEILING)
    assert interval_cell(SIGNALS) == "no one number"
    assert interval_cell(payback()).endswith("years to never")
    dear = payback_result(Purchase(89, 1.75, 14_000, 6.4), 2.0, 0.5, 3.5)
    assert interval_cell(dear) == "never"


def test_a_payback_of_an_earlier_analysis_says_so(analysed: Analysed, change: Change) -> None:
    now = analysed.effect.primary.estimate
    (_, fresh) = parts_of_claim(change(trials=(payback(now),)))
    (_, stale) = parts_of_claim(change(trials=(payback(now - 3),)))
    assert not any("earlier analysis" in n for n in fresh.notes)
    assert any("earlier analysis" in n for n in stale.notes)


def test_page_shows_claim_finding_strength_and_cautions_of_each_trial(change: Change) -> None:
    page = Page(report_page(change(trials=(STARTS, CEILING, SIGNALS)), passes_sha256="0"))
    words = " ".join(" ".join(page.words).split())
    for needed in ("The whole claim", "+8 % power", "closed course only", "caustic", "Firm.",
                   "not a tailpipe measurement", "No finding"):  # fmt: skip
        assert needed.replace(" %", "\u00a0%") in words or needed in words
    assert page.fetched() == []
    ids = [a["id"] for _, a in page.elements if "id" in a]
    assert len(ids) == len(set(ids))
    inside = {h[1:] for h in page.attributes("a", "href") if h.startswith("#")}
    assert inside <= set(ids)


def test_without_trials_there_is_no_such_section(analysed: Analysed) -> None:
    assert "whole-claim" not in report_page(analysed, passes_sha256="0")


def test_nasty_words_in_a_trial_stay_text(change: Change) -> None:
    import dataclasses

    words = dict.fromkeys(("question", "claimed", "measured", "strength", "method"), NASTY)
    evil = dataclasses.replace(STARTS, **words, cautions=(NASTY,), notes=(NASTY,))  # type: ignore[arg-type]
    page = report_page(change(trials=(evil,)), passes_sha256="0")
    assert "<script>alert('x')" not in page


def test_trials_go_into_results_json_and_survive_the_disk(change: Change, tmp_path: object) -> None:
    from pathlib import Path

    folder = Path(str(tmp_path))
    for trial in (STARTS, CEILING, SIGNALS, payback()):
        save(trial, folder)
    loaded = load_all(folder)
    assert {t.trial for t in loaded} == {"standing-start", "ceiling", "engine-signals",
                                         "payback"}  # fmt: skip
    assert STARTS in loaded
    kept = folder / "results" / "trials" / "engine-signals.json"
    earlier = kept.with_stem("emissions-signals")
    earlier.write_text(kept.read_text(encoding="utf-8").replace("engine-signals", earlier.stem))
    kept.unlink()
    again = {t.trial for t in load_all(folder)}  # under the name that the trial had before
    assert again == {t.trial for t in loaded}
    told = to_json(change(trials=loaded))["trials"]
    assert {t["trial"]: t["finding"] for t in told}["ceiling"] == "refuted"
    assert to_json(change())["trials"] == []


def test_a_saved_payback_loses_its_word_when_the_road_test_is_undecided(
    analysed: Analysed, change: Change
) -> None:
    """Saved as SUPPORTED before the fuel was weighed; the table must not go on saying so."""
    effect = analysed.effect.primary.estimate
    firm = payback_result(Purchase(5, 1.75, 14_000, 6.4), effect, -9.0, -7.0, claim_years=1)
    assert firm.finding == "supported"
    veto = "undecided: the fuel figure could be bent: no trims"
    doubted = change(
        trials=(firm,), finding=Finding("undecided", ("Fuel use changed.", veto), vetoes=(veto,))
    )
    road, part = parts_of_claim(doubted)
    assert part.finding == "undecided"
    assert any(veto in n for n in part.notes)
    assert road.strength == f"Weak, {veto}."
    assert to_json(doubted)["trials"][0]["finding"] == "undecided"


def test_a_payback_of_another_finding_is_stale(analysed: Analysed, change: Change) -> None:
    now = analysed.effect.primary.estimate
    old = dataclasses.replace(payback(now), details={"effect_pct": now, "road_test": "undecided"})
    (_, part) = parts_of_claim(change(trials=(old,)))
    assert part.notes[0].startswith("Computed from an earlier analysis")
