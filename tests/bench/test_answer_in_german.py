"""The answer in German says what it says in English: sentences reviewed, firm words where the
English has them and nowhere else, the same numbers."""

import json
import re
from functools import partial
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from roadlog.bench.as_data import as_data
from roadlog.bench.last_answers import _said
from roadlog.bench.saying import opened, speaker
from roadlog.bench.show import figure
from roadlog.bench.words import catalogue
from roadlog.quantities.against import Against
from roadlog.report.json_out import _coded
from roadlog.stats.interval import Interval
from roadlog.wording.answer import Answer, Claimed, Facts, Waiting, answer
from tests.test_answer import economy, fuel, told

SPEAK = speaker("de", catalogue("de"), partial(figure, comma=True))
ZWOELF = "das Versprechen von 12 % mehr Strecke je Liter"
SATZ = f"{ZWOELF} (10,7 % weniger Kraftstoff)"
HIER = "bei diesem Auto auf diesen Straßen"
BENT = (
    "das Teil kann die Messwerte verbogen haben, aus denen der Verbrauch berechnet ist, nicht den "
    "Verbrauch"
)


def in_german(found: Answer) -> list[str]:
    said = [opened(SPEAK(as_data(fact))) for fact in found.said]
    return [str(s).replace("\u00a0", " ") for s in said]


@pytest.mark.parametrize(
    ("found", "title", "sentences"),
    [
        (told(-6, 10.2), f"D{ZWOELF[1:]}: dieser Versuch schließt es aus", [
            "Zwischen 6,0 % weniger und 10,2 % mehr Kraftstoff: dieser Versuch zeigt keine "
            "Änderung.",
            f"Das schließt {SATZ} aus, {HIER}.",
            "Nicht auszuschließen ist eine Ersparnis unter 6,0 %, ebenso wenig ein Mehrverbrauch "
            "unter 10,2 %."]),
        (told(-12, 3), f"D{ZWOELF[1:]}: dieser Versuch klärt es nicht", [
            "Zwischen 12,0 % weniger und 3,0 % mehr Kraftstoff: dieser Versuch zeigt keine "
            "Änderung.",
            f"Weder ausgeschlossen noch gestützt ist {SATZ}: ein Teil dieser Spanne erreicht es, "
            "ein Teil nicht.",
            "Nicht auszuschließen ist eine Ersparnis unter 12,0 %, ebenso wenig ein Mehrverbrauch "
            "unter 3,0 %."]),
        (told(-16, -11), f"D{ZWOELF[1:]}: dieser Versuch stützt es, {HIER}", [
            f"Zwischen 11,0 % und 16,0 % weniger Kraftstoff: dieser Versuch zeigt weniger "
            f"Kraftstoff, {HIER}.",
            f"Das stützt {SATZ}.",
            "Wie groß die Ersparnis innerhalb dieser Spanne ist, sagt das nicht."]),
        (told(2, 9), f"D{ZWOELF[1:]}: dieser Versuch schließt es aus", [
            f"Zwischen 2,0 % und 9,0 % mehr Kraftstoff: dieser Versuch zeigt mehr Kraftstoff, "
            f"{HIER}.",
            f"Das schließt {SATZ} und jede Ersparnis aus.",
            "Wie groß der Mehrverbrauch innerhalb dieser Spanne ist, sagt das nicht."]),
        (told(-1, -0.5, fuel(-5)),
         f"Das Versprechen „höchstens 5 % mehr Kraftstoff“: dieser Versuch stützt es, {HIER}", [
            f"Zwischen 0,5 % und 1,0 % weniger Kraftstoff: dieser Versuch zeigt weniger "
            f"Kraftstoff, {HIER}.",
            "Das stützt das Versprechen „höchstens 5 % mehr Kraftstoff“.",
            "Wie groß die Ersparnis innerhalb dieser Spanne ist, sagt das nicht."]),
        (told(0.3, 2, margin=0.01), f"D{ZWOELF[1:]}: dieser Versuch schließt es aus", [
            "Zwischen 0,3 % und 2,0 % mehr Kraftstoff, im kleinsten Fall nicht mehr, als "
            "ungleiches Fahren oder ungleiche Luft bewirken könnten: dieser Versuch zeigt keine "
            "Änderung.",
            f"Das schließt {SATZ} aus, {HIER}.",
            "Nicht auszuschließen ist ein Mehrverbrauch unter 2,0 %, ebenso wenig, dass sich "
            "nichts geändert hat (3,0 %, falls Fahren und Luft nicht ganz gleich gehalten "
            "waren)."]),
        (told(-6, 10.2, against=(Against.BENT(),)),
         f"D{ZWOELF[1:]}: dieser Versuch gibt keine Antwort", [
            f"Dieser Versuch gibt über {SATZ} keine Antwort: {BENT}.",
            "Die Zahlen reichen von 6,0 % weniger Kraftstoff bis 10,2 % mehr Kraftstoff, doch "
            "darf kein Schluss darauf ruhen.",
            "Das Versprechen ist damit weder ausgeschlossen noch gestützt."]),
        (told(-6, 10.2, waiting=Waiting(3, 10, False)),
         f"D{ZWOELF[1:]}: noch nicht entschieden, dieser Versuch läuft noch", [
            "Dieser Versuch ist noch nicht zu Ende: 3 von 10 geplanten Tagen liegen vor.",
            "Bisher reichen die Zahlen von 6,0 % weniger Kraftstoff bis 10,2 % mehr Kraftstoff, "
            "und sie können sich noch in beide Richtungen verschieben.",
            f"Vor dem Ende ist über {SATZ} nichts entschieden."]),
        (told(-6, -2, None, synthetic=True, device="Ring 5.0 X"),
         "Kraftstoff mit <bdi>Ring 5.0 X</bdi>: dieser erfundene Versuch zeigt weniger Kraftstoff",
         [f"Zwischen 2,0 % und 6,0 % weniger Kraftstoff: dieser erfundene Versuch zeigt weniger "
          f"Kraftstoff, {HIER}.",
          "Wie groß die Ersparnis innerhalb dieser Spanne ist, sagt das nicht.",
          "Ein Versprechen, an dem das zu messen wäre, wurde nicht angegeben."]),
        (told(None, None, None, one_change=True),
         "Kraftstoff mit <bdi>add-on</bdi>: dieser Versuch gibt keine Antwort", [
            "Dieser Versuch gibt keine Antwort: es wurde nur einmal umgebaut, also trennt nichts "
            "das Teil von dem, was sich dabei sonst noch änderte, etwa Wetter, Reifen oder "
            "Kraftstoff.",
            "Damit ist weder gesagt, dass sich der Verbrauch geändert hat, noch, dass er gleich "
            "blieb.",
            "Um es zu klären, bauen Sie es noch einmal ein und aus, in einer Reihenfolge, die der "
            "Zufall auslost."]),
    ],
)  # fmt: skip
def test_each_case_in_reviewed_german(found: Answer, title: str, sentences: list[str]) -> None:
    assert in_german(found) == [title, *sentences]


