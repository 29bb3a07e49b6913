"""Compares imports with music21, note by note, over the MusicXML files that it ships: `python -m tests.corpus`.

Of every part of a file: each note's bar, onset in it, pitch, length and ties, and where each bar starts, as music21
reads them; then the drill that is made of the part, whose every note stands at the file's onset, and whose lacking
ones are named with their bars. `--only TEXT` takes the files whose path holds it, `--every N` each Nth of them.
"""

from __future__ import annotations

import argparse
import sys
import warnings
from bisect import bisect_right
from collections import Counter
from collections.abc import Iterator, Sequence
from fractions import Fraction
from itertools import accumulate, product
from pathlib import Path
from typing import Any

from coach.ground.problem import CoachError
from coach.music.drill import Drill, Note
from coach.music.excerpt import whole_piece
from coach.music.passages import passage_of
from coach.score.arrange import SILENT, arranged
from coach.score.music import sounding_note
from coach.score.musicxml_in import part_names, read_musicxml
from coach.score.score import Score, join_ties
from coach.score.strands import Choices
from coach.score.unpack import parse_xml, unpacked

KNOWN = {
    "02e-Rests-NoType.xml": "a note without <staff>, which music21 puts into both staves",
    "21f-Chord-ElementInBetween.xml": "a direction between the notes of a chord, of which music21 makes three notes",
    "32c-MultipleNotationChildren.xml": "<accidental> without <alter>: music21 raises what the file does not",
}
"""Files of the test suite that music21 reads otherwise than their text says; `tests/test_import.py` shows how."""
Struck = tuple[int, Fraction, int, Fraction, bool, bool]
"""Bar, onset in it and length in quarters, MIDI number, whether a tie begins and whether one ends at the note."""


ACCOUNTED = "(accounted for)"


def music_files(music21: Any) -> list[Path]:
    """The MusicXML files of the package: chorales and other scores, and the test suites."""
    root = Path(music21.__file__).parent
    found = [*(root / "corpus").rglob("*"), *(root / "musicxml/lilypondTestSuite").glob("*")]
    return sorted(path for path in found if path.suffix in (".mxl", ".xml", ".musicxml"))


# Chapters of the suite: pitches, rests, rhythm, meters, chords, tuplets, grace notes, notations, staves, voices,
# repeats, tab, transposition.
CHAPTERS = frozenset(
    ["01", "02", "03", "11", "13", "21", "23", "24", "32", "33", "42", "43", "45", "46", "71", "72"]
)


def suite(music21: Any) -> list[Path]:
    """A few real parts under open terms and the chapters of the test suite (MIT licence) that a drill can hold."""
    few = ("corelli/opus3no1/1grave.xml", "bach/bwv66.6.mxl", "lilypondTestSuite")
    return [
        path
        for path in music_files(music21)
        if str(path).endswith(few[:2]) or (path.parent.name == few[2] and path.name[:2] in CHAPTERS)
    ]


def struck_in(score: Score) -> Counter[Struck]:
    """The notes of a part as it is imported."""
    return Counter(
        (index, note.onset * 4, note.midi, note.length * 4, note.tie_start, note.tie_stop)
        for index, bar in enumerate(score.bars)
        for note in bar.notes
    )


def struck_by_music21(music21: Any, parts: Sequence[Any]) -> Counter[Struck]:
    """The notes of a part (of several, where music21 makes one of each staff) as music21 reads them."""
    notes: Counter[Struck] = Counter()
    for part in parts:
        for index, bar in enumerate(part.getElementsByClass(music21.stream.Measure)):
            for struck in bar.recurse().notes:
                if isinstance(struck, music21.harmony.Harmony) or struck.duration.isGrace:
                    continue
                if not isinstance(struck, music21.note.Note | music21.chord.Chord):
                    continue
                onset = exact(struck.getOffsetInHierarchy(bar))
                length = exact(struck.duration.quarterLength)
                for one in struck.notes if struck.isChord else (struck,):
                    tie = one.tie.type if one.tie else ""
                    starts, stops = tie in ("start", "continue"), tie in ("stop", "continue")
                    notes[index, onset, one.pitch.midi, length, starts, stops] += 1
    return notes


