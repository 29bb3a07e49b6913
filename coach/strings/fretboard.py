"""Nodes as rows of a table and as a fretboard drawn to scale, in plain text for commands and screens alike.

Conventions: mm from the nut; a fretboard's columns are equal lengths of string, so that what is near on the string
is near on the screen. Colours are left to whoever draws the lines; nothing depends on them.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from coach.strings.instrument import Instrument, Node
from coach.strings.touch import (
    FINGER_WIDTH_MM,
    LAST_FRET,
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

NARROWEST = 40
_LABEL_ROWS = 3

Place = tuple[int, Node]
"""A string's index and a node on it."""


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


def partial_marks(places: Iterable[Place]) -> dict[Place, str]:
    """The mark of each place on a fretboard: its partial's digit, a dot from 10 on."""
    return {(string, node): str(node.partial) if node.partial < 10 else "•" for string, node in places}


def fretboard_lines(
    instrument: Instrument,
    marks: Mapping[Place, str],
    width: int = 80,
    window_mm: tuple[float, float] | None = None,
    left_handed: bool = False,
) -> list[str]:
    """The strings from nut to bridge, or the part inside `window_mm`, to scale in `width` columns.

    First line: fret numbers. Then a line a string, highest first: `│` a fret wire, `║` the nut, the marks at
    their nodes (where two share a column, the lower partial stands). Last: the nodes' fret labels, each starting
    under its node, on up to three lines; labels without room are left out. Left-handed: mirrored, nut on the
    right. ValueError when the window is empty or `width` is below 40.
    """
    low, high = window_mm or (0.0, instrument.scale_mm)
    if width < NARROWEST:
        raise ValueError(f"a fretboard of {width} columns is outside {NARROWEST} and more")
    if not 0.0 <= low < high <= instrument.scale_mm:
        raise ValueError(
            f"the part from {low:g} to {high:g} mm is outside 0 to {instrument.scale_mm:g} mm, the string"
        )
    labels = [instrument.string_label(string) for string in range(len(instrument.strings))]
    gutter = max(len(label) for label in labels) + 1
    columns = width - gutter

    def column(mm: float) -> int:
        at = round((mm - low) / (high - low) * (columns - 1))
        return columns - 1 - at if left_handed else at

    wires = {column(instrument.fret_mm(fret)): fret for fret in range(LAST_FRET, 0, -1)}
    wires = {at: fret for at, fret in wires.items() if low <= instrument.fret_mm(fret) <= high}
    shown = [place for place in marks if low <= instrument.position_mm(place[1]) <= high]
    lines = [" " * gutter + _spread({at: str(fret) for at, fret in wires.items()}, columns, 1)[0]]
    for string, label in enumerate(labels):
        cells = ["│" if at in wires else "─" for at in range(columns)]
        if low == 0.0:
            cells[column(0.0)] = "║"
        on_string = (place for place in shown if place[0] == string)
        for place in sorted(on_string, key=lambda place: -place[1].partial):
            cells[column(instrument.position_mm(place[1]))] = marks[place]
        lines.append(f"{label:<{gutter}}" + "".join(cells))
    nodes = sorted({node for _string, node in shown}, key=lambda node: -node.partial)
    named = {column(instrument.position_mm(node)): node.label for node in nodes}
    lines += [" " * gutter + row for row in _spread(named, columns, _LABEL_ROWS) if row]
    return [line.rstrip() for line in lines]


def column_mm(instrument: Instrument, width: int, window_mm: tuple[float, float] | None = None) -> float:
    """How many mm of string one column of `fretboard_lines` stands for, near enough for a caption."""
    low, high = window_mm or (0.0, instrument.scale_mm)
    return (high - low) / width


def _spread(texts: Mapping[int, str], columns: int, rows: int) -> list[str]:
    """Texts at their columns, each on the first of `rows` lines with room and a blank on both sides."""
    lines = [[" "] * columns for _ in range(rows)]
    for at, text in sorted(texts.items()):
        start = min(at, columns - len(text))
        for line in lines:
            if all(cell == " " for cell in line[max(start - 1, 0) : start + len(text) + 1]):
                line[start : start + len(text)] = text
                break
    return ["".join(line).rstrip() for line in lines]


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
