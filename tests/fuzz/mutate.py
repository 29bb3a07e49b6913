"""Mutations: of bytes, of a text's words, of JSON values. All randomness comes from the caller's generator."""

from __future__ import annotations

import random
import re
from collections.abc import Sequence
from functools import lru_cache
from typing import Any
from xml.sax.saxutils import escape, quoteattr

TOKENS = re.compile(r"\w+|[^\S\n]+|\n|.", re.DOTALL)
LONGEST = 60_000
"""Characters or bytes of a mutated input; a run must stay cheap."""

NUMBERS = (
    "0", "-1", "-0", "1", "2", "3/0", "0/1", "7/3", "1e999", "-1e999", "1e999999999", "1e-999999999", "nan", "inf",
    "2147483648", "18446744073709551616", "9" * 40, "9" * 400, "9" * 5000, "0x10", "0b1", "1_000", "1.5", "1.", ".5",
    "0.0000001", "12.99999999999999999", "٣", "１２", "²", "½", "1:30", "2026-12-03", "2026-99-99", "+3", "3,2",
)  # fmt: skip
NASTY = (
    "\x1b]52;c;WA==\x07", "\x1b[2J", "\x9b31m", "\x9d0;x\x9c", "\x07", "\x08", "\x7f", "\0", "\x0b", "\x0c", "\x85",
    "\u2028", "\u2029", "\u202e", "\u2066", "\u200b", "\ufeff", "\ufffe", "\ud800", "\udc80", "\U000e0001", "é",
    "e\u0301" * 5, "𝄞", "音", "İ", "ß", "\r", "\r\n", "\t", "=1+1", "@SUM(1)", "+1", "-1", "|", "<script>alert(1)</script>",
    "</style><script>", "'\"><svg onload=a()>", "javascript:a()", "<!--", "-->", "]]>", "&amp;", "&#27;", "&#x9b;", "&lt;",
    "&x;", "<!ENTITY x 'y'>", "../../x", "/nowhere/x", "C:\\x", "CON", "..", "%s%n", "{0}", "${x}", "[@click=app.quit]x[/]",
    "[red]", "\\", "\\u001b", "\\x1b", "'", '"', "`", "~", "*a", "&a ", "!!binary ", "!!timestamp ", "!!bool ", "!!int ",
    "<<: ", "? ", "- ", ": ", "# ", "| ", "> ", "---\n", "...\n", "%YAML 9.9\n", "{", "}", "[", "]", "(", ")", ",", ";",
    "null", "~", "yes", "true", "x" * 3000, "a " * 500,
)  # fmt: skip


@lru_cache(2000)
def tokens_of(text: str) -> tuple[str, ...]:
    """A text's words, spaces and signs; joined they are the text."""
    return tuple(TOKENS.findall(text))


def chance_of(data: bytes) -> random.Random:
    """What is drawn while an input is run: the same whenever it is run again."""
    return random.Random(len(data) * 31 + sum(data[:2000]))


def mutated_text(rng: random.Random, text: str, others: Sequence[str], words: Sequence[str] = ()) -> str:
    """The text with one to eight changes: words, numbers, lines, nesting, and pieces of other texts.

    Half of all are gentle: one or two words or numbers become others of their kind, so that much is accepted.
    """
    if rng.random() < 0.5:
        return _gently_changed(rng, text, others, words)
    tokens = list(tokens_of(text))
    for _ in range(rng.choice((1, 1, 1, 2, 2, 3, 4, 8))):
        if not tokens:
            tokens = ["x"]
        at = rng.randrange(len(tokens))
        action = rng.randrange(12)
        if action == 0:
            del tokens[at : at + rng.choice((1, 1, 2, 5, 30))]
        elif action == 1:
            tokens[at] = rng.choice(NASTY)
        elif action == 2:
            tokens.insert(at, rng.choice(NASTY))
        elif action == 3:
            numbers = [index for index in range(at, min(at + 60, len(tokens))) if tokens[index].isdecimal()]
            tokens[numbers[0] if numbers else at] = rng.choice(NUMBERS)
        elif action == 4:
            other = rng.randrange(len(tokens))
            tokens[at], tokens[other] = tokens[other], tokens[at]
        elif action == 5:
            piece = tokens[at : at + rng.choice((1, 3, 10, 40))]
            tokens[at:at] = piece * rng.choice((1, 1, 2, 3, 30))
        elif action == 6:
            other = rng.randrange(len(tokens))
            piece = tokens[other : other + rng.choice((1, 3, 10, 40))]
            tokens[at : at + rng.choice((0, 0, len(piece)))] = piece
        elif action == 7:
            donor = tokens_of(rng.choice(others))
            other = rng.randrange(len(donor) or 1)
            tokens[at : at + rng.choice((0, 3))] = donor[other : other + rng.choice((1, 3, 10, 60))]
        elif action == 8 and words:
            tokens[at] = rng.choice(words)
        elif action == 9:
            opening, closing = rng.choice(
                (("[", "]"), ("{", "}"), ("(", ")"), ("<a>", "</a>"), ('"', '"'), ("- ", ""))
            )
            deep = rng.choice((1, 2, 5, 20, 200, 2000))
            tokens[at : at + 1] = [opening * deep, tokens[at], closing * rng.choice((deep, deep - 1, 0))]
        elif action == 10:
            tokens = _lines_changed(rng, tokens)
        else:
            word = tokens[at]
            place = rng.randrange(len(word) + 1)
            letter = rng.choice(
                (chr(rng.randrange(128)), chr(rng.randrange(256)), chr(rng.randrange(0x11000)))
            )
            tokens[at] = word[:place] + letter + word[place + rng.randrange(2) :]
    return "".join(tokens)[:LONGEST]


