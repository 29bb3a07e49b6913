"""What the report says of the ear: how often it agreed with the player, node by node (`coach.listen.record`)."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from coach.ground.frozen import frozen
from coach.ground.plain import counted
from coach.listen.record import Agreement, EarRecord
from coach.words.names import place_name

HEADING = "What the microphone heard, compared with your marks"
WITHHELD = "withheld"
WITHHELD_TEXT = f"{WITHHELD}: nothing is suggested there until it is right more often than wrong"
LOW_NOTES = "low notes"


@frozen
class EarFigures:
    """The ear's record at one node, or at the low notes."""

    name: str
    agreement: Agreement


def ear_figures(record: EarRecord) -> tuple[EarFigures, ...]:
    """Where something was found, missed or a false alarm, what went wrong most often first."""
    rows = [EarFigures(place_name(key) if key else LOW_NOTES, one) for key, one in record.nodes.items()]
    told = [row for row in rows if row.agreement.judged > row.agreement.clean]
    return tuple(
        sorted(
            told,
            key=lambda row: (row.agreement.agreed - row.agreement.judged, -row.agreement.found, row.name),
        )
    )


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


def cells(row: EarFigures) -> tuple[str, str, str, str, str]:
    """Agreed, found, missed, false alarms, and whether suggestions are withheld there."""
    one = row.agreement
    return (
        f"{one.agreed} of {one.judged}",
        str(one.found),
        str(one.missed),
        str(one.false_alarms),
        WITHHELD if one.withheld else "",
    )


def ear_facts(record: EarRecord) -> list[dict[str, Any]]:
    """The record as values that JSON can hold, a row a node."""
    rows = []
    for key, one in record.nodes.items():
        counts = {name: value for name, value in asdict(one).items() if name != "latest"}
        rows.append(
            {"key": key, "name": place_name(key) if key else LOW_NOTES, **counts, "withheld": one.withheld}
        )
    return rows
