"""The map as a drawing that needs no script: legs and looks of segments in, one SVG element out.

It is what prints, whole and as vectors, and what a page shows where scripts are off. Segments lie
to the right of their direction of travel, as on the map.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from markupsafe import Markup, escape

from roadlog.quantities.arrays import Floats
from roadlog.report.layers import Drawn, Label, labels, width_px
from roadlog.report.legs import Leg
from roadlog.report.thinning import thinned

WIDTH, LEAST_HEIGHT, MOST_HEIGHT = 1000.0, 260.0, 1150.0
_ROOM = (96.0, 64.0)  # beside and above the road, for labels
_SIDEWAYS = 6.0
_SCALE_STEPS_M = tuple(m * 10**k for k in range(0, 6) for m in (1, 2, 5))
_LETTER, _LINE = 13.0, 26.0  # room that a label takes
_ASIDE = 1.5  # how much farther a label is than on the map, whose letters are smaller


@dataclass(frozen=True)
class _Plane:
    """Metres east and north of the study's centre to units of the drawing."""

    scale: float
    left: float
    top: float
    height: float

    def at(self, x_m: Floats, y_m: Floats) -> tuple[Floats, Floats]:
        return self.left + self.scale * x_m, self.top - self.scale * y_m


def sketch(legs: Sequence[Leg], drawn: Mapping[str, Drawn]) -> Markup:
    """The road with every segment in its colour, labels, scale and north."""
    plane = _plane(legs)
    most = max((d.passes for d in drawn.values()), default=0)
    lines = {name: _outline(d, plane) for name, d in drawn.items()}
    parts: list[str] = []
    for casing in (True, False):
        for name, d in drawn.items():
            if not lines[name]:
                continue
            width = width_px(d.passes, most) * 1.4 + (3 if casing else 0)
            look = 'class="road-casing"' if casing else f'stroke="{escape(d.colour)}"'
            parts.append(f'<path d="{lines[name]}" {look} stroke-width="{width:.1f}"/>')
    marks = _apart([m for leg in legs for m in labels(leg)], legs, plane)
    texts = [_text(m, *_place(m, legs, plane)) for m in marks]
    words = f"Map of the road, north up: {'; '.join(leg.name for leg in legs)}."
    return Markup(
        f'<svg class="road-sketch" viewBox="0 0 {WIDTH:g} {plane.height:.0f}" role="img" '
        f'aria-label="{escape(words)}"><g fill="none">{"".join(parts)}</g>'
        f"{''.join(texts)}{_scale_bar(plane)}{_north(marks, legs, plane)}</svg>"
    )


def aspect(legs: Sequence[Leg]) -> float:
    """Height of the drawing for its width."""
    return _plane(legs).height / WIDTH


def _plane(legs: Sequence[Leg]) -> _Plane:
    x = np.concatenate([s.x_m for leg in legs for s in leg.segments])
    y = np.concatenate([s.y_m for leg in legs for s in leg.segments])
    west, east = float(np.nanmin(x)), float(np.nanmax(x))
    south, north = float(np.nanmin(y)), float(np.nanmax(y))
    room = (WIDTH - 2 * _ROOM[0], MOST_HEIGHT - 2 * _ROOM[1])
    scale = min(room[0] / max(east - west, 1.0), room[1] / max(north - south, 1.0))
    height = max(LEAST_HEIGHT, scale * (north - south) + 2 * _ROOM[1])
    return _Plane(
        scale,
        WIDTH / 2 - scale * (west + east) / 2,
        height / 2 + scale * (south + north) / 2,
        height,
    )


def _outline(d: Drawn, plane: _Plane) -> str:
    s = d.segment
    there = np.isfinite(s.x_m) & np.isfinite(s.y_m)
    u, v = plane.at(s.x_m[there], s.y_m[there])
    kept = thinned(u, v, 0.5)
    if len(kept) < 2:
        return ""
    u, v = _sideways(u[kept], v[kept])
    return "M" + "L".join(f"{a:.1f} {b:.1f}" for a, b in zip(u, v, strict=True))


