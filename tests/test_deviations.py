"""Drives that went wrong: set aside by words agreed beforehand, and by nothing else."""

import datetime as dt
import shutil
from pathlib import Path

import pandas as pd
import pytest

from roadlog.analysis.analyse import analyse
from roadlog.check import check_study
from roadlog.errors import DesignError, InputError
from roadlog.plan.register import register
from roadlog.report import to_json
from roadlog.report.page import report_page
from roadlog.runs.deviations import agreed_word, find_deviations
from roadlog.runs.facts import OfRun
from roadlog.runs.notes import of_no_drive
from roadlog.runs.table import study_sources
from roadlog.study.folder import load_study
from roadlog.study.settings import parse_study

AGREED = ("trailer", "other driver", "wrong fuel")
BEFORE = dt.datetime(2026, 3, 1, 18, 0, tzinfo=dt.UTC)
AFTERWARDS = dt.datetime(2026, 4, 1, tzinfo=dt.UTC)
RUNS = pd.DataFrame(
    {
        "run": [0, 1, 2, 3],
        "file": ["logs/mon_out.csv", "logs/mon_back.csv", "logs/tue_out.csv", "logs/tue_back.csv"],
        "day": ["2026-03-02", "2026-03-02", "2026-03-03", "2026-03-03"],
    }
)


def notes(**columns: list[str | None]) -> pd.DataFrame:
    return pd.DataFrame(columns, dtype=str)


@pytest.mark.parametrize(
    ("note", "word"),
    [
        ("Trailer behind", "trailer"),
        ("with TRAILER, 600 kg", "trailer"),
        ("my sister drove (other  driver)", "other driver"),
        ("two trailers overtook me", None),
        ("no trailer today", None),
        ("without trailer", None),
        ("another driver", None),
        ("a jam on the bridge", None),
        ("wrong fuel: E0; trailer", "trailer"),
    ],
)
def test_a_note_holds_an_agreed_word_only_as_a_whole_word(note: str, word: str | None) -> None:
    assert agreed_word(note, AGREED) == word


def test_a_day_towed_is_set_aside_with_both_its_drives() -> None:
    told = notes(date=["2026-03-02", "2026-03-03"], deviation=["trailer", None])
    found = find_deviations(RUNS, told, AGREED)
    assert found.set_aside == dict.fromkeys([0, 1], OfRun.DEVIATION(word="trailer"))
    assert not found.staying


def test_one_drive_of_a_day_is_set_aside_by_a_row_of_its_own() -> None:
    told = notes(
        date=["2026-03-02", "2026-03-03", None],
        file=[None, None, "tue_back.csv"],
        deviation=["-", "No", "other driver"],
    )
    assert set(find_deviations(RUNS, told, AGREED).set_aside) == {3}


def test_what_nobody_agreed_on_stays_in() -> None:
    told = notes(date=["2026-03-02"], Abweichung=["Stau"])
    found = find_deviations(RUNS, told, AGREED)
    assert not found.set_aside
    assert found.staying == {0: "Stau", 1: "Stau"}


def test_remarks_set_nothing_aside_and_the_missing_column_is_told() -> None:
    found = find_deviations(RUNS, notes(date=["2026-03-02"], remarks=["trailer"]), AGREED)
    assert not found.set_aside
    assert "no column 'deviation'" in found.doubts[0]
    assert find_deviations(RUNS, notes(date=["2026-03-02"], remarks=["rain"]), ()).doubts == ()


def test_a_deviation_of_a_log_that_isnt_there_is_told() -> None:
    told = notes(file=["mon_uot.csv"], deviation=["trailer"])
    (said,) = of_no_drive(told, RUNS)
    assert "line 2 (mon_uot.csv)" in said


