"""Whole studies with bent signals and a true effect of zero: none may end firm and wrong."""

import pandas as pd
import pytest

from roadlog.analysis.analyse import analyse
from roadlog.analysis.answered import answer_of
from roadlog.demo import make_study
from roadlog.runs.table import study_sources
from roadlog.study.folder import load_study
from tests.closure.bending import (
    LOAD,
    LTFT,
    MAF,
    MAP,
    STFT,
    as_factor,
    bent,
    plus,
    times,
    with_rate,
    without,
)

BENT_METER = times(MAF, 0.92)
ANSWERING_TRIMS = plus(LTFT, 8.7)


@pytest.fixture(scope="module")
def nothing_happens(tmp_path_factory):
    folder = tmp_path_factory.mktemp("zero") / "study"
    make_study(folder, days=6, effect_pct=0.0, positions=False)
    return folder


def analysed(folder):
    study = load_study(folder)
    return analyse(study, study_sources(folder, study))


def test_a_bent_air_meter_without_trims_is_told_and_undecided(nothing_happens, tmp_path):
    """Real fuel unchanged; the meter reads 8 % less with the add-on in, and no trims were logged.
    It fell silently from maf-trims to maf and was SUPPORTED."""
    found = analysed(bent(nothing_happens, tmp_path / "s", BENT_METER, without(STFT, LTFT),
                          acts_on="intake", claim=4))  # fmt: skip
    assert found.fuel_estimator == "maf"
    assert found.effect.primary.high < -4
    assert found.finding.word == "undecided"
    assert any(
        r.startswith("undecided: the fuel figure could be bent") for r in found.finding.reasons
    )
    assert any("'maf-trims' was passed over" in str(w.message) for w in found.warnings)


def test_trims_written_as_ratios_answer_a_bent_meter(nothing_happens, tmp_path):
    """Read as 1.05 %, they left the bend in the figure: SUPPORTED."""
    found = analysed(bent(nothing_happens, tmp_path / "s", BENT_METER, ANSWERING_TRIMS,
                          as_factor(STFT, "STFT (ratio)"), as_factor(LTFT, "LTFT"),
                          acts_on="intake", claim=12))  # fmt: skip
    assert found.fuel_estimator == "maf-trims"
    assert found.effect.primary.high > -4
    assert found.finding.word != "supported"
    assert any("ratios about 1" in str(w.message) for w in found.warnings)


def test_raised_fuel_pressure_is_undecided_whatever_the_fuel_rate_says(nothing_happens, tmp_path):
    """Trims and engine fuel rate fall by 7 % alike; the tank knows of nothing: SUPPORTED."""
    found = analysed(bent(nothing_happens, tmp_path / "s", plus(LTFT, -7), with_rate(),
                          without(LOAD), acts_on="fuel", claim=4))  # fmt: skip
    assert found.fuel_estimator == "rate"
    assert found.effect.primary.estimate == pytest.approx(-7, abs=3.5)
    assert found.effect.primary.high < 0
    assert found.finding.word == "undecided"
    assert any("weigh the fuel" in r for r in found.finding.reasons)


def test_a_bent_saving_that_refutes_a_large_claim_is_not_called_a_saving(nothing_happens, tmp_path):
    """Raised fuel pressure again: 7 % less by the readings still refutes 30 %, and shows nothing.
    The answer said "this test shows less fuel"."""
    found = analysed(bent(nothing_happens, tmp_path / "s", plus(LTFT, -7), without(MAP, LOAD),
                          acts_on="intake", claim=30))  # fmt: skip
    told = answer_of(found)
    assert found.effect.primary.high < -2
    assert (found.finding.word, told.outcome) == ("refuted", "ruled out")
    assert told.shows == "no change"
    assert "doesn't show that fuel use changed" in told.text


def test_fuel_pressure_declared_an_intake_is_undecided(nothing_happens, tmp_path):
    """Trims fall by 7 %, air a kilometre stays, and only the meter is logged: SUPPORTED."""
    found = analysed(bent(nothing_happens, tmp_path / "s", plus(LTFT, -7), without(MAP, LOAD),
                          acts_on="intake", claim=4))  # fmt: skip
    assert found.fuel_estimator == "maf-trims"
    assert found.effect.primary.high < -4
    assert found.finding.word == "undecided"
    assert any("the saving stands in the fuel trims" in r for r in found.finding.reasons)


def test_trims_under_load_count_by_the_fuel_that_they_move(nothing_happens, tmp_path):
    """They fall where most fuel is burned: over time the mean trim hides half of it."""

    def loaded(frame, fitted):
        trim = pd.to_numeric(frame[LTFT], errors="coerce")
        air = pd.to_numeric(frame[MAF], errors="coerce").ffill()
        cells = trim.where(~((air > 12) & fitted), trim - 16)
        return frame.assign(**{LTFT: [f"{v:.4g}" if v == v else "" for v in cells]})

    found = analysed(bent(nothing_happens, tmp_path / "s", loaded, without(MAP, LOAD),
                          acts_on="intake", claim=4))  # fmt: skip
    trims = found.evidence.table.set_index("name").loc["trim1", "difference"]
    assert found.effect.primary.high < -4
    assert trims > 0.7 * found.effect.primary.estimate
    assert found.finding.word == "undecided"


def test_a_meter_that_reads_more_is_still_refuted(nothing_happens, tmp_path):
    """Nothing saved: the meter reads 8 % more, and the loop trims that away."""
    found = analysed(bent(nothing_happens, tmp_path / "s", times(MAF, 1.08), plus(LTFT, -7.4),
                          without(MAP, LOAD), acts_on="intake", claim=12))  # fmt: skip
    assert found.finding.word == "refuted"


def test_a_real_saving_with_unmoved_trims_stays_supported(nothing_happens, tmp_path):
    """Air and fuel fall by 8 %, as the cylinders really got less."""
    found = analysed(bent(nothing_happens, tmp_path / "s", times(MAF, 0.92), without(MAP, LOAD),
                          acts_on="intake", claim=4))  # fmt: skip
    assert found.finding.word == "supported"
    assert answer_of(found).shows == "less"
