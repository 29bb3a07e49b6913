"""Parts of a report, each said once for all forms: a heading, sentences, a table, and words below it.

A `Column` is declared once too: its key and value for programs (JSON, CSV), its title and text for people. A part comes
out as lines of a terminal (`part_lines`) and as HTML (`part_html`).
"""

from __future__ import annotations

import re
import textwrap
from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import Any, Generic, TypeVar

from coach.ground.frozen import frozen
from coach.ground.plain import plain_text
from coach.pages.document import escaped, paragraph, table
from coach.words.amounts import unbroken

T = TypeVar("T")
MOST_ROWS = 14
"""Of a table in a terminal."""
LEAST_NAME = 12
ABSENT = object()
"""The value of a key that a row has not."""
_ON_STRING = re.compile(r"(?<=\d) on (?=[A-G][#b]?-?\d)")


@frozen
class Column(Generic[T]):
    """A column of a table whose rows are made of `T`."""

    key: str
    """For programs; empty where the column is for people only."""
    value: Callable[[T], Any]
    title: str = ""
    """For people; empty where the column is for programs only."""
    text: Callable[[T], str] | None = None
    """What people read; None where it is the value."""
    number: bool = False
    """Whether it is set to the right."""
    on_page: bool = False
    """Whether it is left out in a terminal, which is too narrow for all."""

    def shown(self, row: T) -> str:
        return str(self.value(row)) if self.text is None else self.text(row)


@frozen
class Table:
    """What people read of a table; the first column names the rows."""

    columns: tuple[Column[Any], ...]
    rows: tuple[tuple[str, ...], ...]

    @property
    def titles(self) -> tuple[str, ...]:
        return tuple(column.title for column in self.columns)

    def html(self, row_names: Sequence[str] = ()) -> str:
        """The table on a page, `row_names` the names of its rows' styles; nothing where it has no row."""
        numbers = [at for at, column in enumerate(self.columns) if column.number]
        return table(self.titles, self.rows, numbers, "", row_names) if self.rows else ""

    def lines(self, width: int) -> Iterator[str]:
        """The first rows in a terminal, and how many more there are."""
        if not self.rows:
            return
        chosen = [at for at, column in enumerate(self.columns) if not column.on_page]
        shown = [[row[at] for at in chosen] for row in (self.titles, *self.rows[:MOST_ROWS])]
        wide = [max(map(len, cells)) for cells in zip(*shown, strict=True)]
        wide[0] = min(wide[0], max(width - 2 * len(wide) - sum(wide[1:]), LEAST_NAME))
        numbers = [self.columns[at].number for at in chosen]
        for name, *rest in shown:
            cells = zip((fitted(name, wide[0]), *rest), wide, numbers, strict=True)
            set_out = (text.rjust(room) if number else text.ljust(room) for text, room, number in cells)
            yield f"  {'  '.join(set_out)}".rstrip()
        if len(self.rows) > MOST_ROWS:
            yield f"  and {len(self.rows) - MOST_ROWS} more"


@frozen
class Part:
    """A part of a report; false where it has nothing to say."""

    heading: str
    items: tuple[str, ...] = ()
    table: Table = Table((), ())
    foot: tuple[str, ...] = ()

    def __bool__(self) -> bool:
        return bool(self.items or self.table.rows or self.foot)


def facts_of(columns: Sequence[Column[T]], row: T) -> dict[str, Any]:
    """What programs get of a row."""
    facts = {column.key: column.value(row) for column in columns if column.key}
    return {key: value for key, value in facts.items() if value is not ABSENT}


def table_of(columns: Iterable[Column[T]], rows: Iterable[T]) -> Table:
    """What people read of some rows."""
    chosen = tuple(column for column in columns if column.title)
    return Table(chosen, tuple(tuple(column.shown(row) for column in chosen) for row in rows))


def part_lines(part: Part, width: int) -> Iterator[str]:
    """A part in a terminal of so many columns; nothing where it has nothing to say."""
    if part:
        yield part.heading
    for item in part.items:
        yield from folded(item, width, "  ", "      ")
    yield from part.table.lines(width)
    for text in part.foot:
        yield from folded(text, width, "  ", "    ")


def part_html(part: Part, *drawings: str, level: int = 2, mark: Callable[[str], str] = escaped) -> str:
    """A part on a page under a heading of this level, its drawings last; nothing where it has nothing to say.

    `mark` makes HTML of a sentence.
    """
    parts = (
        listing(map(mark, part.items)),
        part.table.html(),
        *(paragraph(text, "quiet") for text in part.foot),
    )
    inside = "\n".join(one for one in (*parts, *drawings) if one)
    return f"<section><h{level}>{escaped(part.heading)}</h{level}>\n{inside}</section>" if inside else ""


def listing(items: Iterable[str]) -> str:
    """A list of HTML; nothing where there are no items."""
    inside = "".join(f"<li>{item}</li>" for item in items)
    return f"<ul>{inside}</ul>" if inside else ""


def folded(text: str, width: int, first: str = "", rest: str = "") -> list[str]:
    """A text as lines of so many columns, at whose ends no date is broken, and what stands before them."""
    lines = textwrap.wrap(unbroken(text), width, initial_indent=first, subsequent_indent=rest)
    return [line.replace("\u00a0", " ") for line in lines]


def fitted(name: str, width: int) -> str:
    """A name in so many columns: a long one without `on` before its strings, at worst cut at the end."""
    return name if len(name) <= width else plain_text(_ON_STRING.sub(" ", name), width)
