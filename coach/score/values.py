"""Reads single values of a drill file, each with its own clear error: text, numbers, meters, tempos, orders.

Every reader takes the node and the report, and gives None after an error.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from collections.abc import Mapping as AnyMapping
from collections.abc import Sequence as AnySequence
from datetime import date
from fractions import Fraction

from coach.ground.days import day_from
from coach.music.rhythm import Meter
from coach.score.keys import BLOCKS, ID, MAX_NAME, MAX_ORDER, MAX_TEXT, PERCENT_RANGE, Key
from coach.score.source import Mapping, Node, Report, Scalar, Sequence, nearest


def kind_of(node: Node) -> str:
    """What a node is, in words."""
    if isinstance(node, Scalar):
        return f"'{shorten(node.text)}'" if node.text else "nothing"
    return "a list" if isinstance(node, Sequence) else "a group of `key: value` lines"


def shorten(text: str, length: int = 40) -> str:
    """Text short enough for a message."""
    text = " ".join(text.split())
    return text if len(text) <= length else text[: length - 1] + "…"


def block(node: Node | None, where: str, name: str, report: Report, example: str) -> Mapping | None:
    """A block whose keys are all known; unknown and missing keys are reported."""
    keys = BLOCKS[name]
    if not isinstance(node, Mapping):
        if node is not None:
            report.error(
                node, f"{kind_of(node)} stands where `key: value` lines belong", f"as in `{example}`", where
            )
        return None
    check_keys(node, where, keys, report)
    return node


def check_keys(node: Mapping, where: str, keys: AnyMapping[str, Key], report: Report) -> None:
    """Report every key that isn't in `keys`, and every required one that is missing."""
    present = {key.text for key, _ in node.pairs}
    for key, _ in node.pairs:
        if key.text not in keys:
            allowed = ", ".join(keys)
            for name in keys:
                if _same_letters(key.text, name) and name not in present:
                    _sure(key, name, report)
            report.error(
                key,
                f"`{shorten(key.text)}` is no key here; allowed are {allowed}",
                _key_guess(key.text, keys),
                where,
            )
    for name, spec in keys.items():
        if spec.required and name not in present:
            close = next(
                (key for key, _ in node.pairs if key.text not in keys and nearest(key.text, [name])), None
            )
            if close is None:
                report.error(node, f"`{name}` is missing", spec.about.rstrip("."), where)


def _key_guess(word: str, keys: AnyMapping[str, Key]) -> str:
    aliases = {
        "bpm": "tempo",
        "time": "meter",
        "name": "title",
        "description": "about",
        "tuning": "strings",
        "scale": "scale_mm",
        "parts": "phrases",
        "anacrusis": "pickup",
        "repeat": "times",
    }
    if close := nearest(word, keys):
        return f"did you mean `{close}`?"
    if aliases.get(word.lower()) in keys:
        return f"did you mean `{aliases[word.lower()]}`?"
    for place, others in BLOCKS.items():
        if word in others:
            return (
                f"`{word}` belongs under `{place}`" if place else f"`{word}` belongs at the top of the file"
            )
    return ""


def _sure(node: Node, wanted: str, report: Report) -> None:
    """Note what a plain value is surely meant to be."""
    if isinstance(node, Scalar) and node.plain:
        report.repair(node.start, node.stop, wanted)


def _same_letters(word: str, key: str) -> bool:
    """Whether a key is only spelt otherwise: capitals, hyphens, letters in another order."""
    return sorted(re.sub(r"[-_ ]", "", word.lower())) == sorted(key.replace("_", ""))


