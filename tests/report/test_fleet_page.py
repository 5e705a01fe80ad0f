"""The fleet's page and JSON: in plain words, of bounded size, with nothing that executes."""

import importlib.resources
import json
import math
import re
from dataclasses import replace
from html import unescape
from typing import Any

import jsonschema
import numpy as np
import pandas as pd
import pytest

from roadlog.fleet.answer import FleetStudy
from roadlog.fleet.answered import answer_of_fleet
from roadlog.fleet.closed import filled_fuel
from roadlog.fleet.facts import FillOut
from roadlog.fleet.filled import held_fills
from roadlog.fleet.fills import Receipts
from roadlog.fleet.fit import fit_fleet
from roadlog.fleet.signals import Signals
from roadlog.quantities.facts import Veto
from roadlog.report.fleet_map import fleet_map
from roadlog.report.fleet_page import fleet_page
from roadlog.report.fleet_words import fleet_lines, reasons
from roadlog.report.fleet_write import fleet_json
from roadlog.stats.interval import FindingWord, Interval, Randomisation
from tests.fleet.bought import TAXI, taxis
from tests.fleet.invented import invented_answer
from tests.fleet.made import switching_fleet

MOST_BYTES = 5_000_000


STATISTICS = re.compile(
    r"\bmean|interval|prediction|spread|standard deviation|confiden|estimate|95 %|\bp =",
    re.IGNORECASE,
)


def text_of(page: str) -> str:
    body = re.sub(r"<style>.*?</style>", "", page, flags=re.DOTALL)
    return " ".join(re.sub(r"<[^>]*>", " ", body).replace("\u00a0", " ").split())


def with_range(
    found: FleetStudy, low: float | None, high: float | None, word: FindingWord, **more: Any
) -> FleetStudy:
    """The same fleet with its range elsewhere, and each vehicle left out with the same."""
    middle = 0.0 if low is None or high is None else (low + high) / 2
    vehicles = found.result.vehicles.assign(
        raw=middle, without_low=low, without_high=high, outlying=False
    )
    finding = replace(found.result.finding, word=word, vetoes=more.pop("vetoes", ()))
    usual = {"vehicles": vehicles, "finding": finding, "effect": Interval(middle, low, high),
             "randomisation": None}  # fmt: skip
    return replace(found, result=replace(found.result, **{**usual, **more}))


def test_the_answer_comes_first_and_without_statistics() -> None:
    page = fleet_page(invented_answer())
    first, annex = text_of(page).split("Annex for sceptics In numbers")
    assert "ruled out by this synthetic test of 24 vehicles" in first
    assert "for the next vehicle like these: nothing in that range reaches" in first
    assert not STATISTICS.search(first), STATISTICS.findall(first)
    assert "95 % intervals" in annex
    screen = fleet_lines(invented_answer())
    assert "this car" not in " ".join(" ".join(screen).split())  # a fleet's word is of many
    assert "this car" not in page
    numbers = next(i for i, line in enumerate(screen) if line.startswith("In numbers"))
    assert not STATISTICS.search(" ".join(screen[:numbers]))


def test_the_sentences_follow_from_where_the_range_lies() -> None:
    found, wide = invented_answer(), Interval(0.0, -12.0, 3.0)
    settled = answer_of_fleet(with_range(found, -3.0, 1.0, "refuted", next_vehicle=wide))
    assert settled.outcome == "ruled out"
    assert settled.shows == "no change"
    assert (
        "It rules out the claimed 8 % less fuel, in these 24 vehicles on average." in settled.text
    )
    assert settled.text.endswith(
        "part of that range reaches the claimed 8 % less fuel, part doesn't."
    )
    reached = answer_of_fleet(with_range(found, -10.0, -8.5, "supported", next_vehicle=None))
    assert reached.outcome == "borne out"
    assert "What the next vehicle like these would get can't be told" in reached.text
    none = answer_of_fleet(with_range(found, None, None, "undecided"))
    assert "too few vehicles count" in none.text
    assert "the car's" not in none.text


