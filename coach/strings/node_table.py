"""Nodes as rows of a table: where each lies, how it treats the finger, what it sounds; as values and as text.

Conventions: mm from the nut, cents against equal temperament.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from textwrap import wrap

from coach.ground.frozen import frozen
from coach.strings.instrument import Instrument
from coach.strings.node import Node
from coach.strings.plucked import PluckedString
from coach.strings.touch import (
    HASTY,
    Forgiveness,
    WireAim,
    Word,
    aim_word,
    finger_share,
    forgiveness,
    level_db,
    steady_word,
    usual_touch_s,
    wire_aim,
)
from coach.strings.units import nearest_note, note_name

WIDTH = 79
"""Columns of the texts below a table."""


@frozen
class NodeRow:
    """Everything a player may ask about one node of one string."""

    string: int
    node: Node
    position_mm: float
    error_mm: tuple[float, float]
    """How much nearer to the nut it may lie, and nearer to the bridge."""
    midi: int
    """The nearest equal-tempered note."""
    offset_cents: float
    """How far the partial sounds above that note."""
    hz: float
    forgiveness: Forgiveness
    aim: WireAim | None
    """What aiming at the nearest fret wire does; None beyond the last fret."""
    level_db: float
    """Loudness for the plucking point and pickup, in dB (A) against the same string plucked open."""
    touch_s: float
    """How long the finger rests."""
    hasty: Word | None
    """What a third of that gives at perfect aim; None where that is as the pressure is."""

    @property
    def note(self) -> str:
        return note_name(self.midi)


def node_rows(
    instrument: Instrument,
    nodes: Iterable[Node],
    strings: Iterable[int] | None = None,
    pluck_mm: float | None = None,
    pickup_mm: float | None = None,
    finger_mm: float | None = None,
) -> list[NodeRow]:
    """A row for each node on each string (all of them where none are named), string by string.

    Plucking point and pickup are in mm from the bridge; where they are not given, 0.09 and 0.07 of the length.
    ValueError when either is not on the string.
    """
    wanted = tuple(nodes)
    rows = []
    for string in range(len(instrument.strings)) if strings is None else strings:
        plucked = PluckedString.of(instrument, string, pluck_mm, pickup_mm)
        width = finger_share(finger_mm, plucked.length_mm)
        rows += [_row(instrument, string, node, plucked, width) for node in wanted]
    return rows


def _row(instrument: Instrument, string: int, node: Node, plucked: PluckedString, width: float) -> NodeRow:
    hz = instrument.sounding_hz(string, node)
    midi, offset_cents = nearest_note(hz, instrument.a4_hz)
    allowed = forgiveness(plucked, node, width)
    touch_s = usual_touch_s(plucked)
    return NodeRow(
        string,
        node,
        instrument.position_mm(string, node),
        instrument.position_error_mm(string, node),
        midi,
        offset_cents,
        hz,
        allowed,
        wire_aim(instrument, string, node, allowed),
        level_db(plucked, node, width),
        touch_s,
        steady_word(plucked, node, HASTY * touch_s, width),
    )


def place_lines(rows: Sequence[NodeRow], fretted: bool = True) -> list[str]:
    """Where each node lies and how it treats the finger: the rows of one string as a table of 80 columns."""
    wires = ("from the      ", "wire, mm      ", "at the   ", "wire     ") if fretted else ("",) * 4
    lines = [
        f"                           {wires[0]} clear    dead    {wires[2]}level",
        f" fret     mm error partial {wires[1]}within    from    {wires[3]}   dB",
    ]
    for row in rows:
        allowed = row.forgiveness
        dead = "never" if allowed.dead_mm is None else f"{allowed.dead_mm} mm"
        aim = f"{_from_wire(row.aim):<14}" if fretted else ""
        word = f"{row.aim.word if row.aim else '-':<8} " if fretted else ""
        lines.append(
            f"{row.node.label:>5} {row.position_mm:6.1f} {_error(row.error_mm):>5} {row.node.partial:5d}   {aim}"
            f"{allowed.clear_mm:3d} mm {dead:>7}    {word}{row.level_db:4.0f}"
        )
    if fretted:
        lines.append("past the wire: toward the bridge; before it: toward the nut.")
        lines.append("at the wire: the worst that aiming there may give, within the error.")
    return lines


def touch_lines(rows: Sequence[NodeRow]) -> list[str]:
    """What the words of `place_lines` mean, and what a touch lifted too soon gives; the rows are of one string."""
    touch_s = rows[0].touch_s
    early = [row.node.label for row in rows if row.hasty == "open"]
    texts = [
        "clear: more than half as loud as without a finger, for a light touch and a firm one; dead: less "
        "than a quarter; in between it is dull, more so with a firm touch.",
        f"For a finger lifted after {touch_s:.2f} s. Calculated, not measured: use it as a guide.",
        f"Lifted after {HASTY * touch_s:.2f} s, the open string still speaks at {', '.join(early)}."
        if early
        else "",
        "If the finger stays much longer, every harmonic dulls, the high ones first.",
    ]
    return [line for text in texts for line in wrap(text, WIDTH)]


def stray_text(allowed: Forgiveness) -> str:
    """How far a finger may stray, in words."""
    clear = f"clear within {allowed.clear_mm} mm" if allowed.clear_mm else "never quite clear"
    return clear if allowed.dead_mm is None else f"{clear}, dead from {allowed.dead_mm} mm on"


def sounding_lines(instrument: Instrument, rows: Sequence[NodeRow]) -> list[str]:
    """What each node sounds on each string, with cents against equal temperament: one line a node."""
    strings = list(dict.fromkeys(row.string for row in rows))
    cells = {(row.string, row.node): f"{row.note} {round(row.offset_cents):+d}" for row in rows}
    head = " fret" + "".join(f"{instrument.string_label(string):>10}" for string in strings)
    lines = [head]
    for node in dict.fromkeys(row.node for row in rows):
        lines.append(f"{node.label:>5}" + "".join(f"{cells[string, node]:>10}" for string in strings))
    return lines


def _error(error_mm: tuple[float, float]) -> str:
    nearer_mm, further_mm = error_mm
    return f"{'±' if nearer_mm else '+'}{further_mm:.1f}"


def measure_lines(instrument: Instrument) -> list[str]:
    """What the errors of `place_lines` come from, and what to measure to get them right."""
    if not instrument.fretted:
        return [
            "error: that of reading a ruler to 1 mm. Measure each string from nut to bridge:",
            "that is its scale_mm under `instruments` in settings.yaml, or --scale-mm here.",
        ]
    if instrument.measured:
        return ["error: that of reading a ruler to 1 mm."]
    return [
        "error: how much nearer to the bridge the node may be, since nobody has measured",
        "how far your saddles are set back. Measure each string once:",
        "  nut to wire 12   twice that is its scale_mm",
        "  nut to saddle    minus the scale, that is its set_back_mm",
        "and write both under `instruments` in settings.yaml, or try --scale-mm and",
        "--set-back-mm here.",
    ]


def mm_text(instrument: Instrument, string: int, node: Node) -> str:
    """How far a node is from the nut with its error: `144 mm`, `144 to 145 mm` where the set-back is not measured."""
    at_mm = instrument.position_mm(string, node)
    further_mm = 0.0 if instrument.measured else instrument.position_error_mm(string, node)[1]
    ends = dict.fromkeys((f"{at_mm:.0f}", f"{at_mm + further_mm:.0f}"))
    return f"{' to '.join(ends)} mm"


def aim_text(row: NodeRow) -> str:
    """What aiming at the nearest wire does: `0.9 mm past wire 14, may be dull there` where the node's error decides."""
    if row.aim is None:
        return ""
    off_mm, side = abs(row.aim.offset_mm), "past" if row.aim.offset_mm > 0 else "before"
    may = "" if aim_word(row.forgiveness, off_mm) == row.aim.word else "may be "
    return f"{off_mm:.1f} mm {side} wire {row.aim.fret}, {may}{row.aim.word} there"


def _from_wire(aim: WireAim | None) -> str:
    if aim is None:
        return "no wire"
    if abs(aim.offset_mm) < 0.05:
        return f"at {aim.fret}"
    side = "past" if aim.offset_mm > 0 else "before"
    return f"{abs(aim.offset_mm):.1f} {side} {aim.fret:<2}"
