"""Today's plan: the player's minutes, spent where they do most.

Order: tuning check; warm-up on what is not due; cold repetitions that are due; new material, where the load allows;
turns on weak nodes, moves and phrases, interleaved; a break where the session is long; the piece. Every item says why.
Once something was practised on a day, its later plans begin without tuning and warm-up.

One drill at a time: new phrases come from the drills already begun, in order, and a further one is opened only when all
their phrases are begun and few are unsettled, or when it is assigned. After a day that ended because it hurt, the
minutes are halved for three days, and nothing is tried above its rung.

How turns are chosen stands in `turns.py`. The same inputs give the same plan.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta

from coach.learning.candidates import urgency
from coach.learning.due import ColdRep, cold_queue, serve
from coach.learning.evidence import EXCERPT
from coach.learning.ladder import Ladder
from coach.learning.memory import Memory
from coach.learning.plan import Plan, PlanItem, Purpose
from coach.learning.repertoire import (
    BETWEEN_TURNS_S,
    Part,
    Repertoire,
    repertoire_of,
    title_of,
)
from coach.learning.standing import Standing, open_assignment, said_of_assignment
from coach.learning.turns import Spent, assigned_share, turns
from coach.music.drill import Drill, Phrase
from coach.music.excerpt import Excerpt
from coach.words.amounts import duration, long_day, short_day, weekday
from coach.words.names import assigned_by, capital, goal_text, teachers_note

COLD_SHARE = 0.35
"""Largest part of the minutes for cold repetitions."""
WARM_UP_SHARE = 0.06
BUSY_SHARE = 0.25
"""Cold repetitions beyond this part of the minutes leave no room for new material."""
MINUTES_A_PHRASE = 4.0
"""A day's minutes that one unsettled phrase needs; with fewer, no new one is begun."""
MINUTES_TO_BEGIN, MINUTES_TO_BEGIN_FIRST = 10.0, 7.0
"""One new phrase is begun per so many minutes of a day, and of the very first day."""
MINUTES_A_PHRASE_LEFT = 10.0
"""A further drill is opened when at most one phrase is unsettled per so many minutes of a day."""
HURT_DAYS = 3
"""Days after one that ended because it hurt on which the plan is shorter."""
PAST_DUE_DAYS = 14
"""Days on which a past due date is told."""
PIECE_SHARE = 0.15
BREAK_EVERY_MIN = 30.0
BREAK_FROM_MIN = 25.0
BREAK_MIN = 5.0
ABOVE_HABIT = 1.75
ABOVE_HABIT_MIN = 15.0
NO_LOAD_MIN = 30.0
"""Minutes a day that nobody is warned of, whatever the week's habit."""


@dataclass(frozen=True)
class History:
    """What the plan needs of the past beside memories and ladders."""

    minutes: Mapping[date, float] = field(default_factory=dict)
    """Minutes practised on recent days, today's earlier sessions included."""
    set_aside: frozenset[str] = frozenset()
    """Ids of drills that the player has set aside."""
    hurt_days: frozenset[date] = frozenset()
    """Days on which a session was ended because something hurt."""


def make_plan(
    day: date,
    minutes: float,
    drills: Sequence[Drill],
    memories: Mapping[str, Memory],
    ladders: Mapping[str, Ladder],
    history: History | None = None,
    repertoire: Repertoire | None = None,
) -> Plan:
    """The plan for a practice day.

    `drills` in the order in which new ones are to be met; `ladders` by excerpt key, `memories` by evidence key.
    `repertoire` may be given where many plans are made for the same drills. ValueError unless minutes are above 0.
    """
    if not minutes > 0:
        raise ValueError(f"{minutes:g} minutes is not above 0")
    history = history or History()
    kept = [drill for drill in drills if drill.id not in history.set_aside]
    whole = repertoire if repertoire and list(repertoire.drills) == kept else repertoire_of(kept)
    standing = Standing(day, whole, memories, ladders)
    return _Making(standing, minutes, history).plan()


