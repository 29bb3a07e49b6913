"""The notation of events inside a bar: `1 E:0 for 4, 2& G:<7>?+D:<7>`.

    events   = event { "," event }
    event    = beat slot { "|" slot } [ "for" beats ] [ "in" beats ] [ "damp" | "ring" ]
    slot     = notes | "-"
    notes    = note { "+" note }
    note     = string ":" ( fret | [ fret ] "<" touch ">" ) { mark }
    mark     = "?" | "=" pitch | "(" word { word } ")"

A parsed event keeps each part's offset in the text, so that a problem can point at it. Nothing here knows the
instrument: names of strings and touched places stay text. `beat` and `beats` are those of `coach.score.beats`.
Slots divided by `|` share the beats after `in` evenly: three slots `in 1` are a triplet.
"""

from __future__ import annotations

import difflib
import re
from dataclasses import field
from fractions import Fraction
from functools import lru_cache

from coach.ground.frozen import frozen
from coach.music.drill import Ending
from coach.score.beats import BEAT, FINEST, NotationError, can_be_written, read_beat, read_beats
from coach.strings.instrument import STRINGS_RANGE

FRETTING = ("1", "2", "3", "4", "T")
PLUCKING = ("p", "i", "m", "a", "c")
TOUCH_WORD = "touch"
MAX_SLOTS = 32
ODD_BRACKETS = r"[‹〈⟨＜«](\d+(?:\.\d+)?)[›〉⟩＞»]"
"""Angle brackets that are none of ASCII, as a word processor writes them."""
HARMONIC_SIGN = r"[*°ºo^◇♢h']"
"""What some write after a fret for a harmonic; here it is only a slip to be explained."""


_ENDINGS: dict[str | None, Ending] = {None: "", "damp": "damp", "ring": "ring"}


@frozen
class WrittenNote:
    """A note as written, the same wherever it stands.

    `fret` and `touch` are text or None; both are text where a harmonic's string is stopped.
    """

    offset: int = field(compare=False)
    string: str
    fret: str | None
    touch: str | None
    place_offset: int = field(compare=False)
    droppable: bool = False
    pitch: str = ""
    fretting_finger: str = ""
    plucking_finger: str = ""
    plucking_hand_touch: bool = False
    touching_finger: str = ""


@frozen
class WrittenEvent:
    """An event as written; `hold` is None where the author gave none."""

    offset: int
    beat: Fraction
    notes: tuple[WrittenNote, ...]
    hold: Fraction | None = None
    hold_offset: int = 0
    ending: Ending = ""


_NOTE = re.compile(
    r"(?P<string>[^\s:<>+|?=()]+):(?P<fret>[^\s:<>+|?=()]+)?(?:<(?P<touch>[^<>\s]*)>|(?<!:))"
    r"(?P<marks>(?:\?|=[^\s?=()+|]+|\([^()]*\))*)"
)
_MARK = re.compile(r"\?|=([^\s?=()+|]+)|\(([^()]*)\)")
_TAIL = re.compile(
    r"(?P<body>.*?)(?:\s+for\s+(?P<hold>\S+))?(?:\s+in\s+(?P<span>\S+))?(?:\s+(?P<ending>damp|ring))?\s*$",
    re.DOTALL,
)
_A_NOTE = "a note is string:fret, as in E:3, or string:<node>, as in D:<7>"
_COMMA = re.compile(r"[(<][^)>]*[)>]?|(,)")
_HEAD = re.compile(r"\s*(\S+)(?:\s+|$)")


def split_events(text: str) -> list[tuple[int, str]]:
    """The text between commas, each with its offset; commas inside ( ) and < > don't part."""
    cuts = [match.start() for match in _COMMA.finditer(text) if match[1]]
    edges = zip([0, *(cut + 1 for cut in cuts)], [*cuts, len(text)], strict=True)
    return [(start, text[start:stop]) for start, stop in edges]


