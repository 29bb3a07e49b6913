"""How excerpts are called on the screens."""

from __future__ import annotations

from coach.core.excerpt import Kind, Passage
from coach.core.plain import plain_text


def excerpt_title(passage: Passage) -> str:
    """`Ladle, first half · harmonics`: what a repetition covers and which layer sounds."""
    excerpt = passage.excerpt
    part = {
        Kind.NODE: ", one node",
        Kind.MOVE: ", one move",
        Kind.HALF: ", first half" if excerpt.subject == "1" else ", second half",
        Kind.JOIN: ", the join",
        Kind.PIECE: ", the whole piece",
        Kind.PHRASE: "",
    }[excerpt.kind]
    easier = ", easier version" if excerpt.easier else ""
    layer = excerpt.layer if len(passage.layers) < 2 else " + ".join(passage.layers)
    return f"{plain_text(passage.title)}{part} · {plain_text(layer)}{easier}"
