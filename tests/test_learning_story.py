"""Two weeks of twenty minutes, of a player whose phrases are clean 19 times in 20: plan, session and choice at work."""

from __future__ import annotations

from random import Random

import pytest

from benchmarks.pieces import piece
from benchmarks.players import InSession, Played, Player, Policy, Truth, run
from coach.learning.plan import Purpose
from coach.music.excerpt import Kind, Passage
from coach.rating.fault import Fault
from coach.rating.table import CHOKED

MINUTES, DAYS = 20, 14


class Steady:
    """Fails any event, whatever he practised, with one chance up to the goal."""

    def __init__(self, clean: float, goal_bpm: int) -> None:
        self.clean, self.goal_bpm, self.rng = clean, goal_bpm, Random(1)

    def play(self, passage: Passage, tempo_bpm: int, cold: bool) -> tuple[Fault, ...]:
        clean = self.clean if tempo_bpm <= self.goal_bpm else 0.5
        return tuple(Fault(event.label, CHOKED) for event in passage.events if self.rng.random() > clean)

    def rest(self, days: float) -> None:
        """Nothing is lost."""

    def chance(self, passage: Passage, tempo_bpm: int, after_days: float) -> Truth:
        events = (self.clean,) * len(passage.events)
        return Truth(events, self.clean ** len(events))


class Diary:
    """What was played, and by evening what the day came to."""

    def __init__(self) -> None:
        self.today: list[Played] = []
        self.minutes: list[float] = []
        self.landed: list[bool] = []
        self.clean: list[bool] = []

    def __call__(self, policy: Policy, played: Played, player: Player) -> None:
        self.today.append(played)

    def evening(self, policy: Policy, player: Player, day: int) -> None:
        assert isinstance(policy, InSession)
        assert policy.session is not None
        coaching = policy.session.coaching
        whole = policy.material.piece(policy.material.drills[0])
        record = coaching.learnt.records.get(whole.key) if whole else None
        self.landed.append(record is not None and record.landed == day)
        self.minutes.append(
            sum(item.minutes for item in coaching.items if item.purpose is Purpose.TUNE)
            + sum(one.part.rep_s(one.bpm) for one in self.today) / 60
        )
        self.clean += [one.clean for one in self.today if one.part.excerpt.kind is Kind.PHRASE]
        self.today = []


@pytest.fixture(scope="module")
def diary() -> Diary:
    drills, diary = (piece("usual", 2),), Diary()
    steady = Steady(0.995, drills[0].goal_bpm)
    run(steady, drills, MINUTES, DAYS, InSession, missed=0.0, watch=diary, mastered=2.0)
    return diary


def test_a_piece_that_its_player_can_play_lands_every_day(diary: Diary) -> None:
    assert sum(diary.clean) / len(diary.clean) == pytest.approx(0.95, abs=0.02)
    assert len(diary.landed) == DAYS
    assert all(diary.landed)


def test_the_minutes_that_he_offers_are_used_until_his_phrases_are_safe(diary: Diary) -> None:
    assert min(diary.minutes[:7]) > 17
    assert max(diary.minutes[10:]) < 8
