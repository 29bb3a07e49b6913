"""Names for people: one wording for each thing, whatever shows it.

Common practice, no source: the order of day and month, and how a rate or a tempo is written. Month and weekday names
are checked against the standard library's in the C locale (POSIX), the space before units against ISO 80000-1, 7.1.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coach.music.drill import Assignment
from coach.music.excerpt import Excerpt, Kind
from coach.strings.node import Node, nodes_upto
from coach.strings.ready_made import ready_made
from coach.strings.tuning import adjacent_pairs
from coach.words.amounts import (
    clean_rate,
    day_span,
    duration,
    full_day,
    long_day,
    percent,
    rung_change,
    short_day,
    tempo,
    tempo_range,
    weekday,
)
from coach.words.names import (
    assignment_text,
    capital,
    excerpt_name,
    goal_text,
    instrument_name,
    logged_name,
    pair_name,
    place_name,
    touch_name,
    tuning_name,
)
from tests.samples import sample_drill

DAY = date(2026, 11, 26)
NODE = "D2|1/6"
MOVE = "G2|1/3+D2|1/3>G2|1/4"


@pytest.mark.parametrize(
    ("kind", "subject", "name"),
    [
        (Kind.PHRASE, "", "Lamp, harmonics"),
        (Kind.HALF, "1", "first half of Lamp, harmonics"),
        (Kind.HALF, "2", "second half of Lamp, harmonics"),
        (Kind.NODE, NODE, "3.2 on D2 in Lamp, harmonics"),
        (Kind.MOVE, MOVE, "7 on G2 with 7 on D2 to 5 on G2 in Lamp, harmonics"),
        (Kind.JOIN, "", "Lamp from its end back to its start, harmonics"),
        (Kind.PIECE, "", "Lamp from start to end, harmonics"),
    ],
)
def test_every_kind_of_excerpt_has_a_name_that_says_what_it_covers(
    kind: Kind, subject: str, name: str
) -> None:
    excerpt = Excerpt("drill", ("lamp",), "harmonics", kind, subject=subject)
    assert excerpt_name(excerpt, "Lamp") == name
    assert logged_name(excerpt.key, "Lamp") == name
    assert excerpt_name(replace(excerpt, easier=True), "Lamp") == f"{name}, easier version"


def test_a_join_names_both_phrases_and_a_key_without_a_title_its_ids() -> None:
    join = Excerpt("drill", ("lamp", "wick"), "together", Kind.JOIN)
    assert excerpt_name(join, "Lamp + Wick") == "join of Lamp + Wick, together"
    assert logged_name(join.key, "") == "join of lamp + wick, together"
    assert logged_name("no key", "Lamp") == "no key"


def test_a_name_from_a_file_stays_on_one_line_without_control_characters() -> None:
    excerpt = Excerpt("drill", ("lamp",), "har\x1b[2Jmonics")
    assert excerpt_name(excerpt, "La\nmp\x07") == "La mp, harmonics"


def test_nodes_and_moves_are_named_from_their_keys_alone() -> None:
    assert place_name(NODE) == "3.2 on D2"
    assert place_name(MOVE) == "7 on G2 with 7 on D2 to 5 on G2"
    assert place_name("whatever it is") == "whatever it is"
    assert place_name("D2|6/1") == "D2|6/1"


@given(st.sampled_from(nodes_upto(9)), st.integers(0, 3), st.text(min_size=1, max_size=12))
def test_no_name_of_an_instrument_gets_in_the_way_of_a_nodes_name(node: Node, string: int, name: str) -> None:
    instrument = replace(ready_made("bass"), name=name)
    key = instrument.node_key(string, node)
    shown = place_name(key)
    assert shown.endswith(f"{node.label} on {instrument.strings[string].name}")


def test_touches_pairs_and_instruments_at_hand() -> None:
    bass = ready_made("bass")
    assert touch_name(bass, 1, Node.parse("1/6")) == "D<3.2>"
    assert touch_name(bass, 1, None) == "D open"
    # E<5> with A<7> is the classic pair of a bass: both ring E3 (partial 4 of E1, 3 of A1; harmonic series).
    pair = next(pair for pair in adjacent_pairs(bass) if pair.low_string == 3)
    assert pair_name(bass, pair) == "E<5> with A<7>"
    assert instrument_name(bass) == "4 strings, 864 mm"
    assert instrument_name(replace(bass, name="Old One")) == "Old One"
    assert tuning_name(bass) == "G2 D2 A1 E1, 864 mm"
    assert capital("assigned by Io") == "Assigned by Io"


@given(st.dates(date(1970, 1, 2), date(2999, 12, 31)))
def test_days_have_the_names_of_the_c_locale_and_a_year_only_where_it_is_another(day: date) -> None:
    assert short_day(day, day) == f"{day.day} {day:%b}"
    assert long_day(day, day) == f"{day:%A} {day.day} {day:%B}"
    assert weekday(day) == f"{day:%A}"
    far = day + timedelta(days=400) if day.year < 2990 else day - timedelta(days=400)
    assert short_day(day, far) == f"{day.day} {day:%b} {day.year}"
    assert long_day(day, far) == f"{day:%A} {day.day} {day:%B} {day.year}"


@pytest.mark.parametrize(
    ("minutes", "text"),
    [
        (0, "0 min"),
        (0.001, "1 s"),
        (0.5, "30 s"),
        (0.99, "59 s"),
        (0.999, "1 min"),
        (1, "1 min"),
        (59.4, "59 min"),
        (59.6, "1 h 0 min"),
        (200, "3 h 20 min"),
    ],
)
def test_a_duration_has_the_unit_that_fits(minutes: float, text: str) -> None:
    assert duration(minutes) == text


def test_days_that_are_read_in_another_year_say_theirs() -> None:
    assert full_day(DAY) == "26 Nov 2026"
    assert day_span(date(2026, 9, 14), date(2026, 12, 12)) == "14 Sep to 12 Dec 2026"
    assert day_span(date(2025, 12, 14), date(2026, 1, 2)) == "14 Dec 2025 to 2 Jan 2026"


def test_tempos_rungs_and_rates() -> None:
    assert tempo(60) == "60 bpm"
    assert tempo_range(60, 60) == "60 bpm"
    assert tempo_range(60, 72) == "60 to 72 bpm"
    assert rung_change(46, 52, 52) == "rung 46 to 52"
    assert rung_change(52, 52, 52) == "rung 52"
    assert rung_change(46, 40, 44) == "rung 46 to 40, next time 44"
    assert rung_change(46, 46, 44) == "rung 46, next time 44"
    assert clean_rate(8, 10) == "8 of 10 clean"
    assert clean_rate(8, 10, 2) == "8 of 10 clean, 2 not rated"
    assert clean_rate(0, 0, 3) == "none rated"
    assert percent(0.8) == "80 %"


def test_an_assignment_says_who_asks_for_what_by_when() -> None:
    drill = sample_drill()
    assert assignment_text(drill, DAY) == ""
    assert goal_text(drill, DAY) == ""
    asked = replace(drill, assignment=Assignment("Ben", "Ana", 64, date(2026, 12, 20)))
    assert assignment_text(asked, DAY) == "assigned by Ana: goal 64 bpm by 20 Dec"
    assert goal_text(replace(drill, assignment=Assignment(goal_bpm=64)), DAY) == "goal 64 bpm"
