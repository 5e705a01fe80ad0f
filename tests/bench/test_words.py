"""The bench's texts: every one that a template or the code has stands in each catalogue."""

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from babel.messages.extract import extract_from_dir
from babel.messages.pofile import read_po

import roadlog.bench
from roadlog.bench.facts import OnPage
from roadlog.bench.saying import A_DAY, MONTHS, MORE_DAYS, WEEKDAYS
from roadlog.bench.words import ENGLISH, catalogue, chosen, languages
from roadlog.ingest.facts import COLUMN_NOTES, Repair, Unclear
from roadlog.plan.facts import Stands, Step
from roadlog.plan.questions import QUESTIONS
from roadlog.quantities.against import Against
from roadlog.quantities.facts import Kind
from roadlog.runs.daily_notes import ITEMS
from roadlog.runs.facts import OfIntake
from roadlog.wording.facts import Told

BENCH = Path(roadlog.bench.__file__).parent
WAYS = [("pages/**.py", "python"), ("**.py", "python"), ("templates/**.html", "jinja2")]
WORDS = {
    "_": None, "gettext": None, "ngettext": (1, 2), "N_": None, "text": (2,),
}  # fmt: skip
SPOKEN: tuple[type[Kind], ...] = (
    Stands, Step, Told, Against, Unclear, Repair, OfIntake, OnPage
)  # fmt: skip
PLACES = re.compile(r"%\((\w+)\)|\{(\w+)(?::[^{}]+)?\}")


def in_source() -> Iterator[str]:
    """Every text to translate; of one and many, both."""
    options = {"templates/**.html": {"trim_blocks": "true", "lstrip_blocks": "true"}}
    for _, _, said, _, _ in extract_from_dir(BENCH, WAYS, options, keywords=WORDS, comment_tags=()):
        yield said if isinstance(said, str) else said[0]
    asked = [*(q.words for q in QUESTIONS), *(i.ask for i in ITEMS), "First day"]
    yield from (words.replace("%", "%%") for words in asked)
    yield from (said for kind in SPOKEN for k in kind for said in (k.one, k.many))
    yield from COLUMN_NOTES
    yield from (*WEEKDAYS, *MONTHS, A_DAY, MORE_DAYS)
    yield from (label for label in ("Done", "Today", "Missing", "Mend", "Clock"))


def others() -> list[str]:
    return [name for name in languages() if name != ENGLISH]


def test_there_is_one_more_language() -> None:
    assert "de" in languages()


@pytest.mark.parametrize("language", others())
def test_no_text_is_missing_in_a_catalogue(language: str) -> None:
    texts = catalogue(language)
    known = set(texts.texts) | set(texts.plurals)
    missing = sorted(m for m in set(in_source()) if m not in known)
    assert not missing, "\n".join(missing)


@pytest.mark.parametrize("language", others())
def test_a_translation_keeps_the_places_for_values(language: str) -> None:
    with (BENCH / "locale" / language / "LC_MESSAGES" / "bench.po").open("rb") as file:
        read = read_po(file, locale=language)
    for message in read:
        if not message.id:
            continue
        pairs = (
            [(message.id, message.string)]
            if isinstance(message.id, str)
            else [(message.id[-1], s) for s in message.string[-1:]]
        )
        for source, said in pairs:
            assert said, source
            assert set(PLACES.findall(str(said))) == set(PLACES.findall(source)), source


def test_the_browsers_language_is_taken_if_there_is_one() -> None:
    assert chosen(["de-AT;q=0.9", "en"]) == "de"
    assert chosen(["xx", "yy"]) == ENGLISH
