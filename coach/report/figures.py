"""The figures behind a report: what the log adds up to and what the estimate reads from it, ready to print or draw.

Conventions: days are practice days, minutes count count-ins and repetitions only. What an excerpt, a node or a move is
expected to be comes from `coach.learning.readings`; the tempo over days is each day's fastest clean repetition.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import field
from datetime import date, timedelta

from coach.ground.frozen import frozen
from coach.ground.plain import json_text, plain_text
from coach.learning.learning import Learnt, learnt_of
from coach.learning.material import Material, material_of
from coach.learning.readings import CleanTempo, Place, Standing, places, standing, to_be_tested
from coach.listen.record import RECORD, EarRecord
from coach.log.entries import Entry
from coach.log.log import Log
from coach.music.drill import Drill
from coach.music.excerpt import Excerpt, Kind
from coach.rating.counts import Counts
from coach.report.sums import Row, Sum, added, by_day, marked_at_places, passage_in, sums_of
from coach.report.task import Task, open_tasks
from coach.words.names import excerpt_name, logged_name, place_name

SHOWN_DAYS = 90
"""How far back a report looks where nothing else is asked for."""
FEW = 3
"""Fewer results say too little."""
BEYOND = 1.1
"""A clean tempo more than this far above every clean repetition is a guess."""
WHOLE = (Kind.PHRASE, Kind.JOIN, Kind.SECTION, Kind.PIECE)


@frozen
class ExcerptFigures:
    """A phrase, join or piece in one layer."""

    name: str
    drill_title: str
    standing: Standing
    days: Mapping[date, Sum]
    """Since the report's first day, those on which it was practised."""

    @property
    def total(self) -> Sum:
        return added(self.days.values())

    @property
    def curve(self) -> list[tuple[date, int]]:
        """The fastest clean repetition of each day that has one, in bpm."""
        return [(day, row.fastest_bpm) for day, row in self.days.items() if row.fastest_bpm]

    @property
    def known(self) -> bool:
        """Whether enough was rated for the clean tempo to be told."""
        return self.standing.reps >= FEW

    @property
    def tempo(self) -> CleanTempo | None:
        """The clean tempo, where it can be told."""
        return self.standing.tempo if self.known else None

    @property
    def beyond(self) -> bool:
        """Whether the clean tempo lies well above anything played, so that only a lower bound can be told."""
        fastest = self.total.fastest_bpm
        return 0 < BEYOND * fastest < self.standing.tempo.bpm


@frozen
class PlaceFigures:
    """A node or a move in one drill."""

    name: str
    drill: str
    """The drill's id."""
    place: Place
    marked: Counts
    """Against it, since the report's first day."""

    @property
    def known(self) -> bool:
        return self.place.of >= FEW

    @property
    def tempo(self) -> CleanTempo | None:
        """The clean tempo, where it can be told."""
        return self.place.tempo if self.known else None

    @property
    def weak(self) -> bool:
        """Whether it failed of late."""
        return self.known and self.place.failed > 0


@frozen
class Cold:
    """Cold repetitions of whole phrases and pieces that were expected to be clean about as often."""

    expected: float
    """The mean of their chances."""
    clean: int
    count: int


@frozen
class Report:
    """One player's progress up to a practice day."""

    player: str
    day: date
    since: date
    drill: str
    """Title of the one drill that it is about; empty for all."""
    days: Mapping[date, Sum]
    excerpts: tuple[ExcerptFigures, ...]
    """Practised since the first day, the latest practised first."""
    missing: tuple[str, ...]
    """Practised too, but the drills at hand don't have them."""
    nodes: tuple[PlaceFigures, ...]
    """All that were ever practised, the likeliest to fail first."""
    moves: tuple[PlaceFigures, ...]
    tests: tuple[tuple[str, date], ...]
    """Landed phrases whose cold test, which shows whether they are kept, lies within a week; the first first."""
    cold: tuple[Cold, ...]
    """Of all drills, by what was expected; empty in a report of one."""
    tasks: tuple[Task, ...] = ()
    """Open assignments, the first due first."""
    hurts: tuple[date, ...] = ()
    """The days on which a session was stopped because something hurt."""
    notes: tuple[tuple[date, str], ...] = ()
    """The player's own words, by day, the oldest first."""
    ear: EarRecord = field(default_factory=EarRecord)
    """What the microphone heard beside what the player said, of all days and drills; empty in a report of one."""

    @property
    def total(self) -> Sum:
        return added(self.days.values())

    @property
    def marked(self) -> Counts:
        """How often each result and cause was marked since the first day."""
        return self.total.marked


