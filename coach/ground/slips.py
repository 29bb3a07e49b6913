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


def yaml_slip(what: str, lines: Sequence[str], spot: Spot, kind: FileKind) -> tuple[str, str]:
    """What is wrong, and the likely slip, for a complaint of YAML's about a place in these lines."""
    line = lines[spot.line - 1] if spot.line <= len(lines) else ""
    column, body = spot.column, line.strip()
    if "mapping values" in what:
        note = re.search(r"(?:\d[\d.&ea+/]*\s+|[,+>?\d]\s*)([A-Ga-g][#b]?-?\d*|\d)$", line[: column - 1])
        if note:
            word = note[1]
            return "a colon with a space after it starts a value", f"no space in `{word}:0`"
        if (key := _KEY.match(line)) and key.end(2) == column - 1:
            return _too_deep(lines, spot.line)
        return (
            "a colon with a space after it starts a value, and this line has one too many",
            "put a text that holds `: ` in quotes, or is the line above it cut short?",
        )
    if "anchor" in what or "alphabetic or numeric" in what:
        return "a value that starts with `&` or `*` means something else to YAML", kind.sign
    if "cannot start any token" in what:
        if "\t" in line:
            return "a tab character stands here; YAML allows only spaces", "use spaces"
        return f"a value can't start with `{line[column - 1 : column]}`", "put it in quotes"
    if "could not find expected ':'" in what:
        return "this line is no `key: value`", "is a colon missing, or the space after it?"
    if "',' or" in what:
        bracket = "]" if "]" in what else "}"
        return f"a comma or the closing `{bracket}` is missing here or on the line above", (
            f"as in {kind.brackets}"
            if bracket == "]"
            else "a text with commas can't stand inside braces unless it is in quotes"
        )
    if "nesting depth" in what:
        return f"this is nested more than {MAX_DEPTH} deep; {kind.noun} needs {kind.depth}", ""
    if "block sequence entries" in what:
        return "a dash starts an item of a list, and no list can start here", (
            "put the dash on a line of its own under the key, or delete it"
        )
    if "mapping keys" in what:
        return "a line can't start with `? `", "put the text in quotes"
    if "node content" in what:
        return "something is missing here: a value between the commas or brackets", "one comma too many?"
    if "comment or line break" in what:
        return "after `>` or `|` the text starts on the next line", "put a text that starts so in quotes"
    if "unexpected end of stream" in what:
        return "the file ends in the middle of something", "a bracket or quotation mark is never closed"
    if any(word in what for word in ("document", "expected key", "block", "indentation", "indicator")):
        before = line[: column - 1]
        if before.rstrip().endswith(("'", '"')):
            return "the text goes on after its closing quotation mark", "put quotes around all of it"
        return _misplaced(lines, spot.line) if body and not before.strip() else _UNFIT
    if body.startswith("%"):
        return "a line can't start with `%`", "start a comment with #"
    return f"this line can't be read as YAML ({what or 'no reason given'})", (
        "put the text in quotes, or compare the line with one that works"
    )


def _too_deep(lines: Sequence[str], number: int) -> tuple[str, str]:
    """A key that is indented under a line which has its value already."""
    above = next((index for index in range(number - 2, -1, -1) if lines[index].strip()), 0)
    if match := re.match(r" *-(?=[^\s-])(\S+)", lines[above]):
        return (
            "this line is indented under one that is no key",
            f"a space after the dash on line {above + 1}: `- {match[1][:_SHOWN]}`?",
        )
    _, guess = _misplaced(lines, number)
    return f"this line is indented under line {above + 1}, which has its value already", guess


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
        return "this line stands in the column of a list's dashes and has none", (
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