def _sideways(u: Floats, v: Floats) -> tuple[Floats, Floats]:
    """A line moved to the right of its direction, with down counted positive."""
    du, dv = np.diff(u), np.diff(v)
    length = np.hypot(du, dv)
    length[length == 0] = 1.0
    across = np.column_stack((-dv / length, du / length))
    bisector = np.vstack((across[:1], across)) + np.vstack((across, across[-1:]))
    square = np.maximum((bisector**2).sum(axis=1, keepdims=True), 1.0)
    moved = 2 * _SIDEWAYS * bisector / square
    return u + moved[:, 0], v + moved[:, 1]


def _place(label: Label, legs: Sequence[Leg], plane: _Plane) -> tuple[float, float]:
    """A label's own place on the road in the drawing."""
    leg = legs[label.leg]
    i = max(0, int(np.searchsorted(leg.starts_km, label.km, side="right")) - 1)
    segment, s = leg.segments[i], (label.km - leg.starts_km[i]) * 1000
    u, v = plane.at(*(np.interp([s], segment.s_m, at) for at in (segment.x_m, segment.y_m)))
    return float(u[0]), float(v[0])


def _apart(marks: Iterable[Label], legs: Sequence[Leg], plane: _Plane) -> list[Label]:
    """Labels of which none covers another; ends come before distances."""
    kept: list[tuple[float, float, float]] = []
    found = []
    for m in sorted(marks, key=lambda m: not m.is_end):
        u, v = _place(m, legs, plane)
        u, v, half = u + _ASIDE * m.right_px, v + _ASIDE * m.down_px, _LETTER * len(m.text) / 2
        if all(abs(u - a) >= half + b or abs(v - c) >= _LINE for a, c, b in kept):
            kept.append((u, v, half))
            found.append(m)
    return found


def _text(label: Label, u: float, v: float) -> str:
    at_u = min(max(u + _ASIDE * label.right_px, 60.0), WIDTH - 60)
    at_v = v + _ASIDE * label.down_px + 7
    dot = f'<circle cx="{u:.1f}" cy="{v:.1f}" r="7" class="road-dot"/>' if label.is_end else ""
    weight = ' class="road-end-name"' if label.is_end else ""
    words = f'<text x="{at_u:.1f}" y="{at_v:.1f}"{weight}>{label.text}</text>'
    return dot + words


def _scale_bar(plane: _Plane) -> str:
    length_m = max((s for s in _SCALE_STEPS_M if s * plane.scale <= 220), default=1)
    end, foot = 20 + length_m * plane.scale, plane.height - 16
    words = f"{length_m / 1000:g} km" if length_m >= 1000 else f"{length_m:g} m"
    return (
        f'<path d="M20 {foot - 8:.1f}V{foot:.1f}H{end:.1f}V{foot - 8:.1f}" class="road-rule"/>'
        f'<text x="{(20 + end) / 2:.1f}" y="{foot - 10:.1f}">{words}</text>'
    )


def _north(marks: Sequence[Label], legs: Sequence[Leg], plane: _Plane) -> str:
    """The arrow, in that corner that is farthest from road and labels; the scale has the fourth."""
    x = np.concatenate([s.x_m for leg in legs for s in leg.segments])
    y = np.concatenate([s.y_m for leg in legs for s in leg.segments])
    road = np.column_stack(plane.at(x, y))
    named = [
        (u + _ASIDE * m.right_px + beside, v + _ASIDE * m.down_px)
        for m in marks
        for u, v in [_place(m, legs, plane)]
        for beside in (-_LETTER * len(m.text) / 2, 0.0, _LETTER * len(m.text) / 2)
    ]
    near = np.vstack((road[np.isfinite(road).all(axis=1)], np.array(named).reshape(-1, 2)))
    corners = ((970.0, 44.0), (30.0, 44.0), (970.0, plane.height - 44))
    u, v = max(corners, key=lambda c: float(np.hypot(*(near - c).T).min()))
    return (
        f'<path d="M{u:g} {v - 32:g}l12 34-12-8-12 8Z" class="road-arrow"/>'
        f'<text x="{u:g}" y="{v + 26:g}" class="road-end-name">N</text>'
    )
