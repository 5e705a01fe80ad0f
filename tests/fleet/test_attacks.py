"""What would make a fleet lie, lose or stop: told, and costing no more than itself."""

import shutil
from collections.abc import Callable, Iterable, Iterator, Sequence
from pathlib import Path

import pandas as pd
import pytest

from roadlog.errors import DesignError, InputError
from roadlog.fleet import one_vehicle, store
from roadlog.fleet.inputs import sources_by_data, sources_by_pattern
from roadlog.fleet.pipeline import Tables, find_fleet, fleet_tables
from roadlog.fleet.reading import Card
from roadlog.fleet.store import keyed, vehicle_folder
from roadlog.fleet.vehicles import Arms, Assigned, bad_name, read_schedule, read_vehicles, tidy
from roadlog.fleet.workers import Done, Task, serial
from roadlog.quantities.facts import Fact
from roadlog.study.fleet import FleetRule
from roadlog.study.folder import load_study
from roadlog.study.lock import LOCK
from roadlog.study.settings import parse_study
from tests.fleet.of_logs import frames, tables_of, write_fleet

Maker = Callable[..., Path]
VINS = ("1M8GDM9AXKP042788", "WVWZZZ1JZ3W386752")  # worked examples of check digits, no real car's


def codes(table: pd.DataFrame) -> dict[tuple[str, str], str]:
    each = zip(table["vehicle"], table["what"], table["code"], strict=True)
    return {(v, Path(w).name): c for v, w, c in each}


def test_what_is_no_log_costs_itself(fleet_maker: Maker, tmp_path: Path) -> None:
    root = fleet_maker(vehicles=2, days=6)
    logs = root / "cars" / "car 0" / "logs"
    (logs / "empty.csv").write_bytes(b"")
    (logs / "picture.csv").write_bytes(bytes(range(256)) * 20)
    shutil.copy(logs / "2026-03-02.csv", logs / "copy.csv")
    other = root / "cars" / "car 1" / "logs"
    shutil.copy(logs / "2026-03-03.csv", other / "lent.csv")
    for car, vin in zip((logs, other), VINS, strict=True):
        for path in sorted(car.glob("2026-03-0[45].csv")):
            path.write_text(f"# VIN {vin}\n" + path.read_text())
    swapped = other / "2026-03-05.csv"
    swapped.write_text(swapped.read_text().replace(VINS[1], VINS[0]))
    miles = other / "2026-03-06.csv"
    in_miles = pd.read_csv(miles)
    in_miles["vehicle speed [km/h]"] = (in_miles["vehicle speed [km/h]"] / 1.609344).round(3)
    in_miles.rename(columns={"vehicle speed [km/h]": "vehicle speed [mph]"}).to_csv(
        miles, index=False
    )
    found = tables_of(root, tmp_path / "out")
    told = codes(found.left_out)
    assert told["car 0", "empty.csv"] == told["car 0", "picture.csv"] == "UNREADABLE"
    assert told["car 0", "copy.csv"] == "SAME_LOG"
    assert told["car 0", "2026-03-03.csv"] == told["car 1", "lent.csv"] == "TWO_VEHICLES"
    assert told["car 1", "2026-03-05.csv"] == "OTHER_VIN"
    assert VINS[0] not in "".join(p.read_text() for p in (tmp_path / "out").rglob("*.json"))
    runs = pd.concat(found.runs())
    mine = runs[(runs["vehicle"] == "car 1") & (runs["day"] == "2026-03-06")]
    theirs = runs[(runs["vehicle"] == "car 0") & (runs["day"] == "2026-03-06")]
    assert mine["km"].iloc[0] == pytest.approx(theirs["km"].iloc[0], rel=0.01)


