"""The answer in plain words: every place of the range, and nothing that its numbers contradict."""

import ast
import copy
import math
import pickle
import re
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from roadlog.analysis.answered import plain_reasons
from roadlog.quantities.against import Against
from roadlog.quantities.facts import Veto
from roadlog.stats.interval import Interval, rule
from roadlog.wording.answer import Answer, Claimed, Facts, Waiting, answer, claim_words
from tests.test_layout import modules

STATISTICS = re.compile(
    r"interval|confiden|significan|estimate|hypothes|probab|\bCI\b|\bp\b|\bdf\b|\bSD\b"
    r"|(?<!\.)\b95 %|mean|deviation|error|standard|sigma|median|regress|degrees|level"
    r"|sample|variance|null|\bnan\b|\binf\b|None|[+\-−±]\d",
    re.IGNORECASE,
)
AMOUNT = r"((?:under )?[\d,.]+) %"
TWELVE = Claimed("economy", 12, -10.714285714)
NAMED = "the claimed 12 % better mileage (10.7 % less fuel)"
HERE = "in this car on these roads"


def fuel(pct: float) -> Claimed:
    return Claimed("fuel_use", pct, -pct)


def economy(pct: float) -> Claimed:
    return Claimed("economy", pct, -100 * pct / (100 + pct))


