"""The log as it is read: what counts, whose it is, and what follows from it, whatever order it came in."""

from __future__ import annotations

import json
import random
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from coach.ground.own_files import keep_checked, read_checked
from coach.ground.problem import CoachError, UsageError
from coach.log import cache
from coach.log.entries import Correction, Entry, Named, Rep, Suggestion, new_id
from coach.log.lines import line_of
from coach.log.log import Log
from coach.log.people import chosen_player, players_of
from coach.log.upkeep import backup_log, check_log, forget
from coach.music.excerpt import LoggedPassage
from coach.rating.fault import Fault
from coach.rating.table import LATE
from tests.logs import A_CHOKE, DAY, FAULTS, NOON, PASSAGE, id_at, opened, passage_named, rep_at

TODAY = date(2026, 12, 3)
OTHER = passage_named("second", "doors")


class Tally:
    """A fold that keeps every step, so that order, day and number of steps can be seen; and how often it folds."""

    name = "tally"

    def __init__(self, version: str = "1") -> None:
        self.version = version
        self.steps = 0

    def initial(self) -> list[list[Any]]:
        return []

    def step(self, state: list[list[Any]], rep: Rep, passage: LoggedPassage) -> list[list[Any]]:
        self.steps += 1
        state.append(
            [rep.id, rep.day_number, None if rep.faults is None else len(rep.faults), len(passage.events)]
        )
        return state

    def plain(self, state: list[list[Any]]) -> list[list[Any]]:
        return [list(row) for row in state]

    def state(self, plain: Any) -> list[list[Any]]:
        if not isinstance(plain, list):
            raise TypeError("no list")
        return [list(row) for row in plain]


def send(
    log: Log, at_ms: int, faults: tuple[Fault, ...] | None = (), passage: LoggedPassage = PASSAGE
) -> Rep:
    rep = rep_at(log, at_ms, faults, passage)
    assert log.send((rep, passage)) is None
    return rep


def test_what_was_sent_is_read_back_by_another_process_in_order_of_day_and_id(tmp_path: Path) -> None:
    with opened(tmp_path) as log:
        late, early = send(log, NOON + DAY), send(log, NOON, A_CHOKE, OTHER)
        with opened(tmp_path, read_only=True) as other:
            assert other.reps() == [early, late]
            assert other.counted() == [(early, OTHER), (late, PASSAGE)]
            assert other.reps(since=early.day, until=early.day) == [early]
            assert other.reps(since=late.day) == [late]
            assert other.reps(until=early.day) == [early]
            assert other.counted(drill="doors") == [(early, OTHER)]
            assert other.counted(drill="door") == []
            assert other.original(early.id) == early
            assert other.original(early.id[-9:]) is None
            assert other.ending_in(early.id[-9:].lower()) == {early.id: early}
            assert other.titles() == {PASSAGE.excerpt: "lantern", OTHER.excerpt: "second"}
            assert other.latest_ms(early.day) == NOON
            assert other.latest_ms(date(2026, 12, 9)) == 0
            assert other.reps(since=date.min, until=date.max) == [early, late]


def test_a_rep_of_another_zone_counts_on_its_own_day(tmp_path: Path) -> None:
    with opened(tmp_path) as log:
        for offset_min, day in ((14 * 60, date(2026, 12, 3)), (-12 * 60, date(2026, 12, 2))):
            rep = replace(rep_at(log, NOON - 43_200_000 + offset_min), utc_offset_min=offset_min)
            log.send((rep, PASSAGE))
            assert rep.day == day
            assert [one.id for one in log.reps(since=day, until=day)] == [rep.id]


