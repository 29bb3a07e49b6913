"""Places for imported notes: the file's own strings and frets where it has them, else the nearest that fit.

Conventions: strings count from 0, the highest. Harmonics without a place go through the node search of
`coach.strings.fingering`; stopped notes without one are placed greedily, near the last stopped fret and on strings that
are free. A whole fret that nodes share (3 is 3.2 or 2.7) is decided by the pitch, else the lower partial is taken
and that is told.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from fractions import Fraction
from itertools import groupby

from coach.ground.frozen import frozen
from coach.music.drill import Note
from coach.score.music import cents_beside, sounding_midi, sounding_note
from coach.score.score import ScoreNote
from coach.strings.fingering import find_fingering
from coach.strings.instrument import Instrument
from coach.strings.node import DEFAULT_PARTIAL, Node, nodes_at_label, nodes_upto, nodes_written
from coach.strings.reach import USUAL, WantedNote, sounding_beside
from coach.strings.units import note_name

HIGHEST_FRET = 24
MOST_SEARCHED = 48
"""Notes of a phrase up to which the node search is asked; it is exact, and longer phrases would take long."""
_MOST_AT_ONCE = 6
IN_TUNE_CENTS = 20.0
"""How far off a node may be for what only the user calls a harmonic: partials to 9, but not 7, 31 cents flat."""
LAST_RESORT = 1000.0
"""What stopping a note costs that the user calls a harmonic."""
HEIGHT_COST = 0.5
"""What a fret higher up the neck costs, in frets of the hand's way: else a line that once rose would stay up there."""


@frozen
class Wanted:
    """A note to place: onset and length in whole notes from the phrase's start."""

    onset: Fraction
    length: Fraction
    note: ScoreNote
    remark: Callable[[str], None]


def placed(instrument: Instrument, wanted: Sequence[Wanted], seconds_per_whole: float) -> list[Note | None]:
    """A note for each, in their order; None, with a remark, where an instrument can't play it."""
    places = [_given(instrument, item) for item in wanted]
    if any(place is None and item.note.harmonic for place, item in zip(places, wanted, strict=True)):
        _search(instrument, wanted, places, seconds_per_whole)
    _fill(instrument, wanted, places)
    for place, item in zip(places, wanted, strict=True):
        _tell_touched(instrument, item, place)
    return places


def _tell_touched(instrument: Instrument, item: Wanted, place: Note | None) -> None:
    """Say where a harmonic's written pitch was taken for the place touched, so that another one sounds."""
    note = item.note
    if place is None or note.string is not None or place.node is None:
        return
    sounds = sounding_midi(instrument, place)
    if sounds != note.midi and not note.pitch_kind:
        read = f"read as the place touched, which sounds {note_name(sounds)}"
        item.remark(f"{note_name(note.midi)} rings nowhere; {read}")


def in_tune(instrument: Instrument, note: ScoreNote) -> bool:
    """Whether a note rings in tune at some node; a string and fret that are no such node are taken from the note."""
    if note.string is not None:
        touched = _touched(note) if 1 <= note.string <= len(instrument.strings) else ()
        if not any(_near(instrument, note.string - 1, node, note) for node in touched):
            note.string = note.fret = None
    return bool(_nodes_for(instrument, note))


def _near(instrument: Instrument, string: int, node: Node, note: ScoreNote) -> bool:
    midi = instrument.strings[string].midi
    near = sounding_note(midi, node) == note.midi
    return near and (not note.by_option or abs(cents_beside(node)) <= IN_TUNE_CENTS)


def _note(note: ScoreNote, string: int, fret: int | None, node: Node | None = None) -> Note:
    written, touched = "" if node else str(fret), note.touched_by_plucking_hand and node is not None
    fingers = note.fretting_finger, note.plucking_finger
    return Note(string, fret, node, written, note.droppable, "", *fingers, touched)