def told(
    low: float | None,
    high: float | None,
    claim: Claimed | None = TWELVE,
    *,
    margin: float = 0.0,
    **more: object,
) -> Answer:
    """As the finding's rule would have it, the margin cleared or not."""
    i = Interval(0.3 if low is None or high is None else (low + high) / 2, low, high)
    word = None
    if claim is not None:
        wide = (None, None)
        if low is not None and high is not None:
            wide = (100 * math.expm1(math.log1p(low / 100) - margin),
                    100 * math.expm1(math.log1p(high / 100) + margin))  # fmt: skip
        word = rule(*wide, claim.fuel_use_change_pct)
        if more.get("against"):
            word = "undecided"
    return answer(replace(Facts(i, claim, word, margin), **more))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("low", "high", "claim", "sentences"),
    [
        # zero inside
        (-6.0, 10.2, TWELVE, [
            "Between 6.0 % less and 10.2 % more fuel: this test shows no change.",
            f"It rules out {NAMED}, {HERE}.",
            "It can't rule out a saving under 6.0 %, nor extra fuel under 10.2 %."]),
        (-12.0, 2.0, TWELVE, [
            "Between 12.0 % less and 2.0 % more fuel: this test shows no change.",
            f"It neither rules out nor bears out {NAMED}: part of that range reaches it, part "
            "doesn't.",
            "It can't rule out a saving under 12.0 %, nor extra fuel under 2.0 %."]),
        (-12.0, 2.0, None, [
            "Between 12.0 % less and 2.0 % more fuel: this test shows no change.",
            "It can't rule out a saving under 12.0 %, nor extra fuel under 2.0 %.",
            "No claim was given to hold it against."]),
        (0.0, 2.0, fuel(5), [
            "Between no change and 2.0 % more fuel: this test shows no change.",
            f"It rules out the claimed 5 % less fuel, {HERE}.",
            "It can't rule out extra fuel under 2.0 %."]),
        (-3.0, 0.0, fuel(5), [
            "Between 3.0 % less fuel and no change: this test shows no change.",
            f"It rules out the claimed 5 % less fuel, {HERE}.",
            "It can't rule out a saving under 3.0 %."]),
        # less fuel
        (-8.0, -3.0, TWELVE, [
            f"Between 3.0 % and 8.0 % less fuel: this test shows less fuel, {HERE}.",
            f"It rules out {NAMED}.",
            "It can't tell how large the saving is within that range."]),
        (-15.0, -3.0, TWELVE, [
            f"Between 3.0 % and 15.0 % less fuel: this test shows less fuel, {HERE}.",
            f"It neither rules out nor bears out {NAMED}: part of that range reaches it, part "
            "doesn't.",
            "It can't tell how large the saving is within that range."]),
        (-15.0, -11.0, TWELVE, [
            f"Between 11.0 % and 15.0 % less fuel: this test shows less fuel, {HERE}.",
            f"It bears out {NAMED}.",
            "It can't tell how large the saving is within that range."]),
        # more fuel
        (1.0, 4.0, TWELVE, [
            f"Between 1.0 % and 4.0 % more fuel: this test shows more fuel, {HERE}.",
            f"It rules out {NAMED}, and any saving.",
            "It can't tell how large the extra fuel is within that range."]),
        # claims of no saving
        (-1.0, 2.0, fuel(0), [
            "Between 1.0 % less and 2.0 % more fuel: this test shows no change.",
            "It neither rules out nor bears out the claim of no extra fuel: part of that range "
            "reaches it, part doesn't.",
            "It can't rule out a saving under 1.0 %, nor extra fuel under 2.0 %."]),
        (1.0, 2.0, fuel(0), [
            f"Between 1.0 % and 2.0 % more fuel: this test shows more fuel, {HERE}.",
            "It rules out the claim of no extra fuel.",
            "It can't tell how large the extra fuel is within that range."]),
        (-1.0, 2.0, economy(-5), [
            "Between 1.0 % less and 2.0 % more fuel: this test shows no change.",
            "It bears out the claim of at most 5 % worse mileage (5.3 % more fuel), "
            f"{HERE}.",
            "It can't rule out a saving under 1.0 %, nor extra fuel under 2.0 %."]),
        (6.0, 8.0, fuel(-5), [
            f"Between 6.0 % and 8.0 % more fuel: this test shows more fuel, {HERE}.",
            "It rules out the claim of at most 5 % more fuel.",
            "It can't tell how large the extra fuel is within that range."]),
        # ends that one decimal would make zero, or the claim
        (-0.04, 2.0, fuel(5), [
            "Between 0.04 % less and 2.00 % more fuel: this test shows no change.",
            f"It rules out the claimed 5 % less fuel, {HERE}.",
            "It can't rule out a saving under 0.04 %, nor extra fuel under 2.00 %."]),
        (0.04, 2.0, fuel(5), [
            f"Between 0.04 % and 2.00 % more fuel: this test shows more fuel, {HERE}.",
            "It rules out the claimed 5 % less fuel, and any saving.",
            "It can't tell how large the extra fuel is within that range."]),
        (-0.0004, 0.001, fuel(5), [
            "Between under 0.01 % less and under 0.01 % more fuel: this test shows no change.",
            f"It rules out the claimed 5 % less fuel, {HERE}.",
            "It can't rule out a saving under 0.01 %, nor extra fuel under 0.01 %."]),
        (-10.68, 2.0, TWELVE, [
            "Between 10.68 % less and 2.00 % more fuel: this test shows no change.",
            f"It rules out the claimed 12 % better mileage (10.71 % less fuel), {HERE}.",
            "It can't rule out a saving under 10.68 %, nor extra fuel under 2.00 %."]),
        (-10.714, 2.0, TWELVE, [
            "Between 10.71 % less and 2.00 % more fuel: this test shows no change.",
            f"It only just rules out the claimed 12 % better mileage (10.71 % less fuel), {HERE}.",
            "It can't rule out a saving under 10.71 %, nor extra fuel under 2.00 %."]),
        (-14.0, -10.7143, TWELVE, [
            f"Between 10.71 % and 14.00 % less fuel: this test shows less fuel, {HERE}.",
            "It only just bears out the claimed 12 % better mileage (10.71 % less fuel).",
            "It can't tell how large the saving is within that range."]),
        (-3.001, -2.999, TWELVE, [
            f"Within 0.01 % of 3.00 % less fuel: this test shows less fuel, {HERE}.",
            "It rules out the claimed 12 % better mileage (10.71 % less fuel).",
            "It can't tell how large the saving is within that range."]),
        (-90.0, 2400.0, TWELVE, [
            "Between 90.0 % less and 2,400.0 % more fuel: this test shows no change.",
            f"It neither rules out nor bears out {NAMED}: part of that range reaches it, part "
            "doesn't.",
            "It can't rule out a saving under 90.0 %, nor extra fuel under 2,400.0 %."]),
    ],
)  # fmt: skip
def test_every_place_of_the_range(
    low: float, high: float, claim: Claimed | None, sentences: list[str]
) -> None:
    assert list(told(low, high, claim).sentences) == sentences