def _gently_changed(rng: random.Random, text: str, others: Sequence[str], words: Sequence[str]) -> str:
    tokens = list(tokens_of(text))
    for _ in range(rng.choice((1, 1, 2, 4))):
        tries = (rng.randrange(len(tokens) or 1) for _ in range(20))
        at = next((index for index in tries if tokens and tokens[index][0].isalnum()), -1)
        if at < 0:
            break
        if tokens[at].isdecimal():
            tokens[at] = str(rng.choice((0, 1, 2, 3, 4, 5, 7, 8, 12, 16, 19, 32, 60, 99, 300, 2026)))
        elif rng.random() < 0.3:
            tokens[at] = rng.choice(NASTY)
        elif words and rng.random() < 0.2:
            tokens[at] = rng.choice(words)
        else:
            donor = tokens_of(rng.choice(others)) or ("x",)
            tries = (rng.randrange(len(donor)) for _ in range(20))
            tokens[at] = next((donor[index] for index in tries if donor[index][0].isalpha()), "x")
    return "".join(tokens)


_PIECES = re.compile(r"<[^>]*>|[^<]+")


@lru_cache(500)
def _pieces_of(text: str) -> tuple[str, ...]:
    return tuple(_PIECES.findall(text))


def mutated_xml(rng: random.Random, text: str, others: Sequence[str], words: Sequence[str] = ()) -> str:
    """XML with changes that mostly leave it well-formed: contents, attributes, whole leaves doubled, moved or left out."""
    pieces = list(_pieces_of(text))
    for _ in range(rng.choice((1, 1, 2, 3, 6))):
        at = _leaf(rng, pieces)
        if not at:
            break
        action = rng.random()
        if action < 0.3:
            pieces[at] = rng.choice(
                (*NUMBERS, "1", "2", "3", "4", "8", "12", "E", "G", "start", "yes", "whole")
            )
        elif action < 0.45:
            pieces[at] = escape(rng.choice(NASTY))
        elif action < 0.6:
            pieces[at] = pieces[_leaf(rng, pieces)]
        elif action < 0.75:
            tag = rng.randrange(len(pieces))
            values = re.findall(r'"[^"]*"', pieces[tag]) if pieces[tag][0] == "<" else []
            if values:
                new = quoteattr(rng.choice((*NUMBERS, *NASTY, "1", "2", "start", "stop", "yes", "P1")))
                pieces[tag] = pieces[tag].replace(rng.choice(values), new, 1)
        elif action < 0.85:
            del pieces[at - 1 : at + 2]
        elif action < 0.95:
            leaf = pieces[at - 1 : at + 2]
            other = max(0, _leaf(rng, pieces) - 1)
            pieces[other:other] = leaf * rng.choice((1, 1, 3, 40))
        else:
            donor = _pieces_of(rng.choice(others))
            start = rng.randrange(len(donor) or 1)
            pieces[at + 2 : at + 2] = rng.choice((donor[start : start + 3], words and [rng.choice(words)]))
    return "".join(pieces)[:LONGEST]


def _leaf(rng: random.Random, pieces: list[str]) -> int:
    """The place of some text between two tags; 0 where a few tries find none."""
    for _ in range(40):
        at = rng.randrange(1, max(2, len(pieces) - 1))
        if at + 1 < len(pieces) and pieces[at][0] != "<" and pieces[at].strip() and pieces[at - 1][0] == "<":
            return at
    return 0


