"""What a session's end tells: what rang, what choked, and where the rungs stand."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from coach.ground.frozen import frozen
from coach.log.entries import Rep
from coach.rating.table import Says
from coach.session.session import Played, Session
from coach.words.amounts import clean_rate, rung_change, tempo_range
from coach.words.names import excerpt_name


@frozen
class ExcerptSummary:
    """One excerpt of a session, by its name."""

    name: str
    facts: tuple[str, ...]
    """How many repetitions were clean, at which tempos; where its rung stood and stands; how far it has come."""


@frozen
class Summary:
    """All that was practised in a session."""

    reps: int
    rate: str
    """How many of them were clean."""
    excerpts: tuple[ExcerptSummary, ...]
    rang: Mapping[str, int]
    """Node key to how often it rang."""
    choked: Mapping[str, int]
    """Node key to how often it choked."""
    minutes: float
    """From the session's start to its end."""
    playing_min: float
    """With music, count-ins left out, as a report counts."""


def summarise(session: Session, started_ms: int, ended_ms: int) -> Summary:
    """What was practised in this session, from its saved repetitions as they were last rated."""
    by_key: dict[str, list[Played]] = {}
    rang: dict[str, int] = {}
    choked: dict[str, int] = {}
    for played in session.played:
        by_key.setdefault(played.rep.excerpt, []).append(played)
        if played.rep.faults is None:
            continue
        faults = {fault.label: fault for fault in played.rep.faults}
        for event in played.task.passage.events:
            fault = faults.get(event.label)
            for number, note in enumerate(event.notes, 1):
                says = fault.result.node if fault and fault.note in (0, number) else Says.CLEAN
                if not note.node_key or says is Says.NOTHING:
                    continue
                tally = choked if says is Says.FAILED else rang
                tally[note.node_key] = tally.get(note.node_key, 0) + 1
    reps = [played.rep for played in session.played]
    return Summary(
        len(reps),
        _rate(reps),
        tuple(_summary_of(session, played) for played in by_key.values()),
        rang,
        choked,
        max(0, ended_ms - started_ms) / 60_000,
        sum(rep.duration_ms for rep in reps) / 60_000,
    )


def _rate(reps: Sequence[Rep]) -> str:
    unrated = sum(not rep.rated for rep in reps)
    return clean_rate(sum(rep.clean for rep in reps), len(reps) - unrated, unrated)


def _summary_of(session: Session, played: Sequence[Played]) -> ExcerptSummary:
    """Of one excerpt's repetitions, in order."""
    task, reps = played[0].task, [one.rep for one in played]
    rung, tempos = session.coaching.rung(task.excerpt), [rep.tempo_bpm for rep in reps]
    return ExcerptSummary(
        excerpt_name(task.excerpt, task.passage.title),
        (
            f"{_rate(reps)} at {tempo_range(min(tempos), max(tempos))}",
            rung_change(reps[0].rung_bpm, rung.bpm, session.coaching.next_rung_bpm(task.excerpt)),
            "kept" if rung.kept else "landed" if rung.landed else f"goal {rung.goal_bpm}",
        ),
    )
