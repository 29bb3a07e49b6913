"""Tall letters and digits made of half blocks, to be read from two metres.

Conventions: a glyph is drawn on a grid of pixels, 8 high; a terminal row shows two pixels, so that a capital is
4 rows tall at scale 1, 8 at scale 2. A cell is about twice as high as wide, hence a pixel is about square.
Larger scales are doubled or tripled with smoothed diagonals (every pixel takes the colour of two equal
neighbours that meet at its corner: the Scale2x and Scale3x rules, A. Mazzoleni 2001, from memory).

Why 4 rows: preferred capitals are 20 to 22 minutes of arc, at least 16 (ISO 9241-3); a 16 pixel row on a 24 inch
screen is 6 minutes at 1.5 m, so that four rows are 27 minutes at 2 m.
"""

from __future__ import annotations

from functools import lru_cache

PIXELS_HIGH = 8
ROWS_HIGH = 4

_ART = """
0 .####. ##..## ##.### ##.### ###.## ###.## ##..## .####.
1 ..##. .###. ####. ..##. ..##. ..##. ..##. #####
2 .####. ##..## ....## ...##. ..##.. .##... ##.... ######
3 .####. ##..## ....## ..###. ....## ....## ##..## .####.
4 ...##. ..###. .####. ##.##. ##.##. ###### ...##. ...##.
5 ###### ##.... ##.... #####. ....## ....## ##..## .####.
6 ..###. .##... ##.... #####. ##..## ##..## ##..## .####.
7 ###### ....## ....## ...##. ...##. ..##.. ..##.. ..##..
8 .####. ##..## ##..## .####. ##..## ##..## ##..## .####.
9 .####. ##..## ##..## ##..## .##### ....## ...##. .###..
A ..##.. .####. ##..## ##..## ##..## ###### ##..## ##..##
B #####. ##..## ##..## #####. ##..## ##..## ##..## #####.
C .####. ##..## ##.... ##.... ##.... ##.... ##..## .####.
D ####.. ##.##. ##..## ##..## ##..## ##..## ##.##. ####..
E ###### ##.... ##.... #####. ##.... ##.... ##.... ######
F ###### ##.... ##.... #####. ##.... ##.... ##.... ##....
G .####. ##..## ##.... ##.... ##.### ##..## ##..## .#####
H ##..## ##..## ##..## ###### ##..## ##..## ##..## ##..##
I #### .##. .##. .##. .##. .##. .##. ####
J ...### ....## ....## ....## ....## ##..## ##..## .####.
K ##..## ##.##. ####.. ###... ####.. ##.##. ##..## ##..##
L ##.... ##.... ##.... ##.... ##.... ##.... ##.... ######
M ##...## ###.### ####### ##.#.## ##...## ##...## ##...## ##...##
N ##..## ###.## ###### ##.### ##..## ##..## ##..## ##..##
O .####. ##..## ##..## ##..## ##..## ##..## ##..## .####.
P #####. ##..## ##..## ##..## #####. ##.... ##.... ##....
Q .####. ##..## ##..## ##..## ##..## ##.### ##..## .###.#
R #####. ##..## ##..## #####. ####.. ##.##. ##..## ##..##
S .####. ##..## ##.... .####. ....## ....## ##..## .####.
T ###### ..##.. ..##.. ..##.. ..##.. ..##.. ..##.. ..##..
U ##..## ##..## ##..## ##..## ##..## ##..## ##..## .####.
V ##..## ##..## ##..## ##..## ##..## .####. .####. ..##..
W ##...## ##...## ##...## ##...## ##.#.## ####### ###.### ##...##
X ##..## ##..## .####. ..##.. ..##.. .####. ##..## ##..##
Y ##..## ##..## ##..## .####. ..##.. ..##.. ..##.. ..##..
Z ###### ....## ...##. ..##.. .##... ##.... ##.... ######
b ##... ##... ##... ####. ##.## ##.## ##.## ####.
m ....... ....... ....... ###.##. ##.#.## ##.#.## ##.#.## ##.#.##
< ....# ...## ..##. .##.. .##.. ..##. ...## ....#
> #.... ##... .##.. ..##. ..##. .##.. ##... #....
. .. .. .. .. .. .. ## ##
, .. .. .. .. .. ## ## #.
- .... .... .... #### #### .... .... ....
+ ...... ...... ..##.. ###### ###### ..##.. ...... ......
# .#.#. .#.#. ##### .#.#. .#.#. ##### .#.#. .#.#.
? .####. ##..## ....## ...##. ..##.. ..##.. ...... ..##..
! ## ## ## ## ## ## .. ##
/ ....## ....## ...##. ...##. ..##.. ..##.. .##... .##...
: .. ## ## .. .. ## ## ..
% ##...# ##..## ...##. ..##.. .##... ##.... #...## #...##
× ...... ##..## .####. ..##.. ..##.. .####. ##..## ......
→ ....##.... .....##... ......##.. ########## ########## ......##.. .....##... ....##....
← ....##.... ...##..... ..##...... ########## ########## ..##...... ...##..... ....##....
↑ ...##... ..####.. .##..##. ##.##.## ...##... ...##... ...##... ...##...
↓ ...##... ...##... ...##... ...##... ##.##.## .##..##. ..####.. ...##...
= ...... ...... ###### ...... ...... ###### ...... ......
"""