def test_work_that_was_stopped_goes_on_to_the_same_end(fleet_maker: Maker, tmp_path: Path) -> None:
    root = fleet_maker(vehicles=2, days=4)

    def stopping(tasks: Iterable[Task]) -> Iterator[Done]:
        for n, done in enumerate(serial(tasks)):
            if n == 5:
                raise KeyboardInterrupt
            yield done

    with pytest.raises(KeyboardInterrupt):
        tables_of(root, tmp_path / "stopped", stopping)
    torn = next((tmp_path / "stopped").rglob("samples/*/*.parquet"))
    torn.write_bytes(torn.read_bytes()[:300])
    resumed, whole = tables_of(root, tmp_path / "stopped"), tables_of(root, tmp_path / "whole")
    assert 0 < resumed.anew["logs"] < whole.anew["logs"] == 8
    for one, two in zip(frames(resumed), frames(whole), strict=True):
        pd.testing.assert_frame_equal(one, two, check_exact=True)
    again = tables_of(root, tmp_path / "stopped")
    assert again.anew == {"logs": 0, "vehicles": 0}
    study = root / "study.toml"
    study.write_text(study.read_text().replace("mass_kg = 1310", "mass_kg = 1400"))
    heavier = tables_of(root, tmp_path / "stopped")
    assert heavier.anew == {"logs": 0, "vehicles": 2}
    files = [f for r in heavier.records for f in r.passes]
    assert sorted(p.name for p in (tmp_path / "stopped" / "passes").rglob("*.parquet")) == sorted(
        Path(f).name for f in files
    )


def test_a_vehicle_in_one_arm_is_told_and_counts_where_vehicles_are_switched(
    fleet_maker: Maker, tmp_path: Path
) -> None:
    root = fleet_maker(vehicles=2, days=4)
    lines = (root / "schedule.csv").read_text().splitlines()
    out = [x.replace("fitted", "baseline") if x.startswith("car 1") else x for x in lines]
    (root / "schedule.csv").write_text("\n".join(out))
    found = tables_of(root, tmp_path / "out")
    assert [r.vehicle for r in found.compared] == ["car 0"]
    assert found.left_out["code"].tolist() == ["NO_ANSWER"]
    assert found.left_out["why"].tolist() == [
        "can't answer: driven in the baseline arm only, so it can't be compared with itself"
    ]
    study = root / "study.toml"
    study.write_text(study.read_text() + 'switched = "rollout"\n')
    late = [x.replace("fitted", "baseline") for x in out[:-1]] + ["car 1,2026-03-05,fitted"]
    (root / "schedule.csv").write_text("\n".join(late))
    whole = tables_of(root, tmp_path / "out")
    assert [r.vehicle for r in whole.compared] == ["car 0", "car 1"]  # one with a single fitted day


