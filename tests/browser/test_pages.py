"""Every page in a browser: for those who see, hear or print it, at every width, light and dark."""

from collections.abc import Callable
from pathlib import Path

import pytest

from tests.browser.pages import PAGES
from tests.browser.screen import OF_COLOUR, OF_WIDTH, WIDTHS, Screen


@pytest.mark.parametrize("name", PAGES)
def test_nothing_grave_is_found_and_nothing_scrolls_sideways(
    name: str, screen: Screen, written: Callable[[str], Path]
) -> None:
    screen.open(written(name))
    found = []
    for width in WIDTHS:
        for dark in (False, True):
            screen.look(width, dark=dark)
            every = width == WIDTHS[0] and not dark
            rules = () if every else OF_COLOUR if dark else OF_WIDTH
            where = f"{width} px, {'dark' if dark else 'light'}: "
            found += [where + fault for fault in screen.faults(rules)]
        if beyond := screen.sideways_px():
            found.append(f"{width} px: the page scrolls {beyond} px to the side")
    assert not found, "\n".join(found)
    assert screen.asked == []
    assert screen.said == []