_Pixels = tuple[str, ...]

_GLYPHS: dict[str, _Pixels] = {
    line[0]: tuple(line[2:].split()) for line in _ART.strip().splitlines() if len(line) > 2
}
_GLYPHS[" "] = ("...",) * PIXELS_HIGH
_UNKNOWN = ("######", "#....#", "#....#", "#....#", "#....#", "#....#", "#....#", "######")

_BLOCKS = (" ", "▀", "▄", "█")
_PLAIN = (" ", "*", "o", "#")
"""Upper half, lower half and both halves where the terminal has no blocks; of the
signs tried, these weigh enough to be read from afar."""


def big_text(text: str, scale: int = 1, plain: bool = False) -> tuple[str, ...]:
    """The text as rows of half blocks, `4 x scale` rows, all of one width; `plain` uses ASCII only.

    A character without a glyph of its own is drawn as its capital, else as an empty box.
    ValueError where `scale` is below 1.
    """
    if scale < 1:
        raise ValueError(f"scale {scale} is below 1")
    return _drawn(text, scale, plain)


def big_width(text: str, scale: int = 1) -> int:
    """How many columns `big_text` takes."""
    if not text:
        return 0
    return (sum(len(_pixels(letter)[0]) for letter in text) + len(text) - 1) * scale


def largest_scale(text: str, columns: int, rows: int, most: int = 8) -> int:
    """The largest scale at which the text fits, 0 where even scale 1 does not."""
    width = big_width(text)
    if not width:
        return 0
    return min(columns // width, rows // ROWS_HIGH, most)


@lru_cache(maxsize=512)
def _drawn(text: str, scale: int, plain: bool) -> tuple[str, ...]:
    grid = [".".join(_pixels(letter)[row] for letter in text) for row in range(PIXELS_HIGH)]
    for factor in _factors(scale):
        grid = _enlarged(grid, factor)
    shapes = _PLAIN if plain else _BLOCKS
    return tuple(
        "".join(shapes[(top == "#") + 2 * (low == "#")] for top, low in zip(upper, lower, strict=True))
        for upper, lower in zip(grid[::2], grid[1::2], strict=True)
    )


def _pixels(letter: str) -> _Pixels:
    return _GLYPHS.get(letter) or _GLYPHS.get(letter.upper()) or _UNKNOWN


def _factors(scale: int) -> list[int]:
    """Steps of 2 and 3 that make up the scale; another prime enlarges without smoothing."""
    factors = []
    for step in (2, 3):
        while scale % step == 0:
            factors.append(step)
            scale //= step
    return factors if scale == 1 else [*factors, scale]


def _enlarged(grid: list[str], factor: int) -> list[str]:
    if factor not in (2, 3):
        return ["".join(pixel * factor for pixel in line) for line in grid for _ in range(factor)]
    width = len(grid[0])
    framed = ["." * (width + 2), *(f".{line}." for line in grid), "." * (width + 2)]
    out: list[str] = []
    for y in range(1, len(grid) + 1):
        rows: list[list[str]] = [[] for _ in range(factor)]
        for x in range(1, width + 1):
            around = [framed[y + dy][x + dx] for dy in (-1, 0, 1) for dx in (-1, 0, 1)]
            block = _doubled(around) if factor == 2 else _tripled(around)
            for row, pixels in zip(rows, block, strict=True):
                row.append(pixels)
        out += ["".join(row) for row in rows]
    return out


def _doubled(around: list[str]) -> tuple[str, str]:
    _, up, _, left, centre, right, _, down, _ = around
    if left == right or up == down:
        return centre * 2, centre * 2
    return (
        (up if up == left else centre) + (up if up == right else centre),
        (down if down == left else centre) + (down if down == right else centre),
    )


def _tripled(around: list[str]) -> tuple[str, str, str]:
    a, up, c, left, e, right, g, down, i = around
    if left == right or up == down:
        return e * 3, e * 3, e * 3
    top = up if (up == left and e != c) or (up == right and e != a) else e
    west = left if (up == left and e != g) or (down == left and e != a) else e
    east = right if (up == right and e != i) or (down == right and e != c) else e
    low = down if (down == left and e != i) or (down == right and e != g) else e
    return (
        (up if up == left else e) + top + (up if up == right else e),
        west + e + east,
        (down if down == left else e) + low + (down if down == right else e),
    )
