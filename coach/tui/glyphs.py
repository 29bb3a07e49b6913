"""Tall letters and digits made of half blocks, to be read from two metres.

Conventions: a terminal row shows two pixels, and a cell is about twice as high as wide, hence a pixel is about square.
Sizes: 0 is the small cut, capitals of 5 pixels in 3 rows; size n from 1 on has capitals of 8 x n pixels in 4 x n rows,
doubled or tripled with smoothed diagonals (every pixel takes the colour of two equal neighbours that meet at its
corner: the Scale2x and Scale3x rules, A. Mazzoleni 2001, from memory).
"""

from __future__ import annotations

from functools import lru_cache

PIXELS_HIGH = 8
SMALL_PIXELS_HIGH = 5
SMALL = 0
"""The smallest size."""
NONE = -1
"""Less than any size: the text has no room."""
BIGGEST = 6
THIN = "\u2009"
"""A blank that is narrower than others."""
READABLE = 15
"""A capital is at least a fifteenth of the screen's height, where a player reads it while playing.

On a full screen of 14 inches, 16:9 (174 mm high), that is 20 minutes of arc at 2 m: the least of the 20 to 22 that ISO
9241-303 prefers (16 is its minimum; from memory), and four times the 5 minutes of a letter that normal sight just
makes out (6/6 on the chart of H. Snellen 1862). The lines of small text on such a screen are 12, 10 or 7 minutes high
at 24, 30 or 45 rows.
"""

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
< ... ..# .## ##. ##. .## ..# ...
> ... #.. ##. .## .## ##. #.. ...
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
» ........ ##.##... .##.##.. ..##.##. ..##.##. .##.##.. ##.##... ........
– ...... ...... ...... ###### ###### ...... ...... ......
& .###... ##.##.. ##.##.. .###... ##.##.# ##..##. ##..##. .####.#
"""

_SMALL_ART = """
0 .###. #...# #.#.# #...# .###.
1 .# ## .# .# .#
2 ###. ...# .##. #... ####
3 ###. ...# .##. ...# ###.
4 #..# #..# #### ...# ...#
5 #### #... ###. ...# ###.
6 .##. #... ###. #..# .##.
7 #### ...# ..#. .#.. .#..
8 .##. #..# .##. #..# .##.
9 .##. #..# .### ...# .##.
A .##. #..# #### #..# #..#
B ##. #.# ##. #.# ##.
C .### #... #... #... .###
D ###. #..# #..# #..# ###.
E ### #.. ##. #.. ###
F ### #.. ##. #.. #..
G .### #... #.## #..# .###
H #..# #..# #### #..# #..#
I # # # # #
J ..# ..# ..# #.# .#.
K #..# #.#. ##.. #.#. #..#
L #.. #.. #.. #.. ###
M #...# ##.## #.#.# #...# #...#
N #..# ##.# #.## #..# #..#
O .##. #..# #..# #..# .##.
P ##. #.# ##. #.. #..
Q .##. #..# #..# #.#. .#.#
R ###. #..# ###. #.#. #..#
S .### #... .##. ...# ###.
T ### .#. .#. .#. .#.
U #..# #..# #..# #..# .##.
V #.# #.# #.# #.# .#.
W #...# #...# #.#.# ##.## #...#
X #.# #.# .#. #.# #.#
Y #.# #.# .#. .#. .#.
Z ### ..# .#. #.. ###
b #.. #.. ##. #.# ##.
m ..... ..... ##.#. #.#.# #.#.#
< ..# .#. #.. .#. ..#
> #.. .#. ..# .#. #..
. . . . . #
, .. .. .. .# #.
- ... ... ### ... ...
+ ... .#. ### .#. ...
# .#.#. ##### .#.#. ##### .#.#.
? ##. ..# .#. ... .#.
! # # # . #
/ ..# ..# .#. #.. #..
: . # . # .
% #..# ...# .##. #... #..#
× #...# .#.#. ..#.. .#.#. #...#
→ ..#.. ...#. ##### ...#. ..#..
← ..#.. .#... ##### .#... ..#..
↑ ..#.. .###. #.#.# ..#.. ..#..
↓ ..#.. ..#.. #.#.# .###. ..#..
= .... #### .... #### ....
» #.#.. .#.#. ..#.# .#.#. #.#..
– .... .... #### .... ....
& .##.. #.#.. .#.#. #..#. .##.#
"""

_Pixels = tuple[str, ...]


def _glyphs(art: str, blank: str) -> dict[str, _Pixels]:
    glyphs = {line[0]: tuple(line[2:].split()) for line in art.strip().splitlines()}
    (height,) = {len(pixels) for pixels in glyphs.values()}
    return {**glyphs, " ": (blank,) * height, THIN: ("",) * height}


_LARGE_GLYPHS = _glyphs(_ART, "...")
_SMALL_GLYPHS = _glyphs(_SMALL_ART, ".")

_BLOCKS = (" ", "▀", "▄", "█")
_PLAIN = (" ", "*", "o", "#")
"""Upper half, lower half and both halves where the terminal has no blocks; of the
signs tried, these weigh enough to be read from afar."""


def rows_high(size: int) -> int:
    """How many rows a line of this size takes."""
    return 3 if size == SMALL else size * PIXELS_HIGH // 2


def capital_rows(size: int) -> float:
    """How tall a capital of this size is, in rows."""
    return SMALL_PIXELS_HIGH / 2 if size == SMALL else size * PIXELS_HIGH / 2


def least_size(screen_rows: int) -> int:
    """The smallest size that is readable from two metres on a screen of so many rows."""
    return next((size for size in range(BIGGEST) if capital_rows(size) * READABLE >= screen_rows), BIGGEST)


@lru_cache(maxsize=512)
def big_text(text: str, size: int = 1, plain: bool = False) -> tuple[str, ...]:
    """The text as `rows_high(size)` rows of half blocks, all of one width; `plain` uses ASCII only.

    A character without a glyph of its own is drawn as its capital, else as an empty box.
    ValueError where there is no such size.
    """
    if size < SMALL:
        raise ValueError(f"size {size} is below {SMALL}")
    high = SMALL_PIXELS_HIGH if size == SMALL else PIXELS_HIGH
    grid = [".".join(_pixels(letter, size)[row] for letter in text) for row in range(high)]
    for factor in _factors(max(size, 1)):
        grid = _enlarged(grid, factor)
    grid += ["." * len(grid[0])] * (len(grid) % 2)
    shapes = _PLAIN if plain else _BLOCKS
    return tuple(
        "".join(shapes[(top == "#") + 2 * (low == "#")] for top, low in zip(upper, lower, strict=True))
        for upper, lower in zip(grid[::2], grid[1::2], strict=True)
    )


def big_width(text: str, size: int = 1) -> int:
    """How many columns `big_text` takes."""
    if not text:
        return 0
    return (sum(len(_pixels(letter, size)[0]) for letter in text) + len(text) - 1) * max(size, 1)


def has_glyph(letter: str) -> bool:
    """Whether a letter, or its capital, can be drawn tall at every size."""
    return any(form in _LARGE_GLYPHS and form in _SMALL_GLYPHS for form in (letter, letter.upper()))


def largest_size(text: str, columns: int, rows: int, most: int = BIGGEST) -> int:
    """The largest size at which the text fits; `NONE` where even the small cut does not, or there is no text."""
    sizes = range(most, NONE, -1)
    fitting = (size for size in sizes if rows_high(size) <= rows and big_width(text, size) <= columns)
    return next(fitting, NONE) if text else NONE


def _pixels(letter: str, size: int) -> _Pixels:
    glyphs, height = (_SMALL_GLYPHS, SMALL_PIXELS_HIGH) if size == SMALL else (_LARGE_GLYPHS, PIXELS_HIGH)
    return glyphs.get(letter) or glyphs.get(letter.upper()) or ("####", *["#..#"] * (height - 2), "####")


def _factors(size: int) -> list[int]:
    """Steps of 2 and 3 that make up the size; another prime enlarges without smoothing."""
    factors = []
    for step in (2, 3):
        while size % step == 0:
            factors.append(step)
            size //= step
    return factors if size == 1 else [*factors, size]


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