def test_a_veto_is_told_in_plain_words_and_the_next_vehicles_figures_bear_nothing_either() -> None:
    veto = Veto("undecided: p = 0.2", "it hangs on one vehicle, van 7")
    found = with_range(invented_answer(), -3.0, 1.0, "undecided", vetoes=(veto,))
    told = answer_of_fleet(found)
    assert told.outcome == "no answer"
    assert "it hangs on one vehicle, van 7" in told.text
    assert "For the next vehicle like these the figures run from" in told.text
    assert fleet_page(found).count('class="range doubted"') == 2


def test_a_change_that_hangs_on_one_vehicle_isnt_told_as_shown() -> None:
    found = with_range(invented_answer(), -3.0, -1.0, "refuted")
    assert answer_of_fleet(found).shows == "less"
    swung = found.result.vehicles.copy()
    swung.loc[5, "without_high"] = 0.2
    held = replace(found, result=replace(found.result, vehicles=swung))
    assert answer_of_fleet(held).shows == "no change"
    assert "without one of the vehicles" in answer_of_fleet(held).text
    middle = found.result.vehicles.assign(raw=np.r_[-40.0, np.full(23, 0.4)])
    held = replace(found, result=replace(found.result, vehicles=middle))
    assert "the middle vehicle's own change" in answer_of_fleet(held).text
    by_chance = replace(found.result, randomisation=Randomisation(0.3, None, None, 280, True))
    unclear = replace(by_chance, next_vehicle=Interval(-2.0, -3.0, -0.5))
    told = answer_of_fleet(replace(found, result=unclear))
    assert told.shows == "no change"
    assert told.text.endswith("to 0.5 % less fuel; no conclusion may rest on them.")


def test_forty_vehicles_have_their_names_and_those_that_say_nothing_have_why() -> None:
    found = invented_answer(40)
    silent = found.result.vehicles.copy()
    silent.loc[3, ["estimate", "low", "high", "raw"]] = np.nan
    page = fleet_page(replace(found, result=replace(found.result, vehicles=silent)))
    rows = re.findall(r"<li><b>([^<]*)</b><svg.*?</svg><span class=\"range\">", page)
    assert len(rows) == 39
    assert "van 0003 &amp; co</b>: its own drives alone" in page
    assert "van 8</b>: driven in the baseline arm only" in page
    many = fleet_page(invented_answer(41))
    assert "<title>van 0000 &amp; co: " in many
    assert "<li><b>van 0000" not in many


def test_a_page_without_map_shows_no_place_and_says_what_is_private_still() -> None:
    found = invented_answer()
    whole, bare = fleet_page(found), fleet_page(found, with_map=False)
    assert "47." in whole
    assert "Not for publishing" in whole
    assert "Not for publishing" in bare
    assert "fleet-map" not in re.sub(r"<style>.*?</style>", "", bare, flags=re.DOTALL)
    assert "about 47." not in bare


def test_a_maps_legend_and_bar_are_true() -> None:
    way = {
        "id": "A",
        "fuel_ml": {"baseline": 9.0, "fitted": 9.0},
        "km": {"baseline": 1.0, "fitted": 1.0},
    }
    roads = [
        {**way, "lat": [lat, lat], "lon": [20.0, 20.0 + 5 / math.cos(math.radians(lat)) / 111.195],
         "passes": {"baseline": n, "fitted": 0}}
        for lat, n in ((30.0, 3), (60.0, 40), (60.0, 2))
    ]  # fmt: skip
    drawn = fleet_map([("van", tuple(roads))])
    assert drawn is not None
    assert drawn.classes[0][1] == "3"
    for place in drawn.places:  # the same five kilometres, told by the bar, north and south
        svg = str(place.drawing)
        xs = [float(x) for x in re.findall(r'<rect x="([\d.]+)"', svg)]
        wide = float(re.findall(r'width="([\d.]+)"', svg)[0])
        long = max(xs) + wide - min(xs)
        bar = float(re.findall(r'class="scale" d="M1 [\d.]+V[\d.]+H([\d.]+)', svg)[0]) - 1
        metres = int(place.bar.removesuffix(" m").replace(" km", "000"))
        assert long / bar * metres == pytest.approx(5000, abs=4 * drawn.cell_m)