def test_what_unequal_driving_may_be_worth_is_told_where_it_shows() -> None:
    assert told(-1.0, 1.9, margin=0.001).sentences[2] == (
        "It can't rule out a saving under 1.0 %, nor extra fuel under 1.9 % "
        "(1.1 % and 2.0 % if driving and air weren't held quite equal)."
    )
    assert told(-8.0, -3.0, margin=0.003).sentences[2] == (
        "It can't tell how large the saving is within that range "
        "(2.7 % to 8.3 % if driving and air weren't held quite equal)."
    )
    near = told(-3.0, -0.2, margin=0.004)
    assert near.shows == "no change"
    assert near.sentences[0] == (
        "Between 0.2 % and 3.0 % less fuel, at the least no more than unequal driving or air "
        "could make: this test shows no change."
    )
    assert near.sentences[2].startswith(
        "It can't rule out a saving under 3.0 %, nor that nothing changed (3.4 % if"
    )


def test_no_range_says_why_and_concludes_nothing() -> None:
    once = told(None, None, one_change=True)
    assert once.title == "The claimed 12 % better mileage: no answer from this test"
    assert once.text.startswith(
        f"This test gives no answer on {NAMED}: the change was made only once, so nothing tells"
    )
    assert "It neither rules the claim out nor bears it out." in once.sentences
    assert once.shows is None
    assert "went in and out too few times" in told(None, None).text
    lost = answer(Facts(Interval(math.nan, -1, 1), TWELVE, "undecided"))
    assert "no change of fuel use could be computed" in lost.text
    assert lost.range_pct is None
    assert "nor that it didn't" in told(None, None, None).text


def test_a_change_that_may_not_be_one_is_never_called_shown() -> None:
    """A partial saving that refutes the claim may still be a bent sensor's: it isn't shown."""
    bent = ("the add-on may have bent the readings",)
    found = told(-4, -1, against_change=bent)
    assert found.sentences == (
        "Between 1.0 % and 4.0 % less fuel, but the add-on may have bent the readings: this test "
        "doesn't show that fuel use changed.",
        f"It rules out {NAMED}, {HERE}.",
        "It can't rule out a saving under 4.0 %, nor that nothing changed.",
    )
    assert found.shows == "no change"
    costs = told(1, 4, against_change=bent)
    assert "any saving" not in costs.text
    assert "shows more" not in costs.text
    assert told(-1, 4, against_change=bent) == told(-1, 4)
    assert told(-14, -12, against_change=bent) == told(-14, -12)


def test_what_forbids_a_word_comes_first_and_takes_no_side() -> None:
    for low, high in ((-9, -2), (-15, -12), (-1, 2), (3, 5)):
        found = told(low, high, against=("the driving couldn't be made comparable",))
        assert found.title == "The claimed 12 % better mileage: no answer from this test"
        assert found.sentences[0] == (
            f"This test gives no answer on {NAMED}: the driving couldn't be made comparable."
        )
        assert found.sentences[1].endswith("but no conclusion may rest on them.")
        assert found.sentences[2] == "It neither rules the claim out nor bears it out."
        assert found.outcome == "no answer"
        assert found.shows is None
        assert "shows" not in found.text
    many = told(-1, 2, None, against=("a", "b", "c", "d"))
    assert "a; and b; and 2 more reasons, told below." in many.text
    assert many.title == "Fuel with the add-on: this test gives no answer"


def test_a_look_before_the_end_decides_nothing_unless_the_plan_lets_it() -> None:
    early = told(-1, 2, waiting=Waiting(6, 12, may_decide=False))
    assert early.sentences == (
        "This test isn't over: 6 of 12 planned days are in.",
        "So far its figures run from 1.0 % less fuel to 2.0 % more fuel, and they can still move "
        "either way.",
        f"Nothing is decided on {NAMED} before it is over.",
    )
    assert early.title.endswith("not decided yet, this test is still running")
    may = told(-1, 2, waiting=Waiting(6, 12, may_decide=True), switched_by="run")
    assert may.outcome == "ruled out"
    assert may.sentences[-1] == (
        "This test isn't over: 6 of 12 planned drives are in; its plan lets this look decide."
    )
    none = told(None, None, waiting=Waiting(2, 12, may_decide=True))
    assert none.outcome == "not decided yet"
    assert "Nothing may be said so early." in none.sentences
    assert told(None, None, None, waiting=Waiting(2, 12, may_decide=False)).title == (
        "Fuel with the add-on: this test is not over yet"
    )


