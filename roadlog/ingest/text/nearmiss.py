"""Headers that are nearly words that are known: slips of the pen, to be proposed and never taken.

In come a log's headers; out come, for those that mean nothing, the nearest known word by edit
distance and what it would mean. Part of the ingest stage.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

from roadlog.ingest.text.columns import Meaning, bare_words, known_phrases

_LEAST_LETTERS = 4
_LETTERS_A_SLIP = 7  # one wrong letter for every seven, and one at least
_MOST_SLIPS = 3
_CLOCKS = ("time", "date", "engine_runtime_s")


@dataclass(frozen=True)
class NearMiss:
    """A header, the known word that it nearly is, and what that word means."""

    header: str
    word: str
    means: str

    def as_time(self) -> bool:
        """Whether the column may tell time."""
        return self.means in _CLOCKS


def near_misses(meanings: Sequence[Meaning]) -> list[NearMiss]:
    """The nearest known word of each header that is none, the nearest header first."""
    headers = [m.header for m in meanings if m.role == "unmatched" and not m.note]
    found = [near for near in map(_nearest, headers) if near is not None]
    return [miss for _, miss in sorted(found, key=lambda f: f[0])]


@lru_cache(maxsize=4096)
def _nearest(header: str) -> tuple[float, NearMiss] | None:
    """The known word that a header nearly is, and which share of its letters is wrong."""
    own = bare_words(header)
    best = min(
        (
            (slips(own, word), word, means)
            for word, means in known_phrases().items()
            if _digits(word) == _digits(own) and len(word) >= _LEAST_LETTERS
        ),
        default=None,
    )
    allowed = min(_MOST_SLIPS, max(1, len(own) // _LETTERS_A_SLIP))
    if best and len(own) >= _LEAST_LETTERS and 0 < best[0] <= allowed:
        return best[0] / len(own), NearMiss(header, best[1], best[2])
    return None


def _digits(text: str) -> str:
    return "".join(c for c in text if c.isdigit())


def slips(a: str, b: str) -> int:
    """Letters to change, add, drop or swap with a neighbour to make one text the other.

    >>> slips("enginerun tine", "enginerun time"), slips("vehicel speed", "vehicle speed")
    (1, 1)
    """
    if abs(len(a) - len(b)) > _MOST_SLIPS:
        return _MOST_SLIPS + 1
    before: list[int] = []
    row = list(range(len(b) + 1))
    for i, x in enumerate(a, 1):
        older, before, row = before, row, [i]
        for j, y in enumerate(b, 1):
            least = min(before[j] + 1, row[j - 1] + 1, before[j - 1] + (x != y))
            if older and j > 1 and x == b[j - 2] and a[i - 2] == y:
                least = min(least, older[j - 2] + 1)
            row.append(least)
    return row[-1]