def read_events(text: str) -> tuple[list[tuple[int, WrittenEvent]], list[NotationError]]:
    """Every event that can be read, in the order written, and every fault in the rest.

    Each event comes with its place in the text, from which its own offsets count; faults count from the text's start.
    """
    events: list[tuple[int, WrittenEvent]] = []
    faults: list[NotationError] = []
    parts = split_events(text)
    for index, (offset, part) in enumerate(parts):
        if part.strip():
            part_events, fault = _read_part(part)
            events += [(offset, event) for event in part_events]
            if fault is not None:
                faults.append(NotationError(offset + fault.offset, fault.message, fault.guess, fault.repair))
        else:
            place, message = min(offset, max(len(text) - 1, 0)), "an event is missing next to this comma"
            guess = "delete the comma" if index == len(parts) - 1 else "one comma is enough"
            faults.append(NotationError(place, message, guess, (",", "")))
    return events, faults


@lru_cache(maxsize=2048)
def _read_part(part: str) -> tuple[tuple[WrittenEvent, ...], NotationError | None]:
    """The events of one part, or its fault; the same few recur in a drill again and again."""
    try:
        return tuple(_read_event(part)), None
    except NotationError as fault:
        return (), fault.with_traceback(None)


def _read_event(part: str) -> list[WrittenEvent]:
    head = next(_HEAD.finditer(part))
    start = head.start(1)
    tail = part[head.end() :]
    if fault := _beat_slip(part, head, start):
        raise fault
    beat = read_beat(head[1], start)
    if not tail.strip():
        message = f"beat {head[1]} has no note; write the beat, a space, then string:fret"
        raise NotationError(start, message, "as in `1 E:0`")
    match = next(_TAIL.finditer(tail))
    base = head.end()
    hold, hold_offset = _beats_part(match, "hold", base, "for"), base + max(match.start("hold"), 0)
    slots = _slots(match["body"], base)
    ending = _ENDINGS[match["ending"]]
    step = _step(_beats_part(match, "span", base, "in"), len(slots), beat, base, base + match.start("span"))
    if step is None:
        return [WrittenEvent(start, beat, _read_notes(*slots[0]), hold, hold_offset, ending)]
    return [
        WrittenEvent(
            slot_offset, beat + index * step, _read_notes(slot_offset, slot), hold, hold_offset, ending
        )
        for index, (slot_offset, slot) in enumerate(slots)
        if slot.strip() != "-"
    ]


def _beat_slip(part: str, head: re.Match[str], start: int) -> NotationError | None:
    """What is wrong where a note or a beat in two words stands in the place of the beat."""
    tail = part[head.end() :]
    run_in = re.match(r"(\d+(?:[&ea]|\.\d+)?)(?=[A-G][#b]?\d?:)", head[1])
    if run_in and BEAT.fullmatch(run_in[1]):
        apart = f"{run_in[1]} {head[1][run_in.end() :]}"
        message = f"'{head[1]}' is a beat and a note in one"
        return NotationError(start, message, f"a space after the beat: {apart}", (head[1], apart))
    if _NOTE.match(head[1]) and not BEAT.fullmatch(head[1]):
        swapped = re.fullmatch(r"\s*(\d+\S*)\s*", tail)
        guess = f"the beat comes first: `{swapped[1]} {head[1]}`?" if swapped else "write the beat before it"
        repair = (part.strip(), f"{swapped[1]} {head[1]}") if swapped and BEAT.fullmatch(swapped[1]) else None
        return NotationError(start, f"'{head[1]}' is where the beat belongs", guess, repair)
    loose = re.fullmatch(r"(&|e|a)\s+(.*)", tail, re.DOTALL)
    if loose is None or not head[1].isdecimal():
        return None
    joined = f"{head[1]}{loose[1]}"
    repair = part[head.start(1) : head.end() + len(loose[1])], joined
    return NotationError(start, f"'{head[1]} {loose[1]}' is not a beat", f"no space in {joined}", repair)


