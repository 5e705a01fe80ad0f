"""objections.html: each objection answered from the data at hand, and nothing untrue said."""

import dataclasses
import re
from typing import Any

import numpy as np
import pandas as pd
import pytest

from roadlog.analysis.result import AccessoryTime, Analysed
from roadlog.closure.result import Evidence
from roadlog.effect.carry_over import AFTER_FITTED, BY_DISTANCE
from roadlog.effect.estimate import NOTHING_SET_ASIDE
from roadlog.plan.result import Blinding, Look, Oversight, Stamped
from roadlog.quantities.facts import Warned
from roadlog.report import objections_page
from roadlog.report.objections import Objection, objections
from roadlog.report.page import report_page
from roadlog.road.network import Network
from roadlog.stats.blinding import blinding_index
from roadlog.stats.interval import Finding, Interval, NamedInterval
from roadlog.study.car import Device, Vehicle
from tests.report.conftest import Change
from tests.report.pages import Page

VARIANTS = ["whole", "no claim", "before/after", "no positions", "no dates"]
NOT_DRAWN = (Warned("order-not-randomised", "The order wasn't drawn."),)
ONCE = (Warned("before-after", "One change."), *NOT_DRAWN)
STAMP = Stamped("2024-03-01T07:00:00+00:00", "an authority", "a root", "d" * 64, "given", "c" * 64)
GUESSED = blinding_index(4, 4, 2)
BARE = Interval(0.62, None, None)


def answers(analysed: Analysed) -> dict[str, Objection]:
    return {o.key: o for o in objections(analysed)}


def text(o: Objection) -> str:
    return " ".join(o.answer)


def everything(analysed: Analysed) -> str:
    return " ".join(text(o) for o in objections(analysed))


def overseen(units: int = 20, planned: int = 20, **changes: Any) -> Oversight:
    look = Look("2024-04-01T20:00:00+01:00", units, planned, False, 0.95, None, "a" * 64, "b" * 64)
    plan = Oversight(
        "2024-03-01T08:00+01:00", "c" * 64, False, 1, (), "2024-03-29", look, (), False
    )
    return dataclasses.replace(plan, **changes)


def evidence(*, flagged: bool) -> Evidence:
    row = {
        "clue": "fuel trims, bank 1", "unit": "%", "baseline": 0.0, "fitted": 0.1,
        "difference": 2.1 if flagged else 0.1, "low": 1.1 if flagged else -0.4,
        "high": 3.1 if flagged else 0.6, "df": 9.0, "p": 0.001 if flagged else 0.6,
        "name": "trim1", "tells": "", "flagged": flagged,
    }  # fmt: skip
    return Evidence(pd.DataFrame([row]), (), ())


def carried(low: float, high: float, what: str = BY_DISTANCE) -> pd.DataFrame:
    row = {"what": what, "estimate": (low + high) / 2, "low": low, "high": high, "p": 0.03}
    return pd.DataFrame([row])


@pytest.mark.parametrize("name", VARIANTS)
def test_nothing_is_fetched_and_nothing_is_half_said(
    variants: dict[str, Analysed], name: str
) -> None:
    read = Page(objections_page(variants[name]))
    assert read.fetched() == []
    words = " ".join(" ".join(read.words).split())
    assert not re.search(r"\b(nan|None(?! of| differs)|NaT|inf)\b|\(\)|-0\.0\b|stretchs", words)
    assert read.policy().startswith("default-src 'none'")
    ids = [a["id"] for _, a in read.elements if "id" in a]
    assert len(ids) == len(set(ids))
    inside = {h[1:] for h in read.attributes("a", "href") if h.startswith("#")}
    assert inside <= set(ids)


@pytest.mark.parametrize("name", VARIANTS)
def test_every_source_leads_to_a_place_in_the_report(
    variants: dict[str, Analysed], name: str
) -> None:
    a = dataclasses.replace(variants[name], evidence=evidence(flagged=False))
    report = Page(report_page(a, passes_sha256="0" * 64))
    places = {b["id"] for _, b in report.elements if "id" in b}
    led = Page(objections_page(a)).attributes("a", "href")
    assert {h.split("#")[1] for h in led if h.startswith("report.html#")} <= places


def test_published_page_leads_to_the_published_report_and_to_no_file(analysed: Analysed) -> None:
    led = Page(objections_page(analysed, published=True)).attributes("a", "href")
    assert {h.split("#")[0] for h in led} == {"", "index.html"}


def test_synthetic_data_are_labelled_and_real_data_not(
    analysed: Analysed, variants: dict[str, Analysed]
) -> None:
    assert "SYNTHETIC DATA." in objections_page(analysed)
    assert "SYNTHETIC" not in objections_page(variants["before/after"])


