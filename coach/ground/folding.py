"""Lines for a terminal, broken between words where they are wider than it is."""

from __future__ import annotations

import os
import re
from textwrap import wrap
from typing import TextIO

_GAP = re.compile(r"(?<=\S) {2,}(?=\S)")
"""Between two columns of a table."""
_UNIT = re.compile(r"(?<=\d) (?=[a-zA-Z%])")


def columns_of(stream: TextIO) -> int:
    """How wide the terminal is that a stream goes to; 0 where it goes to none."""
    try:
        return os.get_terminal_size(stream.fileno()).columns if stream.isatty() else 0
    except OSError:
        return 0


def folded(line: str, columns: int) -> list[str]:
    """The line broken at blanks so that it has room in so many columns, 0 for any; a longer word stays whole.

    The rest stands below the last column of a table, whose columns are two blanks apart; of a sentence two blanks in.
    A number stays with the word behind it.
    """
    if not 0 < columns < len(line):
        return [line]
    starts = [gap.end() for gap in _GAP.finditer(line) if gap.end() <= columns // 2]
    indent = starts[-1] if starts else len(line) - len(line.lstrip()) + 2
    line = _UNIT.sub("\xa0", line)
    rows = wrap(line, columns, subsequent_indent=" " * indent, break_long_words=False, break_on_hyphens=False)
    return [row.replace("\xa0", " ") for row in rows]
