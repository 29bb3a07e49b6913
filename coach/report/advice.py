"""What a student needs next on a drill, why, and how urgent it is: a table of rules over the reply's estimates.

Each rule is a plain threshold, stated below, for the teacher to overrule; what it says names its evidence and how sure
it is. All that fit are told, in the order of `KINDS`: the first is the advice. A reply tells of the days up to its own:
silence is never taken for idleness, and absence never hides what fails.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from statistics import median

from coach.ground.frozen import frozen
from coach.ground.plain import counted, listed
from coach.rating.counts import commonest_cause, results_text
from coach.rating.table import Cause
from coach.report.reply import DrillReply, PlaceReply
from coach.report.work import AWAY_DAYS, Work
from coach.words.amounts import percent, short_day, tempo, tempo_range
from coach.words.names import place_name

RESULTS_FROM, FAILED_FROM = 10, 4
"""Results of the last four weeks, and failures among them, from which a node, a move or held notes are judged.

A node or a move with so many failures among its last eight results is judged from fewer.
"""
FAILS_FROM, FAILS_ABOVE = 0.15, 0.1
"""Part of them that failed from which a place is named; and so far it must lie above the student's median place."""
OVERCOME = 0.75
"""Chance of being clean at the goal, cold, from which a place that failed often is taken for overcome."""
PLACES_FROM = 3
"""Places from which a student has a usual one."""
CAUSE_FROM = 0.2
"""Part of the failures for which the player gave the same cause, from which it is told."""
HELD_FROM = 0.12
MARKS_FROM, HARDLY = 40, 0.03
"""Rated repetitions from which fewer marks than that part are hardly any: a rung is where two of five fail."""
DAYS_A_WEEK, DAYS_SEEN = 2.0, 7
"""Practice days a week below which there is too little practice, once so many days are known."""
COLD_FROM, COLD_LOW = 6, 0.3
READY = 0.7
CLOSE = 0.9
ENTERED_FROM = 0.5


@frozen
class Need:
    """Something that a student needs."""

    kind: str
    """A key of `KINDS`."""
    what: str
    """What to assign or do next."""
    why: str
    """The evidence, and what is not known."""
    subject: str = ""
    """The key of the node or the move that it is about."""
    brief: str = ""
    """The evidence in a few words, where `why` takes many."""

    @property
    def in_short(self) -> str:
        """What, and the evidence in a few words."""
        return f"{self.what}: {self.brief or self.why}"

    @property
    def urgent(self) -> bool:
        return KINDS[self.kind][1]

    @property
    def word(self) -> str:
        """The kind as people call it."""
        return KINDS[self.kind][0]


KINDS: dict[str, tuple[str, bool]] = {
    "version": ("another version", True),
    "rating": ("hear it", True),
    "practice": ("too little practice", True),
    "node": ("a node", True),
    "held": ("held notes", True),
    "move": ("a move", True),
    "silent": ("silent", True),
    "date": ("the date", True),
    "cold": ("not yet kept", False),
    "layer": ("a layer", False),
    "unknown": ("too little to say", False),
    "done": ("the next drill", False),
    "well": ("under way", False),
}
"""Kind of need to its word, and whether it belongs on the first page; the most urgent first."""
ORDER = {kind: at for at, kind in enumerate(KINDS)}


def needs(work: Work) -> list[Need]:
    """All that a student needs on a drill, the most urgent first; never empty."""
    found = [need for rule in RULES for need in rule(work)]
    found += [need for rule in RULES_OF_REPLY for need in rule(work, work.drill)] if work.drill else []
    return sorted(found, key=lambda need: ORDER[need.kind]) or [_going_well(work)]


def _silent(work: Work) -> Iterator[Need]:
    if work.silent:
        yield Need("silent", "ask how it goes", work.news)


def _version(work: Work, drill: DrillReply) -> Iterator[Need]:
    """Phrases that are not as they were handed out."""
    if work.practised is None or not work.practised.phrases:
        return
    own = {phrase.phrase: phrase for phrase in drill.phrases}
    names = work.practised.phrases
    gone = [] if work.practised.parts else [one for one in names if one not in own]
    changed = [one for one in names if one in own and own[one].revision != names[one]]
    if not gone and not changed:
        return
    told = [f"not as you handed it out: {listed([own[one].name for one in changed], 3)}"] if changed else []
    told += [f"missing: {listed(gone, 3)}"] if gone else []
    yield Need("version", "look at their copy, and hand it out again", "; ".join(told))