def _step(span: Fraction | None, slots: int, beat: Fraction, base: int, place: int) -> Fraction | None:
    """Beats from one event to the next of those that share a span; None for an event by itself."""
    if slots == 1 and span is None:
        return None
    if span is None:
        message = "events separated by | need `in` and the beats that they fill"
        raise NotationError(base, message, "as in `1 G:<7> | D:<7> in 1`")
    if slots == 1:
        raise NotationError(place, "`in` fills beats with events separated by |", "did you mean `for`?")
    if slots > MAX_SLOTS:
        raise NotationError(base, f"{slots} events in {span} beats; at most {MAX_SLOTS}")
    step = span / slots
    if not all(can_be_written(beat + index * step) for index in range(slots)):
        raise NotationError(place, f"these events fall on finer parts than 1/{FINEST} of a beat")
    return step


def _beats_part(match: re.Match[str], group: str, base: int, word: str) -> Fraction | None:
    text = match[group]
    if text is None:
        return None
    try:
        return read_beats(text)
    except ValueError as error:
        guess = f"`{word}` is followed by a number of beats"
        if unit := re.fullmatch(r"(\d+)(?:beats?|b)", text):
            guess = f"did you mean `{word} {unit[1]}`?"
        raise NotationError(base + match.start(group), str(error), guess) from None


def _slots(body: str, base: int) -> list[tuple[int, str]]:
    slots, offset = [], base
    for slot in body.split("|"):
        lead = len(slot) - len(slot.lstrip())
        slots.append((offset + lead, slot.strip()))
        offset += len(slot) + 1
    return slots


def _read_notes(offset: int, text: str) -> tuple[WrittenNote, ...]:
    notes = []
    position = 0
    while True:
        while position < len(text) and text[position].isspace():
            position += 1
        match = _NOTE.match(text, position)
        if match is None:
            raise _note_slip(offset + position, text[position:])
        notes.append(_read_note(match, offset))
        position = match.end()
        rest = text[position:].lstrip()
        if not rest:
            return tuple(notes)
        position = len(text) - len(rest)
        if not rest.startswith("+"):
            raise _after_note(offset + position, rest)
        if len(notes) > STRINGS_RANGE[1]:
            raise NotationError(offset, f"more than {STRINGS_RANGE[1]} notes at once; one to a string")
        position += 1


def _read_note(match: re.Match[str], offset: int) -> WrittenNote:
    start = offset + match.start()
    marks_at = offset + match.start("marks")
    droppable, pitch, words = False, "", ""
    for mark in _MARK.finditer(match["marks"]):
        if mark[0] == "?":
            droppable = True
        elif mark[1]:
            pitch = mark[1]
        else:
            words += f" {mark[2]}"
            if not mark[2].strip():
                raise NotationError(marks_at, "these parentheses are empty", "as in `E:3(2)`")
    fretting, plucking, touched = _fingers(words, marks_at)
    stopping, touching = fretting[:1], fretting[1:]
    fret, touch = match["fret"], match["touch"]
    if touching and (touched or touch is None or fret is None):
        message = f"fingers {stopping} and {touching} for one place; two fingers need a stop and a touch"
        raise NotationError(marks_at, f"{message}, as in A:5<10>(14)", "one finger of each hand")
    place = offset + match.start("touch" if touch is not None else "fret")
    marks = droppable, pitch, stopping, plucking, touched, touching
    return WrittenNote(start, match["string"], fret, touch, place, *marks)


def _fingers(words: str, offset: int) -> tuple[str, str, bool]:
    """Fretting fingers (the stopping one first), plucking finger, and whether the plucking hand touches."""
    fretting = plucking = ""
    touched = False
    for word in re.findall(r"[^\s,]+", words):
        if word == TOUCH_WORD:
            touched = True
            continue
        for letter in word:
            if letter in FRETTING and len(fretting) < 2:
                fretting += letter
            elif letter in PLUCKING and not plucking:
                plucking = letter
            else:
                hands = f"fretting hand {' '.join(FRETTING)}, plucking hand {' '.join(PLUCKING)}"
                touch = f"`{TOUCH_WORD}` where the plucking hand touches the node"
                guess = "one finger of each hand" if letter in (*FRETTING, *PLUCKING) else ""
                raise NotationError(offset, f"'{word}' is not a finger; {hands}, or {touch}", guess)
    return fretting, plucking, touched


