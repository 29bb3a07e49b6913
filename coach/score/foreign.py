"""Reads one part of a foreign music file, whatever its kind, into a `Score`."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from coach.ground.digits import whole_number
from coach.ground.plain import plain_text
from coach.ground.problem import CoachError, Problem
from coach.ground.source import FileKind, read_bytes
from coach.score.musicxml_in import PartName, part_names, read_musicxml
from coach.score.one_part import parse_score
from coach.score.score import MAX_BYTES, Score
from coach.score.unpack import parse_xml, unpacked

MUSIC_FILE = FileKind(file="a MusicXML or MIDI file", max_bytes=MAX_BYTES)


def read_score(path: Path | str, part: str | None = None, harmonics_octaves: int | None = None) -> Score:
    """The score in a MusicXML or MIDI file. CoachError for what can't be read, or where `part` must be told."""
    where = str(path)
    data = read_bytes(path, MUSIC_FILE)
    if data.startswith(b"MThd"):
        # Most files are MusicXML, and what reads MIDI takes longer to import than those to read.
        from coach.score.midi_in import read_midi

        score = read_midi(data, part, harmonics_octaves, where)
    else:
        data = unpacked(data, where)
        if not data.lstrip(b"\xef\xbb\xbf \t\r\n").startswith((b"<", b"\xff\xfe", b"\xfe\xff")):
            raise CoachError(Problem("this is neither MusicXML nor a MIDI file", where))
        root, chosen = parse_score(data, where, lambda root: chosen_part(part_names(root), part, where))
        score = read_musicxml(root, chosen, where, lambda: parse_xml(data, where))
    if not score.title:
        score.title = Path(where).stem.replace("_", " ").replace("-", " ")[:80]
    score.title, score.composer = plain_text(score.title), plain_text(score.composer)
    return score


def chosen_part(parts: Sequence[PartName], wanted: str | None, where: str) -> str:
    """The id of the part that the user named, or of the only one."""
    if not parts:
        raise CoachError(Problem("the file has no part with music", where))
    shown = ", ".join(
        f"{number} {plain_text(part.name) or part.id}" for number, part in enumerate(parts[:40], 1)
    )
    if wanted is None:
        if len(parts) > 1:
            raise CoachError(
                Problem(f"the file has {len(parts)} parts: {shown}", where, guess="choose one with --part")
            )
        return parts[0].id
    if 1 <= (whole_number(wanted) or 0) <= len(parts):
        return parts[int(wanted) - 1].id
    matches = [part.id for part in parts if wanted.lower() in (part.id.lower(), part.name.lower())]
    if len(matches) == 1:
        return matches[0]
    raise CoachError(
        Problem(f"there is no part '{plain_text(wanted, 80)}'; there are {shown}", where, guess="--part")
    )