def test_a_vehicle_that_is_too_long_for_memory_goes_through_in_pieces(
    fleet_maker: Maker, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    root = fleet_maker(vehicles=1, days=8)
    whole = tables_of(root, tmp_path / "whole")
    held: list[int] = []
    read = one_vehicle._samples

    def counted(job: one_vehicle.Job, cards: Sequence[Card]) -> list[pd.DataFrame]:
        held.append(sum(c.rows for c in cards))
        return read(job, cards)

    monkeypatch.setattr(one_vehicle, "MOST_SAMPLES", 1800)
    monkeypatch.setattr(one_vehicle, "_samples", counted)
    pieces = tables_of(root, tmp_path / "pieces")
    assert len(held) > 2
    assert max(held) <= 1800
    (all_passes,), (passes,) = whole.passes(), pieces.passes()
    assert passes["run"].nunique() == all_passes["run"].nunique() == 8
    assert passes["used"].sum() == pytest.approx(all_passes["used"].sum(), abs=2)
    (all_runs,), (runs,) = whole.runs(), pieces.runs()
    assert (runs["fuel_l"] / all_runs["fuel_l"]).tolist() == pytest.approx([1] * 8, rel=0.01)


def test_names_that_differ_in_case_alone_are_nobodys(tmp_path: Path) -> None:
    for name in ("Van 1", "van 1"):
        (tmp_path / "cars" / name).mkdir(parents=True)
        (tmp_path / "cars" / name / "a.csv").write_text("time,speed\n")
    study = parse_study({"fleet": {"logs": ["cars/*/*.csv"]}})
    with pytest.raises(DesignError, match="differ in upper and lower case"):
        find_fleet(study, tmp_path)
    (tmp_path / "vehicles.csv").write_text("vehicle\nVan 1\nvan 1\n")
    assert sorted(find_fleet(study, tmp_path).sources) == ["Van 1", "van 1"]


def test_a_schedule_says_which_of_its_lines_is_wrong(tmp_path: Path) -> None:
    study = parse_study({"fleet": {"logs": ["cars/*/*.csv"]}})
    path = tmp_path / "schedule.csv"
    good = "vehicle,day,arm,block\nvan 1,2026-03-02,fitted,1\nVAN  2,2026-03-02,baseline,\n"
    path.write_text(good)
    found = read_schedule(path, study).days
    assert found["van 1"]["2026-03-02"] == Assigned("fitted", "2026-03-02", "1")
    assert found["VAN 2"]["2026-03-02"] == Assigned("baseline", "2026-03-02", "")
    for line, why in {
        ",2026-03-03,fitted,": "line 4: vehicle is blank",
        "van 1,,fitted,": "line 4: day or arm is blank",
        "van 1,2026-03-03,,": "line 4: day or arm is blank",
        "van 1,2026-03-02,baseline,1": "line 4: van 1 has 2026-03-02 twice",
        "van 1,2026-03-03,perhaps,": "line 4: 'perhaps' is no arm",
    }.items():
        path.write_text(good + line + "\n")
        with pytest.raises(InputError, match=why):
            read_schedule(path, study)


@pytest.mark.parametrize("name", ["../../etc", "a/b", "..", "C:\\x", "a=b", "%2e", "ü|?*"])
def test_no_name_leaves_its_folder(name: str, tmp_path: Path) -> None:
    folder = vehicle_folder(tmp_path, tidy(name))
    assert folder.parent == tmp_path
    assert folder.name.startswith("vehicle=")
    assert "/" not in folder.name


@pytest.mark.parametrize("name", ["", "x" * 61, "a\x1b[31m"])
def test_some_names_are_none(name: str) -> None:
    assert bad_name(tidy(name)) is not None


def test_the_day_of_fitting_is_in_neither_arm() -> None:
    arms = Arms(fitted_from="2026-03-10", fitted_until="2026-03-20")
    told = [arms.of(f"2026-03-{d}") for d in ("09", "10", "11", "20", "21")]
    assert [t.arm if isinstance(t, Assigned) else t.code.name for t in told] == [
        "baseline", "CHANGED_THAT_DAY", "fitted", "CHANGED_THAT_DAY", "baseline",
    ]  # fmt: skip
    assert isinstance(Arms().of("2026-03-09"), Fact)


@pytest.mark.parametrize(
    ("heading", "cell", "switched"),
    [
        ("fitted from", "2026-03-10", "rollout"),
        ("arm", "fitted", "vehicle"),
        ("tyre", "x", "within"),
    ],
)
def test_how_it_was_switched_is_as_the_table_has_it(
    heading: str, cell: str, switched: str, tmp_path: Path
) -> None:
    (tmp_path / "a.csv").write_text("time,speed\n")
    (tmp_path / "vehicles.csv").write_text(f"vehicle,{heading}\na,{cell}\n")
    fleet = find_fleet(parse_study({"fleet": {"logs": ["*.csv"]}}), tmp_path)
    assert fleet.rule.switched == switched
    told = find_fleet(parse_study({"fleet": {"logs": ["*.csv"], "switched": "within"}}), tmp_path)
    assert told.rule.switched == "within"


def test_the_table_of_vehicles_is_read_by_meaning(tmp_path: Path) -> None:
    path = tmp_path / "vehicles.csv"
    path.write_text(
        "Fleet number;Fuel type;Engine size [cc];Weight [lb];Depot;Rolled out\n"
        "7;Diesel;1968;4409;north;2026-03-10\n8;e10;;;;\n",
        encoding="utf-8",
    )
    seven, eight = read_vehicles(path, load_study(Path("sample_logs"))).values()
    assert (seven.name, seven.vehicle.fuel, seven.fitted_from) == ("7", "diesel", "2026-03-10")
    assert seven.vehicle.displacement_l == pytest.approx(1.968)
    assert seven.vehicle.mass_kg == pytest.approx(2000, rel=1e-3)
    assert seven.labels == {"fuel": "Diesel", "Depot": "north"}
    assert eight.vehicle.displacement_l == 1.8


def test_a_pattern_names_the_vehicle_by_its_first_star_or_in_braces(tmp_path: Path) -> None:
    for path in ("a/van 1/x/1.csv", "a/van 2/y/2.csv", "a/van 2/y/notes.pdf"):
        (tmp_path / path).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / path).write_text("t\n")
    names = [s.vehicle for s in sources_by_pattern(tmp_path, ["a/*/*/*"])]
    assert names == ["van 1", "van 2"]
    inner = sources_by_pattern(tmp_path, ["a/*/{vehicle}/*.csv"])
    assert [s.vehicle for s in inner] == ["x", "y"]


