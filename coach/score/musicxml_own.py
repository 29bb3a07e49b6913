"""Reads back what `musicxml_out.py` wrote: the drill that it carries, where the music in it is still that drill's.

A file that another program wrote, or in which anything was changed, is no export of ours; `foreign.py` reads it as any
other score.
"""

from __future__ import annotations

from pathlib import Path

from coach.ground.digits import whole_number
from coach.ground.problem import CoachError
from coach.ground.source import read_bytes
from coach.music.drill import Drill
from coach.score.foreign import MUSIC_FILE
from coach.score.load import read_drill
from coach.score.musicxml_out import SOFTWARE, musicxml_text
from coach.score.unpack import parse_xml, unpacked

_FIELD = "identification/miscellaneous/miscellaneous-field[@name='{}']"


def own_export(path: Path | str) -> tuple[Drill, str] | None:
    """The drill in an export of this program, and its text; None for any other file."""
    data = read_bytes(path, MUSIC_FILE)
    if data.startswith(b"MThd"):
        return None
    where = str(path)
    data = unpacked(data, where)
    if f"<software>{SOFTWARE}</software>".encode() not in data:
        return None
    try:
        root = parse_xml(data, where)
    except CoachError:
        return None
    text, tempo = (root.findtext(_FIELD.format(name)) or "" for name in ("drill", "tempo_bpm"))
    drill, tempo_bpm = read_drill(text, where)[0], whole_number(tempo)
    if drill and tempo_bpm and musicxml_text(drill, tempo_bpm).encode() == data.replace(b"\r\n", b"\n"):
        return drill, text
    return None
