"""`coach nodes`: every node on every string, where it lies, what it sounds and how it treats the finger."""

from __future__ import annotations

import shutil
from collections.abc import Iterator, Sequence
from typing import Any

from coach.commands.common import tell
from coach.commands.instrument_options import (
    add_finger,
    add_instrument,
    add_upto,
    described,
    instrument_from,
    string_index,
)
from coach.commands.options import Arguments, Options, Within, errors_of, number
from coach.ground.digits import rounded
from coach.ground.problem import UsageError
from coach.strings import fretboard, node_table, plucked
from coach.strings.instrument import Instrument
from coach.strings.node import Node, nodes_upto

WIDEST = 160
WEAK_DB = -20.0
MARGIN_MM = 5.0
"""Beside the frets that are asked for."""


def configure(options: Options) -> None:
    add_instrument(options)
    add_upto(options)
    options.text("--string NAME", "one string only, by name or number")
    options.text("--frets LOW-HIGH", "only from one fret to another, as in 0-7", type=_frets)
    options.number(
        "--pluck-mm MM", Within(unit="mm"), "plucking point, from the bridge (default: 0.09 of the scale)"
    )
    options.number(
        "--pickup-mm MM", Within(unit="mm"), "pickup, from the bridge (default: 0.07 of the scale)"
    )
    add_finger(options)
    options.flag("--left-handed", "draw the nut on the right")
    options.json()
    options.folder()


def run(arguments: Arguments) -> int:
    """Print the fretboard and the tables, or JSON."""
    instrument = instrument_from(arguments)
    strings = None
    if arguments.string is not None:
        strings = [string_index(instrument, arguments.string, "--string")]
    pluck_mm = _point(arguments.pluck_mm, "--pluck-mm", plucked.PLUCK_SHARE, instrument)
    pickup_mm = _point(arguments.pickup_mm, "--pickup-mm", plucked.PICKUP_SHARE, instrument)
    low, high = arguments.frets or (0.0, float("inf"))
    nodes = tuple(node for node in nodes_upto(arguments.upto) if low <= float(node.label) <= high)
    with errors_of("--finger-mm"):
        rows = node_table.node_rows(instrument, nodes, strings, pluck_mm, pickup_mm, arguments.finger_mm)
    if not rows and not arguments.json:
        raise UsageError(
            f"no node up to partial {arguments.upto} is between frets {low:g} and {high:g}",
            "--frets",
            guess="a higher --upto finds more",
        )
    facts = rounded([_json_row(instrument, row, pluck_mm, pickup_mm) for row in rows])
    tell(arguments.json, facts, _lines(instrument, rows, arguments, (pluck_mm, pickup_mm)))
    return 0


def _lines(
    instrument: Instrument,
    rows: Sequence[node_table.NodeRow],
    arguments: Arguments,
    hand_mm: tuple[float, float],
) -> Iterator[str]:
    pluck_mm, pickup_mm = hand_mm
    width = min(shutil.get_terminal_size().columns, WIDEST)
    nodes = tuple(dict.fromkeys(row.node for row in rows))
    window_mm = None
    if arguments.frets is not None:
        low, high = arguments.frets
        first_mm = min(instrument.fret_mm(0, low), instrument.position_mm(0, nodes[0]))
        last_mm = max(instrument.fret_mm(0, high), instrument.position_mm(0, nodes[-1])) + MARGIN_MM
        window_mm = max(0.0, first_mm - MARGIN_MM), min(instrument.longest_mm, last_mm)
    yield from (f"Nodes up to partial {arguments.upto}: {described(instrument)}", "")
    marks = fretboard.partial_marks((row.string, row.node) for row in rows)
    width = max(width, fretboard.NARROWEST)
    yield from fretboard.fretboard_lines(instrument, marks, width, window_mm, arguments.left_handed)
    column_mm = fretboard.column_mm(instrument, width, window_mm)
    wires = "┼ fret wires, " if instrument.fretted else ""
    yield from (f"To scale, about {column_mm:.0f} mm a column. Digits are partials, {wires}╫ the nut.", "")
    one_string = [row for row in rows if row.string == rows[0].string]
    yield f"Where to touch the {instrument.string_label(one_string[0].string)} string:"
    yield from node_table.place_lines(one_string, instrument.fretted)
    yield from (*node_table.measure_lines(instrument), *node_table.touch_lines(one_string))
    yield "level: loudness against the open string in dB(A); 10 less sounds half as loud."
    yield f"Computed for plucking {pluck_mm:.0f} mm and a pickup {pickup_mm:.0f} mm from the bridge."
    yield from _weak_lines(instrument, nodes, pluck_mm, pickup_mm)
    yield from ("", "What sounds, with cents against equal temperament:")
    yield from node_table.sounding_lines(instrument, rows)


def _weak_lines(
    instrument: Instrument, nodes: Sequence[Node], pluck_mm: float, pickup_mm: float
) -> Iterator[str]:
    """A line of advice for each partial that the plucking point or the pickup nearly silences."""
    for partial in sorted({node.partial for node in nodes}):
        for what, at_mm, way_out in (
            ("plucked", pluck_mm, "pluck nearer to {:.0f} mm"),
            ("picked up", pickup_mm, "best near {:.0f} mm"),
        ):
            if plucked.level_of(plucked.place_weight(partial, at_mm, instrument.longest_mm)) <= WEAK_DB:
                best_mm = plucked.best_plucking_point_mm(partial, instrument.longest_mm)
                near = f"faint {what} at {at_mm:.0f} mm, near its own node"
                yield f"Partial {partial} is {near}: {way_out.format(best_mm)}."


def _point(given_mm: float | None, option: str, share: float, instrument: Instrument) -> float:
    """A point on the string in mm from the bridge."""
    at_mm = share * instrument.longest_mm if given_mm is None else given_mm
    with errors_of(option):
        plucked.place_weight(1, at_mm, instrument.longest_mm)
    return at_mm


def _frets(text: str) -> tuple[float, float]:
    """The part of the string that is asked for, in frets."""
    low, dash, high = text.partition("-")
    if not dash:
        raise UsageError(f"'{text}' is not a part of a string; write two frets, as in 0-7", "--frets")
    span = number(low, "--frets"), number(high, "--frets")
    if not 0.0 <= span[0] < span[1] <= 60.0:
        raise UsageError(f"{text}: the first fret is below the second, both 0 to 60", "--frets")
    return span


def _json_row(
    instrument: Instrument, row: node_table.NodeRow, pluck_mm: float, pickup_mm: float
) -> dict[str, Any]:
    partial, scale_mm = row.node.partial, instrument.length_mm(row.string)
    aim = row.aim
    return {
        "string": instrument.string_at(row.string).name,
        "string_number": row.string + 1,
        "node": row.node.key,
        "partial": partial,
        "fret": float(row.node.label),
        "fret_exact": row.node.fret,
        "position_mm": row.position_mm,
        "error_mm": row.error_mm,
        "note": row.note,
        "offset_cents": round(row.offset_cents, 6),
        "hz": row.hz,
        "wire": None
        if aim is None
        else {"fret": aim.fret, "offset_mm": aim.offset_mm, "aiming_there": aim.word},
        "touch": {
            "clear_mm": row.forgiveness.clear_mm,
            "dead_mm": row.forgiveness.dead_mm,
            "seconds": row.touch_s,
            "lifted_early": row.hasty,
        },
        "excitation": plucked.place_weight(partial, pluck_mm, scale_mm),
        "pickup": plucked.place_weight(partial, pickup_mm, scale_mm),
        "level_db": round(row.level_db),
    }
