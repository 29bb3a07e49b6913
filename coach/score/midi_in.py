"""Reads a Standard MIDI File into a `Score`: each track (in type 0 each channel) is a voice.

What the file's messages say is read by `midi_file.py`; here the notes are cut into bars. Empty bars before the first
note are left out.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator, Sequence
from fractions import Fraction
from itertools import pairwise

from coach.ground.plain import counted
from coach.ground.problem import CoachError
from coach.score.limits import MAX_BARS
from coach.score.midi_file import Contents, contents_of, parsed
from coach.score.score import Score, ScoreBar, index_chosen

MOST_SKIPPED = 100_000


def read_midi(
    data: bytes, tracks: Sequence[tuple[str | None, str]], harmonics_octaves: int | None, where: str
) -> tuple[Score, list[str]]:
    """The score of a file's tracks, or of those that `tracks` names, each with the option that names it.

    A track is named by its number from 1, or its name. With the score come the voices of the named tracks, in order.
    """
    file = parsed(data, where)
    score = Score()
    contents = contents_of(file, harmonics_octaves, score)
    if not contents.notes:
        raise CoachError("the file has no notes except percussion", where, guess="choose another file")
    voices = sorted({note.voice for note in contents.notes}, key=int)
    score.parts = [contents.names.get(voice) or "unnamed" for voice in voices]
    named = [(contents.names.get(voice, ""),) for voice in voices]
    chosen = [
        voices[index_chosen(track, named, score.parts, "track", where, option)] for track, option in tracks
    ]
    if chosen:
        voices = list(dict.fromkeys(chosen))
        contents.notes = [note for note in contents.notes if note.voice in voices]
    for (what, how), count in contents.told.items():
        score.remark("", f"{counted(count, what)} {how}")
    score.title = contents.title
    score.layer_names = {voice: contents.names.get(voice, "") for voice in voices}
    _bars(contents, score, where)
    score.order = list(range(len(score.bars)))
    return score, chosen


def _bars(contents: Contents, score: Score, where: str) -> None:
    """Cut the notes into bars, from the first that has one."""
    end = max(note.onset + note.length for note in contents.notes)
    bars = _empty_bars(contents, score, end, where)
    starts = [start for start, _ in bars]

    def bar_at(place: Fraction) -> tuple[Fraction, ScoreBar]:
        return bars[max(0, bisect_right(starts, place) - 1)]

    for note in contents.notes:
        start, bar = bar_at(note.onset)
        note.onset, note.length = (note.onset - start) / 4, note.length / 4
        bar.notes.append(note)
    for place, text in contents.markers.items():
        if text and starts[0] <= place < end:
            _, bar = bar_at(place)
            bar.mark, bar.starts_section = text, True
    for place, cues in contents.cues.items():
        if starts[0] <= place < end:
            _, bar = bar_at(place)
            bar.cue = "; ".join([bar.cue, *cues] if bar.cue else cues)
    for place in sorted(contents.tempos):
        _, bar = bar_at(place)
        if place <= starts[0]:
            bar.tempos.clear()
        if place < end:
            bar.tempos.append(contents.tempos[place])
    changes = sorted(contents.keys)
    for start, bar in bars:
        if before := bisect_right(changes, start):
            bar.key = contents.keys[changes[before - 1]]
    _pickup(bars[0][1])
    for (_, bar), (_, after) in pairwise(bars):
        # A marked short bar before longer ones leads into them: MIDI has no other way to say so.
        if bar.mark and bar.length < after.full and not bar.pickup and bar.length == bar.full:
            bar.upper, bar.lower, bar.pickup = after.upper, after.lower, True
    score.bars = [bar for _, bar in bars]
    for number, bar in enumerate(score.bars, 0 if score.bars[0].pickup else 1):
        bar.number = str(number)


def _empty_bars(
    contents: Contents, score: Score, end: Fraction, where: str
) -> list[tuple[Fraction, ScoreBar]]:
    """Every bar from the first that has a note to the end, with its start in quarters."""
    first_note = min(note.onset for note in contents.notes)
    bars: list[tuple[Fraction, ScoreBar]] = []
    skipped = 0
    for start, (upper, lower, clocks) in _bar_starts(contents, end):
        length = Fraction(upper, lower)
        if start + length * 4 <= first_note:
            skipped += 1
            if skipped > MOST_SKIPPED:
                message = f"the first note comes after more than {MOST_SKIPPED:,} bars"
                raise CoachError(message, where)
            continue
        if score.beat_whole is None and clocks * Fraction(1, 96) == Fraction(1, lower):
            score.beat_whole = Fraction(1, lower)
        bars.append((start, ScoreBar(str(len(bars) + 1), upper, lower, length)))
        if len(bars) > MAX_BARS:
            raise CoachError(f"the file has more than {MAX_BARS} bars", where, guess="shorten it first")
    if skipped:
        score.remark("", f"{counted(skipped, 'empty bar')} before the first note left out")
    return bars


def _bar_starts(contents: Contents, end: Fraction) -> Iterator[tuple[Fraction, tuple[int, int, int]]]:
    meter = (4, 4, 24)
    changes = sorted(contents.meters)
    at = Fraction(0)
    while at < end:
        while changes and changes[0] <= at:
            meter = contents.meters[changes.pop(0)]
        yield at, meter
        at += Fraction(meter[0] * 4, meter[1])


def _pickup(bar: ScoreBar) -> None:
    """A first bar whose first half is silent is a pick-up."""
    first = min((note.onset for note in bar.notes), default=Fraction(0))
    if first >= bar.length / 2:
        bar.length -= first
        bar.pickup = True
        for note in bar.notes:
            note.onset -= first
