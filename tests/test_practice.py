"""The host: sound, session and log together, on a clock that the test moves."""

from __future__ import annotations

from datetime import date

import pytest

from coach.folder.actions import Phase
from coach.folder.settings import PracticeSettings
from coach.learning.learning import LearningFold
from coach.learning.plan import Plan, PlanItem, Purpose
from coach.log import pen
from coach.log.log import Log
from coach.music.clicktrack import BeatAt
from coach.music.drill import Drill
from coach.music.excerpt import Excerpt
from coach.rating.fault import Fault
from coach.rating.table import CHOKED, LATE, LIFT, NOT_REACHED
from coach.session.entered import HandClock
from coach.session.events import Confirm, Go, Mark, Stop, Undo
from coach.session.host import Practice
from coach.session.notices import NotSaved
from coach.session.summary import summarise
from coach.sound import engine
from coach.sound.engine import Engine
from coach.tui.meters import walk_at
from tests.logs import disk_full
from tests.samples import sample_drill

START_MS = 1_772_470_800_000  # 2 March 2026, 17:00 UTC
LAMP = Excerpt("lamps", ("lamp",))
PLAN = Plan(date(2026, 3, 2), 10, (PlanItem(Purpose.CLIMB, 5, "Climb.", LAMP, reps=6),))


@pytest.fixture(autouse=True)
def _no_lead(monkeypatch):
    """Repetitions begin at once, so that the times here are those of the music."""
    monkeypatch.setattr(engine, "SILENT_LEAD_S", 0.0)


class Bench:
    """One practice on a silent engine; `wait` moves both clocks and lets the host notice."""

    def __init__(
        self,
        log: Log,
        plan: Plan = PLAN,
        drill: Drill | None = None,
        pause_s: float = 2.0,
        *,
        adapts: bool = True,
    ) -> None:
        self.seconds = 100.0
        self.wall = HandClock(START_MS, 60)
        self.player = Engine(opener=None, clock=lambda: self.seconds)
        self.practice = Practice(
            log,
            plan,
            [drill or sample_drill()],
            clock=self.wall,
            settings=PracticeSettings(pause_s=pause_s),
            player=self.player,
            now_s=lambda: self.seconds,
            adapts=adapts,
        )

    def wait(self, seconds: float) -> bool:
        self.seconds += seconds
        self.wall.advance(seconds)
        return self.practice.tick()

    def go(self) -> None:
        assert self.practice.send(Go())

    def confirm(self, *faults: Fault) -> None:
        for fault in faults:
            self.practice.send(Mark(fault=fault))
        assert self.practice.send(Confirm())


@pytest.fixture
def log(tmp_path):
    with Log.open(tmp_path / "log", "Ada", now_ms=START_MS) as opened:
        yield opened


def beat_of(bench: Bench) -> BeatAt:
    """The counted beat that is heard."""
    sounding, position_s = bench.practice.sounding, bench.practice.position_s
    assert sounding is not None
    assert position_s is not None
    return sounding.beats[walk_at(sounding.beats, position_s)[0]]


def test_the_position_is_what_is_heard_negative_in_the_count_in(log):
    bench = Bench(log)
    assert bench.practice.position_s is None
    bench.go()
    # 50 bpm: four beats of count-in last 4.8 s.
    assert bench.practice.position_s == pytest.approx(-4.8)
    assert (beat_of(bench).bar, beat_of(bench).number) == (-1, 1)
    bench.wait(4.8 + 1.3)
    assert (beat_of(bench).bar, beat_of(bench).number) == (0, 2)
    assert bench.practice.reached == 2


def test_the_end_of_the_sound_asks_for_the_rating_and_one_key_starts_the_next_rep_after_a_pause(log):
    bench = Bench(log)
    bench.go()
    assert not bench.wait(14.0)
    assert bench.wait(1.5)
    assert bench.practice.session.phase is Phase.RATING
    bench.confirm()
    assert bench.practice.waiting_s == pytest.approx(2.0)
    assert not bench.wait(1.9)
    assert bench.wait(0.2)
    assert bench.practice.session.phase is Phase.PLAYING


