"""What a score leaves open and the user may choose: its instrument and how its notes part into layers."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable

from coach.ground.frozen import frozen
from coach.ground.plain import plain_text
from coach.ground.problem import CoachError
from coach.music.drill import TOGETHER
from coach.score.hand import HIGHEST_FRET, IN_TUNE_CENTS, in_tune
from coach.score.keys import BAR, PHRASE
from coach.score.limits import LAYER, MAX_LAYERS
from coach.score.music import pitch_of
from coach.score.score import Score, ScoreNote, index_named, numbered
from coach.strings.instrument import STRINGS_RANGE, Instrument
from coach.strings.ready_made import READY_MADE, ready_made, usual_scale_mm
from coach.strings.units import note_name


@frozen
class Choices:
    """What the user chose: instrument, split, length of phrases, bars."""

    instrument: Instrument | None = None
    split: str = ""
    """`voices`, `harmonics`, or a note's name: what lies below it is the bass."""
    every: int | None = None
    bars: tuple[int, int] | None = None
    """First and last bar, counted from 1 as they stand in the file."""
    harmonics: str = ""
    """What the file doesn't call harmonics and the user does: a note, it and all above, or a voice's name or number."""


def mark_harmonics(score: Score, choices: Choices, where: str) -> None:
    """Mark the notes that the user calls harmonics. CoachError where there is no such voice, or no such note."""
    if not choices.harmonics:
        return
    limit = pitch_of(choices.harmonics)
    voice = _chosen_voice(score, choices.harmonics, where) if limit is None else ""
    any_marked = False
    for note in score.notes:
        if note.voice == voice if limit is None else note.midi >= limit:
            any_marked = True
            note.by_option = note.by_option or not note.harmonic
            note.harmonic = True
    if not any_marked:
        highest = max((note.midi for note in score.notes), default=0)
        message = f"no note sounds at {choices.harmonics} or above; the highest is {note_name(highest)}"
        raise CoachError(message, where, guess="--harmonics takes the sounding pitch")


def keep_silent(score: Score, instrument: Instrument) -> None:
    """Take back the user's word for notes that ring at no node of the instrument in tune, and tell their bars."""
    for bar in score.bars:
        for note in bar.notes:
            if note.by_option and not in_tune(instrument, note):
                note.by_option = note.harmonic = False
                silent = f"{note_name(note.midi)} rings at no node within {IN_TUNE_CENTS:g} cents"
                score.remark(bar.number, f"{silent}; written as a stopped note")


def _chosen_voice(score: Score, wanted: str, where: str) -> str:
    """The voice or track of that name, or of that number from 1."""
    sounding = {note.voice for note in score.notes}
    known = [voice for voice in score.layer_names if voice in sounding]
    voices = known or sorted(sounding, key=lambda voice: (len(voice), voice))
    named = [score.layer_names.get(voice) or f"voice {voice}" for voice in voices]
    index = index_named(wanted, [(name,) for name in named])
    if index is None:
        shown = plain_text(wanted, 80)
        message = f"'{shown}' is not a note, a voice or a track; there are {numbered(named)}"
        raise CoachError(message, where, guess="--harmonics")
    return voices[index]


def instrument_of(score: Score) -> Instrument:
    """The instrument that the file names by its tunings, else the first ready-made one that has all its notes."""
    if score.tunings:
        strings = _shifted(score.tunings[::-1], score.notes)
        names = tuple(note_name(midi) for midi in strings)
        if len(strings) <= STRINGS_RANGE[1] and all(0 <= midi <= 127 for midi in strings):
            return Instrument.of(names, usual_scale_mm(names))
    pitches = [note.midi for note in score.notes if not note.harmonic]
    low, high = min(pitches, default=28), max(pitches, default=60)

    def misses(name: str) -> int:
        strings = ready_made(name).strings
        lowest, highest = min(s.midi for s in strings), max(s.midi for s in strings) + HIGHEST_FRET
        return sum(not lowest <= pitch <= highest for pitch in pitches)

    name = min(READY_MADE, key=lambda name: (misses(name), list(READY_MADE).index(name)))
    if misses(name):
        score.remark("", f"no ready-made instrument has all notes from {note_name(low)} to {note_name(high)}")
    score.remark("", f"the file names no strings; the instrument `{name}` used")
    return ready_made(name)


def _shifted(strings: list[int], notes: Iterable[ScoreNote]) -> list[int]:
    """Tunings moved by octaves where the file's strings and frets then sound its pitches."""
    shifts = Counter(
        note.midi - strings[note.string - 1] - note.fret
        for note in notes
        if not note.harmonic and note.fret is not None and note.string and note.string <= len(strings)
    )
    shift, count = shifts.most_common(1)[0] if shifts else (0, 0)
    sure = shift % 12 == 0 and 2 * count > sum(shifts.values())
    return [midi + shift for midi in strings] if sure else strings


def layers_of(score: Score, choices: Choices) -> Callable[[ScoreNote], str]:
    """The layer of a note, by the user's split; where the user told harmonics, they are a layer of their own."""
    notes = list(score.notes)
    if choices.harmonics and not choices.split:
        rest = _by_voices(score, [note for note in notes if not note.harmonic], MAX_LAYERS - 1)
        return lambda note: "harmonics" if note.harmonic else rest(note)
    voices = {note.voice for note in notes}
    some, every = any(note.harmonic for note in notes), all(note.harmonic for note in notes)
    unnamed = not any(_is_layer(score.layer_names.get(voice, "")) for voice in voices)
    mixed = len(voices) == 1 and unnamed and some and not every
    split = choices.split or ("harmonics" if mixed else "voices")
    if split == "harmonics":
        return lambda note: "harmonics" if note.harmonic else "bass"
    limit = pitch_of(split)
    if limit is not None:
        high = [note for note in notes if note.midi >= limit]
        name = "harmonics" if high and all(note.harmonic for note in high) else "melody"
        return lambda note: "bass" if note.midi < limit else name
    return _by_voices(score, notes, MAX_LAYERS)


def _by_voices(score: Score, notes: Iterable[ScoreNote], most: int) -> Callable[[ScoreNote], str]:
    """Each voice of the notes is a layer."""
    voices: dict[str, list[ScoreNote]] = {}
    for note in notes:
        voices.setdefault(note.voice, []).append(note)
    means = {voice: sum(note.midi for note in group) / len(group) for voice, group in voices.items()}
    stopped = [voice for voice, group in voices.items() if not all(note.harmonic for note in group)]
    lowest = min(stopped, key=means.__getitem__, default="")
    if len(voices) > most:
        score.remark(
            "", f"{len(voices)} voices joined into bass and melody: a phrase has at most {MAX_LAYERS} layers"
        )
        return lambda note: "bass" if note.voice == lowest else "melody"
    names: dict[str, str] = {}
    for voice in sorted(voices, key=lambda voice: (-means[voice], voice)):
        wanted = score.layer_names.get(voice, "")
        if not _is_layer(wanted):
            if all(note.harmonic for note in voices[voice]):
                wanted = "harmonics"
            elif voice == lowest and (len(voices) > 1 or means[voice] < 52):
                wanted = "bass"
            else:
                wanted = "melody" if len(voices) <= 2 else "voice"
        name, number = wanted, 2
        while name in names.values():
            name, number = f"{wanted} {number}", number + 1
        names[voice] = name
    return lambda note: names.get(note.voice, "melody")


def _is_layer(name: str) -> bool:
    return bool(LAYER.fullmatch(name)) and name != TOGETHER and name not in BAR and name not in PHRASE