def test_rows_of_no_drive_are_listed_and_empty_ones_are_not() -> None:
    told = notes(
        date=["2026-03-02", "2026-03-07", "2026-03-08", None],
        file=[None, None, None, "C:\\logs\\mon_out.csv"],
        deviation=["-", "trailer", None, "jam"],
    )
    assert of_no_drive(told, RUNS) == [
        "notes.csv: line 3 (2026-03-07): no drive of the study is of that day, run or file, so "
        "what was noted there counts for none: correct it if a drive was meant"
    ]
    undated = RUNS.assign(day=["2026-03-02", "2026-03-02", "2026-03-03", ""])
    assert of_no_drive(told, undated) == []
    assert of_no_drive(told.assign(deviation=None), RUNS) == []


@pytest.mark.parametrize("order", [True, None])
def test_a_drive_with_a_trailer_stays_out_whatever_way_its_date_is_written(
    study_without_positions: Path, tmp_path: Path, order: bool | None
) -> None:
    """Read month first, 4 March was 3 April: the drive stayed in and the finding flipped."""
    folder = tmp_path / "s"
    shutil.copytree(study_without_positions, folder)
    (folder / "notes.csv").write_text("date;deviation\n04/03/2026;trailer\n05/03/2026;\n")
    text = (folder / "study.toml").read_text()
    rule = 'exclude_if = ["trailer"]\ndriver_knew_arm'
    text = text.replace("driver_knew_arm", rule, 1)
    (folder / "study.toml").write_text(text + ("\n[time]\nday_first = true\n" if order else ""))
    study = load_study(folder)
    sources = study_sources(folder, study)
    if order is None:
        with pytest.raises(InputError, match=r"notes.csv: line 2, .*'04/03/2026' may be day bef"):
            analyse(study, sources)
        assert any("'04/03/2026' may be" in w for w in check_study(study, sources).warnings)
        return
    done = analyse(study, sources)
    aside = done.runs[~done.runs["used"].astype(bool)]
    assert set(aside["day"]) == {"2026-03-04"}
    assert set(aside["reason"].map(str)) == {"deviation noted: trailer"}


@pytest.mark.parametrize(
    ("told", "says"),
    [
        (notes(date=["2026-03-02"], deviation=["x"], went_wrong=["y"]), "both tell deviations"),
        (notes(deviation=["trailer"]), "no column 'date'"),
        (notes(date=["2026-03-02"] * 2, deviation=["trailer", None]), "two rows"),
    ],
)
def test_notes_that_say_two_things_are_refused(told: pd.DataFrame, says: str) -> None:
    with pytest.raises(InputError, match=says):
        find_deviations(RUNS, told, AGREED)


def test_a_blank_word_agrees_on_nothing() -> None:
    with pytest.raises(InputError, match="blank word"):
        parse_study('[analysis]\nexclude_if = ["trailer", " "]')


@pytest.fixture
def driven(study_without_positions: Path, tmp_path: Path) -> Path:
    """The 12-day demo with a deviation column in its notes."""
    folder = tmp_path / "driven"
    shutil.copytree(
        study_without_positions, folder, ignore=shutil.ignore_patterns("computed", "results")
    )
    agree(folder, "trailer", "other driver")
    write_deviations(folder, {})
    return folder


def agree(folder: Path, *words: str) -> None:
    path = folder / "study.toml"
    text = path.read_text()
    lines = [line for line in text.splitlines() if not line.startswith("exclude_if")]
    if "[analysis]" not in lines:
        lines += ["[analysis]"]
    lines.insert(lines.index("[analysis]") + 1, f"exclude_if = {[*words]}".replace("'", '"'))
    path.write_text("\n".join(lines) + "\n")


def write_deviations(folder: Path, of_day: dict[str, str]) -> None:
    table = pd.read_csv(folder / "notes.csv", dtype=str)
    table.assign(deviation=table["date"].map(of_day)).to_csv(folder / "notes.csv", index=False)


def look_at(folder: Path):
    study = load_study(folder)
    return analyse(study, study_sources(folder, study), now=AFTERWARDS)


def days(folder: Path, arm: str) -> list[str]:
    return [str(u.unit) for u in load_study(folder).schedule.unit if u.arm == arm]


