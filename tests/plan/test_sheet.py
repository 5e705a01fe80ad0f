"""The sheet beside the car, and the empty notes."""

import datetime as dt
import re
import shutil
from itertools import pairwise

import pytest

from roadlog.analysis.analyse import analyse
from roadlog.cli import main
from roadlog.plan.schedule import draw_schedule, driving_days, switch_units
from roadlog.plan.sheet import sheet_page, sheet_rows
from roadlog.plan.studyfile import notes_template
from roadlog.plan.to_log import log_lines
from roadlog.runs.table import study_sources
from roadlog.study.car import Device, Vehicle
from roadlog.study.folder import load_study
from roadlog.study.settings import Analysis, Plan, Study


def planned(days: int, **plan: object) -> Study:
    p = Plan.model_validate({"days": days, **plan})
    units = switch_units(p, driving_days(p, dt.date(2027, 3, 1)))
    schedule = draw_schedule(units, block_size=2, seed=2)
    return Study(name="A <b>bold</b> test", plan=p, schedule=schedule)


def test_sheet_tells_what_to_hold_equal_what_to_note_and_when_to_refuel():
    page = sheet_page(planned(12), reader="everyone", claim="12 % more distance")
    for words in (
        "Air conditioning off",
        "windows shut",
        "cold",
        "Fill to full before the first drive",
        "notes.csv",
        "Seal it",
        "somebody else switch",
        "engine off and cool",
    ):
        assert words in page
    assert "A &lt;b&gt;bold&lt;/b&gt; test" in page
    assert "://" not in page
    assert "<script" not in page


@pytest.mark.parametrize("place", ["intake", "fuel", "oxygen-sensor", None])
def test_no_tank_holds_both_arms_where_measured_fuel_has_to_close(place):
    """Tanks alike in their arms can't tell them apart (fills regressed on each arm's litres)."""
    study = planned(12).model_copy(update={"device": Device(acts_on=place)})
    for reader in ("everyone", "driver"):
        page = sheet_page(study, reader=reader, claim=None)
        assert "Fill to full before the first drive of each switching time" in page
        assert "thick line" not in page


@pytest.mark.parametrize("place", ["electrical", "aero-or-rolling", "other"])
def test_tanks_may_hold_both_arms_where_any_figure_shows_the_add_on(place):
    study = planned(12).model_copy(update={"device": Device(acts_on=place)})
    page = sheet_page(study, reader="everyone", claim=None)
    assert "Refuel only at a thick line" in page
    assert "Fill to full" not in page
    assert "which all show an add-on" in page


def test_sheet_says_what_to_log_for_the_place():
    def lines(place: str | None, fuel: str = "E10") -> str:
        study = Study(device=Device(acts_on=place), vehicle=Vehicle(fuel=fuel))
        return " ".join(log_lines(study))

    assert "Best, with short and long trims of every bank: air flow with trims." in lines("intake")
    assert "beside fuel that is filled or weighed: manifold pressure" in lines("intake")
    assert "Not used for such an add-on: air flow, absolute load, manifold pressure" in lines(
        "oxygen-sensor"
    )
    assert "Best" not in lines("fuel")
    assert lines(None).startswith("Say in study.toml where it acts")
    assert "trims" not in lines("intake", "diesel")
    assert "air flow" not in lines("electrical", "diesel")  # a diesel's air says nothing of fuel
    for place in ("electrical", "intake"):
        assert lines(place, "diesel").endswith("engine fuel rate, or injected quantity.")
    assert lines("fuel", "diesel").startswith("Counts only beside fuel that is filled or weighed")


def test_sheet_says_what_loose_air_conditioning_costs(tmp_path):
    folder = tmp_path / "collar"
    main(["new", str(folder), "--claim-economy", "6", "--days", "12"])
    assert main(["plan", str(folder), "--start", "2027-03-01"]) == 0
    page = (folder / "plan" / "sheet.html").read_text()
    assert re.search(r"unnoted, the claim takes \d+ switching times instead of \d+\.", page)


def test_driver_finds_the_agreed_words_and_room_to_note_a_deviation():
    study = planned(12)
    words = Analysis(exclude_if=("trailer", "other <driver>"))
    agreed = study.model_copy(update={"analysis": words})
    page = sheet_page(agreed, reader="driver", claim=None)
    assert "set the drive aside: <b>trailer</b>, <b>other &lt;driver&gt;</b>" in page
    assert page.count('<td class="write">') == 12
    assert "every drive counts" in sheet_page(study, reader="driver", claim=None)
    switcher = sheet_page(agreed, reader="switcher", claim=None)
    assert "trailer" not in switcher
    assert '<td class="write">' not in switcher


def test_caution_stands_once_on_every_sheet():
    for days in (12, 40, 70):
        for reader in ("everyone", "driver", "switcher"):
            assert sheet_page(planned(days), reader=reader, claim=None).count("Safety first") == 1


def test_thick_lines_are_the_ends_of_blocks():
    rows = sheet_rows(planned(12))
    assert [r.last_of_block for r in rows] == [False, True] * 6
    for first, second in zip(rows[::2], rows[1::2], strict=True):
        assert {first.fitted, second.fitted} == {True, False}


def test_switcher_is_told_to_open_and_shut_even_when_the_state_stays():
    rows = sheet_rows(planned(20, no_switch=["wed"]))
    for before, row in pairwise(rows):
        if row.date.startswith("Wed"):
            assert row.switch == "leave shut"
        elif before.fitted == row.fitted:
            assert row.switch == "open, leave, shut"
        else:
            assert row.switch == ("fit" if row.fitted else "take out")


def test_every_day_is_on_the_sheet_once_however_many_there_are():
    for days in (12, 24, 40, 70):
        page = sheet_page(planned(days), reader="driver", claim=None)
        assert page.count('class="box"') == days


def test_the_empty_notes_can_stay_empty(study_without_positions, tmp_path):
    """Nobody has to fill in notes: an analysis with the blank template runs, and adds nothing."""
    folder = tmp_path / "study"
    leave = shutil.ignore_patterns("computed", "results")
    shutil.copytree(study_without_positions, folder, ignore=leave)
    study = load_study(folder)
    (folder / "notes.csv").unlink()
    without = analyse(study, study_sources(folder, study))
    (folder / "notes.csv").write_text(notes_template(study.schedule))
    done = analyse(study, study_sources(folder, study))
    assert done.effect.primary == without.effect.primary
    assert done.finding == without.finding


def test_days_without_a_switch_count_as_one_unit_in_the_analysis(study_without_positions, tmp_path):
    folder = tmp_path / "study"
    leave = shutil.ignore_patterns("computed", "results")
    shutil.copytree(study_without_positions, folder, ignore=leave)
    path = folder / "study.toml"
    text = path.read_text()
    # The first block's last day and the second's first are neighbours, both fitted.
    first = '{ unit = 2026-03-05, arm = "fitted", block = 1 }'
    second = '  { unit = 2026-03-06, arm = "fitted", block = 2 },\n'
    assert first in text
    assert second in text
    text = text.replace(first, first.replace(" }", ", also = [2026-03-06] }")).replace(second, "")
    path.write_text(text)
    study = load_study(folder)
    done = analyse(study, study_sources(folder, study))
    together = done.runs[done.runs["switch_unit"] == "2026-03-05"]
    assert sorted(set(together["day"])) == ["2026-03-05", "2026-03-06"]
    assert done.baseline.switch_units + done.fitted.switch_units == 11
    assert done.effect.randomisation.assignments == 6 * 3 * 6
