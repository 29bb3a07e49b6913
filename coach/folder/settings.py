"""The player's settings: one YAML file in the practice folder, a row a key, checked whole before anything uses it.

Every key is optional. The sections of sound, listening and MIDI are declared in their rooms.
What reads YAML is imported when it is to be read: most starts find the settings in `coach.folder.kept`.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

from coach.folder.actions import Keymap, KeymapKey
from coach.ground.fields import Section, row
from coach.ground.files import write_whole
from coach.ground.frozen import frozen
from coach.ground.kinds import Number, Truth, Whole, Word
from coach.ground.own_files import read_own, write_own
from coach.ground.places import state_file
from coach.ground.problem import CoachError, reason_of
from coach.ground.source import (
    FileKind,
    Node,
    Report,
    TooManyProblemsError,
    decode,
    split_lines,
)
from coach.ground.source import Mapping as MappingNode
from coach.listen.settings import ListenSettings
from coach.midi.settings import MidiSettings
from coach.score.instrument_key import OWN_INSTRUMENT, OwnInstruments
from coach.sound.settings import SoundSettings
from coach.strings.instrument import Instrument

THEMES = ("dusk", "paper", "beacon", "terminal")
PAUSES_S = (0.0, 1.0, 2.0, 3.0, 5.0, 8.0)
HEADING = "# Settings of this practice folder; docs/settings.md lists every key.\n"


@frozen
class PracticeSettings:
    """How the session goes."""

    minutes: int = row(
        Whole(1, 240, "min"), 20, "a session's length", choices=(10, 15, 20, 25, 30, 45, 60, 90)
    )
    begun_a_day: int = row(
        Whole(0, 50),
        5,
        "phrases begun a day; more when nothing else needs the time",
        choices=(1, 2, 3, 5, 8, 12),
    )
    pause_s: float = row(
        Number(0, 30, "s"),
        0.0,
        "pause between a rating and the next count-in; 0: play in rounds",
        choices=PAUSES_S,
    )
    run_on_pause_s: float = row(
        Number(0, 30, "s"),
        2.0,
        "pause between repetitions of an item that runs on by itself",
        choices=PAUSES_S,
    )


@frozen
class ScreenSettings:
    """How the screen looks."""

    theme: str = row(Word(THEMES), "dusk", "colours", choices=THEMES)
    view: str = row(
        Word(("glance", "study")), "glance", "the view a session opens with", choices=("glance", "study")
    )
    left_handed: bool = row(Truth(), False, "left-handed fretboard", choices=(False, True))
    ascii: bool = row(Truth(), False, "ASCII characters only", choices=(False, True))
    """For terminals without box and block characters."""
    tour_seen: bool = row(Truth(), False, "the tour was shown")


@frozen
class Settings:
    """All settings of one practice folder."""

    practice: PracticeSettings = row(Section(PracticeSettings), PracticeSettings(), "how the session goes")
    screen: ScreenSettings = row(Section(ScreenSettings), ScreenSettings(), "how the screen looks")
    sound: SoundSettings = row(Section(SoundSettings), SoundSettings(), "how the click sounds, and where")
    midi: MidiSettings = row(Section(MidiSettings), MidiSettings(), "ports, clock and pedals")
    listening: ListenSettings = row(Section(ListenSettings), ListenSettings(), "whether the coach listens")
    instruments: tuple[Instrument, ...] = row(
        OwnInstruments(),
        (),
        "your instruments, the one you play most first; mm are measured on it if the drill's tuning fits",
    )
    keys: Keymap = row(KeymapKey(), Keymap(), "an action's name, then a key or a list of keys")


SETTINGS = Section(Settings)
SETTINGS_FILE = FileKind(
    noun="a settings file",
    file="a settings file",
    single="one set of settings",
    max_bytes=100_000,
    depth=4,
    brackets="[cc 67, note 36]",
    blocks={
        "": SETTINGS.rows,
        **{name: section.rows for name, section in SETTINGS.rows.items()},
        "instruments": OWN_INSTRUMENT,
    },
)


def _composed(text: str, report: Report) -> Node | None:
    from coach.ground.compose import compose

    return compose(text, report)


def load_settings(path: Path) -> Settings:
    """The settings in a file, or the defaults where there is none; CoachError with every problem found."""
    return read_settings(_text_of(path), str(path))


def read_settings(text: str, where: str) -> Settings:
    """Settings from YAML text; CoachError with every problem found."""
    report = Report(where, split_lines(text), SETTINGS_FILE)
    settings: Settings | None = Settings()
    with suppress(TooManyProblemsError):
        root = _composed(text, report)
        if root is not None:
            settings = SETTINGS.read(root, "", report)
    if report.failed or settings is None:
        raise CoachError(report.in_order())
    return settings


def save_settings(path: Path, changes: Mapping[str, Any]) -> None:
    """Write changed values into the settings file; all else in it stays, comments and layout too.

    A value of None takes its key out. CoachError where the file can't be read or written, or a value is not allowed.
    """
    text = _text_of(path)
    read_settings(text, str(path))
    text = text or HEADING
    for keys, value in _leaves(changes):
        text = _without(text, keys) if value is None else _with(text, keys, _written(keys, value))
    read_settings(text, str(path))
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        write_own(path, [text.encode()])
    except OSError as error:
        raise CoachError(f"can't be written: {reason_of(error)}", str(path)) from None


def usual_settings() -> Path:
    """Where the settings that this user saved last are kept, for the next new practice folder."""
    return state_file("settings.yaml")


def adopt_settings(path: Path, usual: Path) -> None:
    """Begin a folder without settings with the user's last ones; what can't be read or written is left as it is."""
    if path.exists() or not usual.exists():
        return
    with suppress(OSError, CoachError):
        text = _text_of(usual)
        read_settings(text, str(usual))
        path.parent.mkdir(parents=True, exist_ok=True)
        write_own(path, [text.encode()])


def keep_settings(path: Path, usual: Path) -> None:
    """Keep a folder's settings for the next new folder, where they can be kept."""
    with suppress(OSError, CoachError):
        usual.parent.mkdir(parents=True, exist_ok=True)
        # As it is read: not through a link.
        write_whole(usual, [_text_of(path).encode()], through_links=False)


