"""The energy ceiling: what a current can split, what it costs, and what is beyond it."""

import json

import numpy as np
import pytest

from roadlog.cli import main
from roadlog.errors import InputError
from roadlog.quantities.fuels import FUELS
from roadlog.trials.ceiling import (
    Cell,
    ceiling_result,
    energy_ceiling,
    marginal_efficiency,
    mean_power,
)

CELL = Cell(voltage_v=13.8, current_a=20.0, in_series=6)
FLOW = 1.0  # g/s, some 4.8 L/h


def account(cell=CELL, flow=FLOW, **kw):
    return energy_ceiling(cell, FUELS["E10"], flow, **kw)


def test_a_perfect_machine_still_cannot_win_from_its_own_electricity():
    """Every electrically driven add-on costs at least what its gas gives back."""
    for volts in (8.0, 12.0, 14.4):
        for cells in (1, 4, 6):
            _, perfect, real = account(Cell(volts, 20.0, in_series=cells)).cases
            assert perfect.net_pct > 0
            assert real.net_pct > perfect.net_pct


def test_powers_and_shares_by_hand():
    """20 A through 6 cells: 120 A / (2 F) = 0.622 mmol/s of H2, times 241.8 kJ/mol is 150.4 W."""
    done = account()
    free, perfect, real = done.cases
    assert done.power_w == pytest.approx(276.0)
    assert free.gas_w == pytest.approx(150.4, abs=0.1)
    assert done.fuel_w == pytest.approx(1e3 * FUELS["E10"].lhv_mj_kg)
    assert free.replaced_pct == pytest.approx(100 * 150.4 / done.fuel_w, rel=1e-3)
    assert perfect.extra_pct == pytest.approx(100 * 276 / done.fuel_w)
    assert real.extra_pct == pytest.approx(
        100 * 276 / (0.67 * marginal_efficiency(FUELS["E10"])) / done.fuel_w
    )


def test_a_claim_beyond_the_gas_is_refuted_and_combustion_left_to_the_road():
    said = ceiling_result(CELL, FUELS["E10"], FLOW, "given", account(), claim_pct=-20.0)
    assert said.finding == "refuted"
    assert "doesn't bound a claimed improvement of combustion" in said.strength
    modest = ceiling_result(CELL, FUELS["E10"], FLOW, "given", account(), claim_pct=-0.1)
    assert modest.finding == "undecided"
    assert any("CODATA" in n for n in said.notes)
    assert any("caustic" in c for c in said.cautions)


def test_pulsed_supply_counts_mean_of_v_times_i():
    on = np.arange(1000) % 4 == 0
    v, i = np.where(on, 12.0, 14.0), np.where(on, 40.0, 0.0)
    volts, amps, power = mean_power(v, i)
    assert power == pytest.approx(120.0)
    assert volts * amps == pytest.approx(135.0)
    assert account(Cell(volts, amps, power_w=power, in_series=6)).power_w == power


def test_measured_moist_gas_gives_the_current_efficiency():
    """Warm gas over water: at 40 °C 7 % of it is vapour, which is no gas of the current."""
    whole = account(Cell(13.8, 20.0, in_series=6, current_efficiency=1.0, gas_temp_c=40.0))
    shown = 0.8 * whole.moist_gas_ml_min
    measured = account(Cell(13.8, 20.0, in_series=6, gas_temp_c=40.0, measured_ml_min=shown))
    assert measured.measured_current_efficiency == pytest.approx(0.8)
    assert measured.measured_dry_ml_min == pytest.approx(shown * 0.927, rel=2e-3)


def test_an_add_on_that_makes_no_gas_only_costs():
    done = account(Cell(13.8, 5.0), splits_water=False)
    assert done.cases[0].replaced_pct == 0
    said = ceiling_result(
        Cell(13.8, 5.0), FUELS["E10"], FLOW, "given", done, claim_pct=-5.0, splits_water=False
    )
    assert said.finding == "refuted"
    assert said.estimate > 0
    assert not any("caustic" in c for c in said.cautions)


