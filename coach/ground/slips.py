"""YAML's complaints about a text that can't be read, in the words of someone who writes such files.

Conventions: lines and columns count from 1. YAML's own words are matched by their parts, since the C and the Python
reader put some of them differently.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence

from coach.ground.source import FileKind, Spot

MAX_DEPTH = 12
_KEY = re.compile(r"( *(?:- +)*)([^\s#:\[{-][^:]*?)(?=\s*:(?:\s|$))")
_UNFIT = (
    "the indentation doesn't fit the lines above",
    "keys that belong together start in the same column, and so do the dashes of one list",
)
_SHOWN = 20


_ALWAYS = (
    (
        "could not find expected ':'",
        "this line is not `key: value`",
        "is a colon missing, or the space after it?",
    ),
    (
        "sequence entries",
        "a dash starts a list item, but no list can start here",
        "put the dash on a line of its own under the key, or delete it",
    ),
    ("mapping keys", "a line can't start with `? `", "put the text in quotes"),
    (
        "node content",
        "a value is missing here, between commas or brackets",
        "one comma too many?",
    ),
    (
        "comment or",
        "after `>` or `|` the text starts on the next line",
        "if the text starts like this, put it in quotes",
    ),
    (
        "unexpected end of stream",
        "the file ends in the middle of something",
        "a bracket or quotation mark is never closed",
    ),
)
"""A part of YAML's complaint, what is wrong, and the likely slip, where the line says nothing more."""
_OF_PLACE = ("document", "expected key", "block", "indentation", "indicator")


def yaml_slip(what: str, lines: Sequence[str], spot: Spot, kind: FileKind) -> tuple[str, str]:
    """What is wrong, and the likely slip, for a complaint of YAML's about a place in these lines."""
    line = lines[spot.line - 1] if spot.line <= len(lines) else ""
    for part, message, guess in _ALWAYS:
        if part in what:
            return message, guess
    if "mapping values" in what:
        return _colon(lines, spot, line)
    if "anchor" in what or "alphabetic or numeric" in what:
        return "a value that starts with `&` or `*` means something else to YAML", kind.sign
    if "cannot start any token" in what:
        if "\t" in line:
            return "there is a tab character here; YAML allows only spaces", "use spaces"
        return f"a value can't start with `{line[spot.column - 1 : spot.column]}`", "put it in quotes"
    if "',' or" in what:
        bracket = "]" if "]" in what else "}"
        in_braces = "a text with commas inside braces must be in quotes"
        message = f"a comma or the closing `{bracket}` is missing here or on the line above"
        return message, f"as in {kind.brackets}" if bracket == "]" else in_braces
    if "nesting depth" in what:
        return too_deep(kind), ""
    if any(word in what for word in _OF_PLACE):
        return _out_of_place(lines, spot, line)
    if line.strip().startswith("%"):
        return "a line can't start with `%`", "start a comment with #"
    return f"this line can't be read as YAML ({what or 'no reason given'})", (
        "put the text in quotes, or compare with a line that works"
    )


def too_deep(kind: FileKind) -> str:
    """The sentence about lists and groups in each other."""
    return f"this is nested more than {MAX_DEPTH} deep; {kind.noun} needs {kind.depth}"


def _colon(lines: Sequence[str], spot: Spot, line: str) -> tuple[str, str]:
    """A colon with a space after it where no value can start."""
    note = re.search(r"(?:\d[\d.&ea+/]*\s+|[,+>?\d]\s*)([A-Ga-g][#b]?-?\d*|\d)$", line[: spot.column - 1])
    if note:
        return "a colon and a space start a value", f"no space in `{note[1]}:0`"
    if (key := _KEY.match(line)) and key.end(2) == spot.column - 1:
        return _depth_slip(lines, spot.line)
    return (
        "a colon and a space start a value, and this line has one too many",
        "put a text with `: ` in quotes; or is the line above cut off?",
    )


def _out_of_place(lines: Sequence[str], spot: Spot, line: str) -> tuple[str, str]:
    """Something that belongs to nothing above it."""
    before = line[: spot.column - 1]
    if before.rstrip().endswith(("'", '"')):
        return "there is more text after the closing quotation mark", "put quotes around all of it"
    return _misplaced(lines, spot.line) if line.strip() and not before.strip() else _UNFIT


def _depth_slip(lines: Sequence[str], number: int) -> tuple[str, str]:
    """A key that is indented under a line which has its value already."""
    above = next((index for index in range(number - 2, -1, -1) if lines[index].strip()), 0)
    if match := re.match(r" *-(?=[^\s-])(\S+)", lines[above]):
        return (
            "this line is indented under one that is not a key",
            f"a space after the dash on line {above + 1}: `- {match[1][:_SHOWN]}`?",
        )
    _, guess = _misplaced(lines, number)
    return f"this line is indented under line {above + 1}, which already has a value", guess


def _misplaced(lines: Sequence[str], number: int) -> tuple[str, str]:
    """A line in a column in which it belongs to nothing above it."""
    line = lines[number - 1]
    body = line.strip()
    column = len(line) - len(line.lstrip(" ")) + 1
    dash = body == "-" or body.startswith("- ")
    above = list(_columns(lines[: number - 1]))
    fitting = [place for place in above if place[1] == dash]
    if not fitting or any(place[0] == column for place in fitting):
        return _UNFIT
    nearest = min(fitting, key=lambda place: abs(place[0] - column))
    under = f"column {nearest[0]}, as `{nearest[2]}` on line {nearest[3]}"
    if not dash and any(place[0] == column for place in above):
        return "this line is in the column of a list's dashes but has no dash", (
            f"`- {body[:_SHOWN].split(':')[0]}:`, or {under}?"
        )
    return f"the indentation doesn't fit the lines above: this line starts in column {column}", f"{under}?"


def _columns(lines: Sequence[str]) -> Iterator[tuple[int, bool, str, int]]:
    """Columns that are open at the end of the lines, the nearest first: column, whether of a dash, text, line."""
    least = len(max(lines, key=len, default="")) + 2
    for index in range(len(lines) - 1, -1, -1):
        body = lines[index].lstrip(" ")
        if not body or body.startswith("#"):
            continue
        column = len(lines[index]) - len(body) + 1
        if match := _KEY.match(lines[index]):
            at = match.start(2) + 1
            if at < least:
                yield at, False, match[2][:_SHOWN], index + 1
        if column < least:
            if body.startswith("- "):
                yield column, True, "-", index + 1
            least = column