def test_other_settings_of_another_vehicle_change_nothing_here(tmp_path: Path) -> None:
    root = write_fleet(tmp_path / "own", vehicles=2, days=4)
    (root / "vehicles.csv").write_text("vehicle,mass [kg]\ncar 0,1300\ncar 1,1400\n")
    fleet = find_fleet(load_study(root), root)
    fleet_tables(fleet, serial, out=tmp_path / "out", work=tmp_path / "work")
    (root / "vehicles.csv").write_text("vehicle,mass [kg]\ncar 0,1300\ncar 1,1500\n")
    found = fleet_tables(
        find_fleet(load_study(root), root), serial, out=tmp_path / "out", work=tmp_path / "work"
    )
    assert found.anew == {"logs": 0, "vehicles": 1}


def test_a_file_beside_the_vehicles_that_changed_is_read_anew(tmp_path: Path) -> None:
    root = write_fleet(tmp_path / "own", vehicles=2, days=4)
    where = {"out": tmp_path / "out", "work": tmp_path / "work"}
    study = load_study(root)

    def anew() -> dict[str, int]:
        return dict(fleet_tables(find_fleet(study, root), serial, **where).anew)

    assert anew() == {"logs": 8, "vehicles": 2}
    weather = root / "weather.csv"
    head = "time,air temperature [°C],wind speed [m/s],wind from [°]\n"
    days = [f"2026-03-{d:02d} {h:02d}:00" for d in range(1, 20) for h in range(0, 24, 3)]
    for degrees in (4, 14):
        weather.write_text(head + "".join(f"{t},{degrees},3,200\n" for t in days))
        assert anew() == {"logs": 0, "vehicles": 2}
    assert anew() == {"logs": 0, "vehicles": 0}
    weather.unlink()
    assert anew()["vehicles"] == 2


@pytest.mark.parametrize(
    ("what", "other"),
    [("libraries", (("numpy", "99.0"),)), ("zone_rules", (("Europe/Berlin", 1, 2, 3),)),
     ("code_sha256", "0"), ("replaced", True)],
)  # fmt: skip
def test_whatever_a_number_rests_on_makes_everything_anew(
    what: str, other: object, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = keyed("vehicle", "van 1")
    assert keyed("vehicle", "van 1") == before
    monkeypatch.setattr(store, what, lambda: other)
    monkeypatch.setattr(store, "_state", store._state.__wrapped__)
    assert keyed("vehicle", "van 1") != before


def test_what_an_earlier_run_wrote_into_the_data_is_no_data(
    made: Tables, small_fleet: Path, tmp_path: Path
) -> None:
    root = tmp_path / "cars"
    shutil.copytree(small_fleet / "cars" / "car 0", root / "car 0")
    shutil.copytree(made.out, root / "results")
    (root / "results" / "vehicles.csv").write_text("vehicle\ncar 0\n")
    (root / "results" / LOCK).touch()
    (root / "car 0" / "early.csv").write_text("time,speed\n")
    with pytest.raises(InputError, match="no Parquet file"):
        sources_by_data(root, FleetRule(data="."))
    found = sources_by_pattern(root, ["*/*.csv", "*/logs/*.csv"])
    assert {s.vehicle for s in found} == {"car 0"}


def test_tables_of_a_vehicle_that_left_the_fleet_go_with_it(tmp_path: Path) -> None:
    for name in ("van 1", "van 2"):
        folder = vehicle_folder(tmp_path, name) / "month=2026-03"
        folder.mkdir(parents=True)
        (folder / "x.parquet").touch()
    store.remove_strangers(tmp_path, ["van 2"])
    assert [p.name for p in tmp_path.iterdir()] == ["vehicle=van%202"]
