"""Reads a part of a foreign music file, whatever its kind, into a `Score`, or two lines of it: melody and bass."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path

from coach.ground.frozen import frozen
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
    file = _File.of(path)
    if file.is_midi:
        score, _ = file.midi([] if part is None else [(part, "--part")], harmonics_octaves)
        return _titled(score, file.where)
    return _titled(file.parts([(part, "--part")])[0], file.where)


def read_two_lines(path: Path | str, names: LineNames, harmonics_octaves: int | None = None) -> Score:
    """Melody and bass of a file in one score. CoachError for what can't be read, and for lines that are not there."""
    file = _File.of(path)
    wanted = [names.part_of(names.melody, "--melody"), names.part_of(names.bass, "--bass")]
    if file.is_midi:
        melody, (high, low) = file.midi(wanted, harmonics_octaves)
        names, bass = LineNames(f"voice {high}", f"voice {low}"), melody
    else:
        melody, bass = file.parts(wanted)
    return _titled(two_lines(names, melody, bass, file.where), file.where)


@frozen
class _File:
    """A music file's bytes, out of their archive where they were in one."""

    data: bytes
    where: str

    @classmethod
    def of(cls, path: Path | str) -> _File:
        where = Path(path).name
        data = read_bytes(path, MUSIC_FILE)
        if data.startswith(b"MThd"):
            return cls(data, where)
        data = unpacked(data, where)
        if not data.lstrip(b"\xef\xbb\xbf \t\r\n").startswith((b"<", b"\xff\xfe", b"\xfe\xff")):
            guess = (
                "it is a drill file: `coach practice` takes it as it is"
                if _DRILL.search(data)
                else OTHER_FORMAT
            )
            raise CoachError("this is not a MusicXML or MIDI file", where, guess=guess)
        return cls(data, where)

    @property
    def is_midi(self) -> bool:
        return self.data.startswith(b"MThd")

    def midi(
        self, tracks: Sequence[tuple[str | None, str]], harmonics_octaves: int | None
    ) -> tuple[Score, list[str]]:
        # Most files are MusicXML, and what reads MIDI takes longer to import than those to read.
        from coach.score.midi_in import read_midi

        return read_midi(self.data, tracks, harmonics_octaves, self.where)

    def parts(self, wanted: Sequence[tuple[str | None, str]]) -> list[Score]:
        """A score of each part that is named, with the option that names it."""
        root = parse_xml(self.data, self.where)
        if root.tag not in ROOTS:
            message = (
                f"<{plain_text(root.tag, 40)}> is not a MusicXML score, which is <{'> or <'.join(ROOTS)}>"
            )
            raise CoachError(message, self.where, guess=OTHER_FORMAT)
        parts = part_names(root)
        if not parts:
            raise CoachError("the score has no part with music", self.where, guess=OTHER_FORMAT)
        shown = [plain_text(name) or part for part, name in parts.items()]
        scores = []
        for part, option in wanted:
            index = index_chosen(part, list(parts.items()), shown, "part", self.where, option)
            scores.append(read_musicxml(root, list(parts)[index], self.where))
            scores[-1].parts = shown
        return scores


def _titled(score: Score, where: str) -> Score:
    if not score.title:
        # Of a file's name, such as `bwv269_alto`, words: `Bwv 269 alto`.
        score.title = capital(re.sub(r"[_-]|(?<=[^\W\d_]{2})(?=\d)", " ", Path(where).stem)[:80])
    score.title, score.composer = plain_text(score.title), plain_text(score.composer)
    return score
