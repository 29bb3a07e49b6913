"""What must hold of everything that is written, whatever was read."""

from __future__ import annotations

import csv
import io
import re
from html.parser import HTMLParser

RAW = re.compile(
    r"[\x00-\x09\x0b-\x1f\x7f-\x9f\u061c\u200e\u200f\u2028\u2029\u202a-\u202e\u2066-\u2069\ud800-\udfff]"
)
"""What a terminal obeys, or what turns the direction of a line (ECMA-48; Unicode annex 9); the line feed apart."""
TAGS = frozenset(
    [
        "html",
        "head",
        "meta",
        "title",
        "style",
        "body",
        "main",
        "header",
        "section",
        "article",
        "h1",
        "h2",
        "h3",
        "p",
        "b",
        "i",
        "em",
        "strong",
        "div",
        "span",
        "table",
        "thead",
        "tbody",
        "tr",
        "th",
        "td",
        "ul",
        "li",
        "figure",
        "figcaption",
        "svg",
        "g",
        "line",
        "rect",
        "path",
        "text",
        "circle",
        "polyline",
        "polygon",
        "ellipse",
        "tspan",
        "title",
        "desc",
        "br",
        "defs",
        "use",
        "pattern",
        "nav",
        "label",
        "select",
        "option",
        "a",
    ]
)
LINKS = frozenset([("a", "href"), ("use", "xlink:href")])
"""What may point at a place of its own page."""
FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n")
"""A spreadsheet may compute a cell that begins so (OWASP, CSV Injection)."""


def assert_plain(text: str) -> None:
    """Lines for a terminal hold nothing that it would obey."""
    match = RAW.search(text)
    assert not match, (
        f"U+{ord(match[0]):04X} reaches the terminal: {text[max(0, match.start() - 40) : match.end() + 20]!r}"
    )


class _Page(HTMLParser):
    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.open: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        assert tag in TAGS, f"<{tag}> in a page"
        for name, value in attrs:
            assert not name.startswith("on"), f"<{tag} {name}={value!r}>"
            within = (tag, name) in LINKS and (value or "").startswith("#")
            assert within or name not in ("href", "src", "action", "xlink:href", "srcdoc"), (
                f"<{tag} {name}={value!r}>"
            )
        if tag != "meta":
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        if tag != "meta":
            self.open.pop()

    def handle_endtag(self, tag: str) -> None:
        if tag in ("p", "br") and (not self.open or self.open[-1] != tag):
            return
        assert self.open[-1:] == [tag], f"</{tag}> closes {self.open[-1:]}"
        self.open.pop()

    def handle_comment(self, data: str) -> None:
        raise AssertionError(f"a comment in a page: {data!r}")

    def handle_pi(self, data: str) -> None:
        raise AssertionError(f"an instruction in a page: {data!r}")


def assert_harmless_page(text: str) -> None:
    """A page holds only drawings and text: no script, no handler, no address, nothing left open."""
    page = _Page()
    page.feed(text)
    page.close()
    assert not page.open, f"left open: {page.open}"
    assert_plain(text)


def assert_harmless_csv(text: str) -> None:
    """Every row has as many cells as the first, and none that is no number begins like a formula."""
    assert text[0] == "\ufeff", "what tells a spreadsheet that the file is UTF-8"
    text = text[1:]
    rows = list(csv.reader(io.StringIO(text, newline="")))
    for row in rows:
        assert len(row) == len(rows[0])
        for cell in row:
            if cell.startswith(FORMULA):
                float(cell)
    assert_plain(text.replace("\r\n", "\n"))
