import numpy as np
import pandas as pd
import pytest

from roadlog.errors import InputError
from roadlog.fuel import calibrate, fuel_flow, litres_per_gram
from roadlog.fuel.batches import batch_fuel, fuels_by_run
from roadlog.ingest.timebase import integrate
from roadlog.quantities.fuels import FUELS, blend
from roadlog.study.settings import Batch, Fill, parse_study
from tests.test_fuel import drive

E0, E10 = FUELS["E0"], FUELS["E10"]
RUNS = pd.DataFrame(
    {
        "run": [0, 1, 2],
        "file": ["a.csv", "b.csv", "c.csv"],
        "start": pd.to_datetime(["2026-03-02 08:00", "2026-03-05 08:00", "2026-03-09 08:00"]),
        "day": ["2026-03-02", "2026-03-05", "2026-03-09"],
    }
)


def study(extra="", fuel="E10"):
    return parse_study(f'[vehicle]\nfuel = "{fuel}"\ntank_l = 50\n{extra}')


WINTER = '[[batches]]\nname = "W"\nlhv_mj_kg = 40.0\n'


def equivalent_l(samples, the_study, estimator, batch):
    calibration = calibrate([samples], the_study)
    flow = fuel_flow(samples, the_study, estimator, calibration, batch)
    return integrate(flow, "fuel_flow_g_s") * litres_per_gram(samples, the_study, batch)


def test_a_blend_with_less_energy_counts_as_less_fuel():
    """The same injected litres of E10 in a study of E0 do 96.7 % of the work."""
    samples = drive().assign(fuel_rate_l_h=6.0)
    ratio = equivalent_l(samples, study(fuel="E0"), "rate", E10) / equivalent_l(
        samples, study(fuel="E0"), "rate", None
    )
    energy = E10.density_kg_m3 * E10.lhv_mj_kg / (E0.density_kg_m3 * E0.lhv_mj_kg)
    assert ratio == pytest.approx(energy)
    assert ratio == pytest.approx(0.967, abs=0.004)


def test_air_flow_tells_energy_whatever_blend_is_in_the_tank():
    the_study = study(fuel="E0")
    ratio = equivalent_l(drive(), the_study, "maf", E10) / equivalent_l(
        drive(), the_study, "maf", None
    )
    assert ratio == pytest.approx(1, abs=0.003)


def test_trims_show_a_leaner_blend_already():
    """The controller, set for E0, adds 4 % for E10: litres of E0 energy stay the same."""
    the_study = study(fuel="E0")
    leaner = 100 * (E0.stoich_afr / E10.stoich_afr - 1)
    on_e0 = drive().assign(stft1_pct=0.0, ltft1_pct=0.0)
    on_e10 = on_e0.assign(ltft1_pct=leaner)
    ratio = equivalent_l(on_e10, the_study, "maf-trims", E10) / equivalent_l(
        on_e0, the_study, "maf-trims", None
    )
    assert ratio == pytest.approx(1, abs=0.003)


def test_batch_takes_the_rest_from_its_blend():
    batch = batch_fuel(Batch(name="S", ethanol_pct=5, density_kg_m3=740), E10)
    assert batch.stoich_afr == blend(0.05).stoich_afr
    assert batch.density_kg_m3 == 740


def test_notes_say_which_batch_a_run_burned():
    notes = pd.DataFrame({"date": ["2026-03-02", "2026-03-05"], "fuel batch": ["A", "W"]})
    found = fuels_by_run(RUNS, study(WINTER), (), notes)
    assert [f and f.lhv_mj_kg for f in found] == [None, 40.0, None]


def test_a_full_fill_mixes_with_what_was_left():
    fills = (Fill(time=pd.Timestamp("2026-03-04 18:00"), litres=25, batch="W"),)
    before, after, later = fuels_by_run(RUNS, study(WINTER), fills, None)
    assert before is None
    assert after.lhv_mj_kg == pytest.approx((40.0 + E10.lhv_mj_kg) / 2)
    assert later == after


def test_a_fill_of_an_unknown_batch_is_refused():
    fills = (Fill(time=pd.Timestamp("2026-03-04 18:00"), litres=25, batch="X"),)
    with pytest.raises(InputError, match=r"batch 'X' is not described"):
        fuels_by_run(RUNS, study(WINTER), fills, None)


def test_without_batches_every_run_burns_the_declared_fuel():
    assert fuels_by_run(RUNS, study(), (), None) == [None] * 3


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (WINTER + WINTER, "described twice"),
        ('[[batches]]\nname = "a"\nlhv_mj_kg = 4.0\n', "lhv_mj_kg"),
        ('[[batches]]\nname = "a"\nfuel = "E0"\nethanol_pct = 5\n', "not both"),
        ('[[batches]]\nname = "a"\nethanol_pct = 120\n', "ethanol_pct"),
    ],
)
def test_impossible_batches_are_named(text, message):
    with pytest.raises(InputError, match=message):
        study(text)


def test_winter_blend_is_no_effect_in_a_whole_analysis(tmp_path):
    """Fitted days burn fuel with 5 % less energy per kilogram, told in the notes."""
    from roadlog.analysis.analyse import analyse
    from roadlog.demo import make_study
    from roadlog.runs.table import study_sources
    from roadlog.study.folder import load_study

    folder = tmp_path / "study"
    make_study(folder, days=8, effect_pct=0.0)
    told = load_study(folder)
    days = {str(u.unit): u.arm for u in told.schedule.unit}
    notes = pd.DataFrame(
        {
            "date": list(days),
            "fuel batch": np.where(np.array([*days.values()]) == "fitted", "W", "S"),
        }
    )
    notes.to_csv(folder / "notes.csv", index=False)
    declared = FUELS[told.vehicle.fuel].lhv_mj_kg
    batches = (Batch(name="W", lhv_mj_kg=0.95 * declared), Batch(name="S"))
    plain = analyse(told, study_sources(folder, told)).effect.unadjusted.estimate
    with_batches = told.model_copy(update={"batches": batches})
    equal = analyse(with_batches, study_sources(folder, told)).effect.unadjusted.estimate
    assert (1 + equal / 100) / (1 + plain / 100) == pytest.approx(0.95, abs=1e-6)