def text_of(node: Node | None, where: str, report: Report, limit: int = MAX_TEXT) -> str:
    """A text; empty where it is missing or wrong."""
    if node is None:
        return ""
    if not isinstance(node, Scalar):
        guess = "put it in quotes" if isinstance(node, Mapping) or node.flow else ""
        report.error(node, f"{kind_of(node)} stands where a text belongs", guess, where)
        return ""
    if not node.text.strip():
        report.error(node, "nothing follows this key; give a text, or delete the line", "", where)
        return ""
    if len(node.text) > limit:
        report.error(node, f"the text has {len(node.text)} characters; at most {limit}", "", where)
        return ""
    return node.text.strip()


def integer(node: Node | None, where: str, allowed: tuple[int, int], unit: str, report: Report) -> int | None:
    """A whole number within a range."""
    if node is None:
        return None
    low, high = allowed
    found = node.text.strip() if isinstance(node, Scalar) else ""
    if not re.fullmatch(r"[+-]?[0-9]{1,12}", found):
        guess = ""
        if match := re.match(r"([0-9]+)\s*[A-Za-z]+$", found):
            guess = f"write {match[1]} without the unit"
            if match[0].split()[-1].lower() in unit.split():
                _sure(node, match[1], report)
        elif re.fullmatch(r"[0-9]+[.,][0-9]+", found):
            guess = f"round it: {re.split('[.,]', found)[0]}"
        report.error(node, f"{kind_of(node)} is no whole number from {low} to {high}{unit}", guess, where)
        return None
    value = int(found)
    if low <= value <= high:
        return value
    guess = ""
    if value > high and low <= value // 10 <= high and value % 10 == 0:
        guess = "one zero too many?"
    elif value < low and low <= value * 10 <= high and value > 0:
        guess = "a zero missing?"
    report.error(node, f"{value} is outside {low} to {high}{unit}", guess, where)
    return None


def number(
    node: Node | None, where: str, allowed: tuple[float, float], unit: str, report: Report
) -> float | None:
    """A number within a range."""
    if node is None:
        return None
    low, high = allowed
    found = node.text.strip() if isinstance(node, Scalar) else ""
    if not re.fullmatch(r"[+-]?(\d{1,9}(\.\d{0,12})?|\.\d{1,12})([eE][+-]?\d{1,2})?", found):
        guess = f"did you mean {found.replace(',', '.')}?" if re.fullmatch(r"\d+,\d+", found) else ""
        if re.fullmatch(r'[\d.]+\s*("|in|inch|inches)', found):
            inches = float(re.match(r"[\d.]+", found)[0].rstrip("."))  # type: ignore[index]
            guess = f"in mm: {inches * 25.4:g}"
        elif match := re.fullmatch(r"([\d.]+)\s*[A-Za-z]+", found):
            guess = f"write {match[1]} without the unit"
            if match[0].endswith(unit.strip()) and unit:
                _sure(node, match[1], report)
        report.error(node, f"{kind_of(node)} is no number from {low:g} to {high:g}{unit}", guess, where)
        return None
    value = float(found)
    if low <= value <= high:
        return value
    guess = ""
    if unit == " mm" and 10 <= value <= 60:
        guess = f"inches? in mm: {value * 25.4:g}"
    report.error(node, f"{value:g} is outside {low:g} to {high:g}{unit}", guess, where)
    return None


def fraction(node: Node | None, where: str, report: Report) -> Fraction | None:
    """A part of a whole note: `1/4`, `3/8`."""
    if node is None:
        return None
    found = node.text.strip() if isinstance(node, Scalar) else ""
    match = re.fullmatch(r"(\d{1,2})/(\d{1,2})", found)
    if match and int(match[1]) and int(match[2]) and Fraction(1, 64) <= Fraction(found) <= 4:
        return Fraction(found)
    report.error(node, f"{kind_of(node)} is no note value; a quarter is 1/4, a dotted quarter 3/8", "", where)
    return None


