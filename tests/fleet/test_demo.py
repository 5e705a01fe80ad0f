"""The synthetic fleet: known truth, made vehicle by vehicle, the same bytes in whatever pieces."""

import json
from pathlib import Path

import pandas as pd
import pytest

from roadlog.cli import main
from roadlog.demo.fleet import make_fleet
from roadlog.errors import InputError


@pytest.fixture(scope="module")
def demo_fleet(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("fleet") / "demo"
    make_fleet(folder, vehicles=3, days=6, effect_pct=-3.0, spread_pct=0.5, seed=3)
    return folder


def test_a_fleet_that_was_stopped_is_finished_the_same(demo_fleet: Path) -> None:
    gone = demo_fleet / "samples" / "vehicle=van%200002" / "month=2026-03" / "synthetic.parquet"
    before, other = gone.read_bytes(), demo_fleet / "samples" / "vehicle=van%200003"
    changed = {p: p.stat().st_mtime_ns for p in other.rglob("*.parquet")}
    gone.unlink()
    (demo_fleet / ".made" / "van 0002").unlink()
    make_fleet(demo_fleet, vehicles=3, days=6, effect_pct=-3.0, spread_pct=0.5, seed=3)
    assert gone.read_bytes() == before
    assert {p: p.stat().st_mtime_ns for p in other.rglob("*.parquet")} == changed
    with pytest.raises(InputError, match="made with other choices"):
        make_fleet(demo_fleet, vehicles=5, days=6, seed=3)


def test_the_command_finds_the_true_effect(
    demo_fleet: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "out"
    given = ["--claim-fuel", "9", "--workers", "1", "--out", str(out)]
    assert main(["fleet", str(demo_fleet), *given]) == 0
    said = capsys.readouterr().out
    assert "SYNTHETIC DATA" in said
    truth = json.loads((demo_fleet / "truth.json").read_text())["effect_pct"]
    found = json.loads((out / "fleet.json").read_text())
    effect = found["result"]["effect"]
    assert effect["low"] < sum(truth.values()) / 3 < effect["high"] < 1
    assert found["synthetic"] is True
    assert found["claim_fuel_use_change_pct"] == -9
    assert found["result"]["finding"]["word"] in ("refuted", "undecided")
    page = (out / "fleet.html").read_text()
    assert "SYNTHETIC DATA" in page
    assert "van 0003" in page
    assert pd.read_csv(out / "vehicles.csv")["synthetic"].all()
    assert pd.read_csv(out / "left_out.csv").empty


def test_a_roll_out_is_staggered(tmp_path: Path) -> None:
    make_fleet(tmp_path / "roll", vehicles=4, days=4, rollout=True, form="csv", seed=4)
    table = pd.read_csv(tmp_path / "roll" / "vehicles.csv")
    assert len(set(table["fitted from"])) > 1
    assert 'switched = "rollout"' in (tmp_path / "roll" / "study.toml").read_text()
    assert len(list((tmp_path / "roll").glob("cars/*/logs/*.csv"))) == 4 * 8


@pytest.mark.parametrize(
    "options",
    [("--fleet", "3", "--control"), ("--fleet", "3", "--order", "once"), ("--rollout",),
     ("--spread", "2"), ("--form", "csv")],
)  # fmt: skip
def test_an_option_that_would_do_nothing_is_refused(
    tmp_path: Path, options: tuple[str, ...], capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["demo", str(tmp_path / "new"), *options]) == 2
    assert "--fleet" in capsys.readouterr().err
    assert not (tmp_path / "new").exists()