@pytest.mark.parametrize(
    ("claim", "words", "title"),
    [
        (TWELVE, "12 % better mileage (10.7 % less fuel)", "The claimed 12 % better mileage: "),
        (fuel(10), "10 % less fuel", "The claimed 10 % less fuel: "),
        (fuel(7.25), "7.25 % less fuel", "The claimed 7.25 % less fuel: "),
        (economy(-5), "at most 5 % worse mileage (5.3 % more fuel)",
         "The claim of at most 5 % worse mileage: "),
        (economy(0), "no worse mileage", "The claim of no worse mileage: "),
        (fuel(0), "no extra fuel", "The claim of no extra fuel: "),
    ],
)  # fmt: skip
def test_the_claim_is_named_as_the_seller_does_and_in_fuel(
    claim: Claimed, words: str, title: str
) -> None:
    assert claim_words(claim) == words
    assert told(-3, 3, claim).title.startswith(title)
    assert told(-3, 3, claim).claim == words


def test_synthetic_data_are_named_in_title_and_words() -> None:
    found = told(-1, 2, synthetic=True)
    assert found.title == "The claimed 12 % better mileage: ruled out by this synthetic test"
    assert "this synthetic test shows no change" in found.text


def test_measured_fuel_alone_says_that_nothing_was_held_equal() -> None:
    assert told(-1, 2, only_measured=True).sentences[-1] == (
        "Only fuel and distance were measured, so weather and traffic are part of the range."
    )


@pytest.mark.parametrize("name", ["x" * 300, "a\nb\x1b[31m", "‮gnirts", "", "<b>🔥</b>"])
def test_a_device_of_any_name_leaves_a_short_title_of_one_line(name: str) -> None:
    title = told(-1, 2, None, device=name).title
    assert len(title) < 100
    assert title.isprintable()


def test_a_word_that_the_numbers_dont_bear_is_never_told_as_firm() -> None:
    for word in ("refuted", "supported"):
        found = answer(Facts(Interval(-5, -12, 2), TWELVE, word))  # type: ignore[arg-type]
        assert found.outcome == "not settled"
    alone = answer(Facts(Interval(0, -1, 1), TWELVE, "undecided"))
    assert "part of that range" not in alone.text
    assert "neither rules out nor bears out" in alone.text


ENDS = st.floats(-60, 300) | st.floats(-12, 12) | st.floats(-0.2, 0.2) | st.just(0.0)
CLAIMS = st.none() | st.builds(fuel, ENDS.map(lambda v: min(v, 99))) | st.builds(
    economy, st.floats(-50, 200) | st.sampled_from([0.0, 12.0, 0.05])
)  # fmt: skip


def size(text: str) -> float:
    return float(text.replace("under ", "").replace(",", ""))


@settings(max_examples=150, deadline=None)
@given(
    a=ENDS,
    b=ENDS,
    at_claim=st.sampled_from([None, "low", "high"]),
    by=st.floats(-0.12, 0.12),
    claim=CLAIMS,
    margin=st.floats(0, 0.08) | st.just(0.0),
    against=st.sampled_from([(), ("the logs are in doubt",)]),
    waiting=st.none() | st.builds(Waiting, st.just(3), st.just(8), st.booleans()),
)
def test_no_sentence_contradicts_the_numbers(
    a: float,
    b: float,
    at_claim: str | None,
    by: float,
    claim: Claimed | None,
    margin: float,
    against: tuple[str, ...],
    waiting: Waiting | None,
) -> None:
    low, high = sorted((a, b))
    if claim is not None and at_claim is not None:
        near = max(claim.fuel_use_change_pct + by, -99)
        low, high = (near, near + abs(b)) if at_claim == "low" else (max(near - abs(b), -99), near)
    found = told(low, high, claim, margin=margin, against=against, waiting=waiting)
    whole = f"{found.title} {found.text}"
    assert not STATISTICS.search(whole), whole
    assert found.text.count("this test shows") <= 1
    assert ("shows less" in whole) <= (high < 0)
    assert ("shows more" in whole) <= (low > 0)
    zero_left = (1 + low / 100) * math.exp(-margin) <= 1 <= (1 + high / 100) * math.exp(margin)
    assert ("shows no change" in whole) <= zero_left
    if claim is not None:
        c = claim.fuel_use_change_pct
        assert bool(re.search(r"(?<!neither )rules out the claim", whole)) <= (low > c)
        assert bool(re.search(r"(?<!nor )bears out the claim", whole)) <= (high <= c)
        assert ("part of that range" in whole) <= (low <= c < high)
        assert ("any saving" in whole) <= (low > 0)
    firm = found.outcome in ("ruled out", "borne out")
    assert firm <= (not against and (waiting is None or waiting.may_decide))
    check_amounts(found.text, low, high, claim)