def test_a_rating_is_in_the_file_before_the_call_returns(log, tmp_path):
    bench = Bench(log)
    bench.go()
    bench.wait(30)
    bench.confirm(Fault(4, CHOKED, LIFT))
    with Log.open(tmp_path / "log", "Ada", now_ms=START_MS, read_only=True) as second:
        (rep,) = second.reps()
    assert rep.faults == (Fault(4, CHOKED, LIFT),)
    assert (rep.tempo_bpm, rep.goal_bpm, rep.rung_bpm) == (50, 80, 50)
    assert rep.duration_ms == round(bench.practice.session.played[0].task.passage.seconds(50) * 1000)


def test_undo_and_a_new_rating_reach_the_log_and_keep_the_first_word(log):
    bench = Bench(log)
    bench.go()
    bench.wait(30)
    bench.confirm()
    bench.practice.send(Undo())
    assert log.reps() == []
    bench.confirm(Fault(2, CHOKED))
    (rep,) = log.reps()
    assert rep.faults == (Fault(2, CHOKED),)
    original = log.original(rep.id)
    assert original is not None
    assert original.faults == ()


def test_what_the_session_learnt_and_what_is_folded_from_the_log_are_the_same(log):
    bench = Bench(log)
    choke = Fault(2, CHOKED)
    for faults in [(), (), (), (choke,), ()]:
        if bench.practice.session.phase is Phase.READY:
            bench.go()
        bench.wait(30)
        bench.confirm(*faults)
    learnt = bench.practice.session.coaching.learnt
    folded = log.state(LearningFold(), bench.practice.session.day)
    assert LearningFold().plain(folded) == LearningFold().plain(learnt)
    assert folded.records[LAMP.key].reps == 5


def test_a_full_disk_is_told_and_the_result_waits_until_it_can_be_written(log, monkeypatch):
    bench = Bench(log)
    bench.go()
    bench.wait(30)

    with monkeypatch.context() as patched:
        patched.setattr(pen, "append", disk_full)
        bench.confirm()
    assert bench.practice.unsaved == 1
    (notice,) = bench.practice.notices
    assert isinstance(notice, NotSaved)
    assert notice.refusal.waiting == 1
    assert "no space left on device" in str(notice.refusal)
    bench.go()
    bench.wait(30)
    bench.confirm(Fault(1, LATE))
    assert bench.practice.unsaved == 0
    assert [rep.faults for rep in log.reps()] == [(), (Fault(1, LATE),)]


def test_a_clock_set_back_in_the_middle_keeps_the_order_of_the_log(log):
    bench = Bench(log)
    bench.go()
    bench.wait(30)
    bench.confirm()
    bench.wall.now_ms -= 3_600_000
    bench.go()
    bench.wait(30)
    bench.confirm(Fault(1, LATE))
    assert [rep.faults for rep in log.reps()] == [(), (Fault(1, LATE),)]


def test_the_summary_counts_what_rang_and_what_choked_by_node(log):
    bench = Bench(log)
    bench.go()
    bench.wait(30)
    bench.confirm(Fault(2, CHOKED, note=1), Fault(9, NOT_REACHED))
    bench.practice.send(Stop())
    summary = summarise(bench.practice.session, START_MS, bench.practice.now_ms())
    assert summary.choked == {"G2|1/3": 1}
    assert summary.rang["D2|1/3"] == 1
    assert summary.rang["D2|1/6"] == 1
    (line,) = summary.excerpts
    assert (line.name, line.facts[-1]) == ("Lamp, together", "goal 80")
    assert line.facts[0].startswith("0 of 1 clean at ")


def in_rounds(log: Log) -> Bench:
    """Two bars of four at 60 bpm, the goal, in rounds without an end: eight seconds of music after four of clicks."""
    item = PlanItem(Purpose.CLIMB, 60, "Climb.", LAMP, reps=200)
    bench = Bench(log, Plan(PLAN.day, 60, (item,)), sample_drill(60, 60), pause_s=0, adapts=False)
    bench.go()
    return bench


