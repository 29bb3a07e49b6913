"""Nodes as rows of a table: where each lies, how it treats the finger, what it sounds; as values and as text.

Conventions: mm from the nut, cents against equal temperament.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from coach.strings.instrument import Instrument, Node
from coach.strings.touch import (
    FINGER_WIDTH_MM,
    PICKUP_SHARE,
    PLUCK_SHARE,
    Forgiveness,
    Stray,
    WireAim,
    forgiveness,
    level_db,
    wire_aim,
)
from coach.strings.units import nearest_note, note_name


@dataclass(frozen=True, slots=True)
class NodeRow:
    """Everything a player may ask about one node of one string."""

    string: int
    node: Node
    position_mm: float
    midi: int
    """The nearest equal-tempered note."""
    offset_cents: float
    """How far the partial sounds above that note."""
    hz: float
    forgiveness: Forgiveness
    aim: WireAim | None
    """What aiming at the nearest fret wire does; None beyond the last fret."""
    level_db: float
    """Level for the plucking point and pickup, in dB against the same string plucked open."""

    @property
    def note(self) -> str:
        return note_name(self.midi)


def node_rows(
    instrument: Instrument,
    nodes: Iterable[Node],
    strings: Iterable[int] | None = None,
    pluck_mm: float | None = None,
    pickup_mm: float | None = None,
    finger_mm: float = FINGER_WIDTH_MM,
) -> list[NodeRow]:
    """A row for each node on each string (all of them where none are named), string by string.

    Plucking point and pickup are in mm from the bridge; where they are not given, 0.09 and 0.07 of the scale.
    ValueError when either is not on the string.
    """
    scale_mm = instrument.scale_mm
    pluck_mm = PLUCK_SHARE * scale_mm if pluck_mm is None else pluck_mm
    pickup_mm = PICKUP_SHARE * scale_mm if pickup_mm is None else pickup_mm
    wanted = tuple(nodes)
    rows = []
    for string in range(len(instrument.strings)) if strings is None else strings:
        for node in wanted:
            hz = instrument.sounding_hz(string, node)
            midi, offset_cents = nearest_note(hz, instrument.a4_hz)
            rows.append(
                NodeRow(
                    string,
                    node,
                    instrument.position_mm(node),
                    midi,
                    offset_cents,
                    hz,
                    forgiveness(node, scale_mm, finger_mm),
                    wire_aim(instrument, node, finger_mm),
                    level_db(node.partial, pluck_mm, pickup_mm, scale_mm),
                )
            )
    return rows


def place_lines(rows: Sequence[NodeRow]) -> list[str]:
    """Where each node lies and how it treats the finger: the rows of one string as a table of 80 columns."""
    lines = [
        "                     from the      dulls   another partial wins   at the  level",
        " fret     mm partial wire, mm      after   to nut     to bridge   wire       dB",
    ]
    for row in rows:
        nut, bridge = row.forgiveness.nut, row.forgiveness.bridge
        lines.append(
            f"{row.node.label:>5} {row.position_mm:6.1f} {row.node.partial:5d}   {_from_wire(row.aim):<14}"
            f"{min(nut.dull_mm, bridge.dull_mm):4.1f}   {_wins(nut):<9}  {_wins(bridge):<9}"
            f"   {_at_wire(row):<8} {row.level_db:4.0f}"
        )
    return lines


def sounding_lines(instrument: Instrument, rows: Sequence[NodeRow]) -> list[str]:
    """What each node sounds on each string, with cents against equal temperament: one line a node."""
    strings = list(dict.fromkeys(row.string for row in rows))
    cells = {(row.string, row.node): f"{row.note} {round(row.offset_cents):+d}" for row in rows}
    head = " fret" + "".join(f"{instrument.string_label(string):>10}" for string in strings)
    lines = [head]
    for node in dict.fromkeys(row.node for row in rows):
        lines.append(f"{node.label:>5}" + "".join(f"{cells[string, node]:>10}" for string in strings))
    return lines


def _from_wire(aim: WireAim | None) -> str:
    if aim is None:
        return "no wire"
    if abs(aim.offset_mm) < 0.05:
        return f"at {aim.fret}"
    side = "past" if aim.offset_mm > 0 else "before"
    return f"{abs(aim.offset_mm):.1f} {side} {aim.fret:<2}"


def _wins(stray: Stray) -> str:
    if stray.other_mm is None:
        return "none"
    return f"{stray.other_mm:4.1f}: {stray.other_partial}"


def _at_wire(row: NodeRow) -> str:
    if row.aim is None:
        return "-"
    return f"{row.aim.sounds} wins" if row.aim.result == "fails" else row.aim.result