def _hardly_marked(work: Work, drill: DrillReply) -> Iterator[Need]:
    failed, rated, entered = work.total.rated - drill.total.clean, work.total.rated, drill.entered
    if rated < MARKS_FROM or failed > HARDLY * rated:
        return
    where = f"; {percent(entered)} entered afterwards" if entered >= ENTERED_FROM else ""
    never = "nothing is ever marked" if not failed else "hardly anything is marked"
    why = f"{never}: {failed} of {rated} rated repetitions failed; usually two of five do{where}"
    yield Need("rating", "hear this once with them", why)


def _little_practice(work: Work, drill: DrillReply) -> Iterator[Need]:
    days, of = work.practised_of
    if of < DAYS_SEEN:
        return
    if not drill.total.reps:
        yield Need("practice", "talk before assigning more", work.practised_text)
        return
    away = _away(work)
    if 7 * days >= DAYS_A_WEEK * of and not away:
        return
    what = "finish this one: it is close" if _close(work) else "shorter sessions on more days"
    seen = f"{work.practised_text} before the reply"
    yield Need("practice", what, f"{seen}; {away}" if away else seen)


def _away(work: Work) -> str:
    """From when to when it was not practised, where that is long; else empty."""
    if (
        work.total.last is None
        or work.reply_day is None
        or (work.reply_day - work.total.last).days < AWAY_DAYS
    ):
        return ""
    days = short_day(work.total.last, work.today), short_day(work.reply_day, work.today)
    return f"not from {days[0]} to {days[1]}"


def failing(places: Sequence[PlaceReply]) -> list[PlaceReply]:
    """Nodes or moves that fail often, and more often than this student's others; the least likely to be clean first."""
    seen = [place for place in places if place.recent >= RESULTS_FROM or place.failed >= FAILED_FROM]
    usual = median(_rate(place) for place in seen) if len(seen) >= PLACES_FROM else 0.0
    named = [
        place
        for place in seen
        if place.recent_failed >= FAILED_FROM
        and _rate(place) >= max(FAILS_FROM, usual + FAILS_ABOVE)
        and place.chance < OVERCOME
    ]
    return sorted(named, key=lambda place: (place.chance, -_rate(place), place.key))


def mostly(place: PlaceReply) -> Cause | None:
    """The cause that was given for most of its failures, where one was."""
    cause = commonest_cause(place.marked)
    return cause if cause and place.marked.get(cause.word, 0) >= CAUSE_FROM * place.recent_failed else None


def _rate(place: PlaceReply) -> float:
    return place.recent_failed / place.recent if place.recent else 0.0


def _places_fail(work: Work, drill: DrillReply) -> Iterator[Need]:
    """Nodes, and moves other than those to a node that fails anyway."""
    if not work.enough:
        return
    nodes = {place.key: place for place in failing(drill.nodes)}
    for place in nodes.values():
        yield _place_need("node", f"{place_name(place.key)} alone", place, drill)
    for place in failing(drill.moves):
        if place.key.partition(">")[2] not in nodes:
            yield _place_need("move", f"the move {place_name(place.key)}", place, drill)


def _held_notes_fail(_: Work, drill: DrillReply) -> Iterator[Need]:
    failed, of = drill.held
    if of >= RESULTS_FROM and failed >= HELD_FROM * of:
        yield Need("held", "the held notes, slower", f"failed in {failed} of {of} in four weeks")


def _date_at_risk(work: Work, drill: DrillReply) -> Iterator[Need]:
    """Overdue, or expected to be so."""
    due = work.due
    if due is None or work.done:
        return
    day, seen = short_day(due, work.today), drill.forecast
    if work.overdue:
        what = "the same with a later date: it is close" if _close(work) else _slower_goal(work)
        yield Need("date", what, f"was due on {day}; {work.rung}")
    elif seen and (seen.likely is None or seen.likely > due):
        likely = f"likely at its goal around {short_day(seen.likely, work.today)}" if seen.likely else ""
        early = f", on {short_day(seen.early, work.today)} at the earliest" if seen.early else ""
        told = f"{likely}{early}" if likely else f"not at this rate{early}"
        week = f"{seen.days_a_week:.0f} days a week"
        yield Need("date", _slower_goal(work), f"due on {day}, {told}; {week}, {work.rung}")