def meter_of(node: Node | None, where: str, report: Report) -> Meter | None:
    """A meter: `4/4`, `6/8 in 2`, `7/8 in 2+2+3`."""
    if node is None:
        return None
    found = node.text.strip() if isinstance(node, Scalar) else ""
    match = re.fullmatch(r"(\d{1,3})/(\d{1,3})(?:\s+in\s+(\d{1,3}(?:\+\d{1,3})*))?", found)
    if match is None:
        guess = ""
        if swapped := re.fullmatch(r"(\d+)\s*[:.\\ -]\s*(\d+)", found):
            guess = f"did you mean {swapped[1]}/{swapped[2]}?"
            if ":" in found:
                _sure(node, f"{swapped[1]}/{swapped[2]}", report)
        elif found.lower() in ("c", "common", "4"):
            guess = "did you mean 4/4?"
        message = f"{kind_of(node)} is no meter; write 4/4, 6/8 in 2, or 7/8 in 2+2+3"
        report.error(node, message, guess, where)
        return None
    upper, lower = int(match[1]), int(match[2])
    try:
        if match[3] is None:
            return Meter.of(upper, lower)
        parts = [int(part) for part in match[3].split("+")]
        return Meter.of(upper, lower, parts[0]) if len(parts) == 1 else Meter.grouped(upper, lower, parts)
    except (ValueError, ZeroDivisionError) as error:
        report.error(node, str(error), "", where)
        return None


def percents(node: Node | None, where: str, report: Report) -> tuple[Fraction, Fraction] | None:
    """A change of tempo: `80%` or `100% to 80%`, as ratios at its start and its end."""
    if node is None:
        return None
    found = node.text.strip() if isinstance(node, Scalar) else ""
    match = re.fullmatch(r"(\d{1,4}(?:\.\d{1,3})?)\s*%(?:\s+to\s+(\d{1,4}(?:\.\d{1,3})?)\s*%)?", found)
    if match is None:
        guess = f"write {found}%, of the drill's tempo" if found.isdecimal() else ""
        message = f"{kind_of(node)} is no change of tempo; write 80%, or 100% to 80%, of the drill's tempo"
        report.error(node, message, guess, where)
        return None
    low, high = PERCENT_RANGE
    start, stop = Fraction(match[1]), Fraction(match[2] or match[1])
    for value in (start, stop):
        if not low <= value <= high:
            report.error(
                node, f"{float(value):g}% is outside {low}% to {high}% of the drill's tempo", "", where
            )
            return None
    return start / 100, stop / 100


def day_of(node: Node | None, where: str, report: Report) -> date | None:
    """A day: `2026-12-24`."""
    if node is None:
        return None
    found = node.text.strip() if isinstance(node, Scalar) else ""
    if re.fullmatch(r"\d{4}-\d\d-\d\d", found):
        try:
            return day_from(found)
        except ValueError as error:
            message = str(error) if "outside" in str(error) else f"'{found}' is no day of the calendar"
            report.error(node, message, "", where)
            return None
    guess = ""
    if match := re.fullmatch(r"(\d{1,2})\.(\d{1,2})\.(\d{4})", found):
        day = f"{match[3]}-{int(match[2]):02d}-{int(match[1]):02d}"
        guess = f"did you mean {day}?"
        _sure(node, day, report)
    report.error(node, f"{kind_of(node)} is no day; write it as 2026-12-24", guess, where)
    return None


def truth(node: Node | None, where: str, report: Report, default: bool) -> bool:
    """`yes` or `no`."""
    if node is None:
        return default
    found = node.text.strip().lower() if isinstance(node, Scalar) else ""
    if found in ("yes", "true", "on"):
        return True
    if found in ("no", "false", "off"):
        return False
    report.error(node, f"{kind_of(node)} is neither yes nor no", "", where)
    return default


def id_of(node: Node | None, where: str, report: Report) -> str:
    """An id: small letters, digits and hyphens."""
    found = text_of(node, where, report, MAX_NAME)
    if found and not ID.fullmatch(found):
        from coach.score.ids import slug

        guess = f"did you mean {slug(found)}?" if slug(found) else ""
        report.error(
            node, f"'{shorten(found)}' is no id; small letters, digits and -, at most 64", guess, where
        )
        return ""
    return found