def test_hostile_names_stay_text(change: Change) -> None:
    nasty = "<script>alert(1)</script> \u202e" + "long" * 75
    passes = change().passes.assign(remark_fuel_batch=nasty)
    page = objections_page(change(study_name=nasty, passes=passes))
    assert "<script>alert" not in page
    assert "&lt;script&gt;alert" in page


@pytest.mark.parametrize("name", ["before/after", "no interval"])
def test_without_an_interval_nothing_is_answered_by_the_effect(change: Change, name: str) -> None:
    a = change(
        effect_primary=BARE,
        effect_total=BARE,
        effect_unadjusted=BARE,
        effect_forest=(),
        effect_warnings=ONCE if name == "before/after" else (),
        effect_smallest_detectable_pct=float("nan"),
        finding=Finding("undecided", ("No interval.",)),
    )
    found = answers(a)
    assert found["too-few-days"].answered == "can't tell"
    for key in ("weather", "chosen-days", "cold-engine", "thrown-away"):
        assert found[key].answered != "yes", key
    said = everything(a)
    assert "by the result's own" not in said
    assert "in the interval" not in said
    if name == "before/after":
        assert found["chosen-days"].answered == "can't tell"
        assert found["kilometres"].answered == "can't tell"
        assert "beyond zero" not in said
        assert found["many-numbers"].answer[0].startswith("No comparison")


def test_without_a_claim_nothing_meets_or_misses_one(variants: dict[str, Analysed]) -> None:
    said = everything(variants["no claim"])
    assert not re.search(r"(short of|reaches|meets?) the claim", said)


@pytest.mark.parametrize("interim", [True, False])
def test_what_forbids_a_firm_word_forbids_it_in_every_answer(change: Change, interim: bool) -> None:
    plan = overseen(12)
    plan = dataclasses.replace(plan, look=dataclasses.replace(plan.look, interim=interim))
    vetoes = () if interim else ("The fuel figure could be bent.",)
    a = change(finding=Finding("undecided", ("Not firm.",), vetoes=vetoes), oversight=plan)
    found = answers(a)
    assert found["too-few-days"].answered == "partly"
    for o in found.values():
        for line in o.answer:
            if re.search(r"By that figure alone the whole interval", line):
                assert "no finding" in line
    assert "None of that alone is a finding" in text(found["roads"])
    if interim:
        assert "decides nothing" in text(found["stopped"])
        assert found["stopped"].answered == "partly"


def test_a_row_beyond_zero_is_explained_not_just_printed(change: Change) -> None:
    row = NamedInterval("previous arm held equal", Interval(1.1, -2.4, 4.7), "sensitivity")
    a = change(
        effect_carry_over=pd.concat([carried(-9.0, -3.0, AFTER_FITTED), carried(0.2, 2.0)]),
        effect_forest=(*change().effect.forest, row),
    )
    o = answers(a)["carry-over"]
    said = text(o)
    for needed in (
        "It may be chance", "stays in the car", "shows less of it than there is",
        "chance alone makes about 0.5 of them miss zero, and 2 do",
        "With the arm before held equal, the effect is +1.1 % (-2.4 to +4.7)",
        "as by the result's own",
    ):  # fmt: skip
        assert needed in said, needed
    assert "isn't the same as nothing" not in said
    assert [n.what for n in o.numbers].count("with the arm before held equal") == 1


def test_a_row_that_holds_zero_says_what_it_could_have_missed(change: Change) -> None:
    said = text(answers(change(effect_carry_over=carried(-4.1, 2.0, AFTER_FITTED)))["carry-over"])
    assert "isn't the same as nothing left behind: up to 4.1 %" in said
    assert "none does" in said


def test_an_alternative_of_another_word_is_told_as_such(change: Change) -> None:
    row = NamedInterval(
        NOTHING_SET_ASIDE, Interval(-11, -20, 2), "sensitivity", "with the 9 passes"
    )
    o = answers(change(effect_forest=(*change().effect.forest, row)))["thrown-away"]
    assert "other than by the result's own" in text(o)
    assert o.answered == "partly"


def test_order_that_chance_did_not_draw_answers_nothing_by_chance(change: Change) -> None:
    found = answers(change(effect_warnings=NOT_DRAWN, closed=None))
    assert found["chosen-days"].answered == "partly"
    assert found["weather"].answered == "partly"
    assert found["fuel"].answered == "can't tell"
    assert "chance decided" not in everything(change(effect_warnings=NOT_DRAWN))


