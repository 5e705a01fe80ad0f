"""Every page in a browser: for those who see, hear or print it, at every width, light and dark."""

import re
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.browser.pages import PAGES
from tests.browser.screen import OF_COLOUR, OF_WIDTH, WIDTHS, Screen

# Every rule once; then those that colours or the width can change, contrast once in the dark. All
# rules at all widths in both: `pytest -m slow tests/browser`.
LOOKS: dict[tuple[int, bool], tuple[str, ...]] = {
    (390, False): (),
    (390, True): ("link-in-text-block",),
    (768, False): OF_WIDTH,
    (768, True): ("link-in-text-block",),
    (1280, False): OF_WIDTH,
    (1280, True): OF_COLOUR,
}


@pytest.mark.parametrize("name", PAGES)
def test_nothing_grave_is_found_headings_are_in_order_and_nothing_scrolls_sideways(
    name: str, screen: Screen, written: Callable[[str], Path]
) -> None:
    screen.open(written(name))
    found = []
    for (width, dark), rules in LOOKS.items():
        screen.look(width, dark=dark)
        where = f"{width} px, {'dark' if dark else 'light'}: "
        found += [where + fault for fault in screen.faults(rules)]
        if beyond := screen.sideways_px():
            found.append(f"{where}the page scrolls {beyond} px to the side")
    assert not found, "\n".join(found)
    assert screen.asked == []
    assert screen.said == []


@pytest.mark.slow
@pytest.mark.parametrize("name", PAGES)
def test_every_rule_at_every_width_in_light_and_dark(
    name: str, screen: Screen, written: Callable[[str], Path]
) -> None:
    screen.open(written(name))
    for width in WIDTHS:
        for dark in (False, True):
            screen.look(width, dark=dark)
            assert screen.faults() == [], (width, dark)


@pytest.mark.parametrize("name", PAGES)
def test_text_twice_as_large_still_fits(
    name: str, screen: Screen, written: Callable[[str], Path]
) -> None:
    """WCAG 2.2, success criterion 1.4.4: text resized to 200 % loses no content."""
    screen.look(1280)
    screen.open(written(name))
    screen.page.evaluate("document.documentElement.style.fontSize = '200%'")
    assert screen.sideways_px() == 0


@pytest.mark.parametrize("name", PAGES)
def test_on_paper_nothing_is_folded_or_cut_off(
    name: str, screen: Screen, written: Callable[[str], Path]
) -> None:
    """A4 less its margins is 182 mm, which is 688 px of a browser's paper."""
    screen.look(688)
    screen.open(written(name))
    screen.page.emulate_media(media="print")
    hidden = """() => [...document.querySelectorAll('details')].filter(d => {
      const last = d.lastElementChild;
      return last !== d.firstElementChild && last.getBoundingClientRect().height === 0;
    }).length"""
    assert screen.page.evaluate(hidden) == 0
    wide = """() => [...document.querySelectorAll('table, pre, figure, svg.road-sketch')]
      .filter(e => e.getBoundingClientRect().right > innerWidth + 1)
      .map(e => e.textContent.slice(0, 60))"""
    assert screen.page.evaluate(wide) == []


@pytest.mark.parametrize("name", PAGES)
def test_plots_follow_the_theme(name: str, written: Callable[[str], Path]) -> None:
    """A colour of a plot that isn't a variable of the page would stay dark on dark."""
    text = written(name).read_text(encoding="utf-8")
    for plot in re.findall(r'<svg class="plot".*?</svg>', text, re.S):
        assert not re.findall(r"(?:fill|stroke): #\w+", plot)
