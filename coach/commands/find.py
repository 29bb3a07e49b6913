"""`coach find`: every place where a pitch rings, or the best nodes for a melody over a bass line."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import asdict
from fractions import Fraction
from typing import Any

from coach.commands.common import tell
from coach.commands.instrument_options import (
    add_finger,
    add_instrument,
    add_upto,
    described,
    instrument_from,
    string_index,
)
from coach.commands.options import BPM, Arguments, Options, Within, errors_of
from coach.ground.digits import rounded, whole_number
from coach.ground.problem import CoachError, UsageError
from coach.strings.fingering import Choice, Fingering, find_fingering
from coach.strings.fingering_text import (
    cost_lines,
    has_plucking_hand,
    onset_numbers,
    place_text,
    tab_lines,
    warning_lines,
)
from coach.strings.instrument import Instrument
from coach.strings.node import Node, touch_label
from coach.strings.plucked import PluckedString
from coach.strings.reach import (
    FingeringSettings,
    Place,
    WantedNote,
    bass_places,
    places_for,
    under_held,
    why_nowhere,
)
from coach.strings.touch import Forgiveness, finger_share, forgiveness
from coach.strings.units import HIGHEST_MIDI, midi_from_note, note_name

TAB_WIDTH = 78
LEAST_BEATS, MOST_BEATS = 0.01, 1000
_WORD = re.compile(r"(?P<what>[rR]|.*?\d)(?:x(?P<beats>\d+(?:\.\d+)?(?:/\d+)?))?")
_DEFAULTS = FingeringSettings()


def configure(options: Options) -> None:
    options.text(
        "notes NOTE",
        "a sounding pitch such as F#4; several are a melody: F#4x2 lasts two beats, D4+A4 start at once, "
        "r is a rest",
        nargs="+",
    )
    options.text(
        "--hold STRING:FRET",
        "a bass note that sounds throughout, as in A:3; may be repeated",
        action="append",
        default=[],
    )
    options.text(
        "--bass LINE",
        "a bass line under a melody, as in 'E:0x4 A:3x4', or 'E1x4 C2x4' to have its strings found too",
    )
    options.number("--tempo BPM", BPM, "tempo of the melody (default: 60)", default=60.0)
    options.number(
        "--ring BEATS",
        Within(LEAST_BEATS, MOST_BEATS, "beats"),
        "how long each melody note must ring (default: as long as it lasts)",
    )
    add_upto(options)
    options.number(
        "--tolerance CENTS",
        Within(unit="cents"),
        "how far off the note a partial may be (default: 40, which includes partial 7)",
        default=_DEFAULTS.tolerance_cents,
    )
    options.number(
        "--reach-mm MM",
        Within(unit="mm"),
        "span of the fretting hand (default: 130)",
        default=_DEFAULTS.reach_mm,
    )
    options.number(
        "--hand-speed MM/S",
        Within(unit="mm/s"),
        "how fast the hand moves along the neck without effort (default: 1000)",
        default=_DEFAULTS.hand_speed_mm_s,
    )
    add_finger(options)
    hands = options.add_mutually_exclusive_group()
    options.flag(
        "--artificial",
        "also artificial harmonics: stop a string, touch its octave node with the plucking hand",
        hands,
    )
    options.flag("--fretting-hand", "artificial harmonics by the fretting hand alone", hands)
    add_instrument(options)
    options.json()
    options.folder()


def run(arguments: Arguments) -> int:
    """Print the places of one note, or the fingering of several."""
    instrument = instrument_from(arguments)
    settings = _settings(arguments)
    beat_s = 60.0 / arguments.tempo
    melody = _notes(instrument, arguments.notes, "NOTE", beat_s, arguments.ring)
    if not melody:
        raise UsageError("only rests; at least one note is needed", "NOTE", guess="F#4, say")
    held = [_held(instrument, text) for text in arguments.hold]
    _refuse_twice(instrument, held)
    if len(melody) == 1 and arguments.bass is None:
        return _show_places(instrument, melody[0].midi, held, settings, arguments.json)
    end_s = max(note.onset_s + note.duration_s for note in melody)
    bass = [_at(instrument, place, 0.0, end_s) for place in held]
    bass += _notes(instrument, [arguments.bass or ""], "--bass", beat_s)
    try:
        fingering = find_fingering(instrument, melody, bass, settings)
    except ValueError as error:
        raise CoachError(str(error)) from None
    facts, lines = (form(instrument, fingering, settings) for form in (_json_fingering, _fingering_lines))
    tell(arguments.json, rounded(facts), [f"{described(instrument)}; {arguments.tempo:g} bpm", *lines])
    return 0


def _show_places(
    instrument: Instrument, midi: int, held: Sequence[Place], settings: FingeringSettings, as_json: bool
) -> int:
    every = places_for(instrument, midi, settings)
    if not every:
        raise CoachError(why_nowhere(instrument, 1, WantedNote(0.0, 1.0, midi), False, settings))
    places_left = under_held(every, held, settings)
    # One line a spot: the hand that costs less is the one to use.
    spots: dict[Any, tuple[Place, float]] = {}
    for place, cost in places_left:
        spots.setdefault(place.spot, (place, cost))
    best = list(spots.values())
    if not best and not as_json:
        raise CoachError(
            f"{note_name(midi)} rings at {len({place.spot for place in every})} nodes, but none is on a free "
            f"string and within {settings.reach_mm:g} mm of the held note",
            guess="try a wider --reach-mm, a higher --upto or another bass note",
        )
    rows = [_json_place(instrument, place, settings) | {"cost": cost} for place, cost in best]
    over = ", ".join(place_text(instrument, place) for place in held)
    head = f"{note_name(midi)}{f' over {over}' if over else ''}: {described(instrument)}"
    tell(as_json, rounded(rows), [head, *_place_lines(instrument, best, settings)])
    return 0


def _place_lines(
    instrument: Instrument, best: Sequence[tuple[Place, float]], settings: FingeringSettings
) -> Iterator[str]:
    yield "string    fret      mm  partial  cents   clear within  hand       cost"
    for place, cost in best:
        if place.node is None:
            continue
        clear = _allowed(instrument, place, place.node, settings).clear_mm
        yield (
            f"{instrument.string_label(place.string):<7} {place.text:>6} {place.position_mm:7.1f} "
            f"{place.node.partial:7d} {round(place.offset_cents):+6d}  {clear:10d} mm  "
            f"{_hands(place):<8} {cost:6.1f}"
        )
    yield "Best first. Cost: narrow node, cents off, hand beyond mid-string, span to a held note."


def _fingering_lines(
    instrument: Instrument, fingering: Fingering, settings: FingeringSettings
) -> Iterator[str]:
    yield from ("", *tab_lines(instrument, fingering, TAB_WIDTH), "", *cost_lines(instrument, fingering))
    best = fingering.second_cost
    second = "" if best is None else f", the second-best whole {best:.1f}"
    yield f"Cost of the whole: {fingering.cost:.1f}{second} (only for comparing)."
    yield "Second best: where the note goes in the best fingering that puts it elsewhere."
    if has_plucking_hand(fingering.choices):
        yield "p: the plucking hand touches the node."
    yield from (f"! {line}" for line in warning_lines(instrument, fingering, settings))


def _settings(arguments: Arguments) -> FingeringSettings:
    with errors_of("the search"):
        return FingeringSettings(
            upto=arguments.upto,
            tolerance_cents=arguments.tolerance,
            reach_mm=arguments.reach_mm,
            hand_speed_mm_s=arguments.hand_speed,
            finger_mm=arguments.finger_mm,
            plucking_hand=not arguments.fretting_hand,
            artificial=arguments.artificial,
        )


def _words(texts: Sequence[str], option: str) -> list[tuple[Fraction, Fraction, str]]:
    """Onset and length in beats, and what sounds, of every word that is no rest."""
    words = []
    beat = Fraction(0)
    for text in " ".join(texts).replace(",", " ").split():
        match = _WORD.fullmatch(text)
        try:
            if match is None:
                raise ValueError
            length = Fraction(match["beats"] or 1)
            if not 0 < length <= MOST_BEATS:
                raise ValueError
        except (ValueError, ZeroDivisionError):
            raise UsageError(
                f"'{text}' can't be read; write a note, or r for a rest, and its beats if not 1: F#4x2, "
                f"D4x1/2, rx3 (beats up to {MOST_BEATS})",
                option,
                guess=_guess(text),
            ) from None
        if match["what"] not in ("r", "R"):
            words.append((beat, length, match["what"]))
        beat += length
    return words


def _guess(text: str) -> str:
    try:
        midi_from_note(text)
    except ValueError as error:
        _message, _bracket, guess = str(error).partition(" (")
        return guess.removesuffix(")")
    return ""


def _midi(name: str, option: str) -> int:
    with errors_of(option):
        return midi_from_note(name)


def _notes(
    instrument: Instrument, texts: Sequence[str], option: str, beat_s: float, ring_beats: float | None = None
) -> list[WantedNote]:
    """The notes of a line; one of a bass may name its place, `A:3`."""
    notes = []
    for beat, length, what in _words(texts, option):
        onset_s, rings_s = float(beat) * beat_s, beat_s * (ring_beats or float(length))
        for name in what.split("+"):
            if ":" in name and option == "--bass":
                notes.append(_at(instrument, _held(instrument, name, option), onset_s, rings_s))
            else:
                notes.append(WantedNote(onset_s, rings_s, _midi(name, option)))
    return notes


def _at(instrument: Instrument, place: Place, onset_s: float, duration_s: float) -> WantedNote:
    """A bass note whose place is given."""
    midi = instrument.open_midi(place.string) + (place.fret or 0)
    return WantedNote(onset_s, duration_s, midi, place.string)


def _held(instrument: Instrument, text: str, option: str = "--hold") -> Place:
    """`A:3`: a stopped or open string."""
    name, colon, fret = text.partition(":")
    held = whole_number(fret)
    if not colon or held is None or held > instrument.last_fret:
        raise UsageError(
            f"'{text}' is not STRING:FRET with a fret from 0 (open) to {instrument.last_fret}",
            option,
            guess="A:3, say",
        )
    string = string_index(instrument, name, option)
    midi = instrument.open_midi(string) + held
    if midi > HIGHEST_MIDI:
        raise UsageError(f"{text} is above G9, the highest note", option)
    return bass_places(instrument, midi, string)[0]


def _refuse_twice(instrument: Instrument, held: Sequence[Place]) -> None:
    for i, place in enumerate(held):
        if any(place.string == other.string for other in held[:i]):
            label = instrument.string_label(place.string)
            raise UsageError(f"the {label} string can't hold two notes", "--hold")


def _allowed(instrument: Instrument, place: Place, node: Node, settings: FingeringSettings) -> Forgiveness:
    plucked = PluckedString.of(instrument, place.string).stopped(place.fret or 0)
    return forgiveness(plucked, node, finger_share(settings.finger_mm, plucked.length_mm))


def _hands(place: Place) -> str:
    """What touches and, for an artificial harmonic, stops."""
    if place.fret:
        return "both"
    return "plucking" if place.plucking_hand else "fretting"


def _json_place(instrument: Instrument, place: Place, settings: FingeringSettings) -> dict[str, Any]:
    row: dict[str, Any] = {
        "string": instrument.string_at(place.string).name,
        "string_number": place.string + 1,
        "position_mm": place.position_mm,
    }
    if place.node is None:
        return row | {"fret": place.fret}
    return row | {
        "node": place.node.key,
        "partial": place.node.partial,
        "stop": place.fret,
        "fret": float(touch_label(place.node, place.fret or 0)),
        "fret_exact": (place.fret or 0) + place.node.fret,
        "offset_cents": round(place.offset_cents, 6),
        "clear_mm": _allowed(instrument, place, place.node, settings).clear_mm,
        "hand": _hands(place),
    }


def _json_fingering(
    instrument: Instrument, fingering: Fingering, settings: FingeringSettings
) -> dict[str, Any]:
    numbered = zip(onset_numbers(fingering), fingering.choices, strict=True)
    return {
        "cost": fingering.cost,
        "second_cost": fingering.second_cost,
        "warnings": warning_lines(instrument, fingering, settings),
        "choices": [_json_choice(instrument, number, choice, settings) for number, choice in numbered],
    }


def _json_choice(
    instrument: Instrument, onset: int, choice: Choice, settings: FingeringSettings
) -> dict[str, Any]:
    return {
        "onset": onset,
        "onset_s": choice.note.onset_s,
        "layer": choice.layer,
        "note": note_name(choice.note.midi),
        "place": _json_place(instrument, choice.place, settings),
        "cost": {**asdict(choice.cost), "all": choice.cost.total},
        "move_mm": choice.move_mm,
        "span_mm": choice.span_mm,
        "second": None if choice.second is None else _json_place(instrument, choice.second, settings),
        "second_extra_cost": choice.second_extra_cost if choice.second else None,
    }
