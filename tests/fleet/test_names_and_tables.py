"""What a fleet manager's tables and names get wrong: told by name or line, or read as meant."""

from pathlib import Path

import pytest

from roadlog.cli import _parser
from roadlog.commands.sources import device_given
from roadlog.errors import InputError
from roadlog.fleet import vehicles
from roadlog.fleet.pipeline import Fleet, find_fleet
from roadlog.fleet.vehicles import arms_of, read_schedule
from roadlog.study.settings import parse_study

DAYS = "vehicle,day,arm\nvan 1,2026-03-02,fitted\nvan 2,2026-03-02,baseline\n"


def fleet_of(
    root: Path, *logged: str, vehicles: str = "", schedule: str = "", **rule: object
) -> Fleet:
    """A fleet of empty logs with these tables."""
    for name in logged:
        (root / "cars" / name).mkdir(parents=True)
        (root / "cars" / name / "a.csv").write_text("time,speed\n")
    if vehicles:
        (root / "vehicles.csv").write_text(vehicles)
    if schedule:
        (root / "schedule.csv").write_text(schedule)
        rule["schedule"] = "schedule.csv"
    return find_fleet(parse_study({"fleet": {"logs": ["cars/*/*.csv"], **rule}}), root)


def told(fleet: Fleet) -> dict[str, str]:
    return {name: str(why) for name, why in fleet.left_out}


