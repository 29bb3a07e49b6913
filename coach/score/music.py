"""Turns the written events of a bar into the core's events: strings, frets and nodes against the instrument.

A touched fret that several nodes share (`<3>`, `<8>`) is decided by the pitch that the author asserts, else asked
for. An asserted pitch is compared with the nearest equal-tempered note of partial n on the ideal string, since
partials 5 and 7 lie 14 and 31 cents beside it.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, field

from coach.ground.fields import did_you_mean
from coach.ground.problem import SlipError, parted
from coach.music.drill import Note
from coach.music.key import spelling_of
from coach.score.beats import NoStringError, NotationError
from coach.score.notation import HARMONIC_SIGN, ODD_BRACKETS, WrittenNote
from coach.strings.instrument import Instrument
from coach.strings.node import DEFAULT_PARTIAL, Node, nearest_nodes, nodes_upto, nodes_written, touch_label
from coach.strings.units import midi_from_note, note_name

MAX_FRET = 36


def sounding_note(open_midi: int, node: Node) -> int:
    """The equal-tempered note nearest to the pitch of an ideal string's node, as a MIDI number."""
    return open_midi + round(12 * math.log2(node.partial))


def cents_beside(node: Node) -> float:
    """How many cents the node's pitch lies above that note."""
    exact = 12 * math.log2(node.partial)
    return 100 * (exact - round(exact))


def sounding_midi(instrument: Instrument, note: Note) -> int:
    """The equal-tempered note nearest to what a note sounds, as a MIDI number."""
    stopped_midi = instrument.strings[note.string].midi + note.stop
    return stopped_midi if note.node is None else sounding_note(stopped_midi, note.node)


@dataclass
class Resolver:
    """Reads notes against one instrument; remembers what it has read, since lines repeat themselves."""

    instrument: Instrument
    strings: dict[str, int] = field(init=False)
    """By their names."""
    _known: dict[WrittenNote, Note] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.strings = self.instrument.strings_by_name

    def note(self, written: WrittenNote) -> Note:
        """The note; NotationError where the instrument has no such string, fret, node or pitch."""
        known = self._known.get(written)
        if known is None:
            string = self._string(written)
            try:
                known = self._known[written] = self._read(written, string)
            except ValueError as error:
                meant = error.repair if isinstance(error, SlipError) else ""
                repair = (written.fret or "", meant) if meant else None
                raise NotationError(written.place_offset, *parted(error), repair) from None
        return known

    def _read(self, written: WrittenNote, string: int) -> Note:
        """The note on this string; ValueError for what is wrong at its place."""
        asserted = midi_from_note(written.pitch) if written.pitch else None
        node, fret = None, None
        if written.fret is not None:
            fret = _fret(written, written.fret)
        if written.touch is not None:
            node = self._node(written, written.touch, string, asserted, fret)
        elif written.plucking_hand_touch:
            message = "`touch` is for harmonics: the plucking hand touches a node"
            raise SlipError(message, f"did you mean {written.string}:<{written.fret}>?")
        if asserted is not None:
            self._check_pitch(written, string, node, fret or 0, asserted)
        return Note(
            string=string,
            fret=fret,
            node=node,
            written=written.touch if written.touch is not None else str(fret),
            droppable=written.droppable,
            asserted="" if asserted is None else str(spelling_of(asserted, None, written.pitch)),
            fretting_finger=written.fretting_finger,
            plucking_finger=written.plucking_finger,
            plucking_hand_touch=written.plucking_hand_touch,
            touching_finger=written.touching_finger,
        )

    def _string(self, written: WrittenNote) -> int:
        name = written.string
        if name in self.strings:
            return self.strings[name]
        strings = self.instrument.strings
        spelled = name[:1].upper() + name[1:]
        there = " ".join(f"{index}={string.name}" for index, string in enumerate(strings, 1))
        same = [index for index, string in enumerate(strings) if spelled in (string.letter, string.name)]
        if len(same) > 1:
            names = (strings[index].name for index in same)
            choices = " or ".join(
                name if name in self.strings else str(index + 1)
                for name, index in zip(names, same, strict=True)
            )
            what = f"several strings are called {spelled}; write the number or the octave"
            raise NotationError(written.offset, what, f"{choices}?")
        guess, repair = "", None
        if spelled in self.strings:
            guess, repair = f"did you mean {spelled}?", (name, spelled)
        elif match := re.fullmatch(r"([A-Ga-g][#b]?)-?\d+", name):
            letter = match[1][:1].upper() + match[1][1:]
            if letter in self.strings:
                guess = f"this instrument's {letter} is {strings[self.strings[letter]].name}"
        elif (pitch := pitch_of(spelled + "2")) is not None:
            for other, index in self.strings.items():
                if not other.isdecimal() and not other[-1].isdecimal() and pitch_of(other + "2") == pitch:
                    guess = f"did you mean {strings[index].letter}?"
        what = f"there is no string '{name}'; the strings are {there}"
        if not guess and re.fullmatch(r"[A-G][#b]?-?\d*", name):
            raise NoStringError(written.offset, what, "is it missing in `strings` under `instrument`?")
        raise NotationError(written.offset, what, guess, repair)

    def _node(
        self, written: WrittenNote, text: str, string: int, asserted: int | None, fret: int | None
    ) -> Node:
        if fret == 0:
            message = "a string stopped at 0 is open, so its harmonics are natural"
            raise SlipError(message, f"did you mean {written.string}:<{text}>?")
        if "/" in text:
            return Node.parse(text)
        if not re.fullmatch(r"\d{1,3}(\.\d{1,6})?", text):
            message = f"'<{text}>' is not a position; write a fret such as <7>, <3.2>, or a node <1/6>"
            comma = re.fullmatch(r"\d+,\d+", text)
            raise SlipError(message, f"did you mean <{text.replace(',', '.')}>?" if comma else "")
        try:
            choices = nodes_written(text, fret or 0)
        except ValueError as error:
            raise SlipError(str(error), "the touch counts from the nut") from None
        if not choices:
            raise _no_node(written, text, fret or 0)
        stopped_midi = self.instrument.strings[string].midi + (fret or 0)
        fitting = [node for node in choices if asserted in (None, sounding_note(stopped_midi, node))]
        if len(fitting) == 1:
            return fitting[0]
        if len(choices) == 1:
            return choices[0]
        raise _shared(written, choices, fret or 0, stopped_midi)

    def _check_pitch(
        self, written: WrittenNote, string: int, node: Node | None, fret: int, asserted: int
    ) -> None:
        open_midi = self.instrument.strings[string].midi + fret
        if node is None:
            sounds = open_midi
            what = f"{written.string}:{written.fret} sounds {note_name(sounds)}"
        else:
            sounds = sounding_note(open_midi, node)
            cents = cents_beside(node)
            beside = f", {cents:+.0f} cents" if round(cents) else ""
            what = f"{_shown(written)} sounds {note_name(sounds)} (partial {node.partial}{beside})"
        if sounds == asserted:
            return
        guess = ""
        if (sounds - asserted) % 12 == 0:
            guess = "another octave? State the sounding pitch"
        elif node is not None:
            fits = [
                other for other in nodes_upto(DEFAULT_PARTIAL) if sounding_note(open_midi, other) == asserted
            ]
            if fits:
                guess = f"did you mean {_shown(written, touch_label(fits[0], fret))}?"
        elif 0 <= (other_fret := asserted - self.instrument.strings[string].midi) <= 24:
            guess = f"did you mean {written.string}:{other_fret}?"
        raise SlipError(f"{what}, not {written.pitch}", guess)


