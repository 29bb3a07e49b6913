"""The ear's own record: what it took events for beside what the player said, and where it says less."""

from __future__ import annotations

import json

import pytest

from coach.listen.record import FEWEST_WRONG, LATEST, RECORD, Agreement, EarRecord
from coach.log.entries import Rep, Suggestion
from coach.music.excerpt import LoggedEvent, LoggedPassage
from coach.rating.fault import parse_faults
from coach.report.ear import ear_facts, ear_part, total_text

PASSAGE = LoggedPassage.of(
    "lamps:lamp:together:phrase:full:",
    "1",
    "Lamp",
    (
        LoggedEvent(1, "bass", "E:0", "0"),
        LoggedEvent(2, "harmonics", "D<3.2>", "1", ("D2|1/6",)),
        LoggedEvent(3, "harmonics", "G<5>", "2", ("G2|1/4",)),
    ),
)


def rep(faults: str | None, *heard: str) -> Rep:
    """A repetition with what a microphone took its first events for, and the player's marks."""
    suggestions = tuple(Suggestion(at, one, 0.9, "microphone") for at, one in enumerate(heard, 1) if one)
    marks = None if faults is None else parse_faults(faults)
    common = (PASSAGE.id, PASSAGE.excerpt, 60, 80)
    return Rep("0" * 26, "0" * 26, 0, 0, *common, marks, suggestions=suggestions)


def record(*reps: Rep) -> EarRecord:
    state = RECORD.initial()
    for one in reps:
        state = RECORD.step(state, one, PASSAGE)
    return state


def test_each_event_counts_once_for_what_ear_and_player_said_of_it():
    # Counted by hand. Node 2: heard clean and not marked, choked and marked, choked and not, clean and marked.
    state = record(
        rep("", "clean", "clean", "unsure"),
        rep("2c", "clean", "choked", "clean"),
        rep("", "clean", "missing", "clean"),
        rep("2l 1d", "clean", "clean", "late"),
    )
    assert state.nodes["D2|1/6"] == Agreement(1, 1, 1, 1, 0, "+-")
    assert state.nodes["G2|1/4"] == Agreement(2, 0, 0, 1, 1, "-")
    assert state.nodes[""] == Agreement(3, 0, 1, 0, 0, "")
    assert (state.total.judged, state.total.agreed) == (11, 7)


def test_a_word_that_no_verdict_has_counts_nothing():
    assert record(rep("2c", "clean", "buzzed", "clean")).total.judged == 2


def test_what_was_not_rated_not_reached_or_heard_by_another_says_nothing():
    pedal = Suggestion(2, "choked", 0.5, "pedal")
    by_foot = Rep(
        "0" * 26,
        "0" * 26,
        0,
        0,
        PASSAGE.id,
        PASSAGE.excerpt,
        60,
        80,
        parse_faults("2c"),
        suggestions=(pedal,),
    )
    state = record(rep(None, "clean", "choked"), rep("2n 3n", "clean", "choked", "choked"), by_foot)
    assert state.nodes == {"": Agreement(clean=1)}
    gone = LoggedPassage(PASSAGE.id, PASSAGE.excerpt, "1", "Lamp", ())
    assert RECORD.step(RECORD.initial(), rep("2c", "clean", "choked"), gone).nodes == {}


@pytest.mark.parametrize(
    ("latest", "withheld"),
    [
        ("", False),
        ("--", False),
        ("---", True),
        ("---+++", False),
        ("----+++", True),
        ("+" * 4 + "-" * 3, False),
    ],
)
def test_where_it_was_wrong_more_than_it_helped_it_is_quiet(latest, withheld):
    assert Agreement(latest=latest).withheld is withheld


def test_it_speaks_again_once_it_is_right_again():
    state = record(*[rep("", "", "choked")] * FEWEST_WRONG)
    assert state.withheld == {"D2|1/6"}
    state = record(*[rep("", "", "choked")] * FEWEST_WRONG, *[rep("2c", "", "choked")] * FEWEST_WRONG)
    assert state.withheld == frozenset()
    long = record(*[rep("", "", "choked")] * 3 * LATEST, *[rep("2c", "", "choked")] * LATEST)
    assert len(long.nodes["D2|1/6"].latest) == LATEST
    assert long.withheld == frozenset()


def test_the_state_goes_through_json():
    state = record(rep("2c", "clean", "choked", "unsure"))
    assert RECORD.state(json.loads(json.dumps(RECORD.plain(state)))) == state


def test_the_report_says_how_often_it_agreed_and_where_it_is_quiet():
    state = record(
        *[rep("", "clean", "choked")] * 4,
        *[rep("3c", "clean", "clean", "choked")] * 2,
        rep("3c", "clean", "unsure", "clean"),
    )
    text = total_text(state.total)
    assert (
        text
        == "agreed with you on 11 of 16 events; missed 1 of 3 that you marked; 4 false alarms; could not tell 1 time"
    )
    assert ear_part(state).table.rows == (
        ("3.2 on D2", "2 of 6", "0", "0", "4", "withheld"),
        ("5 on G2", "2 of 3", "2", "1", "0", ""),
    )
    facts = {row["key"]: row for row in ear_facts(state)}
    assert facts[""]["name"] == "low notes"
    assert (facts["D2|1/6"]["false_alarms"], facts["D2|1/6"]["withheld"]) == (4, True)
    assert "latest" not in facts[""]
