"""Text for a terminal: what came from someone else made safe to print, and numbers and lists put into words.

Titles, names, cues and notes come out of files that others wrote. A terminal obeys control characters (ECMA-48:
C0, C1, ESC sequences), and marks of writing direction (Unicode annex 9) can make a line read as something else.
"""

from __future__ import annotations

import json
import re
import unicodedata
from collections.abc import Sequence
from typing import Any

_ESCAPES = re.compile(
    r"\x1b[\[\x9b][0-?]*[ -/]*[@-~]"  # control sequences such as colours
    r"|(?:\x1b[\]PX^_]|[\x90\x98\x9d-\x9f])[^\x07\x1b\x9c]*(?:\x07|\x1b\\|\x9c)?"  # strings: titles, links
    r"|\x9b[0-?]*[ -/]*[@-~]"
    r"|\x1b[ -/]*[0-~]?"
)
_SPACES = re.compile(r"[\s\x1c-\x1f\x85\u2028\u2029]+")
_UNSEEN = r"\x7f-\x9f\u061c\u200b\u200e\u200f\u2028-\u202e\u2060-\u2069\ufeff\ud800-\udfff"
_SILENT = re.compile(rf"[\x00-\x1f{_UNSEEN}]")
_JSON_LEAVES = re.compile(rf"[{_UNSEEN}]")
"""What JSON lets stand inside a string though a terminal or a reader may obey it."""


def counted(number: int, word: str, several: str = "") -> str:
    """A number with its word: `1 day`, `2 days`; `several` where the plural is no mere s."""
    return f"{number:,} {word if number == 1 else several or word + 's'}"


def listed(names: Sequence[str], most: int = 2) -> str:
    """A list that stays readable: `a`, `a and b`, `a, b and 8 more`."""
    if len(names) > most:
        return f"{', '.join(names[:most])} and {len(names) - most} more"
    return ", ".join(names[:-1]) + (" and " if len(names) > 1 else "") + "".join(names[-1:])


def plain_text(text: str, longest: int = 0) -> str:
    """The text on one line without control characters, escape sequences and direction marks.

    Any run of white space becomes one space. With `longest` above 0, longer text is cut and ends in an ellipsis.
    """
    # Most texts are plain already, and a class has tens of thousands of them.
    if not (text.isascii() and text.isprintable()):
        text = _SILENT.sub("", _SPACES.sub(" ", _ESCAPES.sub("", text)))
    text = " ".join(text.split())
    if 0 < longest < len(text):
        text = text[: longest - 1].rstrip() + "…"
    return text


def same_name(one: str, other: str) -> bool:
    """Whether two names of people mean one: case, accents and spaces don't count."""
    return bare_name(one) == bare_name(other)


def bare_name(name: str) -> str:
    """What of a person's name tells it from others: without case, accents and spaces."""
    letters = unicodedata.normalize("NFKD", plain_text(name).casefold())
    return "".join(letter for letter in letters if not unicodedata.combining(letter) and letter != " ")


def name_key(name: str) -> str:
    """What of a drill's or a phrase's name tells it from others: neither upper case nor how wide its spaces are."""
    return " ".join(name.split()).casefold()


def visible(text: str) -> str:
    """The text with a dot in place of each character that a terminal might obey, so that columns stay as they are."""
    return _SILENT.sub("·", text)


def brief(value: Any, longest: int = 60) -> str:
    """A value as a program writes it, plain and short enough for a message."""
    try:
        return plain_text(repr(value), longest)
    except ValueError:  # a whole number of more digits than Python writes
        return "a number of very many digits"


def json_text(value: Any, indent: int | None = None, **options: Any) -> str:
    """JSON as people read it, in which no character is left that a terminal might obey: those are escaped, not lost.

    `options` are those of `json.dumps`.
    """
    text = json.dumps(value, ensure_ascii=False, indent=indent, **options)
    return _JSON_LEAVES.sub(lambda match: f"\\u{ord(match[0]):04x}", text)
