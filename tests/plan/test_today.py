"""What `roadlog next` says in each state of a study's life."""

import datetime as dt
import shlex
from dataclasses import replace

import pytest

from roadlog.cli import main
from roadlog.plan.result import Look
from roadlog.plan.today import Standing, advice_lines, advise, command, nothing_there
from roadlog.runs.seen import LogSeen
from roadlog.study.settings import Study, parse_study

DAYS = [dt.date(2027, 3, d) for d in (1, 2, 3, 4)]
ARMS = ("fitted", "fitted", "baseline", "baseline")
MARCH = dt.datetime(2027, 2, 20, 9, tzinfo=dt.UTC)


def study(**more: object) -> Study:
    units = [{"unit": d, "arm": a, "block": 1} for d, a in zip(DAYS, ARMS, strict=True)]
    told = {
        "name": "collar", "labels": {"baseline": "ring out", "fitted": "ring in"},
        "device": {"acts_on": "other"}, "schedule": {"randomised": True, "unit": units},
    }  # fmt: skip
    return parse_study(told | more)


def standing(today: dt.date, driven: int = 0, **more: object) -> Standing:
    logs = [LogSeen(f"logs/{d}_{i}.csv", d, True, "usable") for d in DAYS[:driven] for i in (1, 2)]
    days = frozenset(DAYS[:driven])
    plain = Standing(study(), "my test", today, registered=MARCH, logs=logs, noted=days,
                     accessory=days)  # fmt: skip
    return replace(plain, **more)


def said(s: Standing) -> str:
    lines = advice_lines(advise(s))
    assert len(lines) <= 12
    assert all(len(line) <= 88 for line in lines if not line.startswith("  roadlog"))
    return " ".join(" ".join(lines).split())


def next_command(s: Standing) -> list[str]:
    return shlex.split(advise(s).command)


@pytest.mark.parametrize(
    ("exists", "logs", "says"), [(False, False, "no folder"), (True, False, "no study.toml yet"),
                                 (True, True, "has logs and no study.toml")],
)  # fmt: skip
def test_a_folder_without_a_study_leads_to_new(exists, logs, says):
    advice = nothing_there("my test", exists=exists, logs=logs)
    assert says in advice.rows[0][1]
    assert shlex.split(advice.command) == ["roadlog", "new", "my test"]


def test_a_study_without_days_leads_to_its_plan():
    s = standing(DAYS[0], study=study(schedule=None))
    assert next_command(s) == ["roadlog", "plan", "my test", "--dry-run"]
    permanent = study(schedule=None, device={"carry_over": "permanent"})
    assert "can't be switched" in said(replace(s, study=permanent))


def test_a_plan_that_nobody_registered_comes_first():
    assert next_command(standing(DAYS[0], registered=None))[-1] == "--register"
    assert "It is late" in said(standing(DAYS[1], 1, registered=None))


def test_before_the_first_day_there_is_a_sheet_to_hang():
    text = said(standing(DAYS[0] - dt.timedelta(days=3)))
    assert "first day is Mon 1 Mar, in 3 days" in text
    assert "hang it beside the car" in text


def test_a_day_tells_which_arm_and_what_to_do_with_the_add_on():
    assert "day 1 of 4: ring in. Fit it before the first drive, engine off and cool" in said(
        standing(DAYS[0])
    )
    assert "ring in. It stays; open and shut the place all the same" in said(standing(DAYS[1], 1))
    assert "ring out. Take it out" in said(standing(DAYS[2], 2))
    assert next_command(standing(DAYS[2], 2)) == ["roadlog", "note", "my test"]


@pytest.mark.parametrize(
    "hidden", [{"plan": {"switched_by_other": True}}, {"analysis": {"driver_knew_arm": False}}]
)
def test_a_driver_who_is_not_to_know_reads_no_arm(hidden):
    blind = study(**hidden)
    for today in (DAYS[0] - dt.timedelta(days=1), *DAYS, DAYS[-1] + dt.timedelta(days=1)):
        for driven in range(5):
            s = standing(today, driven, study=blind)
            text = said(s)
            told = (" ring", "fitted", "baseline", "Fit it", "Take it", "It stays;")
            assert not [word for word in told if word in text]
    assert "the switcher knows the arm" in said(standing(DAYS[0], study=blind))


