"""Pages of `results/` made again in a reader's units: kept by the bench, never in the study.

Each is kept under the hash of the page that the study holds, so that a page of an earlier analysis
can't be shown for a later one.
"""

import hashlib
from collections.abc import Callable, Mapping
from functools import partial
from pathlib import Path

from roadlog.bench.reader import units_in, word_of
from roadlog.study.durable import atomic_write, make_folder
from roadlog.wording.units import Units, reader_in

MOST_KEPT = 60


def place_of(pages: Path, page: Path, units: Units) -> Path:
    """Where a page of a study is kept in other units.

    Raises
    ------
    OSError
        If the study's own page can't be read.
    """
    with page.open("rb") as file:
        digest = hashlib.file_digest(file, "sha256").hexdigest()
    return pages / f"{digest}.{word_of(units)}.html"


def other_units(word: str, own: Units) -> Units | None:
    """The reader's units if they are other than the study's own."""
    units = units_in(word)
    return None if units == own else units


def keep_for(
    reader: str, pages: str, results: Path, own: Units, make: Callable[[], Mapping[str, bytes]]
) -> None:
    """Make pages again for a reader of other units than the study's own, and keep them.

    Parameters
    ----------
    reader, pages : the word of the reader's units, and where pages in those are kept
    """
    units = other_units(reader, own)
    if units is None or not pages:
        return
    with reader_in(units):
        made = make()
    keep(Path(pages), results, made, units)


def keep(pages: Path, results: Path, made: Mapping[str, bytes], units: Units) -> None:
    """Keep pages beside those of the same names in `results`; the oldest go."""
    make_folder(pages)
    for name, data in made.items():
        if name.endswith(".html"):
            place = place_of(pages, results / name, units)
            atomic_write(place, partial(Path.write_bytes, data=data))
    kept = sorted(pages.glob("*.html"), key=lambda p: p.stat().st_mtime, reverse=True)
    for old in kept[MOST_KEPT:]:
        old.unlink(missing_ok=True)