def _lines_changed(rng: random.Random, tokens: list[str]) -> list[str]:
    lines = "".join(tokens).split("\n")
    at = rng.randrange(len(lines))
    action = rng.randrange(5)
    if action == 0:
        lines.insert(rng.randrange(len(lines) + 1), lines[at])
    elif action == 1:
        del lines[at : at + rng.choice((1, 1, 3))]
    elif action == 2:
        lines.insert(rng.randrange(len(lines)), lines.pop(at))
    elif action == 3:
        lines[at] = rng.choice(("  ", " ", "\t", "    - ")) + lines[at]
    else:
        lines[at] = lines[at].lstrip()
    return list(tokens_of("\n".join(lines)))


_BYTES = (
    b"\0",
    b"\xff",
    b"\x80",
    b"\x7f",
    b"\xff\xff\xff\xff",
    b"\xff\xff\xff\x7f",
    b"\x81\x80\x80\x00",
    b"\0\0\0\0",
)


def mutated_bytes(
    rng: random.Random, data: bytes, others: Sequence[bytes], words: Sequence[bytes] = ()
) -> bytes:
    """The bytes with one to eight changes: flips, edge values, cuts, copies, pieces of other data."""
    mutant = bytearray(data)
    for _ in range(rng.choice((1, 1, 2, 3, 8))):
        if not mutant:
            mutant += b"x"
        at = rng.randrange(len(mutant))
        action = rng.randrange(8)
        if action == 0:
            mutant[at] ^= 1 << rng.randrange(8)
        elif action == 1:
            mutant[at] = rng.randrange(256)
        elif action == 2:
            piece = rng.choice((*_BYTES, *words))
            mutant[at : at + rng.choice((0, len(piece)))] = piece
        elif action == 3:
            del mutant[at : at + rng.choice((1, 2, 4, 40))]
        elif action == 4:
            mutant[at:at] = mutant[at : at + rng.choice((1, 4, 40, 400))] * rng.choice((1, 1, 2, 20))
        elif action == 5:
            donor = rng.choice(others)
            other = rng.randrange(len(donor) or 1)
            mutant[at : at + rng.choice((0, 8))] = donor[other : other + rng.choice((1, 4, 16, 200))]
        elif action == 6:
            mutant = mutant[: at or 1]
        else:
            other = rng.randrange(len(mutant))
            mutant[at], mutant[other] = mutant[other], mutant[at]
    return bytes(mutant[:LONGEST])


def recoded(rng: random.Random, text: str) -> bytes:
    """The text in some encoding: nearly always UTF-8, else one that a reader must refuse or know."""
    encoding = rng.choice(
        ("utf-8",) * 30 + ("utf-8-sig", "utf-16", "utf-16-be", "latin-1", "utf-32", "utf-7")
    )
    return text.encode(
        encoding, rng.choice(("replace", "surrogatepass")) if encoding[:3] == "utf" else "replace"
    )


_VALUES: tuple[Any, ...] = (
    None, True, False, 0, -1, 1, 3, 10**9, 10**30, -(10**18), 0.5, 1e308, float("inf"), float("nan"), "", "x" * 5000, [],
    {}, [[]], [[[]]], {"x": {}}, "2026-12-03", "2026-99-99", "0001-01-01", "9999-12-31", "2026-12-03T13:00:00.000+01:00",
    "9999-12-31T23:59:59.999+23:59", "0001-01-01T00:00:00.000-23:59", "1970-01-01T00:00:00.000+00:00",
)  # fmt: skip


def mutated_value(rng: random.Random, value: Any, others: Sequence[Any] = ()) -> Any:
    """A JSON value with one change somewhere in it; the value itself stays as it is."""
    if isinstance(value, dict) and value and rng.random() < 0.93:
        changed = dict(value)
        key = rng.choice(list(changed))
        if (action := rng.random()) < 0.05:
            del changed[key]
        elif action < 0.1:
            changed[rng.choice(NASTY)] = changed[key]
        else:
            changed[key] = mutated_value(rng, changed[key], others)
        return changed
    if isinstance(value, list) and value and rng.random() < 0.9:
        items = list(value)
        at = rng.randrange(len(items))
        if (action := rng.random()) < 0.08:
            del items[at]
        elif action < 0.2:
            items[at:at] = [items[at]] * rng.choice((1, 1, 2, 50))
        else:
            items[at] = mutated_value(rng, items[at], others)
        return items
    if others and rng.random() < 0.1:
        return rng.choice(others)
    if isinstance(value, str) and rng.random() < 0.6:
        if rng.random() < 0.4:
            place = rng.randrange(len(value) + 1)
            return value[:place] + rng.choice(NASTY) + value[place:]
        return mutated_text(rng, value, [value])[:6000]
    if type(value) is int and rng.random() < 0.6:
        return rng.choice((value + 1, value - 1, -value, value * 10, value * 1000, rng.randrange(1 << 48)))
    return rng.choice(_VALUES)
