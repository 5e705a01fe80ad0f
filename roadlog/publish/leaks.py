"""The leak test: every byte that is to be published, held against what must not be there.

A folder and a study's `PrivateFacts` go in; what leaks comes out, each with its file. Archives,
compressed streams, embedded images and text in other spellings (entities, escapes, base 64) are
opened; places are looked for in every form in which coordinates are written.
"""

import getpass
import re
import socket
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath

import numpy as np
import pandas as pd

from roadlog.analysis.result import Analysed
from roadlog.ingest import Log
from roadlog.publish.contents import Content, contents
from roadlog.publish.coordinates import places_in_columns, places_told
from roadlog.publish.places import hidden_points
from roadlog.publish.private import Secrets
from roadlog.quantities.vin import VIN
from roadlog.runs.table import Sources
from roadlog.study.settings import Study

NEAR_M = 300.0
_HEAD_BYTES = 1 << 16
_MAC = re.compile(r"(?<![0-9A-Fa-f:-])(?:[0-9A-Fa-f]{2}([:-]))(?:[0-9A-Fa-f]{2}\1){4}"
                  r"[0-9A-Fa-f]{2}(?![0-9A-Fa-f:-])")  # fmt: skip
_MAIL = re.compile(r"[\w.+-]{2,}@[\w-]+(?:\.[\w-]+)+")
_HOME = re.compile(r"(?:(?<![\w.])/home/|/Users/|[A-Za-z]:\\Users\\)[^/\\\s\"'<>]{1,40}")
_PLATE = re.compile(r"(?<!\w)[A-ZÄÖÜ]{1,3}[- ][A-Z]{1,2}[- ]?\d{1,4}[EH]?(?!\w)")
_OUR_NAMES = re.compile(r"run-?\d+\.csv|(?:control_)?(?:notes|weather|fills|cans|runs|passes)\.csv")
_A_DATE = re.compile(r"[\d._-]{8,10}")
_FILLS = ("fills.csv", "cans.csv")
_ORDINARY = frozenset(
    {"root", "user", "admin", "guest", "home", "data", "test", "demo", "work", "main", "debian",
     "ubuntu", "localhost", "roadlog", "runner", "build", "docker", "driver", "report", "study"}
)  # fmt: skip


@dataclass(frozen=True)
class Leak:
    """Something private in what is to be published."""

    file: str
    what: str

    def __str__(self) -> str:
        return f"{self.file}: {self.what}"


@dataclass(frozen=True)
class PrivateFacts:
    """What must not be in anything published.

    `names` are files' names, `paths` folders, `words` names of user, computer, vehicle and radio;
    `places` true ends of runs, stops and circles [°]; `numbers` drawn ones, as text; `stamps` true
    times, as text, and `exact` those to the millisecond; `dates` true days, where all are moved;
    `fills` true times and odometers of fills, which their tables must not have.
    """

    names: frozenset[str] = frozenset()
    paths: frozenset[str] = frozenset()
    words: frozenset[str] = frozenset()
    places: tuple[tuple[float, float], ...] = ()
    numbers: frozenset[str] = frozenset()
    stamps: frozenset[str] = field(default=frozenset(), repr=False)
    exact: frozenset[str] = field(default=frozenset(), repr=False)
    dates: frozenset[str] = field(default=frozenset(), repr=False)
    fills: frozenset[str] = field(default=frozenset(), repr=False)


def private_facts(
    whole: Analysed, sources: Sources, logs: Sequence[Log], secrets: Secrets
) -> PrivateFacts:
    """What of a study must not be published."""
    own = own_words(whole.study)
    files = [*(p for p, _ in sources.runs), *sources.tracks, *sources.control]
    paths = {str(p) for f in files for p in (f.parent, f.resolve().parent)}
    paths |= {str(Path.home()), str(Path.cwd())}
    if sources.root is not None:
        paths |= {str(sources.root), str(sources.root.resolve())}
    points = {p for log in logs for p in hidden_points(log.frame)}
    points |= {(p.lat_deg, p.lon_deg) for p in (*secrets.places, *secrets.circles)}
    stamps, exact = _stamps(whole, logs)
    offsets = [x for p in (*secrets.places, *secrets.circles) for x in (p.east_m, p.north_m)]
    return PrivateFacts(
        names=frozenset(_names(files, own)),
        paths=frozenset(p for p in paths if len(PurePosixPath(p).parts) > 2),
        words=frozenset(w for w in (*_machine(), *_raw_tokens(files)) if w not in own),
        places=tuple(sorted(points)),
        numbers=frozenset(str(abs(x))[:9] for x in (secrets.length_m, *offsets)),
        stamps=frozenset(stamps),
        exact=frozenset(exact),
    )


def own_words(study: Study) -> str:
    """The user's own words that are published: names, labels, batches."""
    return "\n".join(
        [study.name, study.device.name, *([] if study.control is None else [study.control.name]),
         *study.labels.values(), *(b.name for b in study.batches),
         *study.analysis.exclude_if, *study.analysis.noted_covariates]
    )  # fmt: skip


