"""What a session's end shows: what rang, what choked, and where the rungs stand."""

from __future__ import annotations

from collections.abc import Mapping

from coach.ground.frozen import frozen
from coach.rating.table import Says
from coach.session.session import Played, Session


@frozen
class ExcerptSummary:
    """One excerpt of a session: its repetitions, where its rung stood and stands, and how far it has come."""

    title: str
    key: str
    reps: int
    clean: int
    unrated: int
    played_bpm: tuple[int, int]
    """The slowest and the fastest tempo that was played."""
    from_bpm: int
    to_bpm: int
    next_bpm: int
    """The rung before, where its own repetitions left it, and where the next plan takes it up."""
    goal_bpm: int
    landed: bool
    kept: bool


@frozen
class Summary:
    """All that was practised in a session."""

    excerpts: tuple[ExcerptSummary, ...]
    rang: Mapping[str, int]
    """Node key to how often it rang."""
    choked: Mapping[str, int]
    """Node key to how often it choked."""
    minutes: float
    """From the session's start to its end."""
    playing_min: float
    """With music, count-ins left out, as a report counts."""

    @property
    def totals(self) -> tuple[int, int, int]:
        """Repetitions of all excerpts together: how many, clean, unrated."""
        return (
            sum(line.reps for line in self.excerpts),
            sum(line.clean for line in self.excerpts),
            sum(line.unrated for line in self.excerpts),
        )


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
    excerpts = tuple(_summary_of(session, played) for played in by_key.values())
    playing_ms = sum(played.rep.duration_ms for played in session.played)
    return Summary(excerpts, rang, choked, max(0, ended_ms - started_ms) / 60_000, playing_ms / 60_000)


def _summary_of(session: Session, played: list[Played]) -> ExcerptSummary:
    """Of one excerpt's repetitions, in order."""
    first, reps = played[0].task, [one.rep for one in played]
    rung = session.coaching.rung(first.excerpt)
    return ExcerptSummary(
        title=first.passage.title,
        key=first.excerpt.key,
        reps=len(reps),
        clean=sum(rep.clean for rep in reps),
        unrated=sum(not rep.rated for rep in reps),
        played_bpm=(min(rep.tempo_bpm for rep in reps), max(rep.tempo_bpm for rep in reps)),
        from_bpm=reps[0].rung_bpm,
        to_bpm=rung.bpm,
        next_bpm=session.coaching.next_rung_bpm(first.excerpt),
        goal_bpm=rung.goal_bpm,
        landed=rung.landed,
        kept=rung.kept,
    )
