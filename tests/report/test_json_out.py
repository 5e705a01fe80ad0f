"""results.json: what design.md promises is there, finite or null, with economy's ends swapped."""

import json
import math

import pytest

from roadlog.analysis.result import Analysed
from roadlog.quantities.units import economy_change_pct, mpg_us
from roadlog.report import to_json
from tests.report.conftest import Change

KEYS = {
    "schema": None,
    "study": None,
    "synthetic": None,
    "fuel_use_change_pct": {"estimate", "low", "high", "level", "df", "method"},
    "economy_change_pct": {"estimate", "low", "high"},
    "economy_change_mpg_us": {"estimate", "low", "high"},
    "baseline": {"l_per_100km", "mpg_us", "km", "runs", "switch_units"},
    "fitted": {"l_per_100km", "mpg_us", "km", "runs", "switch_units"},
    "randomisation": {"p", "low", "high", "assignments"},
    "total_effect_pct": {"estimate", "low", "high"},
    "unadjusted_change_pct": {"estimate", "low", "high"},
    "claim": {"quantity", "pct"},
    "finding": None,
    "finding_reasons": None,
    "finding_vetoes": None,
    "smallest_detectable_pct": None,
    "fuel_estimator": None,
    "closure": None,
    "crosschecks": {"name", "estimate", "low", "high"},
    "runs": {"file", "arm", "used", "reason", "km", "fuel_l", "start"},
    "segments": {"id", "length_km", "passes_baseline", "passes_fitted"},
    "warnings": None,
}


def test_every_promised_key_is_there(analysed: Analysed) -> None:
    result = to_json(analysed)
    for key, inner in KEYS.items():
        assert key in result, key
        if inner is not None:
            value = result[key]
            assert inner <= set(value[0] if isinstance(value, list) else value), key


@pytest.mark.parametrize("name", ["whole", "no claim", "before/after", "no positions", "no dates"])
def test_every_variant_is_strict_json(variants: dict[str, Analysed], name: str) -> None:
    result = to_json(variants[name])
    assert json.loads(json.dumps(result, allow_nan=False)) == result


def test_economy_swaps_the_ends_of_the_fuel_interval(analysed: Analysed) -> None:
    result = to_json(analysed)
    fuel, economy = result["fuel_use_change_pct"], result["economy_change_pct"]
    assert economy["low"] == economy_change_pct(fuel["high"])
    assert economy["high"] == economy_change_pct(fuel["low"])
    assert economy["low"] < economy["estimate"] < economy["high"]


def test_change_in_mpg_holds_the_baseline_fixed(analysed: Analysed) -> None:
    result = to_json(analysed)
    base = mpg_us(analysed.baseline.l_per_100km)
    for end in ("estimate", "low", "high"):
        expected = base * result["economy_change_pct"][end] / 100
        assert math.isclose(result["economy_change_mpg_us"][end], expected)


def test_no_interval_is_null_not_a_number(variants: dict[str, Analysed]) -> None:
    result = to_json(variants["before/after"])
    assert result["fuel_use_change_pct"]["low"] is None
    assert result["economy_change_pct"]["high"] is None
    assert result["economy_change_mpg_us"]["low"] is None
    assert result["total_effect_pct"]["estimate"] is None
    assert result["smallest_detectable_pct"] is None
    assert result["randomisation"] is None
    assert result["fuel_use_change_pct"]["df"] is None


def test_a_claim_keeps_the_sellers_quantity(analysed: Analysed, change: Change) -> None:
    assert to_json(analysed)["claim"]["quantity"] == "economy"
    assert to_json(analysed)["claim"]["pct"] == 12
    claim = type(analysed.study.claim)(fuel_pct=10)  # type: ignore[misc]
    told = to_json(change(study_claim=claim))["claim"]
    assert (told["quantity"], told["pct"], told["fuel_use_change_pct"]) == ("fuel_use", 10, -10)


def test_runs_carry_iso_times_and_reasons(variants: dict[str, Analysed]) -> None:
    runs = to_json(variants["whole"])["runs"]
    assert runs[0]["start"].startswith("2024-03-04T07:")
    assert runs[0]["reason"] is None
    assert "59 %" in runs[9]["reason"]
    assert runs[9]["used"] is False
    assert to_json(variants["no dates"])["runs"][0]["start"] is None


def test_only_used_passes_count_for_a_segment(analysed: Analysed) -> None:
    rows = to_json(analysed)["segments"]
    total = sum(r["passes_baseline"] + r["passes_fitted"] for r in rows)
    assert total == int(analysed.passes["used"].sum()) < len(analysed.passes)


def test_a_warning_of_two_stages_is_told_once(variants: dict[str, Analysed]) -> None:
    both = variants["before/after"]
    from dataclasses import replace

    twice = replace(both, warnings=both.effect.warnings)
    assert len(to_json(twice)["warnings"]) == 1