def test_a_missed_day_loses_its_unit_and_nothing_is_drawn_again():
    text = said(standing(DAYS[2], 1))
    assert "No log of Tue 2 Mar" in text
    assert "its switch unit is lost; the others keep their days, nothing is drawn again" in text


def test_a_missed_day_of_a_longer_unit_does_not_lose_it():
    units = [
        {"unit": DAYS[0], "arm": "fitted", "also": [DAYS[1]]},
        {"unit": DAYS[2], "arm": "baseline", "also": [DAYS[3]]},
    ]
    text = said(standing(DAYS[1], study=study(schedule={"unit": units})))
    assert "lives on by its other days" in text
    assert "stays as it was the day before" in text


def test_a_clock_before_its_own_past_is_not_believed():
    s = standing(dt.date(2020, 1, 1), 2)
    assert "and a log is of Tue 2 Mar" in said(s)
    assert next_command(s)[-2:] == ["--date", "2027-03-02"]
    assert "registered on Sat 20 Feb" in said(standing(dt.date(2027, 2, 1)))
    assert "day 1 of 4" in said(standing(DAYS[0], 3, told_date=True)).replace("its logs", "")


def test_a_drive_that_ran_past_midnight_is_no_wrong_clock():
    assert "This computer says" not in said(standing(DAYS[1], 3))


def test_logs_without_notes_are_asked_for_by_their_day():
    s = standing(DAYS[2], 2, noted=frozenset(DAYS[:1]))
    assert "No notes of Tue 2 Mar" in said(s)
    assert next_command(s) == ["roadlog", "note", "my test", "--date", "2027-03-02"]


def test_a_log_that_cannot_be_used_is_named_until_the_tester_was_told():
    bad = LogSeen("logs/x.csv", DAYS[1], False, "not usable because it has no speed")
    s = standing(DAYS[2], 2)
    s = replace(s, logs=[*s.logs[:-1], bad])
    assert "logs/x.csv can't be used: it has no speed" in said(s)
    assert next_command(s)[1] == "check"
    s = replace(s, logs=[*s.logs[:-1], replace(bad, told=True)])
    assert next_command(s)[1] == "note"


def test_notes_with_a_fault_come_before_more_notes():
    s = standing(DAYS[2], 2, faults=["notes.csv: line 3: the date '32/13' can't be read"])
    assert "Mend notes.csv: line 3" in said(s)
    assert next_command(s) == ["roadlog", "next", "my test"]


def test_a_damaged_register_is_no_missing_one():
    s = standing(DAYS[2], 2, registered=None, faults=["computed/registered.json: can't be read"])
    assert "isn't registered" not in said(s)
    assert next_command(s)[1] == "next"


def test_days_that_a_hand_put_out_of_order_are_taken_in_order_of_time():
    units = [{"unit": DAYS[i], "arm": ARMS[i]} for i in (3, 0, 2, 1)]
    mixed = study(schedule={"unit": units})
    assert "day 1 of 4: ring in" in said(standing(DAYS[0], study=mixed))
    assert "first day is Mon 1 Mar" in said(standing(DAYS[0] - dt.timedelta(days=3), study=mixed))
    assert "day 4 of 4: ring out" in said(standing(DAYS[3], 3, study=mixed))


def test_the_end_of_a_block_is_a_time_to_refuel_where_a_tank_may_hold_both_arms():
    assert "Refuel after the last drive" in said(standing(DAYS[3], 3))
    assert "Refuel" not in said(standing(DAYS[2], 2))


def test_an_open_accessory_is_named():
    assert "Air conditioning on Mon 1 Mar: on or off?" in said(
        standing(DAYS[1], 1, accessory=frozenset())
    )


def test_fills_are_expected_where_fuel_has_to_tell_the_arms_apart():
    intake = study(device={"acts_on": "intake"})
    assert "Fill the tank to full before the first drive" in said(standing(DAYS[0], study=intake))
    s = standing(DAYS[2], 2, study=intake, fills=frozenset(DAYS[:1]))
    assert "No fill at 1 of 2 switching times" in said(s)
    assert "fill" not in said(standing(DAYS[2], 2)).lower()


