"""report.html: self-contained, the finding first, safe with any name, whole in every variant."""

import re

import pandas as pd
import pytest

from roadlog.analysis.facts import NotUsed
from roadlog.analysis.result import Analysed
from roadlog.quantities.facts import Warned
from roadlog.quantities.tables import PASSES
from roadlog.report import tabulate
from roadlog.report.dictionary import COLUMNS, data_dictionary
from roadlog.report.page import quantities, report_page
from roadlog.stats.interval import Finding, Interval
from tests.report.conftest import Change
from tests.report.pages import Page

NASTY = "<script>alert('x')</script> `${alert(1)}` \"quoted\" & co </style>"


def page(analysed: Analysed) -> str:
    return report_page(analysed, passes_sha256="0" * 64)


@pytest.fixture(scope="module")
def whole(analysed: Analysed) -> str:
    return page(analysed)


@pytest.mark.parametrize("name", ["whole", "no claim", "before/after", "no positions", "no dates"])
def test_nothing_is_fetched_and_nothing_is_half_said(
    variants: dict[str, Analysed], name: str
) -> None:
    read = Page(page(variants[name]))
    assert read.fetched() == []
    words = " ".join(read.words)
    assert not re.search(r"\b(nan|None|NaT|inf)\b", words)
    assert read.policy().startswith("default-src 'none'")


def before_annex(text: str) -> str:
    head, _, annex = text.partition('<div id="annex">')
    assert annex
    return " ".join(" ".join(Page(head).words).split())


def test_the_answer_comes_before_everything_else(whole: str) -> None:
    words = before_annex(whole)
    start = words[: words.index("In numbers")]
    for needed in (
        "The claimed 12 % better mileage: ruled out by this synthetic test",
        "this synthetic test shows no change",
        "12 % better mileage (10.7 % less fuel)",
        "10 days collar out and 10 days collar in",
        "2024-03-04 to 2024-03-29",
        "chance drew the order",
        "put on record before the test",
    ):
        assert needed in start.replace("\xa0", " "), needed
    for needed in ("−0.8 to +2.1", "−0.05 to +0.13", "+4.4", "claimed"):
        assert needed in words, needed


@pytest.mark.parametrize("name", ["whole", "no claim", "before/after", "no positions", "no dates"])
def test_no_word_of_statistics_comes_before_the_annex(
    variants: dict[str, Analysed], name: str
) -> None:
    shown = re.sub(r"<svg class=\"(?!span).*?</svg>", "", page(variants[name]), flags=re.S)
    words = before_annex(re.sub(r'<section id="map">.*?</section>', "", shown, flags=re.S))
    wrong = re.search(
        r"interval|confidence|\bCI\b|\bp\b|\bdf\b|\bSD\b|95.%|estimate|significan|deviation|median",
        words,
    )
    assert wrong is None, words[wrong.start() - 60 : wrong.end() + 30] if wrong else ""


def test_the_estimate_stands_in_the_annex_alone(whole: str) -> None:
    outside = re.sub(r'<section id="map">.*?</section>', "", whole, flags=re.S)
    assert "+0.6" not in before_annex(outside)
    assert "+0.6" in whole


def test_the_page_says_that_it_isnt_for_publishing_unless_it_is(analysed: Analysed) -> None:
    said = "Not for publishing"
    assert said in page(analysed)
    made = report_page(analysed, passes_sha256="0" * 64, published=True, objections=False)
    assert said not in made
    assert "objections.html" not in made


def test_range_claim_and_zero_are_drawn_and_told(
    whole: str, variants: dict[str, Analysed], change: Change
) -> None:
    drawn = [a for t, a in Page(whole).elements if t == "svg" and a.get("class") == "span"]
    assert [a["role"] for a in drawn] == ["img"]
    told = drawn[0]["aria-label"].replace("\xa0", " ")
    assert "12 % better mileage" in told
    assert "0.8 % less to 2.1 % more" in told
    assert "no range to draw" in page(variants["before/after"])
    assert '<svg class="span"' not in page(
        change(study_claim=None, effect_primary=Interval(1.0, None, None))
    )
    doubt = Finding("undecided", ("x",), vetoes=("undecided: x",))
    assert 'class="range doubted"' in page(change(finding=doubt))


def test_synthetic_data_are_labelled_and_real_data_not(
    whole: str, variants: dict[str, Analysed]
) -> None:
    assert "SYNTHETIC DATA." in whole
    assert "SYNTHETIC" not in page(variants["before/after"])


def test_refuted_is_not_said_to_mean_no_effect(whole: str) -> None:
    words = " ".join(" ".join(Page(whole).words).split())
    assert "It doesn't mean that the device does nothing" in words


def test_every_plot_has_a_description(whole: str) -> None:
    plots = [a for t, a in Page(whole).elements if t == "svg" and a.get("class") == "plot"]
    assert len(plots) == 6
    for plot in plots:
        assert plot["role"] == "img"
        assert len(plot["aria-label"]) > 30


