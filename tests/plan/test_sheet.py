"""The sheet beside the car, and the empty notes."""

import datetime as dt
import shutil
from itertools import pairwise

from roadlog.analysis import analyse
from roadlog.plan.schedule import draw_schedule, driving_days, switch_units
from roadlog.plan.sheet import sheet_page, sheet_rows
from roadlog.plan.studyfile import notes_template
from roadlog.runs import study_sources
from roadlog.study import Analysis, Plan, Study, load_study


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
        "Refuel only at a thick line",
        "notes.csv",
        "Seal it",
        "somebody else switch",
        "engine off and cool",
    ):
        assert words in page
    assert "A &lt;b&gt;bold&lt;/b&gt; test" in page
    assert "://" not in page
    assert "<script" not in page


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
    # The fitted third block's second day and the fourth's first day are neighbours in one state.
    first = '{ unit = 2026-03-09, arm = "fitted", block = 3 }'
    second = '  { unit = 2026-03-10, arm = "fitted", block = 4 },\n'
    assert first in text
    assert second in text
    text = text.replace(first, first.replace(" }", ", also = [2026-03-10] }")).replace(second, "")
    later = '2026-03-11, arm = "baseline", block = '
    path.write_text(text.replace(f"{later}4", f"{later}3"))
    study = load_study(folder)
    done = analyse(study, study_sources(folder, study))
    together = done.runs[done.runs["switch_unit"] == "2026-03-09"]
    assert sorted(set(together["day"])) == ["2026-03-09", "2026-03-10"]
    assert done.baseline.switch_units + done.fitted.switch_units == 11
    assert done.effect.randomisation.assignments == 2**4 * 3