def test_the_latest_word_on_a_rep_counts_and_the_first_is_kept(tmp_path: Path) -> None:
    with opened(tmp_path) as log:
        rep = send(log, NOON)
        assert log.correct(rep, A_CHOKE, NOON - 99) is None
        assert log.reps() == [rep.rated_as(A_CHOKE)]
        assert log.correct(rep, None, NOON - 99, void=True) is None
        assert log.reps() == []
        assert log.correct(rep, None, NOON - 99) is None
        assert log.reps() == [rep.rated_as(None)]
        times = [word.at_ms for word in log.corrections(rep.id)]
        assert times == [NOON, NOON + 1, NOON + 2]
        assert log.original(rep.id) == rep
        assert log.original("0" * 26) is None
        with opened(tmp_path) as other:
            assert other.reps() == [rep.rated_as(None)]


def test_undo_takes_the_latest_that_counts_and_says_which(tmp_path: Path) -> None:
    with opened(tmp_path) as log:
        assert log.undo_last(NOON) is None
        first, second = send(log, NOON), send(log, NOON + 5)
        assert log.undo_last(NOON) == (second, None)
        assert log.undo_last(NOON) == (first, None)
        assert log.undo_last(NOON) is None


def test_a_rep_with_another_passage_than_its_own_is_refused(tmp_path: Path) -> None:
    with opened(tmp_path) as log:
        with pytest.raises(ValueError, match="is of passage"):
            log.send((rep_at(log), OTHER))
        assert log.sent == []
    with opened(tmp_path, read_only=True) as log, pytest.raises(ValueError, match="open only for reading"):
        log.send(Entry(id_at(NOON), id_at(NOON), NOON, 0, "hurt"))
    with pytest.raises(CoachError, match="nobody has practised here yet"):
        _ = opened(tmp_path, read_only=True).player


def test_a_record_that_stands_in_several_files_counts_once(tmp_path: Path) -> None:
    with opened(tmp_path) as log:
        rep = send(log, NOON, A_CHOKE)
        log.correct(rep, (), NOON + 5)
        log.send(Entry(id_at(NOON, "e"), log.player.id, NOON, 60, "note", {"text": "x"}))
    path = tmp_path / "log" / "here-2026.jsonl"
    (tmp_path / "log" / "a copy.jsonl").write_bytes(path.read_bytes() * 2)
    with opened(tmp_path) as log:
        assert log.reps() == [rep.rated_as(())]
        assert len(log.entries()) == len(log.corrections(rep.id)) == 1
        assert len(log.ending_in(rep.id)) == 1
        assert check_log(log).problems == ()


def test_of_two_records_of_one_id_the_one_in_the_first_file_counts_and_the_other_is_told(
    tmp_path: Path,
) -> None:
    with opened(tmp_path) as log:
        rep = send(log, NOON, A_CHOKE)
    other = tmp_path / "log" / "z.jsonl"
    other.write_bytes(line_of(replace(rep, faults=())))
    with opened(tmp_path) as log:
        assert log.reps() == [rep]
        (problem,) = check_log(log).problems
        assert (
            str(problem) == f"{other}:1: contradicts an earlier line about {rep.id}; the earlier one counts"
        )


def test_a_trial_counts_its_own_words_and_writes_nothing(tmp_path: Path) -> None:
    with opened(tmp_path) as log:
        send(log, NOON)
        before = (tmp_path / "log" / "here-2026.jsonl").read_bytes()
        trial = log.trial()
        assert trial.player == log.player
        rep = rep_at(trial, NOON + 5)
        assert trial.send((rep, PASSAGE)) is None
        assert trial.waiting == []
        assert [one.id for one in trial.reps()][-1] == rep.id
        assert len(trial.state(Tally(), TODAY)) == 2
        assert trial.undo_last(NOON + 9) == (rep, None)
        assert len(trial.state(Tally(), TODAY)) == 1
        assert (tmp_path / "log" / "here-2026.jsonl").read_bytes() == before
        assert len(log.reps()) == 1
        log.send_all(trial.sent)
        assert len(log.reps()) == 1
        assert len(log.corrections(rep.id)) == 1