def test_left_out_is_a_line_a_cause_with_vehicles_as_they_are_called() -> None:
    rows = [("van 1", f"samples/vehicle=van%201/month=2026-03/x%20y.parquet #{i}", "NOT_SCHEDULED",
             f"no arm for 2026-03-{i:02d}") for i in range(1, 6)]  # fmt: skip
    out = pd.DataFrame(rows, columns=["vehicle", "what", "code", "why"])
    (told,) = reasons(out)
    assert (told.n, told.others) == (5, 4)
    assert told.cost == "5 logs or runs of 1 vehicle"
    assert told.examples[0] == "van 1: samples/vehicle=van 1/month=2026-03/x%20y.parquet #1"


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


def test_figures_in_doubt_are_shown_as_such_wherever_they_stand() -> None:
    found = invented_answer()
    blind = Signals("maf", "intake", False, "both fuel trims aren't there", {}, np.zeros(12))
    fleet = switching_fleet(np.random.default_rng(3), 8)
    units = [replace(u, signals=blind) for u in fleet]
    result = fit_fleet(units, found.design, claim=found.study.claim)
    doubted = replace(found, result=result)
    page = unescape(text_of(fleet_page(doubted)))
    screen = " ".join(" ".join(fleet_lines(doubted)).split())
    for told in (page, screen):
        assert "no conclusion may rest on them" in told
        assert "it is expected to reach the claim" not in told
        assert "none like these is expected" not in told
        assert "The fuel figure could be bent: it is 'maf'" in told
        assert "undecided: " not in told
    assert "No conclusion may rest on these figures either" in page


def test_a_roll_outs_page_shows_the_effect_by_time_since_it_came() -> None:
    found = invented_answer()
    table = pd.DataFrame(
        [(0, -1.0, -3.0, 1.0, 5), (1, -2.5, math.nan, math.nan, 2)],
        columns=["periods", "estimate", "low", "high", "vehicles"],
    )
    page = text_of(fleet_page(replace(found, result=replace(found.result, exposure=table))))
    assert "days since change, % from to vehicles 0 to 6 −1.0 % −3.0 % +1.0 % 5 7 to 13" in page


def test_fills_stand_on_page_and_screen_with_those_that_dont_count() -> None:
    found = invented_answer(8)
    names = found.result.vehicles["vehicle"].tolist()
    own = [replace(f, vehicle=n) for f, n in zip(taxis(np.random.default_rng(1), 4, days=12),
                                                  names, strict=False)]  # fmt: skip
    own[0] = replace(own[0], told=(("line 7", FillOut.TWICE(line=3)),))
    own += [held_fills(n, (), pd.DataFrame(), TAXI) for n in names[4:]]
    result = replace(found.result, filled=filled_fuel(own, found.design, 1.0))
    stranger = ("XY 99", "line 9", FillOut.NO_SUCH_VEHICLE(near=""))
    fleet = replace(found.tables.fleet, receipts=Receipts(lost=(stranger,)))
    with_fills = replace(found, result=result, tables=replace(found.tables, fleet=fleet))
    page = unescape(text_of(fleet_page(with_fills)))
    screen = " ".join(" ".join(fleet_lines(with_fills)).split())
    for told in (page, screen):
        assert "tanks of 4 of 8 vehicles, fuel filled for each litre computed" in told
        assert "no fill of it is in fills.csv (so of 3 more)" in told
        assert "2 fills don't count as they stand" in told
    assert STATISTICS.search(page.split("Annex for sceptics In numbers")[0]) is None
    assert "no vehicle of this fleet is called so" in page
    told = json.loads(json.dumps(fleet_json(with_fills), allow_nan=False))
    text = importlib.resources.files("roadlog.report").joinpath("fleet.schema.json").read_text()
    jsonschema.validate(told, json.loads(text))
    assert len(told["result"]["filled"]["vehicles"]) == 8
