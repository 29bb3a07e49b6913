"""Log values: ids, practice days, results as text."""

from __future__ import annotations

from datetime import UTC, date, datetime

from hypothesis import given
from hypothesis import strategies as st

from coach.log.entries import Rep, is_id, new_id, practice_day, serial_id
from coach.rating.fault import Fault
from coach.rating.table import CHOKED, LATE
from tests.logs import NOON, id_at


def ms(*parts: int) -> int:
    return round(datetime(*parts, tzinfo=UTC).timestamp() * 1000)


def test_a_practice_day_begins_at_four_in_the_morning_local_time():
    # 23:30 UTC on 1 March is 00:30 on 2 March at +60 min, still the practice day of 1 March.
    assert practice_day(ms(2026, 3, 1, 23, 30), 60) == date(2026, 3, 1)
    assert practice_day(ms(2026, 3, 2, 2, 59), 60) == date(2026, 3, 1)
    assert practice_day(ms(2026, 3, 2, 3, 0), 60) == date(2026, 3, 2)


@given(st.integers(0, 2**47), st.integers(0, 2**47), st.binary(min_size=10, max_size=10))
def test_ids_sort_by_time(first_ms, second_ms, noise):
    first, second = new_id(first_ms, noise), new_id(second_ms, noise)
    assert is_id(first)
    assert (first < second) == (first_ms < second_ms)


@given(st.integers(0, 2**47), st.binary(min_size=8, max_size=8), st.integers(0, 65_534))
def test_ids_of_one_run_and_one_moment_sort_by_their_numbers(at_ms, nonce, serial):
    first, second = serial_id(at_ms, nonce, serial), serial_id(at_ms, nonce, serial + 1)
    assert is_id(first)
    assert first < second < serial_id(at_ms + 1, nonce, 0)


def test_a_repetition_is_clean_failed_or_not_rated_and_can_be_rated_anew():
    unrated = Rep(id_at(NOON), id_at(NOON, "ada"), NOON, 60, "0" * 16, "a:b:bass:phrase:full:", 60, 70, None)
    clean = unrated.rated_as([])
    failed = unrated.rated_as([Fault(3, LATE), Fault(2, CHOKED)])
    assert [(rep.rated, rep.clean) for rep in (unrated, clean, failed)] == [
        (False, False),
        (True, True),
        (True, False),
    ]
    assert failed.faults == (Fault(2, CHOKED), Fault(3, LATE))
    assert failed.rated_as(None) == unrated
    assert (unrated.rung_bpm, unrated.duration_ms, unrated.suggestions) == (0, 0, ())
    assert unrated.day == date(2026, 12, 3) == date.fromordinal(unrated.day_number)
