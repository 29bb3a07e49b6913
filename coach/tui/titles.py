"""How excerpts are called on the screens."""

from __future__ import annotations

from coach.core.excerpt import Excerpt, Kind
from coach.core.plain import plain_text


def excerpt_title(excerpt: Excerpt, title: str, layers: tuple[str, ...]) -> str:
    """`Ladle, first half · harmonics`: what a repetition covers and which layer sounds.

    `title` and `layers` are those of its passage.
    """
    part = {
        Kind.NODE: ", one node",
        Kind.MOVE: ", one move",
        Kind.HALF: ", first half" if excerpt.subject == "1" else ", second half",
        Kind.JOIN: ", the join",
        Kind.PIECE: ", the whole piece",
        Kind.PHRASE: "",
    }[excerpt.kind]
    easier = ", easier version" if excerpt.easier else ""
    layer = excerpt.layer if len(layers) < 2 else " + ".join(layers)
    return f"{plain_text(title)}{part} · {plain_text(layer)}{easier}"
