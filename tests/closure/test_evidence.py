import pytest

from roadlog.analysis.analyse import analyse
from roadlog.demo import make_study
from roadlog.runs.table import study_sources
from roadlog.study.folder import load_study


def analysed(folder, estimator=None):
    study = load_study(folder)
    if estimator is not None:
        choices = study.analysis.model_copy(update={"estimator": estimator})
        study = study.model_copy(update={"analysis": choices})
    return analyse(study, study_sources(folder, study))


@pytest.fixture(scope="module")
def bent(tmp_path_factory):
    """The add-on bends the air meter by -6 %; fuel stays as it is."""
    folder = tmp_path_factory.mktemp("bent") / "study"
    make_study(folder, days=12, effect_pct=0.0, meter_bias_pct=-6.0)
    return folder


def flagged(result):
    table = result.evidence.table
    return set(table.loc[table["flagged"], "name"])


def test_a_bent_air_meter_is_flagged_by_trims_and_by_air_for_its_pressure(bent):
    result = analysed(bent)
    assert flagged(result) >= {"trim1", "air_per_pressure"}
    trims = result.evidence.table.set_index("name").loc["trim1"]
    # the loop takes back 6 % of a meter that reads 1.6 % high: 100 (1/(1.016 x 0.94) - 1/1.016)
    assert trims["difference"] == pytest.approx(6.28, abs=0.3)
    air = result.evidence.table.set_index("name").loc["air_per_pressure"]
    assert air["low"] < -6.19 < air["high"]  # ln 0.94
    assert air["difference"] == pytest.approx(-6.19, abs=0.6)
    assert {w.code for w in result.warnings} >= {"signals-bent"}
    assert "can't: whether real fuel changed" in " ".join(result.evidence.said)


def test_an_honest_device_flags_nothing(demo_study):
    result = analysed(demo_study)
    assert flagged(result) == set()
    assert len(result.evidence.table) >= 4
    assert "signals-bent" not in {w.code for w in result.warnings}


def test_the_trimmed_figure_holds_where_the_air_meter_is_bent(bent):
    by_air, by_trims = analysed(bent, "maf"), analysed(bent, "maf-trims")
    assert by_air.effect.primary.high < -4
    assert by_trims.effect.primary.low < 0 < by_trims.effect.primary.high
