"""The kit for pages, and the one layout of the fretboard that terminal and page are painted from.

Outside: HTML escaping by the standard library's parser, SVG by its XML parser; the place of node k/n at k/n of the
string (harmonic series) and of fret f at 1 - 2^(-f / 12) of it (equal temperament).
"""

from __future__ import annotations

import itertools
import re
from html.parser import HTMLParser
from xml.etree import ElementTree

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coach.pages import svg
from coach.pages.document import document, escaped, paragraph, section, table
from coach.pages.fretboard import WIDTH, fretboard_svg
from coach.pages.parts import MOST_ROWS, Column, Part, facts_of, part_html, part_lines, table_of
from coach.strings.fretboard import Board, Mark, fretboard_cells, node_marks, spread
from coach.strings.node import Node, nodes_upto
from coach.strings.ready_made import ready_made
from tests.fuzz.invariants import assert_harmless_page

BASS = ready_made("bass")
HOSTILE = "</style><script>alert(1)</script>'\"><svg onload=a()>\x1b[2J"


class Words(HTMLParser):
    """The text of a page."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.words: list[str] = []
        self.feed(page)

    def handle_data(self, data: str) -> None:
        self.words.append(data)


def test_text_from_anywhere_stays_text_wherever_the_kit_puts_it() -> None:
    drawing = svg.drawing(9, 9, HOSTILE, [svg.text(0, 0, HOSTILE, 3), svg.circle(1, 1, 1, "dot", HOSTILE)])
    parts = [section(HOSTILE, paragraph(HOSTILE), table((HOSTILE,), [(HOSTILE,)]), drawing)]
    page = document(HOSTILE, parts)
    assert_harmless_page(page)
    assert "</style><script>alert(1)</script>'\"><svg onload=a()>" in Words(page).words
    ElementTree.fromstring(drawing)


def test_what_is_empty_leaves_nothing_behind() -> None:
    assert paragraph("") == ""
    assert section("Notes", "", paragraph("")) == ""
    assert document("t", ["", "<p>one</p>", ""]).count("<p>") == 1


ROW_COLUMNS: tuple[Column[tuple[str, int]], ...] = (
    Column("name", lambda row: row[0], "node"),
    Column("key", lambda row: row[0].lower()),
    Column("count", lambda row: row[1], "failed", lambda row: f"{row[1]} of 8", number=True),
    Column("", lambda row: "why" * row[1], "why", on_page=True),
)


def test_one_list_of_columns_gives_people_and_programs_what_is_theirs() -> None:
    rows = [("3.2 on D2", 3), ("7 on G2 to 5 on G2, a drill with a long title", 12)]
    part = Part("Weakest", ("one sentence",), table_of(ROW_COLUMNS, rows), ("below",))
    assert list(part_lines(part, 40)) == [
        "Weakest",
        "  one sentence",
        "  node                            failed",
        "  3.2 on D2                       3 of 8",
        "  7 G2 to 5 G2, a drill with a…  12 of 8",
        "  below",
    ]
    assert facts_of(ROW_COLUMNS, rows[0]) == {"name": "3.2 on D2", "key": "3.2 on d2", "count": 3}
    words = [word for word in Words(part_html(part)).words if word.strip()]
    assert words[2:8] == ["node", "failed", "why", "3.2 on D2", "3 of 8", "whywhywhy"]


@given(st.lists(st.tuples(st.text(min_size=1), st.integers(0, 99)), min_size=1), st.integers(40, 120))
def test_a_table_is_never_wider_than_its_terminal_and_says_how_much_it_leaves_out(
    rows: list[tuple[str, int]], width: int
) -> None:
    lines = list(table_of(ROW_COLUMNS, rows).lines(width))
    assert max(map(len, lines)) <= width
    assert len(lines) == min(len(rows), MOST_ROWS) + 1 + (len(rows) > MOST_ROWS)


def test_a_part_with_nothing_to_say_leaves_nothing_behind() -> None:
    nothing = Part("Notes")
    assert (list(part_lines(nothing, 80)), part_html(nothing)) == ([], "")


@given(st.text())
def test_escaped_text_comes_back_from_a_browsers_reading(text: str) -> None:
    words = "".join(Words(f"<p>{escaped(text)}</p>").words)
    assert escaped(words) == escaped(text)


@given(
    st.lists(st.tuples(st.integers(0, 80), st.integers(1, 6)), max_size=20),
    st.integers(1, 4),
    st.integers(0, 2),
)
def test_texts_that_are_spread_never_touch_and_the_first_always_has_room(
    starts: list[tuple[int, int]], rows: int, gap: int
) -> None:
    extents: list[tuple[float, float]] = [(start, start + length) for start, length in starts]
    chosen = spread(extents, rows, gap)
    for row in range(rows):
        inside = sorted(extent for extent, of in zip(extents, chosen, strict=True) if of == row)
        assert all(after[0] >= before[1] + gap for before, after in itertools.pairwise(inside))
    if extents:
        assert chosen[extents.index(min(extents))] == 0


@pytest.mark.parametrize("left_handed", [False, True])
def test_terminal_and_page_show_a_node_at_the_same_part_of_the_string(left_handed: bool) -> None:
    board = Board.of(BASS, None, left_handed)
    for node in nodes_upto(7):
        marks = node_marks(BASS, {(1, node): "*"})
        (mark,) = marks
        assert mark.mm == pytest.approx(BASS.scale_mm * node.numerator / node.partial)
        part = node.numerator / node.partial
        part = 1 - part if left_handed else part
        cells = fretboard_cells(board, marks, 202)
        column = [letter for letter, _ in cells[2]].index("*")
        assert (column - 2) / 199 == pytest.approx(part, abs=0.51 / 199)
        page = fretboard_svg(board, [Mark(1, mark.mm, "")], "neck")
        x = float(re.findall(r'<circle[^>]* cx="([\d.]+)"', page)[0])
        assert (x - 44.0) / (WIDTH - 8.0 - 44.0) == pytest.approx(part, abs=1e-4)


def test_fret_wires_lie_where_equal_temperament_puts_them() -> None:
    board = Board.of(BASS)
    assert board.frets_of(0)[0] == 0
    assert board.frets_of(0)[12] == pytest.approx(BASS.scale_mm / 2)
    assert board.frets_of(0)[7] == pytest.approx(BASS.scale_mm * (1 - 2 ** (-7 / 12)))


def test_later_marks_stand_over_earlier_ones_and_the_lower_partial_over_the_higher() -> None:
    board = Board.of(BASS)
    cells = fretboard_cells(board, [Mark(0, 432.0, "a", "one"), Mark(0, 432.0, "b", "two")], 80)
    assert ("b", "two") in cells[1]
    assert ("a", "one") not in cells[1]
    both = {(0, Node(1, 9)): "9", (0, Node(1, 8)): "8"}
    assert [mark.sign for mark in node_marks(BASS, both)] == ["9", "8"]


def test_an_open_string_is_marked_on_its_name_and_a_string_that_is_not_drawn_not_at_all() -> None:
    board = Board(BASS, 0.0, 400.0, (0, 1))
    cells = fretboard_cells(board, [Mark(1, None, "x", "now"), Mark(3, 100.0, "x", "now")], 60)
    assert [kind for _, kind in cells[2][:1]] == ["now"]
    assert sum(kind == "now" for row in cells for _, kind in row) == 1