def test_washout_drives_are_told_on_the_first_day_of_a_unit():
    lasting = {"acts_on": "other", "carry_over": "washes out", "washout_km": 10}
    assert "The first 10 km are set aside: drive them" in said(
        standing(DAYS[0], study=study(device=lasting))
    )
    lasting["washout_km"] = 300
    assert "perhaps all drives of the day" in said(standing(DAYS[0], study=study(device=lasting)))


def test_days_that_no_schedule_has_ask_whose_car_it_was():
    other = LogSeen("logs/other.csv", dt.date(2027, 2, 25), True, "usable")
    s = standing(DAYS[2], 2)
    assert "which the schedule hasn't got: right car?" in said(replace(s, logs=[*s.logs, other]))


def test_the_last_day_leads_to_analysis_and_on():
    s = standing(DAYS[3], 4)
    assert next_command(s) == ["roadlog", "analyze", "my test"]
    assert next_command(replace(s, sealed=True))[1] != "analyze"
    files = frozenset(log.file for log in s.logs)
    assert next_command(replace(s, analysed=files))[1] == "publish"
    assert "2 logs came after" in said(replace(s, analysed=frozenset(list(files)[2:])))
    assert "notes.csv changed after" in said(replace(s, analysed=files, stale="notes.csv"))
    assert advise(replace(s, analysed=files, published=True)).command == ""


def test_the_stop_date_passes_even_if_days_are_missing():
    assert next_command(standing(DAYS[3] + dt.timedelta(days=2), 3))[1] == "analyze"
    s = standing(DAYS[3] + dt.timedelta(days=2))
    assert next_command(s)[1:] == ["plan", "my test", "--redraw", "--dry-run"]


def test_early_looks_are_counted():
    look = Look("2027-03-02T20:00:00+01:00", 2, 4, True, 0.95, "undecided", "a", "b")
    assert "1 look before the last day: they decide nothing" in said(
        standing(DAYS[2], 2, looks=[look])
    )


def test_units_that_are_logs_are_counted_by_name():
    units = [{"unit": f"run{i}.csv", "arm": a} for i, a in enumerate(ARMS)]
    s = standing(DAYS[0], study=study(schedule={"switched_by": "run", "unit": units}))
    s = replace(s, logs=[LogSeen("logs/run0.csv", None, True, "usable")])
    assert "1 of 4 units are in" in said(s)
    assert "'run1.csv': ring in" in said(s)


def test_a_long_life_with_everything_wrong_stays_short():
    name = "Ω" * 300 + "\x1b[31m\n"
    many = [LogSeen(f"logs/{'x' * 200}{i}.csv", d, False, "not usable because " + "why " * 100)
            for i, d in enumerate(DAYS)]  # fmt: skip
    s = standing(
        DAYS[3], study=study(name=name, device={"acts_on": "intake"}), logs=many,
        accessory=frozenset(), noted=frozenset(DAYS[:2]), faults=["f" * 400, "g"],
    )  # fmt: skip
    assert "\x1b" not in said(s)


def test_a_folder_that_looks_like_an_option_is_none_in_the_command():
    assert command("note", "-x") == "roadlog note ./-x"
    assert shlex.split(command("note", "it's; rm")) == ["roadlog", "note", "it's; rm"]


def test_a_zone_that_is_none_is_said(demo_study, tmp_path, capsys):
    (tmp_path / "study.toml").write_text('[time]\nzone = "Mars/Base"\n')
    for argv in (["next"], ["note", "--set", "windows=shut"]):
        assert main([argv[0], str(tmp_path), *argv[1:]]) == 2
        assert "zone 'Mars/Base' is not known" in capsys.readouterr().err


def test_next_on_the_sample_study(demo_study, tmp_path, capsys):
    assert main(["next", str(tmp_path / "none")]) == 0
    assert "roadlog new" in capsys.readouterr().out
    (tmp_path / "file").write_text("x")
    assert main(["next", str(tmp_path / "file")]) == 2
    assert main(["next", str(demo_study), "--date", "2026-03-02"]) == 0
    out = capsys.readouterr().out
    assert "12 of 12 switch units driven, 24 logs" in out
    assert "roadlog plan" in out
