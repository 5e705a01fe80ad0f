"""results.json: what design.md promises is there, finite or null, with economy's ends swapped."""

import json
import math
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from roadlog.analysis.analyse import analyse
from roadlog.analysis.result import Analysed
from roadlog.quantities.units import economy_change_pct, mpg_us
from roadlog.report import to_json, write_results
from roadlog.runs.table import open_study
from tests.report.conftest import Change

SCHEMA = Draft202012Validator(
    json.loads(files("roadlog.report").joinpath("results.schema.json").read_text())
)


def faults(result: dict[str, Any]) -> list[str]:
    return [f"{e.json_path}: {e.message}" for e in SCHEMA.iter_errors(result)]


def test_the_schema_is_one_and_describes_every_key() -> None:
    Draft202012Validator.check_schema(SCHEMA.schema)

    def undescribed(node: Any, at: str) -> list[str]:
        inner = {**node.get("properties", {}), **({"[]": node["items"]} if "items" in node else {})}
        own = [] if node.get("description") or at.endswith("[]") else [at]
        return own + [x for k, v in inner.items() for x in undescribed(v, f"{at}.{k}")]

    assert undescribed(SCHEMA.schema, "results") == []


def test_the_schema_refuses_a_renamed_key_and_a_word_that_is_none(analysed: Analysed) -> None:
    result = to_json(analysed)
    renamed = {**result, "effect_pct": result["fuel_use_change_pct"]}
    assert any("effect_pct" in f for f in faults(renamed))
    assert any("$.finding:" in f for f in faults({**result, "finding": "proved"}))
    assert any("required" in f for f in faults({k: result[k] for k in result if k != "runs"}))


def test_results_of_the_sample_study_and_of_measured_fuel_hold_to_the_schema(
    demo_study: Path, tmp_path: Path
) -> None:
    done = analyse(*open_study(demo_study))
    write_results(done, tmp_path)
    assert faults(json.loads((tmp_path / "results.json").read_text())) == []
    folder = tmp_path / "cans"
    folder.mkdir()
    rows = [
        f"2026-03-{day:02d},{arm},9.0,{8.0 + day / 900:.3f},20"
        for day, arm in enumerate(["baseline", "fitted", "fitted", "baseline"] * 2, 1)
    ]
    (folder / "study.toml").write_text('name = "cans"')
    (folder / "cans.csv").write_text("\n".join(["unit,arm,before_kg,after_kg,km", *rows]))
    measured = to_json(analyse(*open_study(folder)))
    assert measured["fuel_estimator"] == "ledger"
    assert faults(measured) == []


@pytest.mark.parametrize("name", ["whole", "no claim", "before/after", "no positions", "no dates"])
def test_every_variant_is_strict_json(variants: dict[str, Analysed], name: str) -> None:
    result = to_json(variants[name])
    assert json.loads(json.dumps(result, allow_nan=False)) == result
    assert faults(result) == []


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
