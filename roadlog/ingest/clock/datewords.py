"""Words in dates and times to the plain forms that `roadlog.ingest.clock.datetext` reads.

In comes a trimmed text column; out comes the same column with month names of several languages in
English, morning and afternoon as AM and PM, weekdays and filler words taken out, and zones as
offsets where their name says one. The words are dictionary words, from memory; zone names with
more than one meaning are those of RFC 5322 (section 4.3) or none. Part of the ingest stage.
"""

import re
from dataclasses import dataclass
from functools import lru_cache
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import pyarrow as pa

from roadlog.ingest import shelf

_MONTHS = (
    "jan january januar janvier janv enero ene gennaio gen janeiro januari styczeń stycznia sty "
    "leden ledna led ianuarie ian januári jänner jän",
    "feb february februar février fevrier févr fevr fév fev febrero febbraio fevereiro februari "
    "luty lutego lut únor února úno februarie feber",
    "mar march märz maerz mär mrz mars marzo março marco maart mrt marzec marca březen března bře "
    "martie",
    "apr april avril avr abril abr aprile kwiecień kwietnia kwi duben dubna dub aprilie",
    "may mai mayo maggio mag maio mei maj maja květen května kvě",
    "jun june juni juin junio giugno giu junho czerwiec czerwca cze červen června čvn iunie iun",
    "jul july juli juillet juil julio luglio lug julho lipiec lipca červenec července čvc "
    "iulie iul",
    "aug august août aout agosto ago augustus augusti sierpień sierpnia sie srpen srpna",
    "sep sept september septembre septiembre setiembre settembre set setembro wrzesień września "
    "wrz září zář septembrie",
    "oct october oktober okt octobre octubre ottobre ott outubro out październik października paź "
    "říjen října říj octombrie",
    "nov november novembre noviembre novembro listopadu noiembrie noi",
    "dec december dezember dez décembre decembre déc diciembre dic dicembre dezembro grudzień "
    "grudnia gru prosinec prosince pro decembrie",
)
_ENGLISH = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
_MORNING = r"a[. ]*m\.?|vorm\.?|vormittags|dop\.?|π\.?\s?μ\.?|上午|午前|오전"
_AFTERNOON = r"p[. ]*m\.?|nachm\.?|nachmittags|odp\.?|μ\.?\s?μ\.?|下午|午後|오후"
_BESIDE_DIGIT = r"(?:(?<=\d)\s*(?P<{0}>{1})(?![^\W\d_])|(?<![^\W\d_])(?P<{0}2>{1})\s*(?=\d))"
_HALF_DAY = re.compile(
    _BESIDE_DIGIT.format("am", _MORNING) + "|" + _BESIDE_DIGIT.format("pm", _AFTERNOON), re.I
)
_FILLER = re.compile(r"(?<![^\W\d_])(de|del|di|of|at|à|às|um|alle|kl|uhr)(?![^\W\d_])\.?", re.I)
_WEEKDAY = re.compile(r"^[^\W\d_]{2,12}\.?,?\s+(?=\d|[^\W\d_]{3,10}\.?\s+\d)")
_ORDINAL = re.compile(r"(?<=\d)(st|nd|rd|th|er|º|ª)(?![^\W\d_])", re.I)
_WORD = re.compile(r"[^\W\d_]+\.?")
_CLOCK_LETTERS = re.compile(r"(?<=\d)\s?h\s?(\d{1,2})\s?(?:m|min|')\s?(\d{1,2}(?:[.,]\d+)?)\s?s?\b")
_CLOCK_MARKS = re.compile(r"([T_ ])(\d{2})([.\-])(\d{2})\3(\d{2})(?=$|[ .,]\d*$)")
_WHOLE_DAYS = re.compile(
    r"^(\d{1,2})\s*(?:days?|d|Tage?|jours?|días?|giorni)\.?,?\s+(\d{1,2}):", re.I
)
_BRACKETED = re.compile(r"\s*[\[(]\s*([^\])]*?)\s*[\])]\s*$")
_LONG_ZONE = re.compile(r"\s+(?:[A-Z][a-z]+\.?\s+){1,3}(?:Time|Zeit)$")
_PLACE_ZONE = re.compile(r"\s*((?:[A-Z][A-Za-z_]+/)+[A-Z][A-Za-z_\-]+)$")
_SHORT_ZONE = re.compile(r"(?<=[\dMm.])\s*(?!AM$|PM$)([A-Z]{2,5})$")
_OFFSET_AT_END = re.compile(r"(?:Z|[+-]\d{2}:?\d{2}|(?:UTC|GMT)[+-]\d{1,2}(?::?\d{2})?)$")
_ZONES_H = {
    "UT": 0, "UTC": 0, "GMT": 0, "WET": 0, "WEST": 1, "CET": 1, "MEZ": 1, "CEST": 2, "MESZ": 2,
    "EET": 2, "EEST": 3, "MSK": 3,
    # RFC 5322, section 4.3
    "EDT": -4, "EST": -5, "CDT": -5, "CST": -6, "MDT": -6, "MST": -7, "PDT": -7, "PST": -8,
}  # fmt: skip


