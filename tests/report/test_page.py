"""report.html: self-contained, the finding first, safe with any name, whole in every variant."""

import re

import pandas as pd
import pytest

from roadlog.analysis.facts import NotUsed
from roadlog.analysis.result import Analysed
from roadlog.quantities.facts import Warned
from roadlog.report import tabulate
from roadlog.report.page import quantities, report_page
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


def test_finding_comes_before_everything_else(whole: str) -> None:
    words = " ".join(" ".join(Page(whole).words).split())
    assert words.index("Refuted") < words.index("What it means")
    start = words[words.index("Refuted") : words.index("What it means")]
    for needed in (
        "this synthetic test shows no change",
        "−0.8 to +2.1",
        "−0.69",
        "+4.4",
        "claimed",
    ):
        assert needed in start


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


def test_warnings_stand_under_the_finding(variants: dict[str, Analysed]) -> None:
    words = " ".join(Page(page(variants["before/after"])).words)
    warned = words.index("Season and device can't be told apart.")
    assert words.index("Undecided") < warned < words.index("What was driven")


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