def _note_slip(offset: int, text: str) -> NotationError:
    word = text.split(maxsplit=1)[0] if text.split() else ""

    def slip(what: str, guess: str = "", repair: tuple[str, str] | None = None) -> NotationError:
        return NotationError(offset, f"{what}; {_A_NOTE}", guess, repair)

    def no_angles(match: re.Match[str], sure: bool = True) -> NotationError:
        meant = f"{match[1]}:<{match[2]}>"
        repair = (match[0], meant) if sure else None
        return slip(f"'{match[0]}': a harmonic is written in < >", f"did you mean {meant}?", repair)

    def no_colon(shown: str, match: re.Match[str], harmonic: str = "") -> NotationError:
        meant = f"{match[1]}:{match[2]}"
        repair = (text[: match.end(2)], meant) if match[2].startswith("<") else None
        return slip(f"'{shown}' has no colon", f"did you mean {meant}{harmonic}?", repair)

    if not word:
        return slip("a note is missing here")
    if match := re.match(r"([^\s:<>]+):\s+(\S+)", text):
        meant = f"{match[1]}:{match[2]}"
        return slip(f"'{match[1]}: {match[2]}' has a space after the colon", meant, (match[0], meant))
    if match := re.fullmatch(r"([A-Ga-g][#b]?)(\d+(?:\.\d+)?)" + HARMONIC_SIGN, word):
        return no_angles(match, sure=False)
    if match := re.fullmatch(r"([A-Ga-g][#b]?)(\d+|<[\d./]+>)(\S*)", word):
        harmonic = "" if match[2].startswith("<") else f", or {match[1]}:<{match[2]}> for a harmonic"
        return no_colon(word, match, harmonic)
    if match := re.match(r"([A-Ga-g][#b]?)\s+(<[\d./]+>|\d+)", text):
        return no_colon(match[0], match)
    if match := re.match(r"([A-Ga-g][#b]?):?" + ODD_BRACKETS, word):
        return no_angles(match)
    if re.fullmatch(r"<[\d./]+>\S*", word):
        return slip(f"'{word}' has no string", f"as in D:{word}")
    if match := re.match(r"([^\s:<>]+):\(([\d./]+)\)", word):
        return no_angles(match)
    if "<" in word and ">" not in word:
        whole = re.fullmatch(r"([^\s:<>]+:<\d+(?:[./]\d+)?)(\S*)", word)
        meant = f"did you mean {whole[1]}>{whole[2]}?" if whole else ""
        return slip(f"'{word}': the < is never closed", meant)
    return slip(f"'{word}' is not a note")


def _after_note(offset: int, rest: str) -> NotationError:
    word = rest.split(maxsplit=1)[0]
    follows = f"'{word}' follows a note"
    allowed = f"{follows}; allowed are +note, `for N`, `damp`, `ring`, or a comma"

    def slip(what: str, guess: str = "", repair: tuple[str, str] | None = None) -> NotationError:
        return NotationError(offset, what, guess, repair)

    if re.match(r"\d+\S*\s+\S+:", rest):
        what = f"{follows}; put a comma between events"
        return slip(what, f"a comma missing before `{word}`?", ("", ","))
    if _NOTE.match(word):
        guess = f"`+{word}`, or a comma and a beat before it?"
        return slip(f"{follows}; + joins notes played together", guess)
    if word.startswith("for"):
        return slip("`for` is followed by a number of beats", "as in `for 2`")
    if word.startswith(";"):
        return slip("`;` follows a note; a comma parts events", "did you mean a comma?", (";", ","))
    if near := difflib.get_close_matches(word, ("for", "damp", "ring"), 1):
        return slip(allowed, f"did you mean `{near[0]}`?")
    if word.startswith((">", "<")):
        return slip(f"'{word}': a harmonic's position goes between < and >", "as in D:<7>")
    if word.lower() in ("hold", "4", "let"):
        return slip(follows, "did you mean `for` or `ring`?")
    return slip(allowed)


def looks_like_events(text: str) -> bool:
    """Whether at least one part of the text reads as an event."""
    return bool(read_events(text)[0])