def check_amounts(text: str, low: float, high: float, claim: Claimed | None) -> None:
    """Each amount is the end that it names, to half its last digit."""
    if m := re.search(rf"Between {AMOUNT} less and {AMOUNT} more fuel", text):
        assert low < 0 < high
        assert size(m[1]) == pytest.approx(-low, abs=0.0501)
        assert size(m[2]) == pytest.approx(high, abs=0.0501)
    if m := re.search(rf"Between {AMOUNT} and {AMOUNT} (less|more) fuel", text):
        ends = sorted((abs(low), abs(high)))
        assert (high < 0) == (m[3] == "less")
        assert size(m[1]) == pytest.approx(ends[0], abs=0.0501)
        assert size(m[2]) == pytest.approx(ends[1], abs=0.0501)
        assert size(m[1]) <= size(m[2])
    if m := re.search(rf"rule out a saving under {AMOUNT}", text):
        assert low < 0
        assert size(m[1]) <= -low + 0.0501
    if m := re.search(rf"extra fuel under {AMOUNT}", text):
        assert high > 0
        assert size(m[1]) <= high + 0.0501
    own = re.search(rf"It rules out the claimed [^(]*?(?:\({AMOUNT} less fuel\))", text)
    shown = re.search(rf"Between (?:{AMOUNT} and )?{AMOUNT} less", text)
    if own and shown and claim is not None and "only just" not in text:
        assert size(own[1]) > size(shown[2])


@settings(max_examples=50, deadline=None)
@given(estimate=st.floats(-80, 300), low=ENDS, width=st.floats(0, 30))
def test_the_single_number_is_never_told(estimate: float, low: float, width: float) -> None:
    told = [
        answer(Facts(Interval(e, low, low + width), TWELVE, "undecided")) for e in (estimate, 0.0)
    ]
    assert told[0] == told[1]


def test_whatever_forbids_a_word_says_so_in_plain_words_too() -> None:
    """Each sentence that begins with 'undecided:' is made into a `Veto`, with its plain clause."""
    bare = []
    for name, tree in modules().items():
        vetoes = [
            n
            for n in ast.walk(tree)
            if (isinstance(n, ast.Call) and getattr(n.func, "id", "") == "Veto")
            or (isinstance(n, ast.AnnAssign) and getattr(n.target, "id", "") == "_OBSTACLES")
        ]
        inside = {id(part) for v in vetoes for part in ast.walk(v)}
        bare += [
            f"{name}: {n.value}"
            for n in ast.walk(tree)
            if isinstance(n, ast.Constant)
            and str(n.value).startswith("undecided:")
            and id(n) not in inside
        ]
        for v in vetoes:
            if isinstance(v, ast.Call) and isinstance(v.args[1], ast.Constant):
                assert not STATISTICS.search(str(v.args[1].value)), v.args[1].value
    assert bare == []
    for clause in Against:
        assert not STATISTICS.search(clause.many), clause


def test_a_veto_survives_being_copied_and_stored() -> None:
    veto = Veto("undecided: x", "plain")
    for again in (pickle.loads(pickle.dumps(veto)), copy.deepcopy(veto)):
        assert (again, again.plain) == (veto, "plain")
    assert tuple(map(str, plain_reasons([veto, "undecided: y", veto]))) == (
        "plain",
        "something stands against its figures that is told below",
    )


def test_an_add_on_that_stays_isn_t_to_be_switched_again() -> None:
    """It was told to switch it in and out in an order that chance draws, which can't be done."""
    bare = Facts(Interval(-1.0, None, None), TWELVE, "undecided", one_change=True)
    assert "in an order that chance draws" in answer(bare).sentences[-1]
    stays = answer(replace(bare, stays=True)).sentences[-1]
    assert "drive a second car that never gets it beside this one" in stays


def test_too_few_days_of_two_cars_aren_t_too_few_switches() -> None:
    bare = Facts(Interval(-1.0, None, None), TWELVE, "undecided")
    assert "went in and out too few times" in answer(bare).sentences[0]
    said = " ".join(answer(replace(bare, few_together=True)).sentences)
    assert "both cars drove on too few days in one of the periods" in said
    assert "four days or more of each period" in said
    assert "in and out" not in said
