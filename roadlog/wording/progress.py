"""Progress of long work: any iterable goes in and comes out the same, counted on the way.

It serves commands that take seconds on many files, and implements no part of the method. A process
that works for the bench listens instead of drawing a bar.
"""

from collections.abc import Callable, Iterable, Iterator, Sized
from contextvars import ContextVar
from typing import TypeVar

T = TypeVar("T")

Heard = Callable[[str, int, int | None], None]  # what is counted, how many, of how many
LISTENER: ContextVar[Heard | None] = ContextVar("LISTENER", default=None)


def bar(items: Iterable[T], what: str, shown: bool, total: int | None = None) -> Iterator[T]:
    """The items, counted on standard error under the name `what` if `shown`, or for a listener.

    `total` is how many there will be, where the items themselves don't know.
    """
    heard = LISTENER.get()
    if total is None and isinstance(items, Sized):
        total = len(items)
    if heard is not None:
        for i, item in enumerate(items):
            heard(what, i, total)
            yield item
        heard(what, total or 0, total)
        return
    from tqdm import tqdm

    yield from tqdm(
        items, desc=f"{what:<10}", total=total, disable=not shown, leave=False, unit="run"
    )
