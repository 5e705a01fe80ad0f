"""Progress bars on standard error: any iterable goes in and comes out the same.

It serves commands that take seconds on many files, and implements no part of the method.
"""

from collections.abc import Iterable, Iterator
from typing import TypeVar

T = TypeVar("T")


def bar(items: Iterable[T], what: str, shown: bool) -> Iterator[T]:
    """The items, counted on standard error under the name `what` if `shown`."""
    from tqdm import tqdm

    yield from tqdm(items, desc=f"{what:<10}", disable=not shown, leave=False, unit="run")