@pytest.mark.parametrize(
    ("cell", "flow", "words"),
    [
        (CELL, 0.0, "fuel flow"),
        (Cell(0.0, 20.0), 1.0, "above zero"),
        (Cell(13.8, -3.0), 1.0, "above zero"),
        (Cell(13.8, 20.0, in_series=0), 1.0, "at least 1"),
        (Cell(13.8, 20.0, in_series=20), 1.0, "can't split water"),
        (Cell(13.8, 20.0, current_efficiency=1.2), 1.0, "current efficiency"),
        (Cell(13.8, 20.0, gas_temp_c=120.0), 1.0, "below boiling"),
        (Cell(13.8, 20.0, measured_ml_min=5000.0), 1.0, "more than"),
    ],
)
def test_impossible_values_are_named(cell, flow, words):
    with pytest.raises(InputError, match=words):
        account(cell, flow)


def test_command_prints_the_account_and_every_source(capsys):
    argv = ["ceiling", "--volts", "13.8", "--amps", "20", "--cells", "6", "--fuel-l-h", "5"]
    assert main([*argv, "--claim-economy", "20"]) == 0
    out = capsys.readouterr().out
    for words in ("every machine perfect", "REFUTED", "CODATA", "combustion", "caustic", "mL/min"):
        assert words in out
    assert max(map(len, out.splitlines())) <= 88


def test_command_takes_flow_and_claim_from_the_study(tmp_path, capsys):
    (tmp_path / "study.toml").write_text(
        "[claim]\neconomy_pct = 12\n[ceiling]\nvoltage_v = 13.5\ncurrent_a = 15\nin_series = 6\n"
    )
    (tmp_path / "results").mkdir()
    run = {"arm": "baseline", "used": True, "fuel_l": 1.1, "hours": 0.4}
    (tmp_path / "results" / "results.json").write_text(
        json.dumps({"runs": [run, run], "finding_vetoes": []})
    )
    assert main(["ceiling", str(tmp_path)]) == 0
    assert "2.75 L/h" in capsys.readouterr().out
    saved = json.loads((tmp_path / "results" / "trials" / "ceiling.json").read_text())
    assert saved["finding"] == "refuted"


def test_command_without_draw_or_flow_says_what_to_give(capsys):
    assert main(["ceiling", "--fuel-l-h", "5"]) == 2
    assert "--volts" in capsys.readouterr().err
    assert main(["ceiling", "--volts", "13", "--amps", "5"]) == 2
    assert "--fuel-l-h" in capsys.readouterr().err


def test_electricity_is_charged_at_what_added_load_costs():
    """276 W for an hour through an alternator of 0.67 at 0.0756 L/MJ (Regulation (EU) 2017/1151):
    0.9936 MJ / 0.67 x 0.0756 = 0.1121 L, 2.24 % of 5 L/h."""
    fuel = FUELS["E10"]
    flow = 5.0 * fuel.density_kg_m3 / 3600
    real = energy_ceiling(Cell(13.8, 20.0), fuel, flow, splits_water=False).cases[-1]
    assert real.extra_pct == pytest.approx(2.242, abs=0.002)


@pytest.mark.parametrize(
    ("name", "aspiration", "l_kwh"),
    [("E0", "natural", 0.264), ("E0", "turbo", 0.280), ("diesel", "turbo", 0.220)],
)
def test_added_load_costs_the_published_litres(name, aspiration, l_kwh):
    """Implementing Decision (EU) 2020/728, table 2: consumption of effective power."""
    fuel = FUELS[name]
    litre_kwh = fuel.lhv_mj_kg * fuel.density_kg_m3 / 3600
    found = 1 / (marginal_efficiency(fuel, aspiration) * litre_kwh)
    assert found == pytest.approx(l_kwh, rel=0.003)