def exact(quarters: float | Fraction) -> Fraction:
    return Fraction(quarters).limit_denominator(5000)


def bar_starts(score: Score) -> list[Fraction]:
    """Where each bar starts, in quarters from the part's start."""
    return [Fraction(0), *accumulate(bar.length * 4 for bar in score.bars)][:-1]


def compared(music21: Any, path: Path) -> Iterator[tuple[str, list[str]]]:
    """Each part of a file, and how it differs: nothing where it is alike."""
    data = unpacked(path.read_bytes(), path.name)
    root = parse_xml(data, path.name)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        parsed = music21.converter.parse(str(path), format="musicxml", forceSource=True)
        if hasattr(parsed, "toSoundingPitch"):
            parsed = parsed.toSoundingPitch()
    parts = part_names(root)
    split = {part for part in parts if any(str(p.id).startswith(f"{part}-Staff") for p in parsed.parts)}
    single = [part for part in parsed.parts if "-Staff" not in str(part.id)]
    for part, name in parts.items():
        score = read_musicxml(root, part, path.name)
        if part in split:
            theirs = [p for p in parsed.parts if str(p.id).startswith(f"{part}-Staff")]
        else:
            theirs = [single.pop(0)] if single else []
        yield name or part, differences(music21, score, theirs, parsed.parts)


def differences(music21: Any, score: Score, theirs: Sequence[Any], everyone: Sequence[Any]) -> list[str]:
    ours, wanted = struck_in(score), struck_by_music21(music21, theirs)
    shown = [f"only here {text(struck, score)}" for struck in sorted((ours - wanted).elements())]
    shown += [f"only music21 {text(struck, score)}" for struck in sorted((wanted - ours).elements())]
    if theirs:
        starts = [exact(bar.offset) for bar in theirs[0].getElementsByClass(music21.stream.Measure)]
        mine = bar_starts(score)
        wrong = next(
            (i for i, pair in enumerate(zip(mine, starts, strict=False)) if pair[0] != pair[1]), None
        )
        if wrong is not None:
            why = why_apart(music21, score, wrong, everyone)
            shown.append(
                f"{why}bar {score.bars[wrong].number} starts at {mine[wrong]}, music21: {starts[wrong]}"
            )
    return shown


def why_apart(music21: Any, score: Score, wrong: int, everyone: Sequence[Any]) -> str:
    """Why a bar starts elsewhere than music21 has it, where that is known; with the mark of what is accounted for."""
    bars = [part.getElementsByClass(music21.stream.Measure) for part in everyone]
    if len({exact(one[wrong].offset) for one in bars if len(one) > wrong}) > 1:
        return f"{ACCOUNTED} music21's parts are apart here: "
    filled = [remark for remark in remarks(score) if "filled with rests" in remark]
    return f"{ACCOUNTED} {filled[0]}: " if filled else ""


def remarks(score: Score) -> list[str]:
    """Every remark with its bar: `bar 3: grace notes left out`."""
    return [f"bar {bar}: {what}" if bar else what for what, bars in score.remarked.items() for bar in bars]


def text(struck: Struck, score: Score) -> str:
    index, onset, midi, length, starts, stops = struck
    number = score.bars[index].number if index < len(score.bars) else index
    return f"bar {number} onset {onset} midi {midi} length {length} tie {'<' * stops}{'>' * starts}"


def drill_differences(drill: Drill, score: Score) -> list[str]:
    """The notes of a drill at no onset of the file, and those of the file that it lacks, unless their bar is named."""
    silent = {remark for remark in remarks(score) if remark.endswith(SILENT)}
    left_out = [f"bar {bar.number}: {SILENT}" in silent for bar in score.bars]
    # Two pieces of a bar may share a number, and only one of them be left out.
    numbers = Counter(bar.number for bar in score.bars)
    unsure = [i for i, bar in enumerate(score.bars) if left_out[i] and numbers[bar.number] > 1][:6]
    return min((_apart(drill, score, out) for out in _ways(left_out, unsure)), key=len)


