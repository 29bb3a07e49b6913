"""The player's settings: one documented YAML file in the practice folder, checked whole before anything uses it.

Every key is optional. Sections that other parts own (`sound`, `midi`, `keys`) are handed to them as plain mappings,
which they check themselves.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Any

from coach.ground.files import write_whole
from coach.ground.plain import brief, plain_text
from coach.ground.problem import CoachError, Problem
from coach.learning.ladder import Rule

LARGEST_BYTES = 100_000
DEEPEST = 8
MOST_EVENTS = 5_000
LONGEST_SHOWN = 60


@dataclass(frozen=True, slots=True)
class PracticeSettings:
    """How the session goes."""

    minutes: int = 20
    """A session's length where `--minutes` says nothing: 1 to 240."""
    clean_to_climb: int = 3
    """Clean reps in a row that climb a rung: 1 to 20."""
    target: float | None = None
    """Instead, a weighted ladder that settles where a rep is clean with this probability: 0.5 to 0.95."""
    pause_s: float = 2.0
    """Between a rating and the next count-in of a turn: 0 to 30."""
    run_on_pause_s: float = 2.0
    """Between the reps of a turn that runs on by itself: 0 to 30."""
    longest_interval_days: int = 14
    """A node is met again at the latest after so many days: 1 to 365."""

    @property
    def rule(self) -> Rule:
        return Rule(self.clean_to_climb, self.target)


@dataclass(frozen=True, slots=True)
class ScreenSettings:
    """How the screen looks."""

    theme: str = "dusk"
    view: str = "glance"
    """`glance` or `study`: which view a session opens with."""
    left_handed: bool = False
    ascii: bool = False
    """Draw with plain letters only, for terminals without box and block characters."""
    tour_seen: bool = False


@dataclass(frozen=True, slots=True)
class Settings:
    """All settings of one practice folder."""

    practice: PracticeSettings = PracticeSettings()
    screen: ScreenSettings = ScreenSettings()
    sound: Mapping[str, Any] = field(default_factory=dict)
    midi: Mapping[str, Any] = field(default_factory=dict)
    keys: Mapping[str, Any] = field(default_factory=dict)


Check = tuple[Callable[[Any], bool], str]


def _whole(low: int, high: int) -> Check:
    return (lambda value: type(value) is int and low <= value <= high), f"a whole number from {low} to {high}"


def _number(low: float, high: float) -> Check:
    return (
        lambda value: type(value) in (int, float) and low <= value <= high
    ), f"a number from {low:g} to {high:g}"


def _one_of(*words: str) -> Check:
    return (lambda value: value in words), " or ".join(words)


_YES_NO: Check = ((lambda value: type(value) is bool), "true or false")
_WORD: Check = (
    (lambda value: isinstance(value, str) and 0 < len(value) <= 60),
    "a word of 1 to 60 letters",
)

CHECKS: dict[str, dict[str, Check]] = {
    "practice": {
        "minutes": _whole(1, 240),
        "clean_to_climb": _whole(1, 20),
        "target": _number(0.5, 0.95),
        "pause_s": _number(0, 30),
        "run_on_pause_s": _number(0, 30),
        "longest_interval_days": _whole(1, 365),
    },
    "screen": {
        "theme": _WORD,
        "view": _one_of("glance", "study"),
        "left_handed": _YES_NO,
        "ascii": _YES_NO,
        "tour_seen": _YES_NO,
    },
}
HANDED_ON = ("sound", "midi", "keys")


def load_settings(path: Path) -> Settings:
    """The settings in a file, or the defaults where there is none; CoachError with every problem found."""
    try:
        if not path.exists():
            return Settings()
        if not path.is_file():
            raise CoachError(Problem("is no file", str(path), guess="the settings are a file of this name"))
        if path.stat().st_size > LARGEST_BYTES:
            raise CoachError(Problem(f"is larger than {LARGEST_BYTES:,} bytes", str(path)))
        text = path.read_text(encoding="utf-8")
    except UnicodeDecodeError:
        raise CoachError(Problem("is not UTF-8 text", str(path))) from None
    except OSError as error:
        raise CoachError(
            Problem(f"can't be read: {(error.strerror or 'no reason told').lower()}", str(path))
        ) from None
    return read_settings(text, str(path))


def read_settings(text: str, where: str) -> Settings:
    """Settings from YAML text; CoachError with every problem found."""
    import yaml

    try:
        _refuse_extras(text, where)
        body = yaml.safe_load(text)
    except yaml.MarkedYAMLError as error:
        mark = error.problem_mark
        line, column = (mark.line + 1, mark.column + 1) if mark else (0, 0)
        raise CoachError(Problem(f"is no YAML: {error.problem}", where, line, column)) from None
    except (yaml.YAMLError, ValueError, RecursionError) as error:
        raise CoachError(Problem(f"is no YAML: {str(error).splitlines()[0]}", where)) from None
    if body is None:
        return Settings()
    if not isinstance(body, dict):
        raise CoachError(
            Problem("holds no sections; expected practice:, screen:, sound:, midi:, keys:", where)
        )
    problems: list[Problem] = []
    known = [*CHECKS, *HANDED_ON]
    values: dict[str, dict[str, Any]] = {}
    for section, content in body.items():
        if section not in known:
            problems.append(_unknown(str(section), known, where, ""))
        elif content is not None and not isinstance(content, dict):
            problems.append(
                Problem(f"found {brief(content)}, expected keys below it", where, field=str(section))
            )
        else:
            values[str(section)] = content or {}
    for section, checks in CHECKS.items():
        for key, value in values.get(section, {}).items():
            place = f"{section}.{key}"
            if key not in checks:
                problems.append(_unknown(str(key), list(checks), where, f"{section}."))
            elif not checks[key][0](value):
                problems.append(
                    Problem(f"found {brief(value)}, expected {checks[key][1]}", where, field=place)
                )
    if problems:
        raise CoachError(problems)
    return Settings(
        PracticeSettings(**values.get("practice", {})),
        ScreenSettings(**values.get("screen", {})),
        **{name: values.get(name, {}) for name in HANDED_ON},
    )