def test_a_towed_day_drops_out_of_effect_and_is_listed_with_its_reason(driven: Path) -> None:
    day = days(driven, "fitted")[2]
    write_deviations(driven, {day: "pulled a trailer", days(driven, "baseline")[0]: "jam"})
    done = look_at(driven)
    runs = done.runs
    assert (runs.loc[runs["day"] == day, "reason"].map(str) == "deviation noted: trailer").all()
    assert not runs.loc[runs["day"] == day, "used"].any()
    assert runs.loc[runs["day"] != day, "used"].all()
    assert done.fitted.switch_units == 5
    assert "deviation noted: trailer" in {r["reason"] for r in to_json(done)["runs"]}
    (stays,) = [w.message for w in done.warnings if w.code == "deviation-stays"]
    assert "'jam' holds no word of exclude_if" in stays
    assert "deviation noted: trailer" in report_page(done, passes_sha256="0")


def test_a_deviation_is_no_covariate(driven: Path) -> None:
    """Words or 0 and 1: what went wrong decides on runs, not on the model."""
    write_deviations(driven, {d: str(i % 2) for i, d in enumerate(days(driven, "fitted"))})
    done = look_at(driven)
    assert not [c for c in done.passes.columns if "deviation" in c]
    assert not done.effect.design["what"].str.contains("deviation").any()


def uneven(folder: Path) -> list[str]:
    return [w.message for w in look_at(folder).effect.warnings if w.code == "uneven-missing"]


def test_an_arm_that_loses_more_days_this_way_is_warned_about(driven: Path) -> None:
    """Two of six days in one arm and none in the other are told; one in each is not."""
    fitted = days(driven, "fitted")
    write_deviations(driven, dict.fromkeys(fitted[:2], "trailer"))
    (told,) = uneven(driven)
    assert "baseline kept 100%, fitted 67%" in told
    write_deviations(driven, dict.fromkeys([fitted[0], days(driven, "baseline")[0]], "trailer"))
    assert uneven(driven) == []


def test_an_arm_towed_throughout_leaves_no_test(driven: Path) -> None:
    write_deviations(driven, dict.fromkeys(days(driven, "fitted"), "trailer"))
    with pytest.raises(DesignError, match=r"no usable run of the fitted arm.*trailer"):
        look_at(driven)


def test_agreed_words_stand_in_what_was_fixed_beforehand(driven: Path) -> None:
    register(driven, load_study(driven), BEFORE)
    done = look_at(driven)
    assert done.oversight.exclude_if == ("trailer", "other driver")
    assert done.oversight.changes == ()
    page = report_page(done, passes_sha256="0")
    assert "“trailer” or “other driver”" in page
    assert "agreed by that registration" in page


def test_a_word_added_after_the_data_shows_as_a_later_edit(driven: Path) -> None:
    day = days(driven, "fitted")[0]
    write_deviations(driven, {day: "jam"})
    register(driven, load_study(driven), BEFORE)
    agree(driven, "trailer", "other driver", "jam")
    done = look_at(driven)
    listed = [w.message for w in done.warnings if w.code == "changed-after-registration"]
    assert listed == [
        "changed after it was registered: analysis exclude_if: trailer, other driver -> trailer, "
        "other driver, jam"
    ]
    assert done.oversight.exclude_if == ("trailer", "other driver")
    assert not done.runs.loc[done.runs["day"] == day, "used"].any()


def test_a_note_written_between_two_looks_makes_the_second_a_look_at_other_data(
    driven: Path,
) -> None:
    before = look_at(driven).oversight.look
    write_deviations(driven, {days(driven, "fitted")[0]: "trailer"})
    after = look_at(driven).oversight.look
    assert after.data_sha256 != before.data_sha256
    assert after.choices_sha256 == before.choices_sha256


def test_check_tells_deviations_before_any_analysis(driven: Path) -> None:
    towed, jammed = days(driven, "fitted")[:2]
    write_deviations(driven, {towed: "trailer", jammed: "jam"})
    study = load_study(driven)
    check = check_study(study, study_sources(driven, study))
    verdicts = {f"{r.start:%Y-%m-%d}": r.verdict for r in check.runs}
    assert verdicts[towed] == "not usable because deviation noted: trailer"
    assert "usable with a noted deviation ('jam') that holds no agreed word" in verdicts[jammed]
