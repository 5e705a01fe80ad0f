"""`roadlog new` and `roadlog plan` as a newcomer meets them."""

import csv
import datetime as dt
import shlex
import shutil
from pathlib import Path

import pytest

from roadlog.cli import main
from roadlog.plan.register import read_register
from roadlog.plan.studyfile import with_schedule
from roadlog.recorder import runs as recorder_runs
from roadlog.runs.table import study_sources
from roadlog.study.folder import load_study
from roadlog.study.settings import Schedule, parse_study

START = ["--start", "2027-03-01"]


@pytest.fixture
def new_study(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Path:
    folder = tmp_path / "collar"
    argv = [
        "new",
        str(folder),
        "--device",
        "Bramble collar",
        "--claim-economy",
        "12",
        "--days",
        "12",
    ]
    assert main(argv) == 0
    capsys.readouterr()
    return folder


def test_new_study_explains_itself_and_is_valid(new_study):
    text = (new_study / "study.toml").read_text()
    study = load_study(new_study)
    assert study.claim.economy_pct == 12
    assert study.device.name == "Bramble collar"
    assert study.plan.days == 12
    assert "trailer" in study.analysis.exclude_if
    assert "warning lamp" not in study.analysis.exclude_if  # may be the add-on's doing
    assert text.count("#") > 12
    assert main(["new", str(new_study)]) == 2


def test_new_refuses_contradicting_answers(tmp_path, capsys):
    argv = ["new", str(tmp_path / "x"), "--carry-over", "washes out"]
    assert main(argv) == 2
    assert "needs the distance" in capsys.readouterr().err
    assert main(["new", str(tmp_path / "x"), "--mass", "heavy"]) == 2
    assert "'heavy' is no number" in capsys.readouterr().err
    assert not (tmp_path / "x").exists()


def at_terminal(monkeypatch, answers: list[str]) -> list[str]:
    """Answer the questions of `new` as if typed; the prompts in their order."""
    left, asked = iter(answers), []

    def answer(prompt: str) -> str:
        asked.append(prompt)
        try:
            return next(left)
        except StopIteration:
            raise EOFError from None

    monkeypatch.setattr("builtins.input", answer)
    monkeypatch.setattr("sys.stdin.isatty", lambda: True)
    monkeypatch.setattr("sys.stdout.isatty", lambda: True, raising=False)
    return asked


def test_new_checks_each_answer_when_it_is_given(tmp_path, monkeypatch, capsys):
    asked = at_terminal(
        monkeypatch,
        ["Test", "", "Collar", "intake", "washes out", "0", "40", "-150", "12", "E10", "1e-9",
         "1798", "1.8", "10", "1e400", "1310", "0", "900", "12", "2.5", "2", "17", "mixed", "yes"],
    )  # fmt: skip
    assert main(["new", str(tmp_path / "collar")]) == 0
    study = load_study(tmp_path / "collar")
    assert (study.device.washout_km, study.claim.economy_pct) == (40, 12)
    assert (study.vehicle.displacement_l, study.vehicle.mass_kg) == (1.8, 1310)
    assert (study.plan.days, study.plan.runs_per_day) == (12, 2)
    again = [sum(word in p for p in asked) for word in ("gone", "gain", "displacement", "Mass")]
    assert again == [2, 2, 3, 3]
    out = capsys.readouterr().out
    assert "mass_kg = 10 is no vehicle on a road" in out
    assert "1e400' is no number" in out
    assert "Input should" not in out


def test_new_keeps_what_was_entered_when_the_answers_end(tmp_path, monkeypatch, capsys):
    at_terminal(monkeypatch, ["It's a test", "", "Collar", "intake"])
    assert main(["new", str(tmp_path / "collar")]) == 2
    err = capsys.readouterr().err
    command = shlex.split(err.split("go on with  roadlog ")[1])
    assert command[2:] == [
        "--name=It's a test",
        "--units=metric",
        "--device=Collar",
        "--acts-on=intake",
    ]
    assert not (tmp_path / "collar").exists()
    monkeypatch.setattr("sys.stdin.isatty", lambda: False)
    assert main(command) == 0
    assert load_study(tmp_path / "collar").name == "It's a test"


@pytest.mark.parametrize(
    ("flag", "value", "says"),
    [("--mass", "10", "no vehicle"), ("--displacement", "1e-9", "no vehicle"),
     ("--days", "0", "at least 1"), ("--claim-fuel", "100", "at most 99"),
     ("--mass", "inf", "no number"), ("--km-per-run", "-3", "more than 0")],
)  # fmt: skip
def test_new_refuses_an_impossible_flag_before_it_asks(
    tmp_path, monkeypatch, capsys, flag, value, says
):
    asked = at_terminal(monkeypatch, [])
    assert main(["new", str(tmp_path / "x"), f"{flag}={value}"]) == 2
    assert says in capsys.readouterr().err
    assert not asked


def log_of(path: Path, day: str, speed: int) -> Path:
    rows = [f"{day}T07:{m:02d}:{s:02d},{speed + s % 7},9" for m in range(4) for s in range(60)]
    path.write_text("time,Vehicle speed (km/h),MAF (g/s)\n" + "\n".join(rows) + "\n")
    return path


def test_a_said_arm_is_taken_into_a_study_that_new_made(new_study, tmp_path, capsys):
    for arm, day, speed in (("baseline", "2027-03-01", 50), ("fitted", "2027-03-02", 60)):
        log = log_of(tmp_path / f"{arm}.csv", day, speed)
        assert main(["take", str(new_study), str(log), "--arm", arm]) == 0
    sources = study_sources(new_study, load_study(new_study))
    assert [(p.name, arm) for p, arm in sources.runs] == [
        ("baseline.csv", "baseline"), ("fitted.csv", "fitted"),
    ]  # fmt: skip
    assert main(["check", str(new_study)]) == 0
    assert "2 of 2 runs can be used" in capsys.readouterr().out


def test_scheduled_and_said_logs_lie_side_by_side(new_study, tmp_path):
    assert main(["plan", str(new_study), *START]) == 0
    study = load_study(new_study)
    unit = study.schedule.unit[0]
    log = log_of(tmp_path / "monday.csv", str(unit.unit), 50)
    assert main(["take", str(new_study), str(log), "--arm", unit.arm]) == 0
    assert (new_study / "logs" / "monday.csv").is_file()
    late = log_of(tmp_path / "late.csv", "2028-01-03", 60)
    assert main(["take", str(new_study), str(late), "--arm", "fitted"]) == 0
    arms = {p.name: arm for p, arm in study_sources(new_study, study).runs}
    assert arms == {"monday.csv": None, "late.csv": "fitted"}


def test_the_recorders_journals_are_found_in_a_study_that_new_made(new_study):
    study = load_study(new_study)
    for arm in (None, "baseline"):
        place = recorder_runs.place_for(new_study, study, arm)
        path = recorder_runs.new_path(place, 1.8e9)
        assert recorder_runs.is_named(new_study, study, path, arm)
        path.parent.mkdir(exist_ok=True)
        path.write_text("x")
    (new_study / "logs" / "taken.json").write_text("{}")
    runs = study_sources(new_study, study).runs
    assert sorted((p.suffix, arm or "") for p, arm in runs) == [(".log", ""), (".log", "baseline")]


def test_new_asks_at_a_terminal_and_asks_again(tmp_path, monkeypatch, capsys):
    answers = iter(["Collar test", "", "Collar", "engine", "intake", "none", "", "12", "E10", "1.8",
                    "", "", "2", "17", "mixed", "yes"])  # fmt: skip
    asked = []

    def answer(prompt: str) -> str:
        asked.append(prompt)
        return next(answers)

    monkeypatch.setattr("builtins.input", answer)
    monkeypatch.setattr("sys.stdin.isatty", lambda: True)
    monkeypatch.setattr("sys.stdout.isatty", lambda: True, raising=False)
    assert main(["new", str(tmp_path / "collar")]) == 0
    study = load_study(tmp_path / "collar")
    assert (study.name, study.device.acts_on) == ("Collar test", "intake")
    assert study.plan.switched_by_other
    assert sum("act?" in p for p in asked) == 2
    assert "try again" in capsys.readouterr().out


def test_names_with_quotes_and_backslashes_survive(tmp_path):
    name = 'The "better" collar \\ 2'
    assert main(["new", str(tmp_path / "q"), "--name", name, "--device", name]) == 0
    assert load_study(tmp_path / "q").name == name


def test_plan_writes_schedule_papers_and_registration(new_study, capsys):
    assert main(["plan", str(new_study), *START]) == 0
    printed = capsys.readouterr()
    assert "can settle the claim" in printed.out
    assert "does nothing (+0.0 %)" in printed.out
    assert "Looseness" in printed.out
    assert "no source" in " ".join(printed.out.split())
    assert printed.err == ""
    assert max(map(len, printed.out.split("Written:")[0].splitlines())) <= 88
    study = load_study(new_study)
    assert len(study.schedule.unit) == 12
    assert study.schedule.unit[0].unit == dt.date(2027, 3, 1)
    assert {f.name for f in (new_study / "plan").iterdir()} == {
        "schedule.csv", "sheet.html", "sheet.ics", "fingerprint.svg", "fingerprint.png",
    }  # fmt: skip
    rows = list(csv.DictReader((new_study / "plan" / "schedule.csv").open()))
    assert [r["arm"] for r in rows] == [u.arm for u in study.schedule.unit]
    notes = list(csv.DictReader((new_study / "notes.csv").open()))
    assert [n["date"] for n in notes] == [r["date"] for r in rows]
    assert len(read_register(new_study)) == 1


def test_plan_again_keeps_schedule_and_notes(new_study, capsys):
    main(["plan", str(new_study), *START])
    (new_study / "notes.csv").write_text("date,remarks\n2027-03-01,mine\n")
    before = (new_study / "study.toml").read_bytes()
    assert main(["plan", str(new_study)]) == 0
    assert (new_study / "study.toml").read_bytes() == before
    assert "mine" in (new_study / "notes.csv").read_text()
    assert len(read_register(new_study)) == 1
    capsys.readouterr()
    assert main(["plan", str(new_study), "--redraw", "--seed", "5", *START]) == 0
    assert load_study(new_study).schedule.seed == 5
    assert len(read_register(new_study)) == 2


def test_dry_run_writes_nothing(new_study):
    before = sorted(new_study.rglob("*"))
    assert main(["plan", str(new_study), "--dry-run", *START]) == 0
    assert sorted(new_study.rglob("*")) == before


def test_a_claim_too_small_for_the_days_is_said_with_what_would_settle_it(tmp_path, capsys):
    folder = tmp_path / "small"
    main(["new", str(folder), "--claim-economy", "2", "--days", "12"])
    assert main(["plan", str(folder), "--dry-run", *START]) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert "can NOT settle the claim" in out
    assert "switch units (about" in out
    assert "or a claim of" in out


def test_permanent_add_on_gets_no_day_schedule_but_a_control_car(tmp_path, capsys):
    folder = tmp_path / "additive"
    main(["new", str(folder), "--carry-over", "permanent", "--claim-fuel", "5"])
    assert main(["plan", str(folder), *START]) == 1
    out = " ".join(capsys.readouterr().out.split())
    assert "can't be dealt out by chance" in out
    assert "Control car needed" in out
    assert "the claim " in out
    assert "roadlog fleet" in out
    assert load_study(folder).schedule is None

    path = folder / "study.toml"
    path.write_text(path.read_text() + '\n[control]\nname = "the other car"\n')
    assert main(["plan", str(folder), *START]) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert "control car: without" in out
    assert "road law comes first" in out
    schedule = load_study(folder).schedule
    assert schedule is not None
    arms = [u.arm for u in schedule.unit]
    assert not schedule.randomised
    assert arms == sorted(arms)
    assert arms.count("fitted") == len(arms) // 2
    assert "no phone between the cars" in (folder / "plan" / "sheet.html").read_text()
    assert main(["plan", str(folder)]) == 0, "again: the schedule that it has"


def test_a_washout_longer_than_half_a_day_asks_for_longer_units(tmp_path, capsys):
    folder = tmp_path / "slow"
    main(["new", str(folder), "--carry-over", "washes out", "--washout-km", "40"])
    assert main(["plan", str(folder), *START]) == 1
    assert "set days_per_unit = 3" in capsys.readouterr().err
    assert main(["plan", str(folder), "--days-per-unit", "3", "--days", "24", *START]) == 0


def test_contradictions_stop_the_plan_and_are_named(new_study, capsys):
    main(["plan", str(new_study), *START])
    path = new_study / "study.toml"
    path.write_text(path.read_text().replace("closed = []", "closed = [2027-03-03]"))
    capsys.readouterr()
    assert main(["plan", str(new_study)]) == 1
    assert "2027-03-03 is scheduled" in capsys.readouterr().err


def test_a_blind_driver_sees_no_arm_anywhere_in_his_papers_or_on_screen(tmp_path, capsys):
    folder = tmp_path / "blind"
    main(["new", str(folder), "--device", "Collar", "--switched-by-other", "yes"])
    capsys.readouterr()
    stick = tmp_path / "stick"
    stick.mkdir()
    assert main(["plan", str(folder), *START, "--sealed", str(stick)]) == 0
    plan = folder / "plan"
    shown = [capsys.readouterr().out, (folder / "notes.csv").read_text()]
    shown += [(plan / name).read_text() for name in ("driver.html", "driver.ics")]
    for text in shown:
        assert "Collar in" not in text
        assert "Collar out" not in text
        assert "fitted" not in text.replace("isn't fitted", "")
    assert "Collar in" in (stick / "sealed.html").read_text()
    assert "Collar in" in (stick / "sealed.ics").read_text()
    assert not list(folder.rglob("switcher*"))


def test_bad_options_are_one_sentence(new_study, capsys):
    for argv in (["--days", "0"], ["--pilot", "nowhere"]):
        assert main(["plan", str(new_study), *argv]) == 2
        err = capsys.readouterr().err
        assert err.count("\n") == 1
        assert argv[0] in err
    with pytest.raises(SystemExit):
        main(["plan", str(new_study), "--start", "tomorrow"])


def test_only_the_schedule_table_of_the_users_file_changes():
    text = (
        "# mine\nname = 'x'   # keep\n\n[schedule] # old\nswitched_by = 'run'\n\n"
        "# the car\n[vehicle]\nfuel = 'E0' # pump 3\n\n[claim]\nfuel_pct = 7.50\n"
    )
    schedule = Schedule.model_validate(
        {"randomised": True, "seed": 3, "unit": [
            {"unit": dt.date(2027, 3, 1), "arm": "fitted", "block": 1},
            {"unit": dt.date(2027, 3, 2), "arm": "baseline", "block": 1,
             "also": [dt.date(2027, 3, 3)]}]}
    )  # fmt: skip
    new = with_schedule(text, schedule)
    assert parse_study(new).schedule == schedule
    for kept in ("# mine\nname = 'x'   # keep\n", "[vehicle]\nfuel = 'E0' # pump 3\n",
                 "[claim]\nfuel_pct = 7.50\n"):  # fmt: skip
        assert kept in new
    assert "switched_by = 'run'" not in new
    appended = with_schedule("name = 'x'\n", schedule)
    assert appended.startswith("name = 'x'\n")
    assert parse_study(appended).schedule == schedule
    tables = (
        "name = 'x'\n[[schedule.unit]]\nunit = 2027-01-01\narm = 'fitted'\n[claim]\nfuel_pct=3\n"
    )
    assert parse_study(with_schedule(tables, schedule)).schedule == schedule


def test_pilot_finds_the_scatter_that_the_demo_has(tmp_path, capsys):
    """Twelve baseline days of the demo: day 1.0 %, run 0.8 % and fuel batch 0.3 % by design."""
    from roadlog.analysis.pilot import pilot_scatter
    from roadlog.demo import make_study

    source = tmp_path / "demo"
    make_study(source, days=12, randomised=False, effect_pct=0.0, positions=False, seed=11)
    folder = tmp_path / "collar"
    main(["new", str(folder), "--claim-economy", "12", "--displacement", "1.8"])
    (folder / "logs" / "pilot").mkdir()
    for log in (source / "logs").glob("*.csv"):
        shutil.copy(log, folder / "logs" / "pilot")
    logs = sorted((folder / "logs" / "pilot").glob("*.csv"))
    scatter = pilot_scatter(load_study(folder), logs)
    assert 0.006 < scatter.unit_sd < 0.03
    assert 0 < scatter.driving_sd < 0.06
    assert scatter.df == 10
    capsys.readouterr()
    assert main(["plan", str(folder), "--dry-run", *START]) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert "pilot of 24 drives on 12 days" in out
    assert "10 degrees of freedom tell it only roughly" in out


def test_a_pilot_of_two_days_is_too_short(tmp_path, demo_study, capsys):
    folder = tmp_path / "collar"
    main(["new", str(folder), "--displacement", "1.8"])
    logs = sorted(str(p) for p in (demo_study / "logs").glob("*.csv"))[:4]
    assert main(["plan", str(folder), "--pilot", *logs]) == 1
    assert "the pilot has 2 days" in capsys.readouterr().err
