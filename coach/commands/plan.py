"""`coach plan`: what today's session would be, and why each item is there. Reads log and drills, changes nothing."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import groupby
from textwrap import wrap
from typing import Any

from coach.commands.common import (
    clock,
    places_of,
    tell,
    warn,
)
from coach.commands.options import Arguments, Options
from coach.ground.plain import plain_text
from coach.learning.plan import Plan, PlanItem, told_once
from coach.music.drill import Drill
from coach.music.excerpt import Excerpt, Kind
from coach.music.passages import heading_of, passage_of
from coach.session.desk import Desk
from coach.words.amounts import duration, long_day, tempo_range
from coach.words.names import excerpt_name, placed_text
from coach.words.stretch import place_text


def configure(options: Options) -> None:
    options.log()
    options.drills()
    options.minutes()
    options.flag("--events", "list the events of each item, numbered as in an answers file")
    options.json()


def run(arguments: Arguments) -> int:
    with desk_at(arguments, tuple(arguments.drills)) as desk:
        plan = desk.plan(arguments.minutes)
        notices = desk.notices
        drills = {drill.id: drill for drill in desk.library.drills}
    warn(*map(plain_text, notices))
    tell(arguments.json, facts(plan, drills, arguments.events), lines(plan, drills, arguments.events))
    return 0


def desk_at(arguments: Arguments, names: tuple[str, ...], read_only: bool = True) -> Desk:
    """Settings, the drills that are named and the log, at the command's moment."""
    places, moment = places_of(arguments), clock(arguments.date)
    return Desk.open(places, clock=lambda: moment, player=arguments.player, names=names, read_only=read_only)


def lines(plan: Plan, drills: Mapping[str, Drill], events: bool = False) -> list[str]:
    """The plan as text: a heading, the notes, then per item when it starts, what it is and why.

    `drills` are by id. With `events` each item lists its place as an answers file names it, and its events; without,
    items on one excerpt that follow each other are one.
    """
    shown = [f"{long_day(plan.day, plan.day)} {plan.day.year}: {duration(plan.minutes)}"]
    shown += [f"Note: {note}" for note in plan.notes]
    start = 0.0
    told = zip(plan.items, told_once(plan.items), strict=True)
    alike = groupby(told, lambda row: (row[0].purpose, row[0].excerpt))
    for rows in [[row] for row in told] if events else [list(rows) for _, rows in alike]:
        items, excerpt = [item for item, _ in rows], rows[0][0].excerpt
        shown.append(f"{_clock(start)}  {items[0].purpose.value:<8} {_what(items, drills)}")
        shown += [f"{'':17}{plain_text(reason)}" for _, reason in rows if reason]
        if events and excerpt:
            shown += [f"{'':17}{line}" for line in _events(drills[excerpt.drill], excerpt)]
        start += sum(item.minutes for item in items)
    shown.append(f"{_clock(start)}  end")
    return shown


def _what(items: Sequence[PlanItem], drills: Mapping[str, Drill]) -> str:
    """The excerpt of some items with its drill, how often and how fast; for tuning and a break how long."""
    excerpt = items[0].excerpt
    if excerpt is None:
        return duration(items[0].minutes)
    drill, reps = drills[excerpt.drill], sum(item.reps for item in items)
    times = "once" if reps == 1 else f"{reps} times"
    tempos = [item.tempo_bpm for item in items]
    name = excerpt_name(excerpt, heading_of(drill, excerpt)[0])
    of = "" if excerpt.kind is Kind.PIECE else f" ({plain_text(drill.title)})"
    return f"{name}{of}, {times} at {tempo_range(min(tempos), max(tempos))}"


def _events(drill: Drill, excerpt: Excerpt) -> list[str]:
    """Where it is, `at window/bass`, and its events by label, `1 E:0  2 G:<12>+D:<12>`: some 60 columns to a line."""
    told = _event_facts(drill, excerpt)
    words = [f"{event['label']}\u00a0{event['notes']}" for event in told["events"]]
    shown = [line.replace("\u00a0", " ") for line in wrap("  ".join(words), 62)]
    return [f"at {told['at']}", *shown] if told["at"] else shown


def _clock(minutes: float) -> str:
    whole = round(60 * minutes)
    return f"{whole // 60:3}:{whole % 60:02}"


def facts(plan: Plan, drills: Mapping[str, Drill], events: bool = False) -> dict[str, Any]:
    """The plan as plain values for JSON, with `events` those of each item too; `drills` are by id."""
    return {
        "day": plan.day.isoformat(),
        "minutes": plan.minutes,
        "items": [
            _facts(item)
            | (_event_facts(drills[item.excerpt.drill], item.excerpt) if events and item.excerpt else {})
            for item in plan.items
        ],
        "notes": list(plan.notes),
    }


def _event_facts(drill: Drill, excerpt: Excerpt) -> dict[str, Any]:
    """The excerpt as an answers file names it, empty where it has no such name, and its events by label."""
    text, events = place_text(drill, excerpt), passage_of(drill, excerpt).events
    notes = [{"label": event.label, "notes": placed_text(drill.instrument, event)} for event in events]
    return {"at": text and f"{drill.id}/{text}/{excerpt.layer}", "events": notes}


def _facts(item: PlanItem) -> dict[str, Any]:
    return {
        "purpose": item.purpose.value,
        "minutes": round(item.minutes, 3),
        "excerpt": item.excerpt.key if item.excerpt else None,
        "reps": item.reps if item.excerpt else None,
        "tempo_bpm": item.tempo_bpm if item.excerpt else None,
        "reason": item.reason,
    }