def _fret(written: WrittenNote, text: str) -> int:
    if re.fullmatch(r"\d{1,3}", text):
        if int(text) <= MAX_FRET:
            return int(text)
        twice = f"did you mean {text[0]}?" if len(set(text)) == 1 else ""
        raise SlipError(f"fret {int(text)} is outside 0 to {MAX_FRET}", twice)
    guess, repair = "", ""
    if re.fullmatch(r"\d+\.\d+|\d+/\d+", text):
        guess = f"a harmonic? then write {written.string}:<{text}>"
    elif match := re.fullmatch(r"(\d+(?:\.\d+)?)" + HARMONIC_SIGN, text):
        guess = f"a harmonic? then write {written.string}:<{match[1]}>"
    elif match := re.fullmatch(ODD_BRACKETS, text):
        repair = f"<{match[1]}>"
    elif text.lower() in ("o", "open"):
        guess = f"did you mean {written.string}:0?"
        repair = "0" if text in ("o", "O") else ""
    guess = guess or did_you_mean(repair and f"{written.string}:{repair}")
    raise SlipError(f"'{text}' is not a fret; a fret is a whole number from 0 to {MAX_FRET}", guess, repair)


def _shared(written: WrittenNote, choices: Sequence[Node], fret: int, stopped_midi: int) -> SlipError:
    """The fault of a fret that several nodes share, and no pitch decides among them."""
    shown = _shown(written)
    notes = [note_name(sounding_note(stopped_midi, node)) for node in choices]
    several = " or ".join(
        f"{touch_label(node, fret)} (partial {node.partial}, {note})"
        for node, note in zip(choices, notes, strict=True)
    )
    if written.pitch:
        return SlipError(f"{shown} may be {several}, and none of them sounds {written.pitch}")
    guess = f"{_shown(written, touch_label(choices[0], fret))}, or {shown}={notes[0]}"
    return SlipError(f"{shown} may be {several}; write the decimal or state the pitch", guess)


def _shown(written: WrittenNote, touch: str | None = None) -> str:
    """A harmonic as written, or with another touch: `D:<4>`, `A:5<17>`."""
    return f"{written.string}:{written.fret or ''}<{touch or written.touch}>"


def _no_node(written: WrittenNote, text: str, fret: int) -> SlipError:
    """The fault of a fret at which no node lies."""
    shown = _shown(written)
    if float(text) == 0:
        message = f"{shown} is the nut: there the string rings open"
        return SlipError(message, f"did you mean {written.string}:0?")
    near = ", ".join(
        f"{touch_label(node, fret)} (partial {node.partial})"
        for node in sorted(nearest_nodes(float(text) - fret), key=lambda node: node.fraction)
    )
    return SlipError(f"{shown} is not a node up to partial {DEFAULT_PARTIAL}; nearest: {near}")


def pitch_of(name: str) -> int | None:
    """The MIDI number of a written note; None where it is none."""
    try:
        return midi_from_note(name)
    except ValueError:
        return None