def test_identifiers_are_unique_in_the_page(whole: str) -> None:
    ids = [a["id"] for _, a in Page(whole).elements if "id" in a]
    assert len(ids) == len(set(ids))
    without_scripts = re.sub(r"<script.*?</script>", "", whole, flags=re.S)
    for used in re.findall(r'(?:xlink:href="#|url\(#)([\w-]+)', without_scripts):
        assert used in ids


def test_contents_lead_to_sections(whole: str) -> None:
    read = Page(whole)
    ids = {a["id"] for _, a in read.elements if "id" in a}
    inside = [h[1:] for h in read.attributes("a", "href") if h.startswith("#")]
    assert len(inside) > 8
    assert set(inside) <= ids


def test_nasty_names_stay_text(analysed: Analysed, change: Change) -> None:
    runs = analysed.runs.copy()
    runs["file"] = NASTY
    runs.loc[9, "reason"] = NASTY
    forest = tuple(type(r)(NASTY, r.interval, r.role, NASTY) for r in analysed.effect.forest)
    text = page(
        change(
            study_name=NASTY,
            study_labels={"baseline": NASTY, "fitted": NASTY},
            study_device=analysed.study.device.model_copy(update={"name": NASTY}),
            runs=runs,
            fuel_estimator=NASTY,
            effect_forest=forest,
            warnings=(Warned(NASTY, NASTY),),
            effect_coefficients=analysed.effect.coefficients.assign(term=NASTY),
        )
    )
    assert "alert('x')</script>" not in text
    read = Page(text)
    assert not any("alert('x')" in s for s in read.scripts)
    assert len([t for t, _ in read.elements if t == "script"]) == 2
    assert "alert('x')" in " ".join(read.words)


def test_excluded_runs_are_listed_with_reasons_and_counts(whole: str) -> None:
    words = " ".join(" ".join(Page(whole).words).split())
    assert "2: fuel and speed known for only 59 to 72 % of the time" in words
    assert "34 of 680: the run was not used" in words


def test_warnings_stand_under_the_answer_and_in_the_annex(variants: dict[str, Analysed]) -> None:
    text = page(variants["before/after"])
    warning = "Season and device can't be told apart."
    assert "1 thing to know" in before_annex(text)
    assert 'href="#warnings"' in text
    assert warning in " ".join(Page(text.partition('<div id="annex">')[2]).words)


def test_every_column_and_word_is_in_the_data_dictionary(analysed: Analysed) -> None:
    told = {name: what for name, _, what in data_dictionary(analysed.passes, synthetic=True)}
    assert list(told) == [*analysed.passes.columns, "synthetic"]
    assert set(PASSES.columns) <= set(COLUMNS)
    assert all(len(what) > 7 for what in told.values())
    noted = pd.DataFrame(columns=["note_payload_kg", "remark_windows", "odd"])
    assert [what for *_, what in data_dictionary(noted, synthetic=False)] == [
        "payload kg: from the driver's notes, part of the model",
        "windows: from the driver's notes, shown only",
        "as the logs gave it",
    ]


def test_no_claim_leaves_no_column_for_one(variants: dict[str, Analysed]) -> None:
    words = Page(page(variants["no claim"])).words
    assert "claimed" not in " ".join(words)


def test_quantities_agree_with_one_another(analysed: Analysed) -> None:
    told = {q.name: q for q in quantities(analysed)}
    assert told["Fuel use, %"].claimed == "-10.7"
    assert told["Fuel economy, %"].claimed == "+12.0"
    assert told["Fuel use, L/100 km"].measured == "+0.04"
    assert told["Fuel economy, MPG (US)"].interval == "-0.7 to +0.3"


def test_logs_can_be_checked_by_hash_and_version(whole: str, analysed: Analysed) -> None:
    assert str(analysed.runs["sha256"].iloc[-1]) in whole
    words = " ".join(Page(whole).words)
    for name in ("Python", "roadlog", "numpy", "pandas"):
        assert re.search(rf"{name}\s\d+\.\d+", words), name


def test_model_terms_are_told_in_words(analysed: Analysed, change: Change) -> None:
    terms = ["arm", "segment A02", "positive work", "idle time", "cold start"]
    read = page(change(effect_coefficients=analysed.effect.coefficients.assign(term=terms)))
    told = read[read.index("what expected fuel is made of") :]
    main, rest = told.split("Fuel per kilometre of each segment", 1)
    assert "positive work" in main
    assert "segment A02" not in main
    assert "segment A02" in rest


def test_reasons_that_differ_in_a_number_are_told_together() -> None:
    gaps = [NotUsed.SHORT(km=km) for km in (0.12, 0.09, 0.31)]
    reasons = [*gaps[:2], "off the road", gaps[2], ""]
    frame = pd.DataFrame({"used": [False] * 4 + [True], "reason": reasons})
    assert tabulate.reason_counts(frame) == [
        ("only 0.09 to 0.31 km driven", 3),
        ("off the road", 1),
    ]


def test_safety_is_spelled_out(whole: str) -> None:
    words = " ".join(" ".join(Page(whole).words).split()).lower()
    for needed in ("while driving", "engine off and cool", "against the law", "outdoors"):
        assert needed in words