@pytest.mark.parametrize(
    ("oversight", "answered"),
    [
        (overseen(stamped=STAMP), "yes"),
        (overseen(), "partly"),
        (overseen(stamped=dataclasses.replace(STAMP, root_from="embedded")), "partly"),
        (overseen(stamped=STAMP, stamp_late=True), "partly"),
        (overseen(registered_at=None), "partly"),
        (overseen(registered_late=True), "partly"),
        (overseen(stamped=STAMP, changes=("claim.fuel_pct: 10 was 5",)), "partly"),
        (overseen(units=17, stamped=STAMP), "partly"),
        (overseen(units=40, stamped=STAMP), "partly"),
        (overseen(stop_date=None), "can't tell"),
        (None, "can't tell"),
    ],
)
def test_stopping_is_answered_by_what_was_registered(
    change: Change, oversight: Oversight | None, answered: str
) -> None:
    o = answers(change(oversight=oversight))["stopped"]
    assert o.answered == answered
    if oversight is not None and oversight.look.units > oversight.look.planned:
        assert "40 of 20" not in text(o)


def test_defaults_are_not_told_as_declared(change: Change) -> None:
    found = answers(change(study_device=Device(name="x"), study_vehicle=Vehicle()))
    assert "declares" not in text(found["carry-over"]) + text(found["fuel"])
    assert "doesn't say where the add-on acts" in text(found["logger"])


def test_permanent_add_on_is_never_cleared_of_what_it_leaves_behind(change: Change) -> None:
    device = Device(name="x", carry_over="permanent")
    a = change(study_device=device, effect_carry_over=carried(-1.0, 1.0, AFTER_FITTED))
    assert answers(a)["carry-over"].answered == "can't tell"


def test_measured_fuel_alone_has_no_logger_and_knows_no_driving(change: Change) -> None:
    empty = pd.DataFrame()
    a = change(
        fuel_estimator="ledger",
        closed=None,
        effect_outcomes_by_arm=change().effect.outcomes_by_arm.iloc[:0],
        effect_conditions=empty,
        effect_road_speed=empty,
        effect_build_up=empty,
        network=Network("run", None, (), {}),
    )
    found = answers(a)
    assert found["logger"].answered == found["bent"].answered == "yes"
    assert found["driving"].answered == found["roads"].answered == "can't tell"
    assert "computed by a program" not in text(found["knew"])


@pytest.mark.parametrize(
    ("verdict", "answered", "said"),
    [
        ("agrees", "yes", "it agrees, within these bounds"),
        ("gap", "partly", "isn't to be trusted"),
        ("uninformative", "partly", "which is no agreement"),
        ("none", "partly", "No fill or can could be held"),
    ],
)
def test_measured_fuel_decides_whether_the_logger_sees(
    change: Change, verdict: str, answered: str, said: str
) -> None:
    closed = change().closed
    assert closed is not None
    a = change(
        closed=dataclasses.replace(closed, verdict=verdict), evidence=evidence(flagged=False)
    )
    o = answers(a)["logger"]
    assert o.answered == answered
    assert said in text(o)


def test_trims_that_are_not_logged_answer_nothing(change: Change) -> None:
    o = answers(change(closed=None, evidence=None))["logger"]
    assert o.answered == "can't tell"
    assert "aren't in the logs" in text(o)


def test_a_signal_beyond_chance_is_named_and_never_cleared(change: Change) -> None:
    o = answers(change(evidence=evidence(flagged=True)))["bent"]
    assert "More than chance explains: fuel trims, bank 1" in text(o)
    assert o.answered == "partly"


def test_a_batch_for_each_arm_cannot_be_told_from_the_add_on(change: Change) -> None:
    arm = change().passes["arm"]
    a = change(passes=change().passes.assign(remark_fuel_batch=np.where(arm == "fitted", "B", "A")))
    o = answers(a)["fuel"]
    assert o.answered == "can't tell"
    assert "can't be told apart" in text(o)
    assert "as likely in either arm" not in text(o)


def test_noted_air_conditioning_is_the_drivers_word(change: Change) -> None:
    runs = pd.DataFrame({"run": [0, 1], "noted": [0.0, 0.0], "answered": [True, True]})
    time = AccessoryTime(
        False, False, False, float("nan"), runs, {"baseline": 0.0, "fitted": 0.0},
        Interval(0.0, 0.0, 0.0), float("nan"), pd.DataFrame(),
    )  # fmt: skip
    o = answers(change(accessory=time))["air-conditioning"]
    assert o.answered == "partly"
    assert o.numbers == ()
    assert "driver's word" in text(o)


