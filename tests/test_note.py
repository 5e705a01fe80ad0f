"""`roadlog note`: the day's notes as a driver gives them, and the row that its readers read."""

import codecs
import datetime as dt
import json
import shlex
from collections.abc import Callable
from pathlib import Path

import pytest

from roadlog.analysis import day_notes, standing
from roadlog.cli import main
from roadlog.closure.fuelbook import read_fills
from roadlog.errors import InputError
from roadlog.ingest.text.handanswer import measured
from roadlog.ingest.text.handtable import read_table
from roadlog.runs.daily_notes import cell_of, columns_of
from roadlog.runs.notes import read_notes

TODAY = dt.date(2027, 3, 3)
DAYS = [dt.date(2027, 3, d) for d in (1, 2, 3, 4)]
STUDY = """
name = "collar"
[vehicle]
tank_l = 50
[device]
name = "ring"
[analysis]
exclude_if = ["trailer", "other driver"]
driver_knew_arm = {knew}
[schedule]
unit = [{units}]
"""
HEAD = (
    "date,air conditioning,windows,cold tyre pressure [kPa],payload [kg],my own,deviation,remarks"
)


@pytest.fixture
def study(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    return made(tmp_path / "my test", monkeypatch)


def made(folder: Path, monkeypatch: pytest.MonkeyPatch, *, knew: str = "true",
         hour: int = 19, today: dt.date = TODAY) -> Path:  # fmt: skip
    folder.mkdir()
    arms = ("fitted", "baseline", "fitted", "baseline")
    units = ", ".join(f'{{ unit = {d}, arm = "{a}" }}' for d, a in zip(DAYS, arms, strict=True))
    (folder / "study.toml").write_text(STUDY.format(knew=knew, units=units))
    now = dt.datetime.combine(today, dt.time(hour, 42), tzinfo=dt.UTC)
    monkeypatch.setattr(day_notes, "now_of", lambda _: now)
    monkeypatch.setattr(standing, "now_of", lambda _: now)
    return folder


def noted(folder: Path, *sets: str, more: tuple[str, ...] = ()) -> int:
    return main(["note", str(folder), *more, *(x for s in sets for x in ("--set", s))])


def typed(monkeypatch: pytest.MonkeyPatch, answers: list[str]) -> list[str]:
    left, asked = iter(answers), []

    def answer(prompt: str) -> str:
        asked.append(prompt)
        text = next(left, None)
        if text is None:
            raise KeyboardInterrupt
        return text

    monkeypatch.setattr("builtins.input", answer)
    monkeypatch.setattr("sys.stdin.isatty", lambda: True)
    return asked


def row(folder: Path, day: dt.date = TODAY) -> dict[str, str]:
    table = read_notes(folder / "notes.csv").set_index("date").fillna("")
    return {str(k): str(v) for k, v in table.loc[f"{day}"].items() if v}


ENCODINGS: dict[str, Callable[[str], bytes]] = {
    "commas": lambda t: t.encode(),
    "semicolons, CRLF": lambda t: t.replace(",", ";").replace("\n", "\r\n").encode(),
    "tabs, mark": lambda t: codecs.BOM_UTF8 + t.replace(",", "\t").encode(),
    "UTF-16": lambda t: codecs.BOM_UTF16_LE + t.replace(",", "\t").encode("utf-16-le"),
    "old code page": lambda t: t.encode("cp1252"),
    "no last line end": lambda t: t.rstrip("\n").encode(),
}


@pytest.mark.parametrize("dialect", ENCODINGS)
def test_what_note_writes_its_readers_read_and_the_rest_stays(study, dialect):
    text = f"{HEAD}\n2027-03-01,off,shut,231,10,größe,,\n2027-03-03,,,,,keep me,,\n"
    path = study / "notes.csv"
    path.write_bytes(ENCODINGS[dialect](text))
    before = path.read_bytes()
    assert (
        noted(study, "a/c=40 %", "tyre pressure=33 psi", "payload=12,5", "remarks=wörds; a, b") == 0
    )
    assert row(study) == {
        "air conditioning": "40 %", "cold tyre pressure [kPa]": "227.527", "payload [kg]": "12.5",
        "my own": "keep me", "remarks": "wörds; a, b",
    }  # fmt: skip
    assert row(study, DAYS[0])["my own"] == "größe"
    after = path.read_bytes()
    assert after[:3] == before[:3]
    assert (b"\r\n" in after) == (b"\r\n" in before)
    assert noted(study, "windows=open", more=("--date", "2027-03-02")) == 0
    assert row(study, DAYS[1]) == {"windows": "open"}
    assert read_table(path).columns.tolist() == HEAD.split(",")


def test_a_study_without_notes_gets_them_with_a_row_a_day(study):
    assert noted(study, "windows=closed") == 0
    assert read_notes(study / "notes.csv")["date"].tolist() == [f"{d}" for d in DAYS]
    assert row(study) == {"windows": "shut"}


def test_a_known_thing_that_the_file_lacks_becomes_its_last_column(study):
    (study / "notes.csv").write_text("date,mine\n2027-03-03,x\n")
    assert noted(study, "seal=0071", "deviation=trailer") == 0
    assert (study / "notes.csv").read_text().splitlines()[0] == "date,mine,seal,deviation"
    assert row(study) == {"mine": "x", "seal": "0071", "deviation": "trailer"}


@pytest.mark.parametrize(
    ("answer", "says"),
    [
        ("tyre pressure=32", "32 psi would be 220.6 kPa"),
        ("tyre pressure=2.3", "2.3 bar would be 230 kPa"),
        ("tyre pressure=230 kg", "no unit of it"),
        ("tyre pressure=1,234", "1.234 or 1234"),
        ("tyre pressure=two", "no number"),
        ("windows=ajar", "none of shut, open, part open"),
        ("a/c=hot", "none of on, off, automatic"),
        ("payload=-3", "can't be"),
        ("payload=inf", "no number"),
        ("remarks=" + "x" * 301, "at most 300"),
        ("nonsense=1", "is none of"),
        ("p=1", "means several"),
        ("=1", "write NAME=VALUE"),
        ("odometer=41000", "needs its amount"),
        ("fill=70", "don't go into a tank of 50"),
        ("fill=0", "more than 0"),
        ("fill=9 gal", "US or imperial"),
    ],
)
def test_an_answer_that_cannot_be_meant_writes_nothing(study, capsys, answer, says):
    (study / "notes.csv").write_text(f"{HEAD}\n")
    sets = [answer] + (["fill=30", "full=no"] if answer.startswith("none") else [])
    assert noted(study, *sets) == 2
    assert says in capsys.readouterr().err
    assert (study / "notes.csv").read_text() == f"{HEAD}\n"
    assert not (study / "fills.csv").exists()


def test_a_day_that_is_noted_asks_before_it_is_replaced_and_keeps_the_old(study, capsys):
    assert noted(study, "windows=shut") == 0
    assert noted(study, "windows=open") == 2
    assert "noted already, as 'shut'" in capsys.readouterr().err
    assert noted(study, "payload=5") == 0  # a blank cell is no replacement
    assert noted(study, "windows=open", more=("--replace",)) == 0
    kept = json.loads((study / "computed" / "notes_replaced.jsonl").read_text())
    assert (kept["was"], kept["now"]) == ({"windows": "shut"}, {"windows": "open"})


@pytest.mark.parametrize(
    ("day", "says"), [("2027-03-06", "still to come"), ("2027-02-28", "isn't in the schedule")]
)
def test_a_day_that_cannot_be_noted(study, capsys, day, says):
    assert noted(study, "windows=shut", more=("--date", day)) == 2
    assert says in capsys.readouterr().err
    assert noted(study, "windows=shut", more=("--date", "2027-02-28", "--anyway")) == 0


def test_after_midnight_the_day_before_is_meant(tmp_path, monkeypatch, capsys):
    night = made(tmp_path / "s", monkeypatch, hour=1, today=dt.date(2027, 3, 5))
    assert noted(night, "windows=shut") == 0
    assert "notes of Thu 4 Mar" in capsys.readouterr().out
    assert row(night, DAYS[3]) == {"windows": "shut"}


def test_questions_offer_yesterdays_answer_and_say_parked_first(study, monkeypatch, capsys):
    (study / "notes.csv").write_text(f"{HEAD}\n2027-03-02,off,shut,231,10,,trailer,nice\n")
    asked = typed(monkeypatch, ["", "", "230,5", "-", "Trailer behind", "", ""])
    assert main(["note", str(study)]) == 0
    assert [("[" in p) for p in asked] == [True, True, True, True, False, False, False]
    out = capsys.readouterr().out
    assert out.startswith("Parked?")
    assert "'trailer': the day's drives are set aside" in out
    assert row(study) == {
        "air conditioning": "off", "windows": "shut", "cold tyre pressure [kPa]": "230.5",
        "deviation": "Trailer behind",
    }  # fmt: skip


def test_the_guess_is_asked_of_a_blind_driver_only_and_never_offered(
    study, tmp_path, monkeypatch, capsys
):
    assert not any("guess" in p for p in all_prompts(monkeypatch, study))
    blind = made(tmp_path / "blind", monkeypatch, knew="false")
    (blind / "notes.csv").write_text("date,guess\n2027-03-02,in\n2027-03-03,\n")
    asked = typed(monkeypatch, ["perhaps", "don\u2019t know", "", ""])
    assert main(["note", str(blind)]) == 0
    assert asked[0] == "Your guess today: in, out or don't know: "
    assert row(blind) == {"guess": "don't know"}
    asked = typed(monkeypatch, ["yes", "", "", ""])
    assert main(["note", str(blind)]) == 0
    assert not any("guess" in p for p in asked)  # the first one counts
    assert not {"fitted", "baseline", "ring"} & set(capsys.readouterr().out.split())


def all_prompts(monkeypatch: pytest.MonkeyPatch, folder: Path) -> list[str]:
    asked = typed(monkeypatch, ["-"] * 20)
    assert main(["note", str(folder)]) == 0
    return asked


def test_a_stopped_session_loses_nothing(study, monkeypatch, capsys):
    typed(monkeypatch, ["off", "shut", "231"])
    assert main(["note", str(study)]) == 1
    assert "3 answers were kept" in capsys.readouterr().err
    assert len(row(study)) == 3
    typed(monkeypatch, ["no", "yes", *["-"] * 7, "31.4"])
    assert main(["note", str(study)]) == 1
    command = shlex.split(capsys.readouterr().err.strip().splitlines()[-1])
    assert command[-1] == "litres=31.4"
    assert not (study / "fills.csv").exists()
    assert main(command[1:]) == 0
    assert read_fills(study / "fills.csv")[0].litres == 31.4


def test_a_folder_that_cannot_be_written_to_gives_the_answers_back(study, monkeypatch, capsys):
    def full(path: Path, *_: object) -> None:
        raise OSError(28, "No space left on device", str(path))

    monkeypatch.setattr("roadlog.runs.daily_notes.atomic_write", full)
    assert noted(study, "windows=shut", "remarks=it's wet") == 2
    err = capsys.readouterr().err
    assert "No space left" in err
    assert "remarks=it's wet" in shlex.split(err.split("go on with  ")[1])


FILLS = {
    "metric": "time,litres,odometer [km],full,price\n2027-03-01T07:00,30.10,41000,yes,1.739\n",
    "commas": "date;litres;odometer [km];full;price\n01.03.2027;30,10;41000;ja?;1,739\n".replace(
        "ja?", "yes"
    ),
    "US": "date,gallons (US),odometer [mi],full,price [USD/US gal]\n2027-03-01,8,25476,yes,3.599\n",
    "bare": "date,litres\n2027-03-01,30.1\n",
}


@pytest.mark.parametrize("kind", FILLS)
def test_a_fill_reads_as_it_was_told_whatever_the_files_units(study, kind):
    path = study / "fills.csv"
    path.write_text(FILLS[kind])
    before = read_fills(path, True)
    assert noted(study, "fill=31,415 L", "odometer=41,230 km", "price=1.799/L", "time=6:20",
                 "full=no") == 0  # fmt: skip
    first, fill = read_fills(path, True)
    assert first == before[0]
    assert (fill.litres, fill.odometer_km) == pytest.approx((31.415, 41230), abs=0.2)
    assert fill.price_per_l == pytest.approx(1.799, rel=1e-4)
    assert (fill.full, f"{fill.time:%H:%M}") == (False, "06:20")


@pytest.mark.parametrize(
    ("sets", "says"),
    [
        (("fill=20", "odometer=40000"), "ran backwards"),
        (("fill=20", "odometer=25,600"), "ran backwards"),  # miles, with km asked
        (("fill=20", "odometer=99000"), "more than a car drives"),
        (("fill=20", "full=perhaps"), "neither yes nor no"),
        (("fill=20", "time=25:00"), "no time of day"),
        (("fill=20", "price=1.8/jug"), "no litre"),
    ],
)
def test_a_fill_that_cannot_be_is_refused(study, capsys, sets, says):
    (study / "fills.csv").write_text(FILLS["metric"])
    assert noted(study, *sets) == 2
    assert says in capsys.readouterr().err
    assert (study / "fills.csv").read_text() == FILLS["metric"]


def test_one_fill_is_not_kept_twice(study, capsys):
    assert noted(study, "fill=20", "time=7:00") == 0
    assert noted(study, "fill=20", "time=7:00") == 2
    assert "is in fills.csv already" in capsys.readouterr().err


def test_hand_broken_notes_are_named_and_left(study, capsys):
    for broken in (f'{HEAD}\n2027-03-03,"off,shut\n', "date,date\n2027-03-03,\n", "mine\n1\n",
                   f"{HEAD}\n02/03/2027,,,,,,,\n"):  # fmt: skip
        (study / "notes.csv").write_text(broken)
        assert noted(study, "windows=shut") == 2
        assert "notes.csv" in capsys.readouterr().err
        assert (study / "notes.csv").read_text() == broken


def test_control_characters_reach_neither_file_nor_screen(study, capsys):
    assert noted(study, "remarks=a\x1b[31mb\x00c\nd\u2028e") == 0
    assert row(study) == {"remarks": "ab c d e"}
    assert "\x1b" not in capsys.readouterr().out


def test_dates_that_a_spreadsheet_changed_are_still_this_day(study):
    (study / "notes.csv").write_text(
        "date;remarks\n01.03.2027;\n02.03.2027;\n03.03.2027;\n25.03.2027;\n"
    )
    assert noted(study, "remarks=dry") == 0
    assert "03.03.2027;dry" in (study / "notes.csv").read_text()


def test_a_whole_number_of_miles_and_a_lone_comma():
    assert measured("odometer", "25,620", "mi", whole=True) == (25620, "25620")
    assert measured("load", "12,5 lb", "kg") == (5.66990, "5.6699")
    tyres = columns_of(["Tire pressure (psi)"])[0]
    assert (cell_of(tyres, "33"), cell_of(tyres, "2.3 bar")) == ("33", "33.3587")
    with pytest.raises(InputError, match="230 kPa would be 33"):
        cell_of(tyres, "230")


def test_the_mode_of_a_file_stays(study):
    (study / "notes.csv").write_text(f"{HEAD}\n")
    (study / "notes.csv").chmod(0o640)
    assert noted(study, "windows=shut") == 0
    assert (study / "notes.csv").stat().st_mode & 0o777 == 0o640
