"""A small drawing surface: cells with a character and a role, from which text and coloured runs are read.

A picture is a function that draws on a canvas, and what it draws of; the canvas says how large, and turns our own
signs into ASCII where the terminal shows nothing else.

The views draw on it without knowing any colour; `theme.py` turns roles into styles. Rows and columns count from 0
at the top left; what falls outside is cut off, so that a view never breaks a screen that is too small for it.
A wide character takes two cells, the second of them empty.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Iterable, Iterator, Sequence
from itertools import groupby
from typing import Literal, TypeVarTuple

from coach.rating.table import RESULTS, Ink
from coach.tui.glyphs import big_text

Role = Literal[
    "text",
    "dim",
    "rule",
    "now",
    "next",
    "bass",
    "ring",
    "beat",
    "key",
    "good",
    Ink,
]
"""What a cell is, never what colour it has."""

Run = tuple[str, Role]
Rows = tuple[tuple[Run, ...], ...]
"""A finished picture: rows of runs of one role each."""
Line = tuple[Role, str]

_SIMPLE = re.compile("[ -~·×»…–←-↓∙─-▟■-◿]*").fullmatch
"""Letters that surely take one cell each: nearly all that is ever drawn."""


class Canvas:
    """A grid of `width` x `height` cells, blank at first; `plain` is all ASCII."""

    def __init__(self, width: int, height: int, plain: bool = False) -> None:
        self.width, self.height, self.plain = max(width, 0), max(height, 0), plain
        self._letters = [[" "] * self.width for _ in range(self.height)]
        self._roles: list[list[Role]] = [["text"] * self.width for _ in range(self.height)]

    def put(self, row: int, column: int, text: str, role: Role = "text") -> None:
        """Write text into one row, cut off at the edges."""
        text = ascii_text(text) if self.plain else text
        cells = text if _SIMPLE(text) else list(_cells_of(text))
        first, stop = max(column, 0), min(column + len(cells), self.width)
        if 0 <= row < self.height and first < stop:
            self._letters[row][first:stop] = cells[first - column : stop - column]
            self._roles[row][first:stop] = [role] * (stop - first)

    def put_right(self, row: int, text: str, role: Role) -> None:
        """Write text so that it ends at the right edge."""
        self.put(row, self.width - text_width(text), text, role)

    def put_rows(self, row: int, column: int, rows: Iterable[str], role: Role = "text") -> None:
        """Write several rows below each other; blanks keep the character that is there.

        Blanks between letters take the role too, so that a glyph is one run and not many.
        """
        for offset, text in enumerate(rows):
            shown = (ascii_text(text) if self.plain else text).rstrip()
            first = max(column + len(shown) - len(shown.lstrip()), 0)
            stop = min(column + len(shown), self.width)
            if 0 <= row + offset < self.height and first < stop:
                letters = self._letters[row + offset]
                over = zip(shown[first - column : stop - column], letters[first:stop], strict=True)
                letters[first:stop] = [under if letter == " " else letter for letter, under in over]
                self._roles[row + offset][first:stop] = [role] * (stop - first)

    def put_tall(self, row: int, column: int, text: str, size: int, role: Role) -> None:
        """Write text in tall letters of a size, from the row of their upper edge on."""
        self.put_rows(row, column, big_text(text, size, self.plain), role)

    def paste(self, row: int, column: int, other: Sequence[Sequence[Run]]) -> None:
        """Copy a finished picture, blanks included."""
        for offset, runs in enumerate(other):
            place = column
            for text, role in runs:
                self.put(row + offset, place, text, role)
                place += text_width(text)

    def inset(self, row: int, height: int, picture: Pane) -> None:
        """Draw another picture from edge to edge into so many rows."""
        self.paste(row, 0, drawn(picture, self.width, height, self.plain))

    def rows(self) -> Rows:
        """The finished picture."""
        return tuple(map(_runs, self._letters, self._roles))


Pane = tuple[Callable[..., None], tuple[object, ...]]
"""How a picture is drawn, and of what: as long as both are equal, it looks the same at the same size."""
Parts = TypeVarTuple("Parts")


def pane(draw: Callable[[Canvas, *Parts], None], *parts: *Parts) -> Pane:
    """A picture that is yet to be drawn."""
    return draw, parts


def drawn(picture: Pane, width: int, height: int, plain: bool = False) -> Rows:
    """A picture of this size."""
    canvas = Canvas(width, height, plain)
    draw, parts = picture
    draw(canvas, *parts)
    return canvas.rows()


def _runs(letters: Sequence[str], roles: Sequence[Role]) -> tuple[Run, ...]:
    """The cells of a row, those of one role together."""
    runs: list[Run] = []
    stop = 0
    for role, cells in groupby(roles):
        start, stop = stop, stop + len(list(cells))
        runs.append(("".join(letters[start:stop]), role))
    return tuple(runs)


_ASCII = str.maketrans(
    {
        **dict(
            zip("·–■→←●○◆…─│╫•█▒▁▂▃▄▅▆▇┤├└┘┌┐┼┬┴╌━┄∙▲▶", ".-#><@oO~-|H+#o.......|+++++|++-=.+^>", strict=True)
        ),
        **{row.sign: row.ascii_sign for row in RESULTS},
    }
)


def ascii_text(text: str) -> str:
    """The text with our own signs as the ASCII drawing has them; other letters as `?`."""
    return text.translate(_ASCII).encode("ascii", "replace").decode("ascii")


def text_width(text: str) -> int:
    """How many cells a text takes."""
    return len(text) if _SIMPLE(text) else sum(1 for _ in _cells_of(text))


def fitted(text: str, width: int) -> str:
    """The text cut to a width, with a sign that it goes on."""
    if text_width(text) <= width:
        return text
    cells = list(_cells_of(text))[: max(width - 1, 0)]
    return "".join(cells) + "…"[:width]


def fitted_words(text: str, width: int) -> str:
    """The text cut to a width after a whole word, with a sign that it goes on."""
    if text_width(text) <= width:
        return text
    cut = "".join(list(_cells_of(text))[:width])
    whole = cut.rpartition(" ")[0].rstrip(" .,;:")
    return f"{whole}…" if whole else fitted(text, width)


def draw_lines(canvas: Canvas, *lines: Line) -> None:
    """Lines below each other, as much of each as has room."""
    for row, (role, text) in enumerate(lines):
        canvas.put(row, 0, fitted(text, canvas.width), role)


def first_that_fit(texts: Sequence[str], fits: Callable[[Sequence[str]], bool]) -> list[str]:
    """As many of these as fit, one at least, and how many more there are."""
    for shown in range(len(texts), 0, -1):
        told = [*texts[:shown], *([f"and {len(texts) - shown} more"] if shown < len(texts) else [])]
        if shown == 1 or fits(told):
            return told
    return []


def wrapped(text: str, width: int) -> list[str]:
    """The text broken at blanks into lines of at most `width` cells; a longer word is cut."""
    lines: list[str] = []
    line = ""
    for word in text.split():
        joined = f"{line} {word}" if line else word
        if text_width(joined) <= width:
            line = joined
            continue
        if line:
            lines.append(line)
        line = fitted(word, width)
    return [*lines, line] if line else lines


def _cells_of(text: str) -> Iterator[str]:
    """One string a cell: control characters as `?`, combining marks with their letter, wide letters in two."""
    if _SIMPLE(text):
        yield from text
        return
    for letter in unicodedata.normalize("NFC", text):
        if unicodedata.combining(letter) or unicodedata.category(letter) == "Cf":
            continue
        if unicodedata.category(letter) in ("Zl", "Zp") or unicodedata.category(letter).startswith("C"):
            yield "?"
            continue
        yield letter
        if unicodedata.east_asian_width(letter) in "WF":
            yield ""