def test_names_are_looked_at_a_few_times_each_however_many_there_are(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each held against each took 17 s of 3,000 vehicles."""
    looks: list[str] = []
    plain = vehicles.alike

    def counted(name: str) -> str:
        looks.append(name)
        return plain(name)

    monkeypatch.setattr(vehicles, "alike", counted)
    names = [f"van {i}" for i in range(60)]
    days = "".join(f"{name},2026-03-02,fitted\n" for name in names)
    fleet = fleet_of(tmp_path, *names, schedule=f"vehicle,day,arm\n{days}")
    assert len(fleet.sources) == 60
    assert 0 < len(looks) <= 10 * 60


def test_a_spreadsheet_that_took_the_zeros_is_told_with_its_own_spelling(tmp_path: Path) -> None:
    fleet = fleet_of(tmp_path, "07", "12", vehicles="vehicle,fuel\n7,E10\n12,E10\n")
    assert [*fleet.sources] == ["12"]
    assert told(fleet) == {
        "07": "it isn't in vehicles.csv: add its line; vehicles.csv has '7': spell the two alike",
        "7": "no log of it was found; the logs have '07': spell the two alike",
    }


@pytest.mark.parametrize(("one", "two"), [("07", "7"), ("van-1", "Van_1"), ("van 1", "van １")])
def test_two_spellings_of_what_may_be_one_vehicle_are_nobodys(
    one: str, two: str, tmp_path: Path
) -> None:
    fleet = fleet_of(tmp_path, one, two, "van 9")
    assert [*fleet.sources] == ["van 9"]
    assert all("spell them alike, or list both" in why for why in told(fleet).values())


def test_a_schedule_of_vehicles_that_nobody_logged_is_told(tmp_path: Path) -> None:
    fleet = fleet_of(tmp_path, "Van 1", "van 2", schedule=DAYS + "van 3,2026-03-02,fitted\n")
    assert [*fleet.sources] == ["van 2"]
    assert told(fleet) == {
        "Van 1": "no line of schedule.csv is for it: add them; schedule.csv has 'van 1': "
        "spell the two alike",
        "van 1": "schedule.csv has lines for it, but no log of it was found; the logs have "
        "'Van 1': spell the two alike",
        "van 3": "schedule.csv has lines for it, but no log of it was found",
    }


@pytest.mark.parametrize(
    ("how", "why"),
    [
        ({"vehicles": "vehicle,time zone\nvan 1,Europe/Nowhere\n"}, "line 2: 'Europe/Nowhere' is"),
        ({"vehicles": "vehicle,vin\nvan 1,X1\nvan 2,x1\n"}, "line 3: the vehicle identification"),
        ({"vehicles": "vehicle,fuel\n"}, "no vehicle in it"),
        ({"vehicles": "vehicle,arm,fitted from\nvan 1,baseline,2026-03-02\n"}, "in the baseline"),
        ({"schedule": "vehicle,day,arm\n"}, "no day in it"),
    ],
)
def test_a_wrong_table_is_one_sentence(how: dict[str, str], why: str, tmp_path: Path) -> None:
    with pytest.raises(InputError, match=why):
        fleet_of(tmp_path, "van 1", "van 2", **how)


@pytest.mark.parametrize("key", ["vehicles_", "schedule_"])
def test_a_table_that_was_named_and_is_not_there_is_not_passed_over(
    key: str, tmp_path: Path
) -> None:
    (tmp_path / "cars").mkdir()
    (tmp_path / "cars" / "a.csv").write_text("time,speed\n")
    rule = {"logs": ["cars/*.csv"], key.strip("_"): "vehicels.csv"}
    with pytest.raises(InputError, match=r"vehicels\.csv: no such file: correct"):
        find_fleet(parse_study({"fleet": rule}), tmp_path)


def test_a_vehicle_that_never_gets_it_is_a_yardstick_of_the_roll_out(tmp_path: Path) -> None:
    table = "vehicle,fitted from\nvan 1,2026-03-10\nvan 2,never\nvan 3,\n"
    fleet = fleet_of(tmp_path, "van 1", "van 2", "van 3", vehicles=table)
    assert fleet.rule.switched == "rollout"
    last = {n: fleet.arms[n].of("2027-01-01") for n in fleet.sources}
    assert [getattr(last[n], "arm", "") for n in ("van 1", "van 2")] == ["fitted", "baseline"]
    assert "write 'never' where it never was" in str(last["van 3"])


def test_vehicles_in_one_arm_for_good_had_days_before_it(tmp_path: Path) -> None:
    table = "vehicle,arm,fitted from\nvan 1,fitted,\nvan 2,baseline,\nvan 3,fitted,2026-03-12\n"
    rule = {"switched": "vehicle", "baseline_until": "2026-03-10"}
    fleet = fleet_of(tmp_path, "van 1", "van 2", "van 3", vehicles=table, **rule)
    days = ("2026-03-09", "2026-03-10", "2026-03-11", "2026-03-13")
    arms = {n: [getattr(fleet.arms[n].of(d), "arm", "") for d in days] for n in fleet.sources}
    assert arms["van 1"] == ["baseline", "", "fitted", "fitted"]
    assert arms["van 2"] == ["baseline"] * 4
    assert arms["van 3"] == ["baseline"] * 3 + ["fitted"]


def test_a_schedule_read_with_day_and_month_changed_over_is_found_by_the_drives(
    tmp_path: Path,
) -> None:
    """[time] says day first, as the logs have it; the schedule was typed month first."""
    days = [f"2026-{m:02d}-{d:02d}" for m in (3, 4) for d in range(2, 8)]
    typed = [f"van 1,{int(d[5:7])}/{int(d[8:])}/2026,fitted" for d in days]
    path = tmp_path / "schedule.csv"
    study = parse_study({"time": {"day_first": True}, "fleet": {"logs": ["*.csv"]}})
    for lines, turned in ((typed, True), ([f"van 1,{d},fitted" for d in days], False)):
        path.write_text("\n".join(["vehicle,day,arm", *lines, ""]))
        arms = arms_of("van 1", None, read_schedule(path, study), study, "vehicles.csv")
        assert arms.turned(days) is turned
        assert not arms.turned([])


def test_of_a_number_and_a_plate_the_one_that_logs_are_called_by_names_the_vehicle(
    tmp_path: Path,
) -> None:
    table = "plate,number,fuel\nAB 1,van 1,diesel\nAB 2,van 2,diesel\n"
    fills = "plate;date;litres\nAB 2;2026-03-02;40\n"
    (tmp_path / "fills.csv").write_text(fills)
    fleet = fleet_of(tmp_path, "van 1", "van 2", vehicles=table.replace("number", "car"))
    assert fleet.listed["van 2"].label("plate") == "AB 2"
    assert fleet.receipts is not None
    assert list(fleet.receipts.of) == ["van 2"]


def test_what_a_fleets_answer_asks_for_can_be_given_to_its_command() -> None:
    a = _parser().parse_args(["fleet", "cars/*/*.csv", "--acts-on", "fuel", "--claim-fuel", "8"])
    assert device_given(a) == {"device": {"acts_on": "fuel"}, "claim": {"fuel_pct": 8.0}}