def _given(instrument: Instrument, item: Wanted) -> Note | None:
    """The note at the place that the file gives, where it fits the instrument and the pitch."""
    note = item.note
    string = (note.string or 0) - 1
    within = 0 <= string < len(instrument.strings)
    open_midi = instrument.strings[string].midi if within else 0
    if note.stopped is not None and note.string is not None:
        nodes = _touched(note, note.stopped) if note.written else nodes_upto(DEFAULT_PARTIAL)
        fitting = [node for node in nodes if sounding_note(open_midi + note.stopped, node) == note.midi]
        if within and fitting:
            node = min(fitting, key=lambda node: (node.numerator, node.partial))
            return _note(note, string, note.stopped, node)
        item.remark("an artificial harmonic whose stop has no such node; written as a stopped note")
        note.harmonic, note.stopped = False, None
    if not within:
        return None
    if not note.harmonic:
        if note.fret is not None and open_midi + note.fret == note.midi:
            return _note(note, string, note.fret)
        if note.fret is not None:
            item.remark(f"string {note.string}, fret {note.fret} does not sound the note; placed elsewhere")
        return None
    nodes = _touched(note)
    if not nodes:
        return None
    fitting = [node for node in nodes if sounding_note(open_midi, node) == note.midi]
    if len(fitting) == 1:
        return _note(note, string, None, fitting[0])
    if not fitting and not _explained(note, open_midi, nodes[0]):
        placed_by_pitch = _tell_conflict(item, sounding_note(open_midi, nodes[0]))
        return None if placed_by_pitch else _note(note, string, None, nodes[0])
    if len(nodes) > 1:
        choices = " or ".join(node.label for node in nodes)
        item.remark(f"fret {note.fret} may be {choices}; {nodes[0].label} used")
    return _note(note, string, None, nodes[0])


def _explained(note: ScoreNote, open_midi: int, node: Node) -> bool:
    """Whether a harmonic's pitch, which is not the sounding one, is that of its string or of the place touched."""
    return note.pitch_kind != "sounding" and note.midi in (open_midi, open_midi + round(node.fret))


def _tell_conflict(item: Wanted, sounds_midi: int) -> bool:
    """Say that a harmonic's pitch is none of its string and fret's; whether it is stated as sounding and so wins."""
    note = item.note
    place = f"string {note.string}, fret {note.written or note.fret}"
    sounds, wanted = note_name(sounds_midi), note_name(note.midi)
    if note.pitch_kind != "sounding":
        item.remark(f"{place} sounds {sounds}; the file's {wanted} fits neither this nor the place touched")
        return False
    item.remark(f"{place} sounds {sounds}, but the file says {wanted}; placed by its pitch")
    note.string = note.fret = None
    note.written = ""
    return True


def _touched(note: ScoreNote, stop: int = 0) -> tuple[Node, ...]:
    text = note.written or ("" if note.fret is None else str(note.fret))
    try:
        return nodes_written(text, stop) if text else ()
    except ValueError:
        return ()


def _nodes_for(instrument: Instrument, note: ScoreNote) -> list[tuple[int, Node]]:
    """Every place where a harmonic may ring, by what its pitch stands for; nearest the nut's usual nodes first."""
    strings = range(len(instrument.strings))
    if note.string is not None and 1 <= note.string <= len(instrument.strings):
        strings = range(note.string - 1, note.string)
    nodes = [
        (string, node)
        for string in strings
        for node in nodes_upto(DEFAULT_PARTIAL)
        if _near(instrument, string, node, note)
    ]
    if note.beside_cents is not None:
        nodes = list(sounding_beside(nodes, note.beside_cents, lambda place: cents_beside(place[1])))
    if not note.by_option and (note.pitch_kind == "touching" or not (nodes or note.pitch_kind)):
        touching = [
            (string, node)
            for string in strings
            if 0 < note.midi - instrument.strings[string].midi <= HIGHEST_FRET
            for node in nodes_at_label(note.midi - instrument.strings[string].midi)[:1]
        ]
        nodes = touching or nodes
    return sorted(nodes, key=_usual)


def _usual(place: tuple[int, Node]) -> tuple[bool, int, float]:
    return place[1].fret > 12.5, place[1].partial, place[1].fret


def _search(
    instrument: Instrument, wanted: Sequence[Wanted], places: list[Note | None], seconds_per_whole: float
) -> None:
    """Ask the node search for every harmonic without a place, with what is stopped as its bass line."""
    if len(wanted) > MOST_SEARCHED:
        return
    melody: list[WantedNote] = []
    bass: list[WantedNote] = []
    index: dict[int, int] = {}
    for at, (item, place) in enumerate(zip(wanted, places, strict=True)):
        string, midi, harmonic = None, item.note.midi, item.note.harmonic
        if place is not None:
            # The stop of an artificial harmonic is held as any other.
            held = replace(place, node=None) if place.is_artificial else place
            string, midi, harmonic = held.string, sounding_midi(instrument, held), held.is_harmonic
        note = WantedNote(
            float(item.onset) * seconds_per_whole,
            max(float(item.length) * seconds_per_whole, 0.001),
            midi,
            string,
            item.note.beside_cents if place is None else None,
        )
        (melody if harmonic else bass).append(note)
        if harmonic:
            index[id(note)] = at
    asked = any(wanted[at].note.by_option for at in index.values())
    hand = replace(USUAL, tolerance_cents=IN_TUNE_CENTS) if asked else USUAL
    try:
        search = find_fingering(instrument, melody, bass, hand)
    except ValueError:
        return
    for choice in search.choices:
        position = index.get(id(choice.note))
        if position is not None and places[position] is None and choice.place.node is not None:
            source = wanted[position].note
            source.touched_by_plucking_hand = choice.place.plucking_hand
            places[position] = _note(source, choice.place.string, None, choice.place.node)


