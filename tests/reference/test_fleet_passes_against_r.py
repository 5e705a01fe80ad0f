"""Units are enough: the fleet's model on switch units against one model over all passes in lme4.

Three fleets of 6, 8 and 10 vehicles are made as pass tables. roadlog reduces each vehicle to its
switch units and fits those; lme4 1.1-31 with lmerTest 3.1-3 on R 4.2.2 (tests/reference/r/
fleet_passes.R) fits the logs of all passes at once, with vehicle, vehicle × arm, vehicle × day and
vehicle × segment in it. Its results are kept in `fleet_passes.json`, and made anew where R is there
(`python -m tests.reference.test_fleet_passes_against_r` writes them).
"""

import json
import shutil
import subprocess
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from roadlog.effect import fuel_physics
from roadlog.fleet import FleetDesign, FleetResult, fit_fleet
from tests.fleet.made import pass_table

FOLDER = Path(__file__).parent / "r"
KEPT = FOLDER / "fleet_passes.json"
CAR = fuel_physics(density_kg_m3=745, lhv_mj_kg=42.0, displacement_l=1.8)
COLUMNS = [
    "vehicle", "block", "day", "segment", "arm", "distance_km", "duration_s", "demand_kj_per_km",
    "fuel_ml",
]  # fmt: skip
FLEETS = {"six": (6, 8, 0.015), "eight": (8, 12, 0.02), "ten": (10, 8, 0.0)}


def fleet(name: str) -> list[pd.DataFrame]:
    """Vehicles in blocks of four days, their own effects about -3 %."""
    vehicles, days, spread = FLEETS[name]
    rng = np.random.default_rng(sum(map(ord, name)))
    order = lambda: np.concatenate([rng.permuted([0, 0, 1, 1]) for _ in range(days // 4)])  # noqa: E731
    return [
        pass_table(
            rng, f"v{i:02d}", days=days, arm=order(), level=rng.uniform(45, 90),
            effect=-0.03 + spread * rng.normal(),
        )
        for i in range(vehicles)
    ]  # fmt: skip


def by_lme4(folder: Path) -> dict[str, Any]:
    """What R makes of the three fleets."""
    paths = []
    for name in FLEETS:
        table = pd.concat(fleet(name))[COLUMNS]
        paths.append(folder / f"{name}.csv")
        table.assign(arm=(table["arm"] == "fitted").astype(int)).to_csv(paths[-1], index=False)
    made = subprocess.run(
        ["Rscript", str(FOLDER / "fleet_passes.R"), str(folder / "out.json"), *map(str, paths)],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    if made.returncode != 0:
        raise RuntimeError(made.stderr)
    found: dict[str, Any] = json.loads((folder / "out.json").read_text())
    return found


@pytest.fixture(scope="module")
def ours() -> dict[str, FleetResult]:
    return {name: fit_fleet(fleet(name), FleetDesign(), physics=CAR) for name in FLEETS}


def logs(found: FleetResult) -> np.ndarray:
    ends = [found.effect.estimate, found.effect.low, found.effect.high]
    return np.log1p(np.array(ends, dtype=float) / 100)


@pytest.mark.parametrize("name", FLEETS)
@pytest.mark.parametrize("form", ["fixed", "random"])
def test_units_give_the_effect_and_interval_of_one_model_over_all_passes(
    ours: dict[str, FleetResult], name: str, form: str
) -> None:
    expected = json.loads(KEPT.read_text())[name][form]
    estimate, low, high = logs(ours[name])
    width = high - low
    assert abs(estimate - expected["estimate"]) < 0.06 * width
    assert low == pytest.approx(expected["low"], abs=0.1 * width)
    assert high == pytest.approx(expected["high"], abs=0.1 * width)


def test_what_is_kept_is_what_lme4_finds_now(tmp_path: Path) -> None:
    if shutil.which("Rscript") is None:
        pytest.skip("Rscript is not installed")
    try:
        now = by_lme4(tmp_path)
    except RuntimeError as e:
        pytest.skip(f"R lacks lmerTest or jsonlite: {e}")
    kept = json.loads(KEPT.read_text())
    for name in FLEETS:
        for form in ("fixed", "random"):
            for key in ("estimate", "low", "high"):
                assert now[name][form][key] == pytest.approx(kept[name][form][key], abs=1e-5)


if __name__ == "__main__":
    import tempfile

    with tempfile.TemporaryDirectory() as place:
        KEPT.write_text(json.dumps(by_lme4(Path(place)), indent=1) + "\n")
