"""Reads a part of a foreign music file, whatever its kind, into a `Score`, or two lines of it: melody and bass."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path

from coach.ground.plain import plain_text
from coach.ground.problem import CoachError
from coach.ground.source import FileKind, read_bytes
from coach.score.duet import LineNames, two_lines
from coach.score.musicxml_in import ROOTS, part_names, read_musicxml
from coach.score.score import MAX_BYTES, Score, index_chosen
from coach.score.unpack import OTHER_FORMAT, parse_xml, unpacked
from coach.words.names import capital

MUSIC_FILE = FileKind(
    file="a MusicXML or MIDI file",
    max_bytes=MAX_BYTES,
    endings=(".musicxml", ".mxl", ".xml", ".mid", ".midi"),
)
_DRILL = re.compile(rb"^drill:", re.MULTILINE)


def read_score(path: Path | str, part: str | None = None, harmonics_octaves: int | None = None) -> Score:
    """The score in a MusicXML or MIDI file. CoachError for what can't be read, or where `part` must be told."""
    (score,), _ = _scores(path, [(part, "--part")], harmonics_octaves)
    return _titled(score, path)


def read_two_lines(path: Path | str, names: LineNames, harmonics_octaves: int | None = None) -> Score:
    """Melody and bass of a file in one score. CoachError for what can't be read, and for lines that are not there."""
    wanted = [names.part_of(names.melody, "--melody"), names.part_of(names.bass, "--bass")]
    scores, voices = _scores(path, wanted, harmonics_octaves)
    if voices:
        names = LineNames(*(f"voice {voice}" for voice in voices))
    return _titled(two_lines(names, scores[0], scores[-1], Path(path).name), path)


def _scores(
    path: Path | str, wanted: Sequence[tuple[str | None, str]], harmonics_octaves: int | None
) -> tuple[list[Score], list[str]]:
    """A score of each part that is named, with the option that names it; of MIDI one of all tracks and their voices."""
    where = Path(path).name
    data = read_bytes(path, MUSIC_FILE)
    if data.startswith(b"MThd"):
        # Most files are MusicXML, and what reads MIDI takes longer to import than those to read.
        from coach.score.midi_in import read_midi

        tracks = [] if wanted == [(None, "--part")] else wanted
        score, voices = read_midi(data, tracks, harmonics_octaves, where)
        return [score], voices
    data = unpacked(data, where)
    if not data.lstrip(b"\xef\xbb\xbf \t\r\n").startswith((b"<", b"\xff\xfe", b"\xfe\xff")):
        drill = "it is a drill file: `coach practice` takes it as it is"
        guess = drill if _DRILL.search(data) else OTHER_FORMAT
        raise CoachError("this is not a MusicXML or MIDI file", where, guess=guess)
    root = parse_xml(data, where)
    if root.tag not in ROOTS:
        message = f"<{plain_text(root.tag, 40)}> is not a MusicXML score, which is <{'> or <'.join(ROOTS)}>"
        raise CoachError(message, where, guess=OTHER_FORMAT)
    parts = part_names(root)
    if not parts:
        raise CoachError("the score has no part with music", where, guess=OTHER_FORMAT)
    shown = [plain_text(name) or part for part, name in parts.items()]
    scores = []
    for part, option in wanted:
        index = index_chosen(part, list(parts.items()), shown, "part", where, option)
        scores.append(read_musicxml(root, list(parts)[index], where))
        scores[-1].parts = shown
    return scores, []


def _titled(score: Score, path: Path | str) -> Score:
    if not score.title:
        # Of a file's name, such as `bwv269_alto`, words: `Bwv 269 alto`.
        score.title = capital(re.sub(r"[_-]|(?<=[^\W\d_]{2})(?=\d)", " ", Path(path).stem)[:80])
    score.title, score.composer = plain_text(score.title), plain_text(score.composer)
    return score