@dataclass
class _Making:
    """A plan in the making: the seconds left and the items so far."""

    standing: Standing
    minutes: float
    history: History
    items: list[PlanItem] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    def plan(self) -> Plan:
        standing = self.standing
        hurt = self._tell_hurt()
        breaks = max(0, math.ceil((self.minutes - 35) / 35))
        budget = 60 * (self.minutes - breaks * BREAK_MIN)
        self._tell_assignments()
        self._tell_habit()
        practised = self.history.minutes.get(standing.day, 0.0)
        if practised > 0:
            self.notes.append(f"Practised today already: {duration(practised)}.")
        spent = 0.0 if practised > 0 else self._tune()
        queue = cold_queue(standing)
        due_excerpts = {rep.excerpt for rep in queue}
        due_keys = {key for rep in queue for key in rep.keys}
        if not practised:
            spent += self._warm_up(due_excerpts, due_keys, budget)
        work = Spent()
        cold, left, used = self._cold(queue, budget - spent, work)
        spent += used
        self.items += cold
        if left:
            last = max(item.due for item in left if item.due)
            self.notes.append(
                f"More is due than fits: {len(left)} of {len(left) + len(cold)} cold repetitions wait. With"
                f" {self.minutes:g} minutes a day each comes by {long_day(last, standing.day)} at the latest."
            )
        pieces = self._piece(budget - spent)
        for item in pieces:
            spent += item.minutes * 60
            work.add(item.minutes * 60, self._is_assigned(item.excerpt))
        busy = bool(left) or used > BUSY_SHARE * budget
        new = self._new_phrases(busy)
        begun = [place for place in standing.phrases() if standing.begun(*place)]
        # Behind what failed, new material would rarely have a turn: something fails cold on most days.
        new_first = 2 * sum(self._failed(*place) for place in begun) <= len(begun)
        self.items += turns(standing, new, budget - spent, new_first, work, tries=not hurt)
        self.items += pieces
        self._breaks(breaks)
        if standing.repertoire.drills and not any(item.excerpt for item in self.items):
            self.notes.append(
                f"{self.minutes:g} minutes is too short for a turn: plan more, or split long phrases in the drill."
            )
        return Plan(standing.day, self.minutes, tuple(self.items), tuple(self.notes), tuple(left))

    def _tell_hurt(self) -> bool:
        """Half the minutes, and a note that comes first, within some days of a session that ended because it hurt."""
        day = self.standing.day
        since = min(
            (back for back in range(HURT_DAYS + 1) if day - timedelta(days=back) in self.history.hurt_days),
            default=None,
        )
        if since is None:
            return False
        meant, self.minutes = self.minutes, self.minutes / 2
        when = "Earlier today" if since == 0 else f"On {weekday(day - timedelta(days=since))}"
        self.notes.append(
            f"{when} you stopped because it hurt. If it still does, rest, and see a clinician before you play on."
            f" Today's plan is half as long: {duration(self.minutes)} instead of {duration(meant)}."
        )
        return True

    def _tell_assignments(self) -> None:
        day = self.standing.day
        for drill in self.standing.repertoire.drills:
            given = drill.assignment
            if given is None:
                continue
            if open_assignment(drill, day):
                note = f": {teachers_note(drill)}" if teachers_note(drill) else ""
                words = f"{capital(assigned_by(given))}: {drill.title}, {goal_text(drill, day)}{note}"
                self.notes.append(words if words.endswith((".", "!", "?")) else f"{words}.")
            elif given.due and (day - given.due).days <= PAST_DUE_DAYS:
                self.notes.append(
                    f"The due date of {drill.title} was {short_day(given.due, day)}: it is practised like any"
                    " other drill now."
                )

    def _is_assigned(self, excerpt: Excerpt | None) -> bool:
        drill = self.standing.repertoire.drill(excerpt.drill) if excerpt else None
        return drill is not None and open_assignment(drill, self.standing.day) is not None

    def _cold(
        self, queue: list[ColdRep], seconds: float, work: Spent
    ) -> tuple[list[PlanItem], list[PlanItem], float]:
        """Cold items, those left over, and the seconds used: assigned ones first, the others within their share."""
        standing, share = self.standing, assigned_share(self.standing)
        room = min(COLD_SHARE * seconds, seconds)
        if not share:
            cold, left, used = serve(standing, queue, room)
            work.add(used, False)
            return cold, left, used
        cold, left, total = [], [], 0.0
        for assigned, part in ((True, share), (False, 1 - share)):
            chosen = [rep for rep in queue if self._is_assigned(rep.excerpt) is assigned]
            items, waiting, used = serve(standing, chosen, part * room)
            cold, left, total = [*cold, *items], [*left, *waiting], total + used
            work.add(used, assigned)
        return cold, left, total

    def _tell_habit(self) -> None:
        day = self.standing.day
        week = [self.history.minutes.get(day - timedelta(days=back), 0.0) for back in range(1, 8)]
        practised = [minutes for minutes in week if minutes > 0]
        today = self.history.minutes.get(day, 0.0) + self.minutes
        if not practised:
            return
        habit = sum(practised) / len(practised)
        usual = f"about {habit:.0f}" if habit >= 1 else "under 1"
        if today > max(ABOVE_HABIT * habit, habit + ABOVE_HABIT_MIN, NO_LOAD_MIN):
            self.notes.append(
                f"{today:.0f} minutes today is far above this week's habit of {usual} a day: hands get hurt"
                " by sudden load. Take the breaks, and stop when anything hurts."
            )

    def _tune(self) -> float:
        minutes = min(1.0, self.minutes / 10)
        reason = "Strings in tune first: a node of a flat string rings flat and teaches the ear wrong."
        self.items.append(PlanItem(Purpose.TUNE, minutes, reason))
        return minutes * 60

    def _warm_up(self, due: set[Excerpt], due_keys: set[str], budget: float) -> float:
        """The surest thing that shares no due node or move, at four fifths of its rung; nothing that failed cold."""
        standing = self.standing
        best: tuple[bool, float, str, Part] | None = None
        for drill, phrase in standing.phrases():
            if not standing.begun(drill, phrase):
                continue
            for part in standing.repertoire.parts(drill, phrase):
                free = part.excerpt not in due and not due_keys & set(part.keys)
                memory = standing.memories.get(EXCERPT + part.excerpt.key)
                if free and standing.started(part.excerpt) and memory and memory.cold_run > 0:
                    reached = standing.reached(part.excerpt)
                    candidate = (standing.secure(part.excerpt), reached, part.excerpt.key, part)
                    if best is None or candidate[:3] > best[:3]:
                        best = candidate
        if best is None:
            return 0.0
        secure, *_, part = best
        excerpt = part.excerpt
        tempo = max(20, round(0.8 * standing.rung(excerpt)))
        rep_s = standing.repertoire.rep_s(excerpt, tempo)
        reps = int((min(180.0, WARM_UP_SHARE * budget) - BETWEEN_TURNS_S) // rep_s)
        if reps < 1:
            return 0.0
        seconds = reps * rep_s + BETWEEN_TURNS_S
        title = title_of(standing.repertoire, excerpt)
        sure = "secure and not due" if secure else "the surest you have that is not due"
        reason = f"{title}: {sure}, slower than its rung, to warm the hands."
        reason = said_of_assignment(reason, open_assignment(part.drill, standing.day), standing.day)
        reason = capital(reason)
        self.items.append(PlanItem(Purpose.WARM_UP, seconds / 60, reason, excerpt, reps, tempo))
        return seconds

    def _piece(self, seconds: float) -> list[PlanItem]:
        """A run of the whole piece at the end, of the drill that waited longest for one."""
        standing = self.standing
        ready = [
            (-urgency(drill, standing.day), self._last_day(piece), drill.id, piece)
            for drill in standing.repertoire.drills
            if (piece := standing.piece(drill))
        ]
        if not ready:
            return []
        *_, piece = min(ready, key=lambda entry: entry[:3])
        drill = standing.repertoire.drill(piece.drill)
        assert drill is not None
        slowest = min(
            standing.rung(standing.repertoire.parts(drill, drill.phrase(phrase))[-1].excerpt)
            for phrase in piece.phrases
        )
        tempo = min(standing.rung(piece, slowest), slowest)
        rep_s = standing.repertoire.rep_s(piece, tempo)
        reps = int(min(2, (seconds - BETWEEN_TURNS_S) // rep_s, max(1, PIECE_SHARE * seconds // rep_s)))
        if reps < 1 or rep_s + BETWEEN_TURNS_S > 0.5 * seconds:
            return []
        reason = (
            f"{drill.title} from start to end, no faster than its slowest phrase: what was practised in parts must"
            " hold together."
        )
        reason = said_of_assignment(reason, open_assignment(drill, standing.day), standing.day)
        return [PlanItem(Purpose.PIECE, (reps * rep_s + BETWEEN_TURNS_S) / 60, reason, piece, reps, tempo)]

    def _last_day(self, excerpt: Excerpt) -> date:
        memory = self.standing.memories.get(EXCERPT + excerpt.key)
        return memory.last_day if memory else date.min

    def _new_phrases(self, busy: bool) -> list[tuple[Drill, Phrase]]:
        """Phrases to begin today: few open at a time, one drill after the other, and none while much is due.

        An assignment goes before, and whatever the load when its days run out: its phrases left must start in time.
        """
        standing = self.standing
        begun = [place for place in standing.phrases() if standing.begun(*place)]
        unsettled = sum(not standing.solid(*place) for place in begun if standing.repertoire.parts(*place))
        room = 0 if busy else max(0, round(1 + self.minutes / MINUTES_A_PHRASE) - unsettled)
        open_drills = self._open_drills(begun, unsettled)
        fresh: list[tuple[float, int, Drill, Phrase]] = []
        pressing = False
        for order, (drill, phrase) in enumerate(standing.phrases()):
            if drill.id not in open_drills or standing.begun(drill, phrase):
                continue
            given = open_assignment(drill, standing.day)
            due = given.due if given else None
            waiting = sum(not standing.begun(drill, other) for other in drill.phrases)
            pressing |= due is not None and (due - standing.day).days <= 4 * waiting
            fresh.append((-urgency(drill, standing.day), order, drill, phrase))
        fresh.sort(key=lambda entry: entry[:2])
        failed = sum(self._failed(*place) for place in begun)
        each = MINUTES_TO_BEGIN if begun else MINUTES_TO_BEGIN_FIRST
        most = max(1, round(self.minutes / each) - failed)
        # The very first one, and an assignment's, whatever the load.
        today = min(max(room, int(pressing or not begun)), most)
        ordered = ((drill, phrase) for *_, drill, phrase in fresh if standing.repertoire.parts(drill, phrase))
        return list(itertools.islice(ordered, today))

    def _open_drills(self, begun: Sequence[tuple[Drill, Phrase]], unsettled: int) -> set[str]:
        """Drills that new phrases may come from: assigned ones, and those begun; else the next, where load allows."""
        standing = self.standing
        drills = [
            drill
            for drill in standing.repertoire.drills
            if any(standing.repertoire.parts(drill, phrase) for phrase in drill.phrases)
        ]
        known = {drill.id for drill, _ in begun}
        assigned = {drill.id for drill in drills if open_assignment(drill, standing.day)}
        waiting = {
            drill.id
            for drill in drills
            for phrase in drill.phrases
            if standing.repertoire.parts(drill, phrase) and not standing.begun(drill, phrase)
        }
        if assigned & waiting:
            return assigned
        further = next((drill.id for drill in drills if drill.id not in known | assigned), None)
        few = unsettled <= self.minutes / MINUTES_A_PHRASE_LEFT
        if further is None or known & waiting or assigned or not few:
            return known | assigned
        return known | {further}

    def _failed(self, drill: Drill, phrase: Phrase) -> bool:
        """Whether the phrase was not clean the last time it was tested cold."""
        memory = self.standing.memories.get(EXCERPT + self.standing.top(drill, phrase).excerpt.key)
        return memory is not None and memory.cold_run < 0

    def _breaks(self, count: int) -> None:
        """Breaks where the running time passes 25 minutes, before it passes 30."""
        if not count:
            return
        items: list[PlanItem] = []
        running = 0.0
        for item in self.items:
            crossing = running + item.minutes > BREAK_EVERY_MIN or running >= BREAK_FROM_MIN
            if count and running and crossing:
                reason = "Half an hour is enough for hands and ears: stand up, let the arms hang."
                items.append(PlanItem(Purpose.BREAK, BREAK_MIN, reason))
                running, count = 0.0, count - 1
            items.append(item)
            running += item.minutes
        self.items = items
