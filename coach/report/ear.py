"""What the report says of the ear: how often it agreed with the player, node by node (`coach.listen.record`)."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from coach.ground.plain import counted
from coach.listen.record import Agreement, EarRecord
from coach.pages.parts import Column, Part, table_of
from coach.words.names import place_name

LOW_NOTES = "low notes"
Row = tuple[str, Agreement]
"""The ear's record at one node, or at the low notes."""
COLUMNS: tuple[Column[Row], ...] = (
    Column("", lambda row: row[0], "node"),
    Column("", lambda row: f"{row[1].agreed} of {row[1].judged}", "agreed", number=True),
    Column("", lambda row: row[1].found, "found", number=True),
    Column("", lambda row: row[1].missed, "missed", number=True),
    Column("", lambda row: row[1].false_alarms, "false alarms", number=True),
    Column("", lambda row: "withheld" if row[1].withheld else "", "suggestions"),
)


def ear_part(record: EarRecord) -> Part:
    """How far it agreed with the player; nothing where it heard nothing."""
    if not record.nodes:
        return Part("")
    withheld = "withheld: nothing is suggested there until it is right more often than wrong."
    foot = (withheld,) if record.withheld else ()
    told = (f"It {total_text(record.total)}.",)
    heading = "What the microphone heard, compared with your marks"
    return Part(heading, told, table_of(COLUMNS, ear_figures(record)), foot)


def ear_figures(record: EarRecord) -> list[Row]:
    """Where something was found, missed or a false alarm, what went wrong most often first."""
    rows = [(place_name(key) if key else LOW_NOTES, one) for key, one in record.nodes.items()]
    told = [(name, one) for name, one in rows if one.judged > one.clean]
    return sorted(told, key=lambda row: (row[1].agreed - row[1].judged, -row[1].found, row[0]))


def total_text(total: Agreement) -> str:
    """`agreed with you on 58 of 60 events; missed 1 of 9 that you marked; 1 false alarm; could not tell 12 times`."""
    marked = total.found + total.missed
    parts = [
        f"agreed with you on {total.agreed} of {counted(total.judged, 'event')}",
        f"missed {total.missed} of {marked} that you marked" if marked else "",
        counted(total.false_alarms, "false alarm"),
        f"could not tell {counted(total.unsure, 'time')}" if total.unsure else "",
    ]
    return "; ".join(part for part in parts if part)


def ear_facts(record: EarRecord) -> list[dict[str, Any]]:
    """The record as values that JSON can hold, a row a node."""
    rows = []
    for key, one in record.nodes.items():
        counts = {name: value for name, value in asdict(one).items() if name != "latest"}
        rows.append(
            {"key": key, "name": place_name(key) if key else LOW_NOTES, **counts, "withheld": one.withheld}
        )
    return rows