def test_a_trial_of_a_new_player_brings_the_name_along(tmp_path: Path) -> None:
    with opened(tmp_path, "Cleo") as log:
        trial = log.trial()
        trial.send((rep_at(trial), PASSAGE))
        log.send_all(trial.sent)
        assert log.send(Entry(id_at(NOON, "e"), log.player.id, NOON, 0, "hurt")) is None
    with opened(tmp_path, "cleo") as log:
        assert [player.name for player in log.players()] == ["Cleo"]
        assert len(log.reps()) == 1


# Whose it is


def named(player: str, name: str, at_ms: int = NOON) -> Named:
    return Named(id_at(at_ms, name + player), player, at_ms, name)


def test_players_of_one_name_are_one_person_with_the_earliest_id() -> None:
    one, two, three = (id_at(NOON + index) for index in range(3))
    (ada, ben) = players_of([named(two, "ÁDA ", NOON + 5), named(one, "Ada"), named(three, "Ben")])
    assert (ada.id, ada.name, ada.ids) == (one, "ÁDA ", (one, two))
    assert (ben.id, ben.ids) == (three, (three,))
    assert players_of([named(one, "Ada"), named(one, "Cleo", NOON + 1)])[0].name == "Cleo"
    assert [player.name for player in players_of([named(one, "b"), named(two, "A")])] == ["A", "b"]


def test_a_player_is_chosen_by_name_or_by_the_letters_of_any_id() -> None:
    one, two, three = (id_at(NOON + index) for index in range(3))
    known = players_of([named(two, "Ada"), named(one, "ada"), named(three, "Ben")])
    ada, ben = known
    assert chosen_player(known, "ADA") == ada
    assert chosen_player(known, two[-6:].lower()) == ada
    assert chosen_player(known, three[-5:]) is None
    assert chosen_player(known, "nobody") is None
    assert chosen_player([ben], "") == ben
    assert chosen_player([], "") is None
    with pytest.raises(UsageError, match=rf"several players: Ada \({one[-6:]}\), Ben \({three[-6:]}\)"):
        chosen_player(known, "")


def test_two_machines_that_began_apart_are_one_log_in_one_folder(tmp_path: Path) -> None:
    with opened(tmp_path / "one", machine="here") as log:
        first = send(log, NOON)
    with opened(tmp_path / "two", "ADA", machine="there") as log:
        second = send(log, NOON + 5)
        (tmp_path / "two" / "log" / "here-2026.jsonl").write_bytes(
            (tmp_path / "one" / "log" / "here-2026.jsonl").read_bytes()
        )
        log.refresh()
        assert [rep.id for rep in log.reps()] == [first.id, second.id]
        assert {rep.player for rep in log.reps()} == {min(first.player, second.player)}
        assert len(log.player.ids) == 2
        log.send(Entry(id_at(NOON, "e"), second.player, NOON, 60, "note", {"text": "x"}))
        assert [len(log.entries(player=one)) for one in log.player.ids] == [1, 1]


def test_a_new_name_is_a_new_player_and_a_wrong_one_is_told_with_those_known(tmp_path: Path) -> None:
    with opened(tmp_path) as log:
        send(log, NOON)
    with pytest.raises(UsageError, match=r"nobody called 'Cleo' has practised here.*known: Ada"):
        opened(tmp_path, "Cleo", read_only=True)
    with opened(tmp_path, "") as log:
        assert log.player.name == "Ada"
        assert log.name_meant("") == "Ada"
        assert log.name_meant("Ben") == "Ben"
    with opened(tmp_path / "empty", "") as log:
        assert (log.player.name, log.name_meant("")) == ("player", "player")
    with pytest.raises(UsageError, match="a name has 1 to 60 letters; this one has 61"):
        opened(tmp_path, "a" * 61)
    assert opened(tmp_path, "a" * 60).player.name == "a" * 60


