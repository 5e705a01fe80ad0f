"""The bench's texts in the reader's language: one catalogue, English in the source.

`locale/xx/LC_MESSAGES/bench.po` holds a language; a text that it lacks stays English.
"""

import gettext
from collections.abc import Iterable
from functools import lru_cache
from importlib.resources import files

ENGLISH = "en"


class Catalogue(gettext.NullTranslations):
    """Translations read from a .po file, so that no step of building is needed."""

    def __init__(self, texts: dict[str, str], plurals: dict[str, tuple[str, ...]]) -> None:
        super().__init__()
        self.texts, self.plurals = texts, plurals

    def gettext(self, message: str) -> str:
        """The text in this language, or as it is."""
        return self.texts.get(message) or message

    def ngettext(self, msgid1: str, msgid2: str, n: int) -> str:
        """The text for one or for many; languages with more than two forms take the last."""
        forms = self.plurals.get(msgid1)
        if not forms:
            return msgid1 if n == 1 else msgid2
        return forms[0] if n == 1 else forms[-1]


def languages() -> tuple[str, ...]:
    """English and every language that has a catalogue."""
    home = files("roadlog.bench") / "locale"
    if not home.is_dir():
        return (ENGLISH,)
    return (ENGLISH, *sorted(d.name for d in home.iterdir() if (d / "LC_MESSAGES").is_dir()))


@lru_cache(maxsize=8)
def catalogue(language: str) -> Catalogue:
    """The texts of a language."""
    if language == ENGLISH:
        return Catalogue({}, {})
    from babel.messages.pofile import read_po

    path = files("roadlog.bench") / "locale" / language / "LC_MESSAGES" / "bench.po"
    with path.open("rb") as file:
        read = read_po(file, locale=language)
    texts: dict[str, str] = {}
    plurals: dict[str, tuple[str, ...]] = {}
    for message in read:
        if message.fuzzy or not message.id:
            continue
        if isinstance(message.id, str):
            texts[message.id] = str(message.string)
        else:
            plurals[message.id[0]] = tuple(map(str, message.string or ()))
    return Catalogue(texts, plurals)


def chosen(wanted: Iterable[str]) -> str:
    """The first language of a browser's list that there is, or English."""
    there = languages()
    for tag in wanted:
        short = tag.strip().split(";")[0].split("-")[0].lower()
        if short in there:
            return short
    return ENGLISH