def test_a_reason_that_is_no_fact_stays_english_and_is_marked_so() -> None:
    said = in_german(told(-6, 10.2, against=("a reason at 5.0 x",)))
    assert '<span lang="en">a reason at 5.0 x</span>' in said[1]


ENDS = st.floats(-40, 40)
WORDS = st.sampled_from(["refuted", "supported", "undecided"])
LOOKS = st.none() | st.builds(Waiting, st.integers(1, 9), st.just(10), st.booleans())
CLAIMS = st.none() | st.floats(-9, 30).map(economy) | st.floats(-9, 30).map(fuel)


@settings(max_examples=150, deadline=None)
@given(
    ENDS, ENDS, CLAIMS, WORDS, st.sampled_from([0.0, 0.02]),
    st.lists(st.sampled_from(list(Against)), max_size=3, unique=True), LOOKS, st.booleans(),
)  # fmt: skip
def test_german_is_as_firm_as_english_and_has_its_numbers(
    a: float, b: float, claim: Claimed | None, word: Any, margin: float, against: list[Against],
    look: Waiting | None, change: bool,
) -> None:  # fmt: skip
    low, high = min(a, b), max(a, b)
    why = tuple(kind() for kind in against)
    found = answer(
        Facts(Interval((low + high) / 2, low, high), claim, None if claim is None else word,
              margin, () if change else why, why if change else (), look)
    )  # fmt: skip
    said = in_german(found)
    whole = " ".join(said)
    assert "lang=" not in whole
    assert "{" not in whole
    assert ("schließt es aus" in said[0]) == (found.outcome == "ruled out")
    assert ("stützt es" in said[0]) == (found.outcome == "borne out")
    assert any(s.startswith("Das schließt ") for s in said) == (found.outcome == "ruled out")
    assert any(s.startswith("Das stützt ") for s in said) == (found.outcome == "borne out")
    assert ("zeigt weniger" in whole) == (found.shows == "less")
    assert ("zeigt mehr" in whole) == (found.shows == "more")
    assert ("zeigt keine Änderung" in whole) <= (found.shows == "no change")
    for english, german in zip((found.title, *found.sentences), said, strict=True):
        there = re.findall(r"\d[\d,]*(?:\.\d+)?", english)
        here = re.findall(r"\d[\d.]*(?:,\d+)?", german)
        marks = str.maketrans(".,", ",.")
        assert sorted(n.translate(marks) for n in there) == sorted(here)


def stored(found: Answer) -> dict[str, Any]:
    plain = {"title": found.title, "sentences": found.sentences, "said": found.said}
    plain["said"] = [_coded(f) for f in found.said]  # type: ignore[assignment]
    read: dict[str, Any] = json.loads(json.dumps(plain))
    return read


def test_german_is_spoken_only_of_facts_that_say_what_was_written() -> None:
    """An earlier roadlog's results, and any that were changed by hand, are shown as written."""
    found = told(-6, 10.2, against=(Against.BENT(), "one of its own"))
    read = stored(found)
    assert [SPEAK(s) for s in _said(read)] == [SPEAK(as_data(f)) for f in found.said]
    english = [{"english": s} for s in (found.title, *found.sentences)]
    older = {k: v for k, v in read.items() if k != "said"}
    forged = {**read, "said": stored(told(-16, -11))["said"]}
    other = {**read, "said": [{"code": "Told.OF_A_LATER_ROADLOG", "values": {}}]}
    broken: list[Any] = [
        None,
        7,
        "x",
        [7],
        [{"code": "Told.TEST"}],
        [{"code": "Told.AT", "values": {}}],
    ]
    for results in (older, forged, other, *({**read, "said": b} for b in broken)):
        assert _said(results) == english
