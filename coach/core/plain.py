"""Text that came from someone else, made safe to print on a terminal.

Titles, names, cues and notes come out of files that others wrote. A terminal obeys control characters (ECMA-48:
C0, C1, ESC sequences), and marks of writing direction (Unicode annex 9) can make a line read as something else.
"""

from __future__ import annotations

import re

_ESCAPES = re.compile(
    r"\x1b[\[\x9b][0-?]*[ -/]*[@-~]"  # control sequences such as colours
    r"|(?:\x1b[\]PX^_]|[\x90\x98\x9d-\x9f])[^\x07\x1b\x9c]*(?:\x07|\x1b\\|\x9c)?"  # strings: titles, links
    r"|\x9b[0-?]*[ -/]*[@-~]"
    r"|\x1b[ -/]*[0-~]?"
)
_SPACES = re.compile(r"[\s\x1c-\x1f\x85\u2028\u2029]+")
_SILENT = re.compile(
    r"[\x00-\x1f\x7f-\x9f\u061c\u200b\u200e\u200f\u202a-\u202e\u2060-\u2069\ufeff\ud800-\udfff]"
)


def plain_text(text: str, longest: int = 0) -> str:
    """The text on one line without control characters, escape sequences and direction marks.

    Any run of white space becomes one space. With `longest` above 0, longer text is cut and ends in an ellipsis.
    """
    text = _SPACES.sub(" ", _ESCAPES.sub("", text))
    text = " ".join(_SILENT.sub("", text).split())
    if 0 < longest < len(text):
        text = text[: longest - 1].rstrip() + "…"
    return text
