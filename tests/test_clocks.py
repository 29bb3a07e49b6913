"""Practice while clocks do what clocks do: midnight, four o'clock, daylight-saving changes, set back, another zone.

Changes of the clocks in Germany in 2026: 29 March and 25 October at 01:00 UTC (IANA time zone database, EU rule).
"""

from __future__ import annotations

import re
import time
from datetime import UTC, date, datetime
from functools import partial
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from coach.cli import main
from coach.commands.common import clock
from coach.folder.actions import Phase
from coach.ground.places import Places
from coach.learning.learning import LearningFold
from coach.log.upkeep import check_log
from coach.rating.fault import Fault
from coach.rating.table import CHOKED
from coach.report.sums import by_day, sums_of
from coach.session.desk import Desk
from coach.session.events import Confirm, Go, Mark, RepEnded, Skip, Stop
from tests.kills import WITHOUT_IDS

REP_S = 120


class WallClock:
    """A clock in a zone, moved by the test."""

    def __init__(self, wall: str, zone: str = "Europe/Berlin") -> None:
        self.zone = ZoneInfo(zone)
        self.now_ms = round(datetime.fromisoformat(wall).replace(tzinfo=self.zone).timestamp() * 1000)

    def __call__(self) -> tuple[int, int]:
        offset = datetime.fromtimestamp(self.now_ms / 1000, self.zone).utcoffset()
        assert offset is not None
        return self.now_ms, round(offset.total_seconds() / 60)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "drills").mkdir()
    (tmp_path / "drills" / "ferry.yaml").write_text(WITHOUT_IDS)
    return tmp_path


def practise(folder: Path, wall: WallClock, reps: int, choked: int = -1) -> list[tuple[date, int]]:
    """One session of so many repetitions, two minutes each; (day, repetitions) of the whole log after it.

    Holds throughout: the log is whole, in order, and what follows from it is what the session learnt.
    """
    with Desk.open(
        Places(folder), clock=wall, player="Ada", names=["ferry"], minutes=90, silent=True
    ) as desk:
        practice = desk.practice(desk.plan())
        for number in range(reps):
            while practice.session.phase is Phase.REST:
                practice.send(Skip())
            if practice.session.phase is Phase.DONE:
                practice = desk.practice(desk.plan())
                continue
            practice.send(Go())
            wall.now_ms += REP_S * 1000
            practice.send(RepEnded())
            if number == choked or number % 2:  # All clean, the plan would end before them.
                practice.send(Mark(fault=Fault(1, CHOKED)))
            practice.send(Confirm())
        practice.send(Stop())
        assert check_log(desk.log).problems == ()
        assert LearningFold().plain(desk.learnt()) == LearningFold().plain(practice.session.coaching.learnt)
        logged = desk.log.reps()
        assert [rep.id for rep in sorted(logged, key=lambda rep: rep.id)] == [rep.id for rep in logged]
        # Minutes are those of the music, whatever the wall clock did.
        days = by_day(sums_of(desk.log, desk.today).rows(date.min, desk.today))
        for day, total in days.items():
            assert total.duration_ms == sum(rep.duration_ms for rep in logged if rep.day == day)
        return [(day, total.reps) for day, total in days.items()]


def test_practice_over_midnight_is_one_practice_day(folder: Path) -> None:
    assert practise(folder, WallClock("2026-03-02T23:54"), 6) == [(date(2026, 3, 2), 6)]


def test_a_repetition_belongs_to_the_practice_day_it_began_in(folder: Path) -> None:
    """The day starts at 04:00; the third repetition of five begins at 03:59."""
    days = practise(folder, WallClock("2026-03-02T03:55"), 5, choked=4)
    assert days == [(date(2026, 3, 1), 3), (date(2026, 3, 2), 2)]


@pytest.mark.parametrize(
    ("wall", "days"),
    [
        ("2026-03-29T01:54", [(date(2026, 3, 28), 6)]),  # at 02:00 it is 03:00
        ("2026-03-29T03:56", [(date(2026, 3, 28), 2), (date(2026, 3, 29), 4)]),
        ("2026-10-25T02:54", [(date(2026, 10, 24), 6)]),  # at 03:00 it is 02:00
        ("2026-10-25T03:56", [(date(2026, 10, 24), 2), (date(2026, 10, 25), 4)]),
    ],
)
def test_the_nights_in_which_the_clocks_change_keep_their_days(
    folder: Path, wall: str, days: list[tuple[date, int]]
) -> None:
    assert practise(folder, WallClock(wall), 6) == days


