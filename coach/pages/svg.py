"""Shapes of a drawing as SVG text.

Conventions: lengths are in the drawing's own unit, y downwards. Colours come from the page's style by class name
(`document`); a sign, a shape or a word says what a colour says. Texts are plain and escaped here.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Literal

from coach.pages.document import escaped

Anchor = Literal["start", "middle", "end"]
Point = tuple[float, float]


def drawing(
    width: float, height: float, label: str, parts: Iterable[str], fluid: bool = False, width_mm: float = 0.0
) -> str:
    """A drawing of `width` x `height` units: px, as wide as the page where it is `fluid`, or `width_mm` on paper."""
    size = f'width="{width:g}" height="{height:g}"'
    if width_mm:
        size = f'width="{width_mm:.3f}mm" height="{width_mm * height / width:.3f}mm"'
    if fluid:
        size = 'class="fluid"'
    return (
        f'<svg viewBox="0 0 {width:g} {height:g}" {size} role="img" aria-label="{escaped(label)}">'
        f"{''.join(parts)}</svg>"
    )


def line(x1: float, y1: float, x2: float, y2: float, name: str = "", width: float = 0.0) -> str:
    """A straight line; without a width as wide as its style says."""
    wide = f' stroke-width="{width:.2f}"' if width else ""
    return f'<line{_class(name)} x1="{x1:.2f}" y1="{y1:.2f}" x2="{x2:.2f}" y2="{y2:.2f}"{wide}/>'


def text(
    x: float, y: float, words: str, size: float, anchor: Anchor = "start", name: str = "", ink: str = ""
) -> str:
    """A line of text whose baseline is at `y`."""
    return (
        f'<text{_class(name)}{_ink("fill", ink)} x="{x:.2f}" y="{y:.2f}" font-size="{size:g}" '
        f'text-anchor="{anchor}">{escaped(words)}</text>'
    )


def upright(x: float, y: float, words: str, size: float) -> str:
    """A line of text that reads upwards, centred on `y`."""
    return (
        f'<text transform="translate({x:.2f} {y:.2f}) rotate(-90)" font-size="{size:g}" text-anchor="middle">'
        f"{escaped(words)}</text>"
    )


def rectangle(x: float, y: float, width: float, height: float, name: str, hint: str = "") -> str:
    """A filled rectangle; `hint` is shown where the pointer rests."""
    return _shape(
        "rect", f'class="{name}" x="{x:.2f}" y="{y:.2f}" width="{width:.2f}" height="{height:.2f}"', hint
    )


def circle(x: float, y: float, radius: float, name: str, hint: str = "", ink: str = "") -> str:
    """A circle; `ink` is the colour of its edge where that is data."""
    return _shape(
        "circle", f'class="{name}"{_ink("stroke", ink)} cx="{x:.2f}" cy="{y:.2f}" r="{radius:.2f}"', hint
    )


def polygon(points: Sequence[Point], name: str, hint: str = "") -> str:
    """A filled shape."""
    return _shape("polygon", f'class="{name}" points="{_points(points)}"', hint)


def polyline(points: Sequence[Point], name: str) -> str:
    """A line through some points."""
    return f'<polyline class="{name}" points="{_points(points)}"/>'


def group(parts: Iterable[str], hint: str = "") -> str:
    """Some shapes with one hint."""
    return f"<g>{''.join(parts)}{_hint(hint)}</g>"


def ticks(low: float, high: float, about: int) -> list[float]:
    """Round numbers from `low` to `high`, about so many."""
    units = (1, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 10_000, 10**9)
    unit = next(unit for unit in units if (high - low) / unit <= about + 1)
    first = -(-low // unit) * unit
    return [first + index * unit for index in range(int((high - first) / unit) + 1)]


def _shape(tag: str, attributes: str, hint: str) -> str:
    return f"<{tag} {attributes}>{_hint(hint)}</{tag}>" if hint else f"<{tag} {attributes}/>"


def _class(name: str) -> str:
    return f' class="{name}"' if name else ""


def _ink(what: str, ink: str) -> str:
    return f' style="{what}:{ink}"' if ink else ""


def _hint(hint: str) -> str:
    return f"<title>{escaped(hint)}</title>" if hint else ""


def _points(points: Sequence[Point]) -> str:
    return " ".join(f"{x:.2f},{y:.2f}" for x, y in points)