@dataclass(frozen=True)
class Plain:
    """A text column in plain forms, the place whose zone it names, and zones that say nothing."""

    text: pa.Array | pa.ChunkedArray
    place_zone: str = ""
    unknown_zone: str = ""


def in_plain_forms(text: pa.Array | pa.ChunkedArray) -> Plain:
    """The column with its words in the forms that are read.

    >>> in_plain_forms(pa.array(["Do 05 Mrz 2026 07:10:00 p. m. CET"])).text[0].as_py()
    '05 Mar 2026 07:10:00 PM+01:00'
    """
    if isinstance(text, pa.ChunkedArray):
        return _of_pieces(text)
    place, unknown = "", ""
    out: list[str | None] = []
    for cell in text.to_pylist():
        if cell is None:
            out.append(None)
            continue
        plain, zone, known = _zone_apart(" ".join(cell.replace("\u200f", "").split()))
        if zone and known == "place":
            place = place or zone
        elif zone and not known:
            unknown = unknown or zone
        out.append(_plain(plain))
    return Plain(pa.array(out, pa.string()), place, unknown)


def _of_pieces(text: pa.ChunkedArray) -> Plain:
    """The same of a text that is long, piece by piece."""
    place, unknown, out = "", "", []
    for chunk in text.chunks:
        plain = in_plain_forms(chunk)
        place, unknown = place or plain.place_zone, unknown or plain.unknown_zone
        out.append(shelf.shelved(plain.text))
        shelf.rest()
    return Plain(pa.chunked_array(out, pa.string()), place, unknown)


def _zone_apart(cell: str) -> tuple[str, str, str]:
    """The cell without its zone's name, or with its offset instead; the name; what it is."""
    if bracketed := _BRACKETED.search(cell):
        before, name = cell[: bracketed.start()], bracketed[1]
        if _OFFSET_AT_END.search(before) or not name:
            return before, "", ""
        cell = f"{before} {name}"
    if found := _PLACE_ZONE.search(cell):
        if not _is_place(found[1]):
            return cell[: found.start()], found[1], ""
        return cell[: found.start()], found[1], "place"
    if found := _LONG_ZONE.search(cell):
        return cell[: found.start()], found[0].strip(), ""
    if found := _SHORT_ZONE.search(cell):
        hours = _ZONES_H.get(found[1])
        if hours is None:
            return cell[: found.start()], found[1], ""
        return f"{cell[: found.start()]}{hours:+03d}:00", found[1], "offset"
    return cell, "", ""


@lru_cache(maxsize=256)
def _is_place(name: str) -> bool:
    try:
        ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        return False
    return True


def _plain(cell: str) -> str:
    half = ""
    cell = _WHOLE_DAYS.sub(lambda m: f"{24 * int(m[1]) + int(m[2])}:", cell)
    if found := _HALF_DAY.search(cell):
        half = " AM" if found["am"] or found["am2"] else " PM"
        cell = f"{cell[: found.start()]} {cell[found.end() :]}"
    cell = _CLOCK_LETTERS.sub(r":\1:\2", cell)
    cell = _CLOCK_MARKS.sub(r"\1\2:\4:\5", cell)
    cell = _ORDINAL.sub("", cell)
    if (day := _WEEKDAY.match(cell)) and _month(day[0].split()[0]) is None:
        cell = cell[day.end() :]
    cell = _FILLER.sub(" ", cell)
    cell = " ".join(_WORD.sub(lambda m: _month(m[0]) or m[0], cell).split())
    if not half:
        return cell
    if zone := _OFFSET_AT_END.search(cell):
        return f"{cell[: zone.start()].rstrip()}{half}{zone[0]}"
    return cell + half


def _month(word: str) -> str | None:
    return _by_name().get(word.strip(".,").casefold())


@lru_cache(maxsize=1)
def _by_name() -> dict[str, str]:
    return {
        name: english
        for names, english in zip(_MONTHS, _ENGLISH, strict=True)
        for name in names.split()
    }