def test_in_a_round_the_next_repetition_starts_on_the_grid_where_one_key_says_clean(log):
    bench = in_rounds(log)
    assert not bench.wait(11.9)
    assert bench.wait(0.11)
    assert bench.practice.session.phase is Phase.RATING
    assert bench.practice.position_s == pytest.approx(-3.99)
    assert beat_of(bench).number == 1
    bench.wait(1)
    bench.confirm()
    assert bench.practice.session.phase is Phase.PLAYING
    assert [rep.faults for rep in log.reps()] == [()]
    bench.wait(3)
    assert bench.practice.position_s == pytest.approx(0.01)
    assert bench.practice.reached == 2
    bench.wait(8)
    assert bench.practice.session.phase is Phase.RATING
    assert bench.practice.position_s == pytest.approx(-3.99)


def climbing(log: Log) -> Bench:
    """The second pass of a round at 50 is over and waits for its rating: clean, it brings 57."""
    bench = Bench(log, pause_s=0)
    bench.go()
    bench.wait(4 * 1.2 + 8 * 1.2 + 0.01)
    bench.confirm()
    bench.wait(4 * 1.2 + 8 * 1.2)
    assert bench.practice.session.phase is Phase.RATING
    return bench


def test_after_a_climb_the_bar_of_clicks_has_the_new_tempo_from_the_bar_line_on(log):
    bench = climbing(log)
    beat_s = 60 / 57
    assert bench.practice.position_s == pytest.approx(0.01 - 4 * beat_s)
    for number in (2, 3, 4):
        bench.wait(beat_s)
        assert (beat_of(bench).number, beat_of(bench).bar) == (number, -1)
    bench.confirm()
    bench.wait(beat_s)
    assert bench.practice.session.phase is Phase.PLAYING
    assert bench.practice.position_s == pytest.approx(0.01)
    bench.wait(8 * beat_s)
    bench.confirm()
    assert [rep.tempo_bpm for rep in log.reps()] == [50, 50, 57]


def test_where_no_key_comes_in_the_bar_the_climb_gets_a_count_in_of_its_own(log):
    bench = climbing(log)
    bench.wait(4 * 60 / 57 - 0.05)
    assert bench.practice.sounding is None
    bench.confirm()
    bench.wait(0.01)
    assert bench.practice.position_s == pytest.approx(-4 * 60 / 57)


def test_a_round_ends_at_the_bar_line_where_no_key_comes_and_nothing_is_clean_by_silence(log):
    bench = in_rounds(log)
    bench.wait(12.01)
    assert not bench.wait(3.9)
    assert bench.wait(0.05)
    assert bench.practice.sounding is None
    assert not bench.wait(60)
    assert bench.practice.session.phase is Phase.RATING
    assert log.reps() == []


def test_a_mark_in_the_bar_of_clicks_is_about_the_repetition_before_and_ends_the_round(log):
    bench = in_rounds(log)
    bench.wait(12.01)
    # The last harmonic, due two beats before the end, and a reaction later.
    assert bench.practice.about_s() == pytest.approx(12.01)
    bench.practice.send(Mark(Fault(9, CHOKED)))
    bench.wait(3.95)
    assert bench.practice.sounding is None
    bench.confirm()
    assert [rep.faults for rep in log.reps()] == [(Fault(9, CHOKED),)]


def test_in_rounds_two_bars_at_sixty_are_music_for_six_seconds_in_ten(log):
    """Counted over twenty minutes of a player who presses one key a second into each bar of clicks."""
    bench = in_rounds(log)
    music = 0
    for _ in range(20 * 60 * 10):
        bench.wait(0.1)
        position_s = bench.practice.position_s
        playing = bench.practice.session.phase is Phase.PLAYING
        music += playing and position_s is not None and 0 <= position_s < 8
        if not playing and position_s is not None and position_s > -3:
            bench.confirm()
    assert music / (20 * 60 * 10) >= 0.6
    assert len(log.reps()) == 99