def test_a_player_whose_name_was_lost_is_called_by_the_end_of_the_id(tmp_path: Path) -> None:
    with opened(tmp_path) as log:
        rep = send(log, NOON)
        log.send(Entry(id_at(NOON, "e"), id_at(NOON, "somebody"), NOON, 60, "hurt"))
    path = tmp_path / "log" / "here-2026.jsonl"
    kept = [line for line in path.read_bytes().splitlines(keepends=True) if not line.startswith(b'{"named"')]
    path.write_bytes(b"".join(kept))
    with Log.open(tmp_path / "log", None, now_ms=NOON, read_only=True) as log:
        names = {f"recovered {one[-6:]}" for one in (rep.player, id_at(NOON, "somebody"))}
        assert {player.name for player in log.players()} == names
        assert [one.id for one in log.reps(player=rep.player)] == [rep.id]
        assert log.book.person("X" * 26).ids == ("X" * 26,)


def test_a_rename_later_than_the_clock_says_counts(tmp_path: Path) -> None:
    with opened(tmp_path) as log:
        send(log, NOON)
        assert log.rename(log.player.ids, "Cleo", NOON - DAY) is None
        assert log.player.name == "Cleo"
        with pytest.raises(UsageError):
            log.rename(log.player.ids, " ", NOON)
    with opened(tmp_path, "cleo") as log:
        assert len(log.reps()) == 1


# What follows from it


def test_a_fold_sees_what_counts_in_order_and_goes_on_from_its_cache(tmp_path: Path) -> None:
    with opened(tmp_path) as log:
        first = send(log, NOON - 2 * DAY, A_CHOKE)
        second = send(log, NOON - DAY)
        void = send(log, NOON - DAY + 9)
        log.correct(void, None, NOON, void=True)
        tally = Tally()
        state = log.state(tally, TODAY)
        assert [row[0] for row in state] == [first.id, second.id]
        assert [row[2] for row in state] == [1, 0]
        assert tally.steps == 2
        third = send(log, NOON)
        assert [row[0] for row in log.state(tally, TODAY)] == [first.id, second.id, third.id]
        assert tally.steps == 3
        assert log.state(tally, TODAY) == log.state(tally, TODAY)
        assert tally.steps == 3
    again = Tally()
    with opened(tmp_path, read_only=True) as log:
        assert len(log.state(again, TODAY)) == 3
        assert again.steps == 1, "all but today's come from the cache"
        assert len(log.state(again, TODAY + (TODAY - date(2026, 12, 2)))) == 3


def test_a_correction_of_today_folds_from_the_checkpoint_and_of_an_earlier_day_anew(tmp_path: Path) -> None:
    with opened(tmp_path) as log:
        old, mine = send(log, NOON - DAY), send(log, NOON)
        tally = Tally()
        log.state(tally, TODAY)
        assert tally.steps == 2
        log.correct(mine, A_CHOKE, NOON + 5)
        assert [row[2] for row in log.state(tally, TODAY)] == [0, 1]
        assert tally.steps == 3
        log.correct(old, A_CHOKE, NOON + 5)
        assert [row[2] for row in log.state(tally, TODAY)] == [1, 1]
        assert tally.steps == 5
    again = Tally()
    with opened(tmp_path) as log:
        assert [row[2] for row in log.state(again, TODAY)] == [1, 1]
        assert again.steps == 1


def test_what_was_suggested_late_stands_beside_whatever_holds_and_after_each_correction(
    tmp_path: Path,
) -> None:
    late = (Suggestion(2, "choked", 0.9, "microphone"),)
    with opened(tmp_path) as log:
        mine, other = send(log, NOON), send(log, NOON + 1)
        log.add_suggestions(mine, late, NOON + 5)
        assert log.reps()[0] == replace(mine, suggestions=late)
        log.correct(mine, A_CHOKE, NOON + 6)
        assert log.reps()[0] == replace(mine, faults=A_CHOKE, suggestions=late)
        log.correct(other, None, NOON + 7, void=True)
        log.add_suggestions(other, late, NOON + 7)
    with opened(tmp_path) as log:
        assert log.reps() == [replace(mine, faults=A_CHOKE, suggestions=late)]