def _refuse_extras(text: str, where: str) -> None:
    """No anchors, aliases, tags, depth or length that could make a small file a large task."""
    import yaml

    depth = 0
    for count, event in enumerate(yaml.parse(text, Loader=yaml.SafeLoader)):
        depth += isinstance(event, yaml.CollectionStartEvent) - isinstance(event, yaml.CollectionEndEvent)
        tag = getattr(event, "tag", None)
        if depth > DEEPEST or count > MOST_EVENTS:
            message = "is nested too deep" if depth > DEEPEST else "is too long"
        elif getattr(event, "anchor", None) is not None:
            message = "holds a YAML anchor or alias, which has no place in settings"
        elif tag is not None and tag != "!":
            message = "holds a YAML tag (`!`), which has no place in settings"
        else:
            continue
        mark: Any = event.start_mark
        raise CoachError(
            Problem(message, where, mark.line + 1, mark.column + 1, guess="put the text in quotes?")
        )


def _unknown(found: str, known: list[str], where: str, prefix: str) -> Problem:
    found = plain_text(found, LONGEST_SHOWN)
    near = difflib.get_close_matches(found, known, n=1)
    guess = f"{near[0]}?" if near else ""
    return Problem(f"unknown key; allowed: {', '.join(known)}", where, field=prefix + found, guess=guess)


def save_settings(path: Path, changes: Mapping[str, Mapping[str, Any]]) -> None:
    """Write changed values into the settings file; all else in it stays, comments too. CoachError where it can't be.

    Values equal to the defaults are written too: what the player chose stays chosen.
    """
    import yaml

    load_settings(path)
    old = path.read_text(encoding="utf-8") if path.exists() else HEADING
    body: dict[str, Any] = yaml.safe_load(old) or {}
    for section, values in changes.items():
        body[section] = {**(body.get(section) or {}), **values}
    text = old
    for section, values in changes.items():
        for key, value in values.items():
            text = _with_value(text, section, key, value)
    try:
        kept = yaml.safe_load(text) == body
    except yaml.YAMLError:
        kept = False
    if not kept:
        # A layout that lines can't be put into, such as a section on one line.
        text = HEADING + yaml.safe_dump(body, sort_keys=False, allow_unicode=True)
    read_settings(text, str(path))
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        write_whole(path, [text.encode()])
    except OSError as error:
        raise CoachError(Problem(f"can't be written: {(error.strerror or '').lower()}", str(path))) from None


def _with_value(text: str, section: str, key: str, value: Any) -> str:
    """The text with one value put into its place, in block style; what stands behind it on the line stays."""
    import yaml

    written = yaml.safe_dump({key: value}, sort_keys=False, allow_unicode=True).splitlines()
    lines = text.splitlines()
    start = next((at for at, line in enumerate(lines) if re.match(rf"{section}\s*:\s*(#|$)", line)), None)
    if start is None and any(re.match(rf"{section}\s*:", line) for line in lines):
        return text
    if start is None:
        return "\n".join([*lines, f"{section}:", *(f"  {line}" for line in written)]) + "\n"
    end = start + 1
    while end < len(lines) and (not lines[end].strip() or lines[end][0] in " #"):
        end += 1
    inside = range(start + 1, end)
    indent = next((_indent(lines[at]) for at in inside if lines[at].strip() and _indent(lines[at])), "  ")
    found = next((at for at in inside if re.match(rf"{indent}{key}\s*:", lines[at])), None)
    shifted = [indent + line for line in written]
    if found is None:
        lines[start + 1 : start + 1] = shifted
    else:
        stop = found + 1
        while stop < end and lines[stop].strip() and len(_indent(lines[stop])) > len(indent):
            stop += 1
        comment = re.search(r"\s+#[^\"']*$", lines[found])
        if comment and len(shifted) == 1:
            shifted[0] += comment.group()
        lines[found:stop] = shifted
    return "\n".join(lines) + "\n"


def _indent(line: str) -> str:
    return line[: len(line) - len(line.lstrip(" "))]


HEADING = "# Settings of this practice folder; README lists every key.\n"


def defaults_text() -> str:
    """Every setting of our own with its default, as YAML: what README documents."""
    import yaml

    body = {
        section: {item.name: getattr(default, item.name) for item in fields(default)}
        for section, default in (("practice", PracticeSettings()), ("screen", ScreenSettings()))
    }
    return yaml.safe_dump(body, sort_keys=False)