def _slower_goal(work: Work) -> str:
    return f"a goal near {tempo(work.rung_bpm)} first, or a later date" if work.rung_bpm else "a later date"


def _close(work: Work) -> bool:
    return bool(work.behind) and not work.done and work.rung_bpm >= CLOSE * work.goal_bpm


def _cold_fails(work: Work, _: DrillReply) -> Iterator[Need]:
    cold, clean = work.cold
    if cold >= COLD_FROM and clean < COLD_LOW * cold:
        why = f"{f'only {clean}' if clean else 'none'} of {cold} first repetitions of a day are clean"
        yield Need("cold", "begin each day slower", why)


def _layer_unready(work: Work, drill: DrillReply) -> Iterator[Need]:
    """What is played together counts for its layers: only a phrase not yet played together asks for one."""
    if not work.enough:
        return
    together = {phrase.phrase for phrase in work.phrases if phrase.rung_bpm}
    alone = [
        phrase
        for phrase in drill.phrases
        if not phrase.top
        and phrase.phrase not in together
        and phrase.rung_bpm
        and phrase.rung_bpm < READY * phrase.goal_bpm
    ]
    if alone:
        slow = min(alone, key=lambda phrase: phrase.rung_bpm or 0)
        why = f"at {tempo(slow.rung_bpm or 0)}, the goal is {slow.goal_bpm}; not yet played together"
        yield Need("layer", f"{slow.name}, {slow.layer} alone", why)


def _too_little(work: Work) -> Iterator[Need]:
    if work.drill is None:
        yield Need("unknown", "wait for a reply", work.news)
    elif not work.total.reps:
        yield Need("unknown", "talk before assigning more", "not practised yet")
    elif not work.enough:
        seen = f"{counted(work.total.rated, 'rated repetition')} on {counted(work.total.days, 'day')}"
        yield Need("unknown", "ask for another session", f"{seen}{_worst(work.drill)}")


def _worst(drill: DrillReply) -> str:
    """Which node or move failed most often: `; in four weeks 3.2 on D2 failed in 8 of 22`; empty for none."""
    worst = max((*drill.nodes, *drill.moves), key=lambda place: place.recent_failed, default=None)
    if worst is None or not worst.recent_failed:
        return ""
    cause = mostly(worst)
    often = f"{worst.recent_failed} of {worst.recent}" + (f", mostly {cause.word}" if cause else "")
    return f"; in four weeks {place_name(worst.key)} failed in {often}"


def _done(work: Work, _: DrillReply) -> Iterator[Need]:
    if work.done:
        asked = "all that was asked for" if work.practised and work.practised.parts else "every phrase"
        landed = f"{asked} landed, {work.kept} of {len(work.phrases)} kept"
        yield Need("done", "the next drill, or a faster goal", landed)


RULES: tuple[Callable[[Work], Iterator[Need]], ...] = (_silent, _too_little)
RULES_OF_REPLY: tuple[Callable[[Work, DrillReply], Iterator[Need]], ...] = (
    _version,
    _hardly_marked,
    _little_practice,
    _places_fail,
    _held_notes_fail,
    _date_at_risk,
    _cold_fails,
    _layer_unready,
    _done,
)
"""What is asked of a reply alone."""


def _going_well(work: Work) -> Need:
    landed = f"{work.landed} of {work.asked} landed, {work.kept} kept"
    return Need("well", "nothing new: going well", f"{work.rung}, {landed}")


def _place_need(kind: str, what: str, place: PlaceReply, drill: DrillReply) -> Need:
    """How often it fails, what was marked, what is expected and how sure that is, and what helps."""
    marked, cause = results_text(place.marked), mostly(place)
    ends = tempo_range(place.low_bpm, place.high_bpm)
    brief = f"failed in {place.recent_failed} of {place.recent} in four weeks"
    expected = f"expected clean, cold, at {ends} (80 % sure), the goal is {drill.goal_bpm}"
    why = f"{brief} ({marked}); {expected}" if marked else f"{brief}; {expected}"
    if cause:
        why += f"; {cause.word} {place.marked[cause.word]}: {cause.advice}"
    return Need(kind, what, why, place.key, brief)