def _fill(instrument: Instrument, wanted: Sequence[Wanted], places: list[Note | None]) -> None:
    """Place what is left, onset by onset; two notes of one onset never share a string."""
    hand = 3.0
    busy: dict[int, Fraction] = {}
    order = sorted(range(len(wanted)), key=lambda index: wanted[index].onset)
    for onset, group in groupby(order, key=lambda index: wanted[index].onset):
        indices = list(group)
        taken: set[int] = set()
        for index in indices:
            place = places[index]
            if place is not None and place.string in taken:
                wanted[index].remark("two notes on one string at once; one is placed elsewhere")
                places[index] = None
            elif place is not None:
                taken.add(place.string)
        free = [index for index in indices if places[index] is None]
        for index in free[_MOST_AT_ONCE:]:
            wanted[index].remark("more notes at once than two hands can play; some left out")
        free = free[:_MOST_AT_ONCE]
        options = [_options(instrument, wanted[index].note, hand, busy, onset) for index in free]
        for index, place in zip(free, _assign(options, frozenset(taken)), strict=True):
            note, name = wanted[index].note, note_name(wanted[index].note.midi)
            if place is None:
                kind = "harmonic" if note.harmonic else "note"
                wanted[index].remark(f"the {kind} {name} has no free string here; left out")
            elif note.by_option and place.node is None:
                wanted[index].remark(
                    f"the harmonic {name} has no free string here; written as a stopped note"
                )
            places[index] = place
        for index in indices:
            place = places[index]
            if place is not None:
                busy[place.string] = wanted[index].onset + wanted[index].length
                hand = float(place.fret or hand)


def _options(
    instrument: Instrument, note: ScoreNote, hand: float, busy: dict[int, Fraction], onset: Fraction
) -> list[tuple[float, Note]]:
    """Places with their costs, cheapest first."""
    options: list[tuple[float, Note]] = []
    if note.harmonic:
        options = [
            (
                float(rank) + (20.0 if busy.get(string, onset) > onset else 0.0),
                _note(note, string, None, node),
            )
            for rank, (string, node) in enumerate(_nodes_for(instrument, note))
        ]
        if not note.by_option:
            return sorted(options, key=lambda option: option[0])
    for string, open_string in enumerate(instrument.strings):
        fret = note.midi - open_string.midi
        if 0 <= fret <= HIGHEST_FRET:
            cost = (abs(fret - hand) if fret else 1.0) + HEIGHT_COST * fret
            cost += 20.0 if busy.get(string, onset) > onset else 0.0
            cost += 0.0 if note.string is None or note.string == string + 1 else 3.0
            cost += LAST_RESORT if note.by_option else 0.0
            options.append((cost, _note(note, string, fret)))
    return sorted(options, key=lambda option: option[0])


def _assign(
    options: Sequence[Sequence[tuple[float, Note]]], taken: frozenset[int]
) -> tuple[Note | None, ...]:
    """The cheapest choice of one place for each on strings of their own; None for as few as possible."""
    best: tuple[int, float, tuple[Note | None, ...]] = (len(options) + 1, 0.0, (None,) * len(options))

    def follow(
        index: int, used: frozenset[int], missing: int, cost: float, chosen: tuple[Note | None, ...]
    ) -> None:
        nonlocal best
        if (missing, cost) >= best[:2]:
            return
        if index == len(options):
            best = (missing, cost, chosen)
            return
        for price, place in options[index]:
            if place.string not in used:
                follow(index + 1, used | {place.string}, missing, cost + price, (*chosen, place))
        follow(index + 1, used, missing + 1, cost, (*chosen, None))

    follow(0, taken, 0, 0.0, ())
    return best[2]
