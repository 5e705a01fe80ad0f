"""objections.html: each objection answered from the data at hand, and nothing untrue said."""

import re

import pytest

from roadlog.analysis.result import Analysed
from roadlog.report.objections import Objection, objections
from roadlog.report.objections.page import objections_page
from roadlog.report.page import report_page
from tests.report.pages import Page

VARIANTS = ["whole", "no claim", "before/after", "no positions", "no dates"]


def answers(analysed: Analysed) -> dict[str, Objection]:
    return {o.key: o for o in objections(analysed)}


@pytest.mark.parametrize("name", VARIANTS)
def test_nothing_is_fetched_and_nothing_is_half_said(
    variants: dict[str, Analysed], name: str
) -> None:
    read = Page(objections_page(variants[name]))
    assert read.fetched() == []
    words = " ".join(" ".join(read.words).split())
    assert not re.search(r"\b(nan|None(?! of| differs)|NaT|inf)\b|\(\)|  |stretchs", words)
    assert read.policy().startswith("default-src 'none'")
    ids = [a["id"] for _, a in read.elements if "id" in a]
    assert len(ids) == len(set(ids))


@pytest.mark.parametrize("name", VARIANTS)
def test_every_source_leads_to_a_place_in_the_report(
    variants: dict[str, Analysed], name: str
) -> None:
    report = Page(report_page(variants[name], passes_sha256="0" * 64))
    places = {a["id"] for _, a in report.elements if "id" in a}
    page = Page(objections_page(variants[name]))
    led = {h.split("#")[1] for h in page.attributes("a", "href") if h.startswith("report.html#")}
    assert led <= places
