"""The answer as a picture: the range of the change drawn against zero and the claim.

An `Answer` goes in, one small SVG element comes out that can be read on a phone. Colours are the
page's own variables, so that it follows light and dark; an outline without filling is a range on
which no conclusion may rest. Over many vehicles a thinner bar beneath is the next one's range.
"""

from collections.abc import Callable
from dataclasses import dataclass

from markupsafe import Markup, escape

from roadlog.wording.answer import Answer
from roadlog.wording.screen import typeset

WIDTH, HEIGHT = 360.0, 138.0
_LEFT, _RIGHT = 14.0, WIDTH - 14.0
_MARKS, _SECOND, _BAR, _ENDS, _AXIS = 15.0, 33.0, 64.0, 100.0, 116.0
_HIGH = 16.0  # of the bar
_SECOND_ROW = 46.0  # what the next car's bar adds to the height
_THIN = 8.0
_GAP = 7.0  # from the middle to each of two labels that share it
_LETTER = 7.6  # a rough width of one letter; only decides where labels stand


@dataclass(frozen=True)
class _Label:
    """A line of text about `x`, kept within the picture."""

    text: str
    x: float
    y: float
    kind: str
    anchor: str = "middle"

    @property
    def half(self) -> float:
        return _LETTER * len(self.text) / 2

    @property
    def at(self) -> float:
        if self.anchor != "middle":
            return self.x
        return max(min(self.x, WIDTH - 2 - self.half), 2 + self.half)

    def __html__(self) -> str:
        return (
            f'<text x="{self.at:.1f}" y="{self.y:g}" text-anchor="{self.anchor}" '
            f'class="{self.kind}">{escape(typeset(self.text))}</text>'
        )


def span_picture(answer: Answer) -> Markup | None:
    """The picture; None where there is neither a range nor a claim to draw.

    >>> from roadlog.stats.interval import Interval
    >>> from roadlog.wording.answer import Claimed, Facts, answer
    >>> twelve = Claimed("economy", 12, -10.714)
    >>> drawn = span_picture(answer(Facts(Interval(2.0, -6.0, 10.2), twelve, "refuted")))
    >>> "no change" in drawn
    True
    """
    if answer.range_pct is None and answer.claim_pct is None:
        return None
    points: list[float] = [0.0, *(answer.range_pct or ()), *(answer.next_pct or ())]
    if answer.claim_pct is not None:
        points.append(answer.claim_pct)
    low, high = min(points), max(points)
    reach = high - low or 1.0

    def x(pct: float) -> float:
        inner = 0.12 * (_RIGHT - _LEFT)
        return _LEFT + inner + (pct - low) / reach * (_RIGHT - _LEFT - 2 * inner)

    more = 0.0 if answer.next_pct is None else _SECOND_ROW
    axis = _AXIS + more
    zero = _Label("no change", x(0.0), _MARKS, "zero")
    parts = [_line(zero.x, _MARKS + 4, axis, "zero"), zero.__html__()]
    if answer.claim_pct is not None:
        parts += _claim(answer, x(answer.claim_pct), zero, axis)
    parts += _bars(answer, x)
    parts += [
        f'<line x1="{_LEFT:g}" x2="{_RIGHT:g}" y1="{axis:g}" y2="{axis:g}" class="axis"/>',
        f'<text x="{_LEFT:g}" y="{axis + 16:g}" class="way">← less fuel</text>',
        f'<text x="{_RIGHT:g}" y="{axis + 16:g}" text-anchor="end" class="way">more fuel →</text>',
    ]
    head = (
        f'<svg class="span" role="img" aria-label="{escape(typeset(in_words(answer)))}" '
        f'viewBox="0 0 {WIDTH:g} {HEIGHT + more:g}">'
    )
    return Markup(head + "".join(parts) + "</svg>")


def in_words(answer: Answer) -> str:
    """What the picture shows, for those who can't see it."""
    said = ["The change of fuel use against no change"]
    if answer.claim_pct is not None:
        said[0] += f" and the claim of {answer.claim}"
    if answer.range_sides is None:
        said.append("This test gives no range to draw.")
    else:
        doubt = ", on which no conclusion may rest" if answer.doubted else ""
        said.append(f"The range is {answer.range_sides[0]} to {answer.range_sides[1]}{doubt}.")
    if answer.next_sides is not None:
        said[1] += f" The next car's is {answer.next_sides[0]} to {answer.next_sides[1]}."
    return ". ".join((said[0], said[1]))


def _claim(answer: Answer, at: float, zero: _Label, axis: float) -> list[str]:
    label = _Label(f"claim: {answer.claim_side}", at, _MARKS, "claim")
    if abs(label.at - zero.at) < label.half + zero.half + 8:
        label = _beside(label, zero)
    return [_line(at, label.y + 4, axis, "claim"), label.__html__()]


def _beside(label: _Label, zero: _Label) -> _Label:
    """A row lower, on the claim's side of zero if it fits there."""
    left = label.x < zero.x
    at, room = (zero.x - _GAP, zero.x) if left else (zero.x + _GAP, WIDTH - zero.x)
    if 2 * label.half + _GAP > room:
        return _Label(label.text, label.x, _SECOND, label.kind)
    return _Label(label.text, at, _SECOND, label.kind, "end" if left else "start")


def _bars(answer: Answer, x: Callable[[float], float]) -> list[str]:
    if answer.range_pct is None or answer.range_sides is None:
        parts = [_Label("no range can be given", WIDTH / 2, _BAR + 12, "none").__html__()]
    else:
        parts = _bar(answer.range_pct, answer.range_sides, x, (_BAR, _HIGH), answer.doubted)
    if answer.next_pct is not None and answer.next_sides is not None:
        place = (_BAR + _SECOND_ROW + (_HIGH - _THIN), _THIN)
        parts += _bar(answer.next_pct, answer.next_sides, x, place, answer.doubted)
    return parts


def _bar(
    ends: tuple[float, float],
    sides: tuple[str, str],
    x: Callable[[float], float],
    place: tuple[float, float],
    doubted: bool,
) -> list[str]:
    top, high = place
    below = top + high + _ENDS - _BAR - _HIGH
    a, b = (x(end) for end in ends)
    left, right = min(a, (a + b) / 2 - 1.5), max(b, (a + b) / 2 + 1.5)
    kind = "range doubted" if doubted else "range"
    first, second = _Label(sides[0], a, below, "end"), _Label(sides[1], b, below, "end")
    if second.at - first.at < first.half + second.half + 2 * _GAP:
        middle = max(min((a + b) / 2, WIDTH - 2 * (second.half + _GAP)), 2 * (first.half + _GAP))
        first = _Label(first.text, middle - _GAP, below, "end", "end")
        second = _Label(second.text, middle + _GAP, below, "end", "start")
    return [
        f'<rect x="{left:.1f}" y="{top:g}" width="{right - left:.1f}" height="{high:g}" '
        f'class="{kind}"/>',
        first.__html__(),
        second.__html__(),
    ]


def _line(at: float, top: float, axis: float, kind: str) -> str:
    return f'<line x1="{at:.1f}" x2="{at:.1f}" y1="{top:g}" y2="{axis:g}" class="{kind}"/>'
