"""Planning a fleet: sizes that the model keeps, draws that the fleet reads, whose command it is."""

import datetime as dt
from collections import Counter
from pathlib import Path

import numpy as np
import pytest

from roadlog.cli import main
from roadlog.errors import DesignError
from roadlog.fleet.design import FleetDesign
from roadlog.fleet.fit import fit_fleet
from roadlog.fleet.plan import draw_fleet, size_fleet
from roadlog.fleet.vehicles import read_schedule
from roadlog.study.settings import parse_study
from tests.fleet.made import units_of

DAYS = [dt.date(2026, 3, 2) + dt.timedelta(days=d + 2 * (d // 5)) for d in range(20)]
FLEET = """name = "vans"
[fleet]
logs = ["cars/*/logs/*.csv"]
switched = "{switched}"
[claim]
fuel_pct = 8
[plan]
days = 20
start = 2026-03-02
"""


def fleet_folder(folder: Path, switched: str, vehicles: int = 6) -> Path:
    (folder / "study.toml").write_text(FLEET.format(switched=switched))
    lines = ["vehicle,depot", *(f"van {i},{'ab'[i % 2]}" for i in range(vehicles))]
    (folder / "vehicles.csv").write_text("\n".join(lines) + "\n")
    return folder


def test_the_promised_range_is_the_models_own() -> None:
    """Twenty vehicles made with the same scatter have, on average, the range that was promised."""
    unit, spread, n = 0.02, 0.01, 20
    promised = size_fleet("within", n, 12, unit_sd=unit, spread_sd=spread)
    rng, halves, ahead = np.random.default_rng(5), [], []
    for _ in range(6):
        arm = np.tile([0, 1], 6)
        made = [
            units_of(f"v{i}", arm,
                     spread * rng.standard_normal() * arm + unit * rng.standard_normal(12))
            for i in range(n)
        ]  # fmt: skip
        found = fit_fleet(made, FleetDesign())
        assert found.effect.high is not None
        assert found.next_vehicle is not None
        assert found.next_vehicle.high is not None
        halves.append(found.effect.high - found.effect.estimate)
        ahead.append(found.next_vehicle.high - found.next_vehicle.estimate)
    assert np.mean(halves) == pytest.approx(promised.half_width_pct, rel=0.2)
    assert np.mean(ahead) == pytest.approx(promised.next_pct, rel=0.35)


def test_more_vehicles_and_days_and_less_scatter_narrow_every_design() -> None:
    for switched in ("within", "vehicle", "rollout"):
        base = size_fleet(switched, 10, 20, unit_sd=0.02, spread_sd=0.01, claim_pct=-5)
        more = size_fleet(switched, 30, 20, unit_sd=0.02, spread_sd=0.01, claim_pct=-5)
        longer = size_fleet(switched, 10, 60, unit_sd=0.02, spread_sd=0.01)
        assert more.half_width_pct < base.half_width_pct
        assert longer.half_width_pct < base.half_width_pct
        assert base.settles is not None
        assert more.settles is not None
        assert more.settles >= base.settles
        assert base.next_pct > base.half_width_pct
    within, parallel = (size_fleet(s, 10, 20, unit_sd=0.02, spread_sd=0.01)
                        for s in ("within", "vehicle"))  # fmt: skip
    assert within.half_width_pct < parallel.half_width_pct
    with pytest.raises(DesignError, match="needs 3 vehicles"):
        size_fleet("within", 2, 20, unit_sd=0.02, spread_sd=0.01)


def test_draws_are_balanced_repeatable_and_of_each_vehicles_own() -> None:
    names = [f"van {i}" for i in range(9)]
    depots = {n: "ab"[i % 2] for i, n in enumerate(names)}
    within = draw_fleet("within", names, DAYS, 7)
    assert within == draw_fleet("within", names[::-1], DAYS, 7)
    assert within != draw_fleet("within", names, DAYS, 8)
    fitted = Counter((v, b) for v, _, arm, b in within if arm == "fitted")
    assert {*fitted.values()} == {2}
    orders = {v: tuple(a for n, _, a, _ in within if n == v) for v in names}
    assert len({*orders.values()}) > 6
    parallel = draw_fleet("vehicle", names, DAYS, 7, strata=depots)
    last = {v: arm for v, day, arm, _ in parallel if day == DAYS[-1].isoformat()}
    assert all(arm == "baseline" for _, day, arm, _ in parallel if day < DAYS[10].isoformat())
    assert abs(Counter(last.values())["fitted"] - 4.5) <= 1
    rollout = draw_fleet("rollout", names, DAYS, 7, strata=depots)
    starts = {v: min(d for n, d, a, _ in rollout if n == v and a == "fitted") for v in names}
    assert {dt.date.fromisoformat(d).weekday() for d in starts.values()} == {0}  # by the week
    assert min(starts.values()) > DAYS[0].isoformat()
    assert len({*starts.values()}) == 3
    with pytest.raises(DesignError, match="a roll-out needs 3"):
        draw_fleet("rollout", names, DAYS[:8], 7)


@pytest.mark.parametrize("switched", ["within", "vehicle", "rollout"])
def test_plan_on_a_fleet_writes_what_the_fleet_reads(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], switched: str
) -> None:
    folder = fleet_folder(tmp_path, switched)
    assert main(["plan", str(folder), "--seed", "4"]) == 0
    told = capsys.readouterr().out
    assert "6 *" in told
    assert 'schedule = "schedule.csv"' in told
    assert ("baseline_until" in told) == (switched == "vehicle")
    read = read_schedule(folder / "schedule.csv", parse_study({"name": "vans"})).days
    assert {*read} == {f"van {i}" for i in range(6)}
    assert all(len(days) == 20 for days in read.values())
    assert '"seed": 4' in (folder / "fleet_plan.json").read_text()
    before = (folder / "schedule.csv").read_bytes()
    assert main(["plan", str(folder), "--seed", "5"]) == 0
    assert "Kept" in capsys.readouterr().out
    assert (folder / "schedule.csv").read_bytes() == before


@pytest.mark.parametrize(
    "command",
    [("ceiling", "--volts", "14", "--amps", "10", "--fuel-l-h", "3"), ("payback", "--price", "90"),
     ("runout",), ("standing-start",), ("engine-signals",), ("publish",)],
)  # fmt: skip
def test_a_trial_is_of_one_car_too(
    tmp_path: Path, command: tuple[str, ...], capsys: pytest.CaptureFixture[str]
) -> None:
    folder = fleet_folder(tmp_path, "within")
    assert main([command[0], str(folder), *command[1:]]) == 2
    assert f"this is a fleet: roadlog fleet {folder}" in capsys.readouterr().err
    assert not (folder / "results").exists()


def test_one_cars_commands_say_whose_folder_it_is(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = str(fleet_folder(tmp_path, "within"))
    for command in ("next", "check", "analyze", "open"):
        assert main([command, folder]) == 2
        assert f"this is a fleet: roadlog fleet {folder}" in capsys.readouterr().err
    (tmp_path / "study.toml").write_text('name = "one"\n')
    assert main(["fleet", folder]) == 2
    assert f"this is one car's study: roadlog analyze {folder}" in capsys.readouterr().err
    assert main(["plan", folder, "--spread", "2"]) == 2