def _ways(left_out: Sequence[bool], unsure: Sequence[int]) -> Iterator[list[bool]]:
    for chosen in product((True, False), repeat=len(unsure)):
        out = list(left_out)
        for index, value in zip(unsure, chosen, strict=True):
            out[index] = value
        yield out


def _apart(drill: Drill, score: Score, left_out: Sequence[bool]) -> list[str]:
    played = [score.bars[index] for index in score.order if not left_out[index]]
    starts = [Fraction(0), *accumulate(bar.length for bar in played)]
    struck = join_ties(list(zip(starts, played, strict=False)))
    wanted = Counter((onset, note.midi) for onset, _, note, _ in struck)
    passage = passage_of(drill, whole_piece(drill))
    first = passage.bars[0].start
    strings = drill.instrument.strings
    got = Counter(
        ((event.onset - first) * drill.tempo.beat_whole, sounds(strings[one.note.string].midi, one.note))
        for event in passage.events
        for one in event.notes
    )

    def named(onset: Fraction) -> bool:
        number = played[max(0, min(bisect_right(starts, onset) - 1, len(played) - 1))].number
        return any(remark.startswith(f"bar {number}: ") for remark in remarks(score))

    unwritable = next(
        (f"{ACCOUNTED} {remark}: " for remark in remarks(score) if "can't be written" in remark), ""
    )
    return [
        f"{unwritable}the drill {what} {midi} at {float(onset):g}"
        for what, notes in (("alone has", got - wanted), ("lacks", wanted - got))
        for onset, midi in sorted(notes.elements())
        if not named(onset)
    ]


def sounds(open_midi: int, note: Note) -> int:
    stopped = open_midi + note.stop
    return sounding_note(stopped, note.node) if note.node else stopped


def checked_file(music21: Any, path: Path, drills: bool) -> Iterator[tuple[str, list[str]]]:
    yield from compared(music21, path)
    if not drills:
        return
    root = parse_xml(unpacked(path.read_bytes(), path.name), path.name)
    for part, name in part_names(root).items():
        score = read_musicxml(root, part, path.name)
        score.title = path.stem
        try:
            drill, _ = arranged(score, Choices(), path.name)
        except CoachError as error:
            say(f"  {path.name} {name}: no drill: {error}")
            continue
        yield f"{name} (drill)", drill_differences(drill, score)


def say(line: str) -> None:
    sys.stdout.write(line + "\n")


def main(words: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.corpus", description=__doc__)
    parser.add_argument("--only", default="")
    parser.add_argument("--every", type=int, default=1)
    parser.add_argument("--no-drills", action="store_true")
    chosen = parser.parse_args(words)
    import music21  # takes seconds

    files = [path for path in music_files(music21) if chosen.only in str(path)][:: chosen.every]
    alike = accounted = parts = 0
    for path in files:
        try:
            for part, different in checked_file(music21, path, not chosen.no_drills):
                parts += 1
                different = [
                    f"{ACCOUNTED} {KNOWN[path.name]}: {what}" if path.name in KNOWN else what
                    for what in different
                ]
                known = bool(different) and all(what.startswith(ACCOUNTED) for what in different)
                alike += not different
                accounted += known
                for what in different[:6]:
                    say(f"{path.parent.name}/{path.name} {part}: {what}")
                if len(different) > 6:
                    say(f"{path.parent.name}/{path.name} {part}: and {len(different) - 6} more")
        except Exception as error:
            say(f"{path.parent.name}/{path.name}: {type(error).__name__}: {error}")
        sys.stdout.flush()
    say(f"{len(files)} files, {parts} parts and drills, {alike} alike, {accounted} accounted for")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
