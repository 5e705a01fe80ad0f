"""Facts as the page's reader hears them: sentence and values go over as data, the page speaks them.

A sentence that the catalogue lacks, and what isn't a fact yet, stays English and is marked so that
a screen reader speaks it as English.
"""

import datetime as dt
import re
from collections.abc import Callable
from typing import Any

from markupsafe import Markup, escape

from roadlog.bench.words import ENGLISH, Catalogue
from roadlog.wording.screen import typeset
from roadlog.wording.units import shown_in

WEEKDAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
A_DAY, MORE_DAYS = "{weekday} {day} {month}", "{days} and {more} more"
_ISO = re.compile(r"(\d{4})-(\d\d)-(\d\d)(?!\d)")
_AMOUNT = re.compile(r"[\d,]+(?:\.\d+)?(?= \D+$)")
_TWICE = re.compile(r"(?<=[a-zä]\.)\.(?=\s|$)")  # a shortened month ends the sentence
_HOW = re.compile(r"(?<=\w):[^{}]+\}")  # a value's format: what goes over is formatted already
Figure = Callable[[str], str]


def speaker(language: str, texts: Catalogue, figure: Figure) -> Callable[[Any], Markup]:
    """What makes such values a sentence in a language, for templates."""

    def days(data: dict[str, Any]) -> str:
        names, last = [weekday_of(d, texts) for d in data["days"]], texts.gettext("and")
        if data["more"]:
            more = texts.gettext(MORE_DAYS)
            return more.format(days=", ".join(names), more=data["more"])
        head = ", ".join(names[:-1])
        return f"{head} {last} {names[-1]}" if head else names[0]

    def value(data: Any) -> Any:
        if isinstance(data, dict) and "name" in data:
            return Markup("<bdi>{}</bdi>").format(data["name"])
        if isinstance(data, dict):
            return escape(days(data)) if "days" in data else speak(data)
        if isinstance(data, int):
            return data
        return escape(_AMOUNT.sub(lambda m: figure(m[0]), f"{data}"))

    def speak(data: Any) -> Markup:
        if not isinstance(data, dict) or "english" in data:
            plain = data["english"] if isinstance(data, dict) else data
            return _in_english(typeset(f"{plain}"), language)
        sentence = data["say"]
        known = language == ENGLISH or texts.texts.get(sentence)
        values = {k: value(v) for k, v in data["with"].items()}
        if known:
            spoken = Markup(escape(_HOW.sub("}", texts.gettext(sentence)))).format(**values)
            with shown_in("metric"):  # the values are in the reader's units already
                return Markup(typeset(_TWICE.sub("", spoken)))
        english = speaker(ENGLISH, Catalogue({}, {}), str)
        return _in_english(english(data), language)

    return speak


def weekday_of(iso: str, texts: Catalogue) -> str:
    """A day by its weekday and month, in a language.

    >>> weekday_of("2027-03-01", Catalogue({}, {}))
    'Mon 1 Mar'
    """
    date = dt.date.fromisoformat(iso)
    weekday, month = WEEKDAYS[date.weekday()], MONTHS[date.month - 1]
    return texts.gettext(A_DAY).format(
        weekday=texts.gettext(weekday), day=date.day, month=texts.gettext(month)
    )


def opened(sentence: Markup) -> Markup:
    """A sentence that begins with a capital."""
    return Markup(sentence[:1].upper() + sentence[1:])


def _in_english(text: str, language: str) -> Markup:
    if language == ENGLISH:
        return escape(text)
    return Markup('<span lang="en">{}</span>').format(text)


def day_of(text: str, language: str) -> str:
    """ISO dates in a text as the language writes them.

    >>> day_of("2027-03-01 07:30", "de"), day_of("2027-03-01", "en")
    ('01.03.2027 07:30', '2027-03-01')
    """
    return _ISO.sub(r"\3.\2.\1", text) if language == "de" else text
