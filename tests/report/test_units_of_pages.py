"""A study in US units: nothing metric stands alone on its pages; results.json is the same."""

import json
import re
from dataclasses import replace
from html import unescape

import pytest

from roadlog.analysis.summary import summary_lines
from roadlog.report.json_out import to_json
from roadlog.report.map import map_page
from roadlog.report.objections.page import objections_page
from roadlog.report.page import quantities, report_page
from roadlog.report.templating import environment
from roadlog.wording.units import shown_in
from tests.test_reader_units import MARKUP, without_twin


@pytest.mark.parametrize(("units", "economy"), [("us", "MPG (US)"), ("imperial", "MPG (imp)")])
def test_what_is_metric_has_its_twin_and_miles_per_gallon_come_first(analysed, units, economy):
    study = analysed.study.model_copy(update={"units": units})
    mine = replace(analysed, study=study)
    first_page, annex, rest = report_page(mine, passes_sha256="0").partition('id="annex"')
    assert annex
    assert rest
    for page in (first_page, map_page(mine), objections_page(mine)):
        text = re.sub(r"\s+", " ", unescape(MARKUP.sub(" ", page)))
        odd = [t for t in without_twin(text) if not re.search(r"s/km|L/100 km [\d.]+ [\d.]+", t)]
        odd = [t for t in odd if units == "us" or "°C" not in t]  # imperial: miles and °C
        assert not odd
    assert quantities(mine)[1].name == f"Fuel economy, {economy}"
    assert first_page.index(economy) < first_page.index("L/100 km")
    assert '"use":"MPG' in map_page(mine).replace("\\u0020", " ")
    said = "\n".join(summary_lines(mine))
    assert economy in said
    odd = without_twin(" ".join(said.split()))
    assert not [t for t in odd if units == "us" or "°C" not in t]


def test_programs_read_the_same_whatever_the_reader_is_shown(analysed):
    study = analysed.study.model_copy(update={"units": "us"})
    theirs = json.dumps(to_json(replace(analysed, study=study)), default=str)
    assert theirs == json.dumps(to_json(analysed), default=str)


def test_a_template_that_was_compiled_for_one_reader_serves_the_next_in_his_units():
    made = environment().from_string('{{ "km"|symbol }} {{ "L/100 km"|symbol(change=true) }}')
    assert made.render() == "km L/100 km"
    with shown_in("us"):
        assert made.render() == "mi US gal/100 mi"
    with shown_in("imperial"):
        made = environment().from_string('{{ "km"|symbol }}')
    assert made.render() == "km"