def test_what_was_suggested_late_takes_back_no_result_whatever_the_clocks_say(tmp_path: Path) -> None:
    late = (Suggestion(2, "choked", 0.9, "microphone"),)
    with opened(tmp_path) as log:
        mine, void = send(log, NOON), send(log, NOON + 1)
        for rep in (mine, void):
            log.add_suggestions(rep, late, NOON + 60_000)
        # As a session writes them whose clock was set back, or another machine whose clock is slow.
        log.send(Correction(new_id(NOON + 5, bytes(10)), mine.id, NOON + 5, A_CHOKE))
        log.send(Correction(new_id(NOON + 6, bytes(10)), void.id, NOON + 6, None, void=True))
        assert log.reps() == [replace(mine, faults=A_CHOKE, suggestions=late)]


def test_anothers_corrections_do_not_fold_mine_anew(tmp_path: Path) -> None:
    with opened(tmp_path, "Ben") as log:
        theirs = send(log, NOON - DAY)
    with opened(tmp_path) as log, opened(tmp_path, "Ben") as other:
        send(log, NOON - DAY)
        tally = Tally()
        log.state(tally, TODAY)
        other.correct(theirs, A_CHOKE, NOON)
        log.state(tally, TODAY)
        assert tally.steps == 1


def test_a_late_line_and_a_passage_that_comes_back_fold_anew(tmp_path: Path) -> None:
    with opened(tmp_path) as log:
        first, last = send(log, NOON - 3 * DAY), send(log, NOON)
        tally = Tally()
        log.state(tally, TODAY)
        with opened(tmp_path, machine="there") as other:
            late = send(other, NOON - 2 * DAY)
        assert [row[0] for row in log.state(tally, TODAY)] == [first.id, late.id, last.id]
    path = tmp_path / "log" / "here-2026.jsonl"
    data = path.read_bytes()
    path.write_bytes(b"".join(line for line in data.splitlines(keepends=True) if b'{"passage"' not in line))
    (tmp_path / "log" / "there-2026.jsonl").unlink()
    with opened(tmp_path) as log:
        assert [row[3] for row in log.state(Tally(), TODAY)] == [0, 0]
        lost = LoggedPassage(PASSAGE.id, PASSAGE.excerpt, "", "", ())
        assert log.counted()[0] == (first, lost)
        assert any("what it played is lost" in one.message for one in check_log(log).problems)
    (tmp_path / "log" / "z.jsonl").write_bytes(line_of(PASSAGE))
    with opened(tmp_path) as log:
        assert [row[3] for row in log.state(Tally(), TODAY)] == [3, 3]


@pytest.mark.parametrize("how", ["version", "player", "file", "missing", "cut", "no state", "facts"])
def test_a_cache_that_does_not_match_is_not_believed(tmp_path: Path, how: str) -> None:
    with opened(tmp_path) as log:
        send(log, NOON - DAY)
        send(log, NOON)
        log.state(Tally(), TODAY)
        player = log.player.id
    path, kept = tmp_path / "log" / "here-2026.jsonl", tmp_path / "cache" / f"tally-{player}.json"
    tally = Tally("2" if how == "version" else "1")
    head, _, text = read_checked(kept).partition(b"\n")
    if how == "player":
        with opened(tmp_path, "Addie", machine="there") as log:
            send(log, NOON + 1)
            log.rename(log.player.ids, "ada", NOON)
    elif how == "file":
        lines = path.read_bytes().splitlines(keepends=True)
        path.write_bytes(b"".join([lines[1], lines[0], *lines[2:]]))
    elif how == "missing":
        kept.unlink()
    elif how == "cut":
        kept.write_bytes(kept.read_bytes()[:-1])
    elif how == "no state":
        keep_checked(kept, head + b"\n{}")
    elif how == "facts":
        keep_checked(kept, json.dumps({**json.loads(head), "day": "x"}).encode() + b"\n" + text)
    with opened(tmp_path) as log:
        state = log.state(tally, TODAY)
        assert tally.steps == len(state) == (3 if how == "player" else 2)


