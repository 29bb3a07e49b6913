"""Reads a part of a foreign music file, whatever its kind, into a `Score`, or two lines of it: melody and bass."""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping, Sequence
from fractions import Fraction
from pathlib import Path
from xml.etree.ElementTree import Element

from coach.ground.frozen import frozen
from coach.ground.plain import plain_text
from coach.ground.problem import CoachError
from coach.ground.source import FileKind, read_bytes
from coach.score.duet import LineNames, two_lines
from coach.score.musicxml_in import longest_of_all, part_names, read_musicxml
from coach.score.one_part import longest_in, parse_score
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

        def choose(root: Element) -> list[str]:
            parts = part_names(root)
            if not parts:
                raise CoachError("the file has no part with music", self.where, guess=OTHER_FORMAT)
            shown = _shown(root)
            return [
                list(parts)[index_chosen(part, list(parts.items()), shown, "part", self.where, option)]
                for part, option in wanted
            ]

        root, chosen = parse_score(self.data, self.where, choose)
        scores = []
        for part in chosen:
            score = read_musicxml(root, part, self.where, lambda bars: self._longest(root, bars))
            score.parts = _shown(root)
            scores.append(score)
        return scores

    def _longest(self, root: Element, bars: Collection[int]) -> Mapping[int, Fraction]:
        """How far the longest of all parts reaches in these bars."""
        complete = root.tag != "score-partwise" or all(len(part) for part in root.findall("part"))
        by_bytes = None if complete else longest_in(self.data, self.where, bars)
        if by_bytes is not None:
            return by_bytes
        return longest_of_all(root if complete else parse_xml(self.data, self.where), bars)


def _shown(root: Element) -> list[str]:
    """The parts as a user may choose from them."""
    return [plain_text(name) or part for part, name in part_names(root).items()]


def _titled(score: Score, where: str) -> Score:
    if not score.title:
        # Of a file's name, such as `bwv269_alto`, words: `Bwv 269 alto`.
        score.title = capital(re.sub(r"[_-]|(?<=[^\W\d_]{2})(?=\d)", " ", Path(where).stem)[:80])
    score.title, score.composer = plain_text(score.title), plain_text(score.composer)
    return score
