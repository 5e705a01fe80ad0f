"""The fleet's page and JSON: in plain words, of bounded size, with nothing that executes."""

import importlib.resources
import json
from dataclasses import replace

import jsonschema
import pandas as pd

from roadlog.report.fleet_page import fleet_page
from roadlog.report.fleet_words import fleet_lines
from roadlog.report.fleet_write import fleet_json
from tests.fleet.invented import invented_answer

MOST_BYTES = 5_000_000


def test_mean_and_next_car_are_told_in_words() -> None:
    found = invented_answer()
    page = fleet_page(found)
    for words in ("fuel use changed by", "95 % prediction interval", "What was left out, and why"):
        assert words in page.replace("\u00a0", " ")
    screen = "\n".join(fleet_lines(found))
    assert "Next car" in screen
    assert "listed with why" in " ".join(screen.split())
    for text in (page, screen):
        assert "this car" not in " ".join(text.split())  # a fleet's word is of many


def test_names_are_text_and_nothing_comes_from_a_network() -> None:
    page = fleet_page(invented_answer())
    assert "<i>of</i>" not in page
    assert "<b>7</b>" not in page
    assert "<script" not in page
    assert "http" not in page.replace("http-equiv", "").replace("http://www.w3.org", "")


def test_a_thousand_vehicles_stay_within_five_megabytes() -> None:
    few = invented_answer(25, segments=15)
    result = replace(few.result, vehicles=pd.concat([few.result.vehicles] * 40))
    records = tuple(
        replace(r, vehicle=f"{r.vehicle} {i}") for i in range(40) for r in few.tables.records
    )
    tables = replace(few.tables, records=records)
    page = fleet_page(replace(few, result=result, tables=tables))
    assert len(tables.compared) == 1000
    assert len(page.encode()) < MOST_BYTES
    assert page.count('class="fleet-map"') == 2  # the two depots lie a degree apart


def test_fleet_json_keeps_to_its_schema() -> None:
    text = importlib.resources.files("roadlog.report").joinpath("fleet.schema.json").read_text()
    schema = json.loads(text)
    found = json.loads(json.dumps(fleet_json(invented_answer()), allow_nan=False))
    jsonschema.validate(found, schema)
    assert set(found) == set(schema["properties"])
    assert set(found["result"]) == set(schema["properties"]["result"]["properties"])
