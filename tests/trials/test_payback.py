"""Years until an add-on has paid for itself; never is a result."""

import json
from dataclasses import replace

import pytest

from roadlog.cli import main
from roadlog.errors import InputError
from roadlog.trials.payback import Purchase, extra_litres, payback_result, years_to_pay_back
from roadlog.trials.result import TrialResult
from roadlog.trials.road_test import RoadTest, under_road_test

USE = Purchase(price=90.0, fuel_price=1.75, km_per_year=14_000, baseline_l_per_100km=6.5)


def test_years_by_hand():
    """14,000 km at 6.5 L/100 km are 910 L; 10 % of it at 1.75 is 159.25 a year."""
    assert years_to_pay_back(USE, -10.0) == pytest.approx(90 / 159.25)


def test_an_add_on_that_costs_fuel_never_pays_back():
    said = payback_result(USE, 0.8, -1.0, 2.6, claim_years=1.0)
    assert said.estimate is None
    assert said.measured.endswith("(by its estimate alone: never).")
    assert "at the best end" in said.measured
    assert said.details["never"] == {"estimate": True, "best": False, "worst": True}
    assert said.finding == "refuted"


def test_never_in_the_whole_interval_is_said_so():
    said = payback_result(USE, 2.0, 0.5, 3.5)
    assert said.measured.startswith("Never, anywhere in the road test's 95 % interval")
    assert said.finding is None


def test_findings_follow_the_ends_of_the_interval():
    assert payback_result(USE, -10, -12, -8, claim_years=1.0).finding == "supported"
    assert payback_result(USE, -10, -12, -2, claim_years=1.0).finding == "undecided"
    assert payback_result(USE, -10, None, None, claim_years=1.0).finding == "undecided"


def test_draw_that_the_road_test_did_not_see_is_added():
    """100 W for 300 h are 108 MJ; at 16.5 % from fuel of 31.5 MJ/L that is 20.8 L."""
    litres = extra_litres(100.0, 300.0, 31.5, 0.165)
    assert litres == pytest.approx(108 / 0.165 / 31.5)
    with_draw = Purchase(90.0, 1.75, 14_000, 6.5, extra_l_per_year=litres)
    assert years_to_pay_back(with_draw, -5.0) > years_to_pay_back(USE, -5.0)


@pytest.mark.parametrize(
    ("purchase", "words"),
    [
        (Purchase(0.0, 1.75, 14_000, 6.5), "price 0"),
        (Purchase(90.0, -1.0, 14_000, 6.5), "fuel price -1"),
        (Purchase(90.0, 1.75, 0.0, 6.5), "distance a year"),
    ],
)
def test_impossible_values_are_named(purchase, words):
    with pytest.raises(InputError, match=words):
        payback_result(purchase, -1.0, -2.0, 0.0)


def study(tmp_path, estimate=0.6, low=-0.8, high=2.0):
    (tmp_path / "study.toml").write_text("[claim]\neconomy_pct = 12\n")
    (tmp_path / "results").mkdir()
    results = {
        "synthetic": True,
        "finding_vetoes": [],
        "fuel_use_change_pct": {"estimate": estimate, "low": low, "high": high},
        "baseline": {"l_per_100km": 6.5},
        "runs": [{"used": True, "hours": 0.4, "km": 17.0, "arm": "baseline"}],
    }
    (tmp_path / "results" / "results.json").write_text(json.dumps(results))
    return tmp_path


def test_command_reads_the_effect_of_the_road_test(tmp_path, capsys):
    argv = ["payback", str(study(tmp_path)), "--price", "89", "--fuel-price", "1.75"]
    assert main([*argv, "--km-per-year", "14000", "--currency", "EUR"]) == 0
    out = capsys.readouterr().out
    assert "(by its estimate alone: never)" in " ".join(out.split())
    assert "SYNTHETIC" in out
    assert (tmp_path / "results" / "trials" / "payback.json").is_file()


FILLS = """\
time,litres,odometer [km],full,price
2026-03-20T07:00,38.1,41800,yes,1.85
2026-03-27T07:00,39.0,42400,yes,
2026-03-06T07:00,37.5,41200,yes,1.60
"""


def saved_payback(folder):
    return json.loads((folder / "results" / "trials" / "payback.json").read_text())