def test_a_rep_dated_in_the_future_is_told_kept_and_left_out_until_its_day(tmp_path: Path) -> None:
    with opened(tmp_path) as log:
        mine, ahead = send(log, NOON), send(log, NOON + 2 * DAY)
        tally = Tally()
        assert [row[0] for row in log.state(tally, TODAY)] == [mine.id]
        (notice,) = log.notices
        assert notice == (
            f"{tmp_path / 'log' / 'here-2026.jsonl'}:4: 1 repetition dated after today, the first on 2026-12-05: "
            "saved, but left out of the plan until then (is this machine's clock right?)"
        )
        assert log.reps() == [mine, ahead]
    with opened(tmp_path) as log:
        assert [row[0] for row in log.state(tally, date(2026, 12, 4))] == [mine.id]
        assert len(log.notices) == 1
        assert [row[0] for row in log.state(tally, date(2026, 12, 5))] == [mine.id, ahead.id]
        assert log.notices == ()
        assert [row[0] for row in log.state(tally, TODAY)] == [mine.id]


def test_a_state_of_an_earlier_day_is_folded_for_itself_and_kept_by_nobody(tmp_path: Path) -> None:
    with opened(tmp_path) as log:
        first, _ = send(log, NOON - 5 * DAY), send(log, NOON)
        log.state(Tally(), TODAY)
        kept = {path: path.read_bytes() for path in (tmp_path / "cache").iterdir()}
        assert [row[0] for row in log.state(Tally(), date(2026, 11, 29))] == [first.id]
        assert log.state(Tally(), date(2026, 11, 1)) == []
        assert {path: path.read_bytes() for path in (tmp_path / "cache").iterdir()} == kept
        tally = Tally()
        assert len(log.state(tally, TODAY)) == 2


