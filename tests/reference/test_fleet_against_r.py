"""The fleet's model against lme4, metafor and lm, on tables that anyone can fit again.

Sources: lme4 1.1-31, nlme 3.1-162, metafor 3.8-1 on R 4.2.2 (tests/reference/r/fleet.R, which made
`fleet_expected.json`). Published data: Machines (Pinheiro J., Bates D. (2000), Mixed-Effects Models
in S and S-PLUS, section 1.3), six workers on two machines each, which is a fleet that switches;
dat.bcg (Colditz G.A. et al. (1994), JAMA 271, 698-702), thirteen trials with unlike noise. Neither
is kept here: their checks run where R can write them.
"""

import json
import shutil
import subprocess
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from scipy.special import stdtrit

from roadlog.fleet.vehicle import VehicleUnits
from roadlog.fleet.within import estimate_within
from roadlog.stats.between import fiducial, fit_between, without_each
from roadlog.stats.meta_analysis import q_profile
from roadlog.stats.rollout import impute
from tests.fleet.made import units_of

FOLDER = Path(__file__).parent / "r"
EXPECTED: dict[str, Any] = json.loads((FOLDER / "fleet_expected.json").read_text())


@pytest.fixture(scope="module")
def published(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Machines and dat.bcg, written by R itself."""
    if shutil.which("Rscript") is None:
        pytest.skip("Rscript is not installed")
    folder = tmp_path_factory.mktemp("published")
    made = subprocess.run(
        ["Rscript", str(FOLDER / "fleet.R"), str(folder), "--tables"],
        capture_output=True, check=False,
    )  # fmt: skip
    if made.returncode != 0:
        pytest.skip("R lacks lme4, nlme, metafor or jsonlite")
    return folder


def fleet(*, blocked: bool) -> list[VehicleUnits]:
    table = pd.read_csv(FOLDER / "fleet_units.csv")
    return [
        units_of(
            str(name), t["arm"].to_numpy(), t["z"].to_numpy(), day=np.full(len(t), -1),
            block=tuple(t["block"]) if blocked else (), size=t["size"].to_numpy(dtype=float),
        )
        for name, t in table.groupby("vehicle")
    ]  # fmt: skip


@pytest.mark.parametrize("name", ["plain", "blocked"])
def test_one_model_over_unlike_vehicles_is_lme4s(name: str) -> None:
    expected = EXPECTED[name]
    found = estimate_within(fleet(blocked=name == "blocked"), lambda f: f.value)
    assert found.tau == pytest.approx(expected["estimate"], rel=1e-6)
    assert found.tau2 == pytest.approx(expected["tau2"], rel=1e-5)
    assert found.scale == pytest.approx(expected["sigma2"], rel=1e-6)
    model_se = np.sqrt(1 / (1 / (found.noise + found.tau2)).sum())
    assert model_se == pytest.approx(expected["se"], rel=1e-6)


def test_six_workers_on_two_machines_are_lme4s_vehicles_in_two_arms(published: Path) -> None:
    table = pd.read_csv(published / "machines.csv", dtype={"worker": str})
    two = table[table["machine"].isin(["A", "B"])]
    workers = [
        units_of(name, (t["machine"] == "B").to_numpy(), t["score"].to_numpy() - 50,
                 day=np.full(len(t), -1), size=np.full(len(t), 1.0))
        for name, t in two.groupby("worker")
    ]  # fmt: skip
    found, expected = estimate_within(workers, lambda f: f.value), EXPECTED["machines"]
    assert found.tau == pytest.approx(expected["estimate"], rel=1e-9)
    assert found.tau2 == pytest.approx(2 * expected["interaction"], rel=1e-4)
    assert found.se == pytest.approx(expected["se"], rel=1e-5)
    assert found.half == pytest.approx(stdtrit(5, 0.975) * expected["se"], rel=1e-5)


def test_unlike_noise_is_metafors_knapp_hartung_and_q_profile(published: Path) -> None:
    table, expected = pd.read_csv(published / "bcg.csv"), EXPECTED["bcg"]
    known = 1e9  # degrees of freedom of the noise, which metafor takes as known
    found = fit_between(table["yi"].to_numpy(), table["vi"].to_numpy(), known, known)
    assert found.mean == pytest.approx(expected["estimate"], rel=1e-6)
    assert found.tau2 == pytest.approx(expected["tau2"], rel=1e-5)
    assert found.se == pytest.approx(expected["se"], rel=1e-6)
    half = stdtrit(found.df, 0.975) * found.se
    assert found.mean - half == pytest.approx(expected["low"], rel=1e-5)
    low, high = q_profile(found.values, found.sigma2 * found.noise)
    assert (low, high) == pytest.approx((expected["tau2_low"], expected["tau2_high"]), rel=1e-4)
    drawn = np.square(fiducial(found, kurtosis=0.0).spread())
    assert tuple(drawn) == pytest.approx((low, high), rel=0.05)
    np.testing.assert_allclose(without_each(found)[0], expected["without"], rtol=1e-5)


def test_a_rollout_with_holes_is_lm_on_the_untreated_cells() -> None:
    table, expected = pd.read_csv(FOLDER / "fleet_rollout.csv"), EXPECTED["rollout"]
    wide = {c: table.pivot(index="vehicle", columns="week", values=c) for c in ("y", "size")}
    start = table.groupby("vehicle")["start"].first().to_numpy(dtype=np.intp)
    found = impute(wide["y"].to_numpy(), wide["size"].to_numpy(), start)
    assert found is not None
    own = found.own[np.array(expected["vehicle"]) - 1]
    np.testing.assert_allclose(own, expected["own"], rtol=1e-9)
    assert found.estimate == pytest.approx(expected["estimate"], rel=1e-9)