def _text_of(path: Path) -> str:
    """The text of the settings file, empty where there is none."""
    try:
        return decode(read_own(path, SETTINGS_FILE.max_bytes), str(path), SETTINGS_FILE)
    except FileNotFoundError:
        return ""
    except OSError as error:
        raise CoachError(f"can't be read: {reason_of(error)}", str(path)) from None


def _leaves(changes: Mapping[str, Any], above: tuple[str, ...] = ()) -> Iterator[tuple[tuple[str, ...], Any]]:
    """Every changed value with the keys that lead to it."""
    for key, value in changes.items():
        if isinstance(value, Mapping):
            yield from _leaves(value, (*above, key))
        else:
            yield (*above, key), value


def _written(keys: tuple[str, ...], value: Any) -> str:
    rows = SETTINGS.rows
    for key in keys[:-1]:
        rows = rows[key].rows
    return rows[keys[-1]].kind.write(value)


def _with(text: str, keys: tuple[str, ...], written: str) -> str:
    """The text with one value put into its place."""
    node = _composed(text, Report("", split_lines(text), SETTINGS_FILE))
    if node is None:
        return _line_end(text) + _lines(keys, written, "")
    for depth, key in enumerate(keys):
        if not isinstance(node, MappingNode):
            return _opened(text, node, keys[depth:], written)
        inner = node.get(key)
        if inner is None:
            return _inserted(text, node, keys[depth:], written, at_end=depth == 0)
        node = inner
    space = " " if text[node.start - 1 : node.start] == ":" else ""
    return text[: node.start] + space + written + text[node.stop :]


def _opened(text: str, node: Node, keys: tuple[str, ...], written: str) -> str:
    """The text with keys in the place of a group that has none."""
    line = text[: node.start].rpartition("\n")[2]
    if "{" in line:
        return f"{text[: node.start].rstrip()} {_braces(keys, written)}{text[node.stop :]}"
    indent = line[: len(line) - len(line.lstrip())] + "  "
    head = text[: node.start].rstrip(" ") + text[node.stop :]
    end = _end_of_line(head, min(node.start, len(head)))
    return f"{head[:end]}\n{_lines(keys, written, indent).rstrip()}{head[end:]}"


def _inserted(text: str, node: MappingNode, keys: tuple[str, ...], written: str, at_end: bool) -> str:
    """The text with keys added to a group, as its first or, `at_end`, as its last."""
    if node.flow:
        start = node.start + 1
        inside = f"{keys[0]}: {_braces(keys[1:], written)}{', ' if node.pairs else ''}"
        return text[:start] + inside + text[start:]
    first = node.pairs[0][0]
    indent = " " * (first.column - 1)
    if at_end:
        end = _end_of_line(text, node.stop)
        return _line_end(text[:end]) + _lines(keys, written, indent) + text[end:].removeprefix("\n")
    return text[: first.start] + _lines(keys, written, indent).lstrip() + indent + text[first.start :]


def _without(text: str, keys: tuple[str, ...]) -> str:
    """The text without one key and its value."""
    node = _composed(text, Report("", split_lines(text), SETTINGS_FILE))
    for key in keys[:-1]:
        node = node.get(key) if isinstance(node, MappingNode) else None
    if not isinstance(node, MappingNode) or node.get(keys[-1]) is None:
        return text
    names = [name.text for name, _ in node.pairs]
    at = names.index(keys[-1])
    (name, value), following = node.pairs[at], node.pairs[at + 1 :]
    if not node.flow:
        end = _end_of_line(text, value.stop)
        return text[: name.start - name.column + 1] + text[end:].removeprefix("\n")
    if following:
        return text[: name.start] + text[following[0][0].start :]
    start = node.pairs[at - 1][1].stop if at else name.start
    return text[:start] + text[value.stop :]


def _lines(keys: tuple[str, ...], written: str, indent: str) -> str:
    """Keys inside each other, a line each, the value behind the last."""
    lines = [f"{indent}{'  ' * depth}{key}:" for depth, key in enumerate(keys)]
    return "\n".join(lines) + f" {written}\n"


def _braces(keys: tuple[str, ...], written: str) -> str:
    """Keys inside each other, on one line; the value alone where there is no key."""
    return f"{{{keys[0]}: {_braces(keys[1:], written)}}}" if keys else written


def _line_end(text: str) -> str:
    return text if not text or text.endswith("\n") else text + "\n"


def _end_of_line(text: str, start: int) -> int:
    end = text.find("\n", start)
    return len(text) if end < 0 else end