@pytest.mark.parametrize(
    ("kept", "guesses", "answered"),
    [
        (
            "blind",
            (("baseline", blinding_index(3, 3, 4)), ("fitted", blinding_index(4, 4, 2))),
            "yes",
        ),
        ("blind", (), "partly"),
        ("guessed right", (("fitted", blinding_index(9, 1, 0)),), "partly"),
        ("opened early", (), "partly"),
    ],
)
def test_only_a_kept_seal_with_guesses_answers_that_the_tester_knew(
    change: Change, kept: Any, guesses: Any, answered: str
) -> None:
    a = change(blinding=Blinding(kept, units=20, guesses=guesses))
    o = answers(a)["knew"]
    assert o.answered == answered
    assert ("Blind." in text(o)) is (kept == "blind")
    assert len([n for n in o.numbers if n.what.startswith("guesses")]) == len(guesses)


def test_driving_beyond_chance_is_named_and_a_blunt_check_says_so(change: Change) -> None:
    plain = change().effect.outcomes_by_arm
    assert "mean speed could differ by up to 1.0 %" in text(answers(change())["driving"])
    apart = plain.assign(p=[0.001, 0.6, 0.7], low=[2.0, -1.0, -9.0], high=[6.0, 0.6, 14.0])
    o = answers(change(effect_outcomes_by_arm=apart))["driving"]
    assert "More than chance explains: work asked at the wheels" in text(o)


def test_what_is_the_same_in_every_unit_is_not_given_bounds(change: Change) -> None:
    row = {
        "what": "wet_road", "unit": "% of the time", "baseline": 0.0, "fitted": 0.0,
        "difference": 0.0, "low": np.nan, "high": np.nan, "p": np.nan,
    }  # fmt: skip
    table = pd.concat([change().effect.conditions, pd.DataFrame([row])], ignore_index=True)
    said = text(answers(change(effect_conditions=table))["weather"])
    assert "rain was the same" in said
    assert "rain differed" not in said


def test_one_kind_of_road_answers_for_no_other(change: Change) -> None:
    one = change().effect.road_speed.iloc[1:2]
    o = answers(change(effect_road_speed=one))["roads"]
    assert o.answered == "can't tell"
    assert "Of slow road (under 50 km/h on average) or middling road" in text(o)


def test_no_answer_says_that_there_is_no_effect(analysed: Analysed) -> None:
    """An interval that holds zero isn't "no effect" anywhere on the page."""
    said = everything(analysed)
    for allowed in ("one that does nothing", "if the add-on did nothing", "the same as no "):
        said = said.replace(allowed, "")
    assert not re.search(r"\b(no effect|proves? that|no difference|does nothing)\b", said)


def test_litres_on_slow_road_are_of_what_slow_road_takes(analysed: Analysed) -> None:
    slow, fast, apart = answers(analysed)["roads"].numbers
    assert slow.litres == pytest.approx(0.089)
    assert fast.litres == pytest.approx(0.053)
    assert apart.litres is None


def test_drives_without_dates_are_in_no_row(variants: dict[str, Analysed]) -> None:
    said = text(answers(variants["no dates"])["kilometres"])
    assert "between two drives" not in said
    assert "km in a row" not in said


def test_last_look_that_pays_for_earlier_ones_is_held_to_its_own_interval(change: Change) -> None:
    plan = overseen()
    plan = dataclasses.replace(plan, look=dataclasses.replace(plan.look, level=0.999))
    wide = Interval(-3.0, -8.0, 2.2, 9.0)
    a = change(effect_primary=wide, oversight=plan, finding=Finding("undecided", ("Wide.",)))
    said = text(answers(a)["too-few-days"])
    assert "lies inside" in said
    assert "99.9 % bounds" in answers(a)["too-few-days"].numbers[0].what


def test_notes_of_other_things_are_no_tyres(change: Change) -> None:
    row = {
        "what": "remark_odometer_km", "unit": "", "baseline": 1.0, "fitted": 2.0,
        "difference": 1.0, "low": 0.5, "high": 1.5, "p": 0.01,
    }  # fmt: skip
    table = pd.concat([change().effect.conditions, pd.DataFrame([row])], ignore_index=True)
    passes = change().passes.assign(remark_odometer_km=1.0)
    said = text(answers(change(effect_conditions=table, passes=passes))["tyres"])
    assert "odometer" not in said
    assert "Not noted for all drives: load." in said


@pytest.mark.parametrize(("missing", "answered"), [(1, "yes"), (4, "partly")])
def test_more_misses_than_chance_makes_are_not_put_down_to_chance(
    change: Change, missing: int, answered: str
) -> None:
    plain = change().effect.conditions
    table = pd.concat([plain] * 3, ignore_index=True)
    table.loc[: missing - 1, ["low", "high"]] = [1.0, 2.0]
    o = answers(change(effect_conditions=table))["many-numbers"]
    assert o.answered == answered
    assert ("more than chance alone is likely to make" in text(o)) is (answered == "partly")