def test_a_cache_with_very_much_beyond_its_checkpoint_is_not_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(cache, "MOST_OPEN", 2)
    with opened(tmp_path) as log:
        for index in range(3):
            send(log, NOON + index)
        assert len(log.state(Tally(), TODAY)) == 3
        assert not list((tmp_path / "cache").glob("tally*"))
        monkeypatch.setattr(cache, "MOST_OPEN", 3)
        assert len(log.state(Tally(), TODAY)) == 3
        assert list((tmp_path / "cache").glob("tally*"))


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(seed=st.integers(0, 2**32))
def test_a_state_with_its_cache_is_the_one_folded_anew_whatever_came_when(
    tmp_path_factory: pytest.TempPathFactory, seed: int
) -> None:
    rng = random.Random(seed)
    folder = tmp_path_factory.mktemp("log")
    moment = NOON
    for start in range(4):
        with opened(folder, rng.choice(["Ada", "Ada", "Ben"]), rng.choice(["here", "there"])) as log:
            for _ in range(rng.randrange(6)):
                # A repetition's id is made of its moment here, and no two may share one.
                moment += rng.choice([1000, DAY // 2, -DAY, 2 * DAY]) + 1
                rep = send(log, moment, rng.choice(FAULTS), rng.choice([PASSAGE, OTHER]))
                if rng.random() < 0.4:
                    reps = [*log.reps(), rep]
                    log.correct(rng.choice(reps), rng.choice(FAULTS), moment, void=rng.random() < 0.3)
                if rng.random() < 0.5:
                    log.state(Tally(), rep.day)
            day = date.fromordinal(TODAY.toordinal() + rng.randrange(-3, 9))
            kept = log.state(Tally(), day)
            anew = Log(log.folder, None, folder / f"nothing {start}").state(Tally(), day, log.player.id)
            assert kept == anew
            assert kept == sorted(kept, key=lambda row: (row[1], row[0]))
            assert [row[0] for row in kept] == [rep.id for rep in log.reps(until=day)]


# Care


def test_a_check_counts_records_and_names_what_lacks_its_partner(tmp_path: Path) -> None:
    with opened(tmp_path) as log:
        rep = send(log, NOON)
        log.send(Correction(id_at(NOON, "c"), id_at(NOON, "nobody"), NOON, ()))
        health = check_log(log)
        assert health.counts == {"passage": 1, "named": 1, "rep": 1, "correction": 1}
        (problem,) = health.problems
        assert problem.severity == "warning"
        assert problem.line == 4
        assert f"corrects a repetition that is missing, {id_at(NOON, 'nobody')}" in problem.message
        assert rep.id


def test_a_check_believes_no_cache(tmp_path: Path) -> None:
    with opened(tmp_path) as log:
        send(log, NOON)
    path = tmp_path / "log" / "here-2026.jsonl"
    data = path.read_bytes()
    damaged = data.replace(b'"tempo_bpm":52', b'"tempo_bpm":53')
    path.write_bytes(damaged)
    with opened(tmp_path) as log:
        log.refresh()
    for _ in range(2):
        with opened(tmp_path) as log:
            assert [problem.line for problem in check_log(log).problems] == [3, 3]
            assert check_log(log).counts == {"passage": 1, "named": 1}


def test_a_backup_holds_each_whole_line_once(tmp_path: Path) -> None:
    with opened(tmp_path) as log:
        with pytest.raises(CoachError, match="there is no log yet"):
            backup_log(log, NOON)
        send(log, NOON)
    path = tmp_path / "log" / "here-2026.jsonl"
    data = path.read_bytes()
    path.write_bytes(data + b"broken\n")
    (tmp_path / "log" / "there-2026.jsonl").write_bytes(data)
    with opened(tmp_path) as log:
        kept = backup_log(log, NOON)
        assert kept == tmp_path / "backups" / "log-20261203T120000Z.jsonl"
        assert kept.read_bytes() == data
        assert backup_log(log, NOON).name == "log-20261203T120000Z-2.jsonl"
        with pytest.raises(CoachError, match="can't be written: no such file"):
            backup_log(log, NOON, tmp_path / "nowhere" / "x.jsonl")


def test_forgetting_leaves_others_whole_and_no_memory_of_what_went(tmp_path: Path) -> None:
    with opened(tmp_path, "Ben") as log:
        theirs = send(log, NOON, (Fault(3, LATE),), OTHER)
        log.correct(theirs, (), NOON + 1)
    with opened(tmp_path) as log:
        mine = send(log, NOON + 5)
        send(log, NOON + 9, passage=passage_named("mine alone"))
        log.correct(mine, A_CHOKE, NOON + 7)
        log.send(Entry(id_at(NOON, "e"), log.player.id, NOON, 60, "hurt"))
        log.state(Tally(), TODAY)
        done = forget(log, log.player)
        log.sent.clear()
        assert done.lines == 7
        assert [path.name for path in done.cleaned] == ["here-2026.jsonl"]
        assert done.unreadable == ()
        assert not list((tmp_path / "cache").glob("tally*"))
        assert [player.name for player in log.players()] == ["Ben"]
    with opened(tmp_path, "Ben") as log:
        assert log.notices == ()
        assert log.reps() == [theirs.rated_as(())]
        assert log.counted()[0][1] == OTHER
        kinds = [
            line.split(b'"')[1] for line in (tmp_path / "log" / "here-2026.jsonl").read_bytes().splitlines()
        ]
        assert kinds == [b"passage", b"named", b"rep", b"correction"]
