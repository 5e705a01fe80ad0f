"""The report on a phone: the answer on the first screen, the annex after eight at most."""

from collections.abc import Callable
from pathlib import Path

from tests.browser.screen import HEIGHT, WIDTHS, Screen

MOST_SCREENS = 8


def test_answer_is_on_the_first_screen_and_the_annex_within_eight(
    screen: Screen, written: Callable[[str], Path]
) -> None:
    """With four trials beside the road test and the map."""
    screen.open(written("report"))
    screen.look(WIDTHS[0])
    assert screen.top_of("svg.span .way") < HEIGHT
    assert screen.top_of("#annex") <= MOST_SCREENS * HEIGHT
    assert screen.sideways_px() == 0