def doubtful_words(study: Study) -> list[str]:
    """Sentences on the user's own words that look like a plate, VIN, address or computer's name."""
    text = own_words(study)
    found = [("a vehicle's identification number", m[0]) for m in VIN.finditer(text)]
    found += [("a number plate", m[0]) for m in _PLATE.finditer(text)]
    found += [("an e-mail address", m[0]) for m in _MAIL.finditer(text)]
    found += [("this computer's or its user's name", w) for w in _machine() if w in text.casefold()]
    return [
        f"'{word}' looks like {what}, and names, labels and batches of study.toml are published "
        "as they are: change it there if nobody should read it"
        for what, word in found
    ]


def leaks(folder: Path, private: PrivateFacts) -> list[Leak]:
    """Everything in a folder that must not be published.

    Parameters
    ----------
    folder : Path
        What is to be published, or one file of it.
    private : PrivateFacts

    Returns
    -------
    list of Leak
        Each finding once a file; empty if nothing was found.
    """
    found: dict[Leak, None] = {}
    known: dict[str, tuple[str, ...]] = {}
    for content in contents(folder):
        if not content.read_before:
            known[content.same_as] = tuple(_in_text(content, private))
        for what in (*_in_name(content, private), *known[content.same_as]):
            found[Leak(content.name, what)] = None
    return list(found)


def _in_name(content: Content, private: PrivateFacts) -> Iterator[str]:
    for word in (*private.names, *private.words):
        if _word(word).search(content.name):
            yield f"its name holds '{word}'"


def _in_text(content: Content, private: PrivateFacts) -> Iterator[str]:
    if content.metadata:
        yield content.metadata
    for text in content.texts:
        if content.name.endswith(_FILLS):
            yield from (f"a fill's true '{f}'" for f in private.fills if f in _cells(text))
        for name in private.names:
            if name in text and _word(name).search(text):
                yield f"the file name '{name}'"
        for path in private.paths:
            if path in text:
                yield f"the folder '{path}'"
        folded = text.casefold()
        for word in private.words:
            if word.casefold() in folded and _word(word).search(text):
                yield f"the name '{word}'"
        yield from (f"a home folder, '{m[0]}'" for m in _HOME.finditer(text))
        yield from (f"a vehicle's identification number, '{m[0]}'" for m in VIN.finditer(text))
        yield from (f"a radio's address, '{m[0]}'" for m in _MAC.finditer(text))
        for number in private.numbers:
            if number in text and re.search(rf"(?<![\d.]){re.escape(number)}", text):
                yield f"a number that was drawn for privacy, {number}"
        wanted = private.exact if content.is_table else private.stamps | private.exact
        yield from (f"a true time, '{s}'" for s in wanted if s in text)
        yield from (f"a true date, '{d}'" for d in private.dates if d in text)
        search = places_in_columns if content.is_table else places_told
        for lat, lon, how in search(text, private.places, NEAR_M):
            yield f"a hidden place, {lat:.4f}, {lon:.4f}, {how}"


def _cells(table: str) -> set[str]:
    return set(re.split(r"[,;\s]+", table))


def _word(word: str) -> re.Pattern[str]:
    return re.compile(rf"(?<!\w){re.escape(word)}(?!\w)", re.IGNORECASE)


def _names(files: Sequence[Path], own: str) -> Iterator[str]:
    """Names of raw files, and their stems where these aren't plain words, dates or our own."""
    for file in files:
        if not _OUR_NAMES.fullmatch(file.name):
            yield file.name
        telling = len(file.stem) >= 8 and re.search(r"\d", file.stem)
        if telling and not _A_DATE.fullmatch(file.stem) and file.stem not in own:
            yield file.stem


def _machine() -> list[str]:
    found = []
    for ask in (getpass.getuser, socket.gethostname):
        try:
            found.append(ask().casefold())
        except (OSError, KeyError, ImportError):
            continue
    return [w for w in found if len(w) >= 4 and w not in _ORDINARY]


def _raw_tokens(files: Sequence[Path]) -> Iterator[str]:
    """Numbers of vehicles and radios, and addresses, that the raw logs begin with."""
    for file in files:
        with file.open("rb") as raw:
            head = raw.read(_HEAD_BYTES).decode("utf-8", "replace")
        for pattern in (VIN, _MAC, _MAIL):
            yield from (m[0] for m in pattern.finditer(head))


def _stamps(whole: Analysed, logs: Sequence[Log]) -> tuple[set[str], set[str]]:
    """True starts and ends as texts: to the second or as an epoch, and to the millisecond."""
    moments = [pd.Timestamp(t) for t in whole.runs["start"].dropna()]
    epochs: list[pd.Timestamp] = []
    for log in logs:
        if log.start is not None and len(log.frame):
            last = float(log.frame["t_s"].iloc[-1])
            ends = [log.start, log.start + pd.Timedelta(last, unit="s")]
            moments += [t.tz_localize(None) for t in ends]
            epochs += [t for t in ends if t.tz is not None]
    stamps, exact = set[str](), set[str]()
    for t in moments:
        for form in ("%Y-%m-%dT%H:%M:%S", "%Y-%m-%d %H:%M:%S", "%d.%m.%Y %H:%M:%S"):
            fine = f"{t:{form}}.{t.microsecond // 1000:03d}"
            if t.microsecond:
                exact.add(fine)
            if t.second:
                stamps.add(f"{t:{form}}")
    stamps |= {str(int(t.timestamp())) for t in epochs}
    exact |= {str(int(t.timestamp() * 1000)) for t in epochs if np.isfinite(t.timestamp())}
    return stamps, exact