def scalars(node: Node | None, where: str, report: Report, example: str) -> list[Scalar] | None:
    """A list of plain values."""
    if node is None:
        return None
    if not isinstance(node, Sequence):
        report.error(node, f"{kind_of(node)} stands where a list belongs", f"as in {example}", where)
        return None
    items = [item for item in node.items if isinstance(item, Scalar)]
    if len(items) < len(node.items):
        report.error(node, "this list holds more than plain values", f"as in {example}", where)
        return None
    return items


MAX_FAULTS = 20
_ORDER = re.compile(
    r"\s*(?:(?P<mark>[(),])|(?P<times>[x×](?P<count>\d{1,3})\b)|(?P<name>[^(),]+?)(?=\s*(?:[(),]|[x×]\d{1,3}\s*(?:[(),]|$)|$)))"
)
_GLUED = re.compile(r"\s*([^(),]*?[^(),\s][x×]\d{1,3})(?=\s*(?:[(),]|[x×]\d{1,3}\s*(?:[(),]|$)|$))")


def order_of(
    text: str, find: Callable[[str], str | None], names: AnySequence[str]
) -> tuple[tuple[str, ...], list[tuple[int, str, str]]]:
    """Phrase ids in the order played, repeats written out, and faults as (offset, message, guess).

    `find` gives the id for an id or a name.
    """
    if any(len(part) > MAX_TEXT for part in re.split("[(),]", text)):
        return (), [(0, "this can't be read as an order of phrases: a name in it is far too long", "")]
    faults: list[tuple[int, str, str]] = []
    stack: list[list[str]] = [[]]
    last: list[str] | None = None
    position = 0
    while position < len(text) and text[position:].strip() and len(faults) < MAX_FAULTS:
        match = _ORDER.match(text, position)
        if match is None or match.end() == position:
            faults.append(
                (position, f"'{shorten(text[position:])}' can't be read as an order of phrases", "")
            )
            break
        start = match.end() - len(match[0].lstrip())
        if match["mark"] == "(":
            if len(stack) > 8:
                faults.append((start, "parentheses are nested more than 8 deep", ""))
                break
            stack.append([])
            last = None
        elif match["mark"] == ")":
            if len(stack) == 1:
                faults.append((start, "this ) has no (", ""))
                break
            last = stack.pop()
            stack[-1].extend(last)
        elif match["mark"] == ",":
            last = None
        elif match["times"]:
            count = int(match["count"])
            if last is None:
                faults.append((start, f"'{match['times']}' has nothing before it to repeat", ""))
            elif not 1 <= count <= 99:
                faults.append((start, f"x{count} is outside x1 to x99", ""))
            elif len(last) * count > MAX_ORDER:
                faults.append((start, f"the order has more than {MAX_ORDER} phrases", ""))
            else:
                stack[-1].extend(last * (count - 1))
                last = None
        else:
            name = match["name"].strip()
            # A name may itself end like a count: `bars-1-to-x2`.
            glued = _GLUED.match(text, position)
            if glued and find(glued[1]) is not None:
                match, name = glued, glued[1]
            found = find(name)
            if found is None:
                close = nearest(name, names)
                shown = ", ".join(list(dict.fromkeys(names))[:12])
                faults.append(
                    (
                        start,
                        f"there is no phrase '{shorten(name)}'; there are {shown}",
                        f"did you mean {close}?" if close else "",
                    )
                )
                last = []
            else:
                last = [found]
                stack[-1].append(found)
        if sum(len(level) for level in stack) > MAX_ORDER:
            faults.append((start, f"the order has more than {MAX_ORDER} phrases", ""))
            break
        position = match.end()
    if len(stack) > 1 and not faults:
        faults.append((len(text) - 1, "a ( is never closed", ""))
    return tuple(stack[0]), faults