def test_the_latest_fill_with_a_price_tells_what_fuel_costs(tmp_path, capsys):
    folder = study(tmp_path, estimate=-4.0, low=-6.0, high=-2.0)
    (folder / "fills.csv").write_text(FILLS)
    argv = ["payback", str(folder), "--price", "89", "--km-per-year", "14000"]
    assert main(argv) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert "Fuel at 1.85 a litre: paid at the fill of 2026-03-20, the latest with a price." in out
    assert saved_payback(folder)["estimate"] == pytest.approx(89 / (910 * 0.04 * 1.85))


def test_a_stated_fuel_price_goes_before_the_fills(tmp_path, capsys):
    folder = study(tmp_path, estimate=-4.0, low=-6.0, high=-2.0)
    (folder / "fills.csv").write_text(FILLS)
    with (folder / "study.toml").open("a") as toml:
        toml.write("[payback]\nprice = 89\nkm_per_year = 14000\nfuel_price = 1.70\n")
    assert main(["payback", str(folder)]) == 0
    assert "1.7 a litre: as [payback] of study.toml says" in capsys.readouterr().out
    assert main(["payback", str(folder), "--fuel-price", "1.75"]) == 0
    assert "1.75 a litre: as given on the command line" in capsys.readouterr().out
    assert saved_payback(folder)["details"]["fuel_price"] == 1.75


def test_command_names_what_is_missing(tmp_path, capsys):
    (tmp_path / "study.toml").write_text("")
    assert main(["payback", str(tmp_path), "--price", "89"]) == 2
    assert "roadlog analyze" in capsys.readouterr().err
    folder = study(tmp_path / "x" if (tmp_path / "x").mkdir() is None else tmp_path)
    assert main(["payback", str(folder), "--price", "89"]) == 2
    assert "--km-per-year" in capsys.readouterr().err
    assert main(["payback", str(folder), "--price", "89", "--km-per-year", "9000"]) == 2
    assert "--fuel-price" in capsys.readouterr().err


VETO = "undecided: closure gap: against fuel weighed in cans, the arms differ by +8.0 %"


def test_a_payback_is_no_firmer_than_the_road_test():
    """The road test was undecided for a closure gap; half a year 'SUPPORTED' would be its number
    without its doubt."""
    own = payback_result(USE, -10, -12, -8, claim_years=1.0)
    assert own.finding == "supported"
    said = under_road_test(own, RoadTest("undecided", (VETO,)))
    assert said.finding == "undecided"
    assert said.notes[0] == f"Road test {VETO}"
    assert said.strength.startswith("No firmer than the road test")
    again = under_road_test(said, RoadTest("undecided", (VETO,)))
    assert again.notes == said.notes


def test_a_veto_counts_without_a_claim_and_an_undecided_interval_without_a_veto():
    own = payback_result(USE, -10, -12, -8, claim_years=1.0)
    assert under_road_test(own, RoadTest(None, (VETO,))).finding == "undecided"
    assert under_road_test(own, RoadTest("undecided")).finding == ("undecided")
    for word in ("refuted", "supported", None):
        assert under_road_test(own, RoadTest(word)) == own


def test_the_command_prints_the_road_tests_doubt(tmp_path, capsys):
    (tmp_path / "study.toml").write_text("[payback]\nprice = 90\nkm_per_year = 14000\n")
    (tmp_path / "results").mkdir()
    results = {
        "fuel_use_change_pct": {"estimate": -10, "low": -12, "high": -8},
        "baseline": {"l_per_100km": 6.5},
        "synthetic": True,
        "finding": "undecided",
        "finding_vetoes": [VETO],
    }
    (tmp_path / "results" / "results.json").write_text(json.dumps(results))
    argv = ["payback", str(tmp_path), "--fuel-price", "1.75", "--claim-years", "1"]
    assert main(argv) == 0
    out = capsys.readouterr().out
    assert "UNDECIDED" in out
    assert "SUPPORTED" not in out
    assert "closure gap" in out


def test_an_energy_ceiling_holds_though_the_road_test_is_doubted_unless_the_flow_decides():
    """0.4 % of the fuel's power can't become 10 %, whatever a meter was bent; 8 % might."""
    far = TrialResult(
        "ceiling", "?", "", "", 4.2, -0.4, 4.2, "% fuel use", "refuted", "Firm.",
        details={"claim_pct": -10.0, "flow_from_road_test": True},
    )  # fmt: skip
    doubt = RoadTest("undecided", (VETO,))
    assert under_road_test(far, doubt).finding == "refuted"
    assert under_road_test(far, doubt).notes[0].startswith("Road test undecided")
    assert under_road_test(replace(far, low=-8.0), doubt).finding == "undecided"
    given = replace(far, low=-8.0, details={"claim_pct": -10.0})
    assert under_road_test(given, doubt) == given