@pytest.mark.parametrize("words", [[], ["--date", "2026-12-02"]], ids=["today", "a date"])
def test_an_answers_file_belongs_to_one_practice_day_whole(
    folder: Path, monkeypatch: pytest.MonkeyPatch, words: list[str]
) -> None:
    """Entered half a minute before the practice day ends, with more than a minute of playing in it."""
    night = datetime(2026, 12, 3, 3, 59, 30, tzinfo=ZoneInfo("Europe/Berlin"))
    monkeypatch.setattr("coach.commands.practice.clock", partial(clock, now=lambda: night))
    answers = folder / "answers.txt"
    answers.write_text("at rope/harmonics 20 clean\n" * 12)
    asked = ["practice", "ferry", "--folder", str(folder), "--player", "Ada", "--answers", str(answers)]
    assert main([*asked, *words]) == 0
    answers.write_text("at rope/harmonics 20 choked 1\n" * 3)
    assert main([*asked, *words]) == 0
    with Desk.open(Places(folder), clock=WallClock("2026-12-03T12:00"), silent=True) as desk:
        reps = desk.log.reps()
        assert {rep.day for rep in reps} == {date(2026, 12, 2)}
        assert [len(rep.faults or ()) for rep in reps] == [0] * 12 + [1] * 3, "in the order of the files"
        assert check_log(desk.log).problems == ()


def test_a_clock_set_back_between_sessions_of_a_day_keeps_their_order(folder: Path) -> None:
    wall = WallClock("2026-03-02T18:00")
    practise(folder, wall, 3)
    wall.now_ms -= 4 * 3_600_000
    assert practise(folder, wall, 3, choked=1) == [(date(2026, 3, 2), 6)]


def test_what_a_wrong_date_put_years_ahead_is_told_kept_and_left_out_until_its_day(folder: Path) -> None:
    practise(folder, WallClock("2028-03-02T18:00"), 2)
    assert practise(folder, WallClock("2026-03-02T18:00"), 1) == [(date(2026, 3, 2), 1)]
    with Desk.open(Places(folder), clock=WallClock("2026-03-03T18:00"), silent=True) as desk:
        desk.plan()
        assert any("2 repetitions dated after today, the first on 2028-03-02" in one for one in desk.notices)
        assert re.search(r"-2028\.jsonl:\d+: 2 rep", desk.notices[-1])
    assert practise(folder, WallClock("2028-03-03T18:00"), 0) == [
        (date(2026, 3, 2), 1),
        (date(2028, 3, 2), 2),
    ]


def test_a_journey_into_another_zone_keeps_every_day_that_was_practised(folder: Path) -> None:
    """18:00 in Berlin, then 18:00 of the next day in Tokyo (16 hours later), then in Honolulu (19 hours on)."""
    for wall, zone in (
        ("2026-03-02T18:00", "Europe/Berlin"),
        ("2026-03-03T18:00", "Asia/Tokyo"),
        ("2026-03-03T18:00", "Pacific/Honolulu"),
    ):
        days = practise(folder, WallClock(wall, zone), 2)
    assert days == [(date(2026, 3, 2), 2), (date(2026, 3, 3), 4)]


def test_a_clock_before_1970_is_taken_as_its_first_moment() -> None:
    """An empty battery, and a zone east of Greenwich."""
    assert clock(now=lambda: datetime(1970, 1, 1, 0, 0, 10, tzinfo=ZoneInfo("Europe/Berlin"))) == (0, 60)


@pytest.mark.skipif(not hasattr(time, "tzset"), reason="needs time.tzset, which Windows lacks")
def test_a_zone_that_is_changed_while_the_program_runs_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    try:
        for zone in ("Asia/Tokyo", "Pacific/Honolulu"):
            monkeypatch.setenv("TZ", zone)
            offset = datetime.now(UTC).astimezone(ZoneInfo(zone)).utcoffset()
            assert offset is not None
            assert clock()[1] == round(offset.total_seconds() / 60)
    finally:
        monkeypatch.undo()
        time.tzset()