def make_report(
    log: Log, day: date, since: date | None = None, drill: str = "", drills: Sequence[Drill] = ()
) -> Report:
    """The report of the log's player on a practice day.

    `drill` is the id of the one drill that it is about; `drills` are those at hand.
    """
    since = since or day - timedelta(days=SHOWN_DAYS - 1)
    learnt, sums = learnt_of(log, day), sums_of(log, day)
    material = material_of([one for one in drills if drill in ("", one.id)])
    rows = list(sums.rows(since, day, drill))
    excerpts, missing = _excerpts(learnt, material, sums.by_excerpt(rows), day)
    marked = {one.id: marked_at_places(log, sums, sums.rows(since, day, one.id)) for one in material.drills}
    ranked = list(_places(learnt, material, day, marked))
    ranked.sort(key=lambda one: (one.place.chance, one.name))
    known = material.drill(drill)
    return Report(
        log.player.name,
        day,
        since,
        plain_text(known.title if known else drill),
        by_day(rows),
        excerpts,
        tuple(logged_name(one.excerpt, one.title) for one in (passage_in(log, sums, key) for key in missing)),
        tuple(one for one in ranked if one.place.key.startswith("n:")),
        tuple(one for one in ranked if one.place.key.startswith("m:")),
        tuple((name_in(material, one), on) for one, on in to_be_tested(learnt, material, day)),
        () if drill else cold_record(learnt),
        open_tasks(learnt, material, day),
        _hurts(log, since, day),
        _notes(log, since, day),
        EarRecord() if drill else log.state(RECORD, day),
    )


def name_in(material: Material, excerpt: Excerpt) -> str:
    """An excerpt of the drills at hand as players call it."""
    part = material.part(excerpt)
    return excerpt_name(excerpt, part.passage.title if part else "")


def cold_record(learnt: Learnt) -> tuple[Cold, ...]:
    """How the cold repetitions came out, by tenths of the chance that was expected."""
    return tuple(
        Cold(chances / count, int(clean), int(count)) for count, chances, clean in learnt.cold if count
    )


def _excerpts(
    learnt: Learnt, material: Material, rows: Mapping[str, list[Row]], day: date
) -> tuple[tuple[ExcerptFigures, ...], list[str]]:
    """What was practised of whole phrases, joins and pieces; and passages of those that no drill at hand has."""
    figures, missing = [], []
    for key, of_key in rows.items():
        excerpt = Excerpt.parse(key)
        if excerpt.kind not in WHOLE:
            continue
        stands, drill = standing(learnt, material, excerpt, day), material.drill(excerpt.drill)
        if stands is None or drill is None:
            missing.append(of_key[-1][1])
        else:
            name, title = name_in(material, excerpt), plain_text(drill.title)
            figures.append(ExcerptFigures(name, title, stands, by_day(of_key)))
    figures.sort(key=lambda one: (-max(one.days).toordinal(), one.standing.excerpt.key))
    return tuple(figures), missing


def _places(
    learnt: Learnt, material: Material, day: date, marked: Mapping[str, Mapping[str, Counts]]
) -> Iterable[PlaceFigures]:
    known = [(drill, places(learnt, material, drill, day)) for drill in material.drills]
    several = sum(bool(by_key) for _, by_key in known) > 1
    for drill, by_key in known:
        for key, place in by_key.items():
            name = place_name(key[2:]) + (f", {plain_text(drill.title)}" if several else "")
            yield PlaceFigures(name, drill.id, place, marked[drill.id].get(key, {}))


def _hurts(log: Log, since: date, day: date) -> tuple[date, ...]:
    days = {entry.day for entry in log.entries("hurt")}
    return tuple(sorted(one for one in days if since <= one <= day))


def _notes(log: Log, since: date, day: date) -> tuple[tuple[date, str], ...]:
    rows = [(entry.day, entry.at_ms, plain_text(note_text(entry))) for entry in log.entries("note")]
    return tuple((one, text) for one, _, text in sorted(rows) if since <= one <= day)


def note_text(entry: Entry) -> str:
    """The words of an entry of kind `note`; its body as it is where a program wrote another kind of body."""
    return str(entry.body.get("text", json_text(entry.body)))
