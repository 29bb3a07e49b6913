"""An answers file: every line's meaning and every slip's message."""

from __future__ import annotations

from datetime import UTC, date, datetime

import pytest

from coach.cli import main
from coach.commands.practice import _enter
from coach.ground.places import Places
from coach.ground.problem import CoachError
from coach.log.entries import practice_day
from coach.rating.fault import Fault
from coach.rating.table import CHOKED, DROPPED, LATE, LIFT
from coach.session.answers import At, DayLine, Line, RepLine, load_answers, read_answers
from coach.session.desk import Desk
from coach.session.entered import hours_before


def test_lines_say_results_days_and_what_else_was_played():
    text = """
    # a quiet evening
    clean
    choked 2 5 lift   # the thumb
    late 3; dropped 1
    at lamp/bass 60
    clean
    at lamp/together 72 choked 4.1
    day 2026-12-03
    skip
    stop
    """
    answers = read_answers(text, "a.txt")
    assert [type(answer) for answer in answers] == [RepLine] * 5 + [DayLine, Line, Line]
    reps = [answer for answer in answers if isinstance(answer, RepLine)]
    assert reps[0].faults == ()
    assert reps[1].faults == (Fault(2, CHOKED, LIFT), Fault(5, CHOKED, LIFT))
    assert reps[2].faults == (Fault(1, DROPPED), Fault(3, LATE))
    assert reps[3].at == At("lamp", "bass", 60)
    assert reps[4].at == At("lamp", "together", 72)
    assert reps[4].faults == (Fault(4, CHOKED, note=1),)
    assert isinstance(answers[5], DayLine)
    assert answers[5].day == date(2026, 12, 3)


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ("claen", r"a.txt:1:1: found 'claen', expected clean, .*\(clean\?\)"),
        ("choked", r"choked names no event \(choked 2 5, with the labels"),
        ("choked x", r"found 'x', expected an event's label or one of position, lift, pluck"),
        ("choked 2 lfit", r"found 'lfit', .* \(lift\?\)"),
        ("choked 0", r"found '0'"),
        ("cho|ked 2", r"found 'cho\|ked', expected .*\(choked\?\)"),
        ("choked 2; late 3x", r"a.txt:1:16: found '3x'"),
        ("  at lamp/bass 60 claen", r"a.txt:1:19: found 'claen'"),
        ("clean\n\n at lamp/bass", r"a.txt:3:1: at lamp/bass is followed by no result"),
        ("choked 2; late 2", r"event 2 has two results"),
        ("choked 2; clean", r"clean goes alone"),
        ("choked 2;", r"nothing on one side of a semicolon"),
        ("day 3.12.2026", r"'3.12.2026' is not a date \(day 2026-12-03, year first\?\)"),
        ("day 2026-02-30", r"is not a date"),
        ("at lamp 60 clean", r"found at 'lamp 60 clean', .*\(at lamp/together 60 clean\?\)"),
        ("at lamp/bass 600 clean", r"600 bpm is outside 20 to 300"),
        ("at lamp/bass 60 claen", r"found 'claen', .*\(clean\?\)"),
        ("at lamp/bass claen", r"found 'claen', .*\(clean\?\)"),
        ("at lamp/bass 60 foo", r"found 'foo', expected clean"),
        ("at lamp/bass 60\nstop", r"followed by stop, not by a result"),
        ("at lamp/bass 60", r"followed by no result"),
    ],
)
def test_each_slip_is_told_with_its_line_and_the_way_out(line, says):
    with pytest.raises(CoachError, match=says):
        read_answers(line, "a.txt")


@pytest.mark.parametrize(
    ("line", "at", "faults"),
    [
        ("at river/harmonics clean", At("river", "harmonics"), ()),
        (
            "at river/harmonics choked 3; late 7",
            At("river", "harmonics"),
            (Fault(3, CHOKED), Fault(7, LATE)),
        ),
        (
            "at Old River/high voice 2 72 late 7",
            At("Old River", "high voice 2", 72),
            (Fault(7, LATE),),
        ),
        ("at lamps/river/bass\nclean", At("lamps/river", "bass"), ()),
    ],
)
def test_the_tempo_of_what_was_played_elsewhere_may_be_left_out(line, at, faults):
    (answer,) = read_answers(line, "a.txt")
    assert isinstance(answer, RepLine)
    assert (answer.at, answer.faults) == (at, faults)


def test_all_slips_of_a_file_are_told_at_once():
    with pytest.raises(CoachError) as caught:
        read_answers("claen\nclean\nchoked\n", "a.txt")
    assert [problem.line for problem in caught.value.problems] == [1, 3]


def test_one_slip_after_a_place_is_told_once():
    for text in (
        "at lamp/bass\nclaen\nstop\n",
        "at lamp/bass\nclaen\n",
        "at lamp/bass\nat lamp/bass\nclean\n",
    ):
        with pytest.raises(CoachError) as caught:
            read_answers(text, "a.txt")
        assert [problem.line for problem in caught.value.problems] == [2]


def test_a_missing_file_a_folder_and_binary_are_each_told_in_one_line(tmp_path):
    (tmp_path / "noise").write_bytes(b"\xff\xfe\x00\x81")
    for path, says in [
        (tmp_path / "none.txt", "there is no such file"),
        (tmp_path, "this is a folder, not an answers file"),
        (tmp_path / "noise", "an answers file is UTF-8"),
    ]:
        with pytest.raises(CoachError, match=says):
            load_answers(str(path))


def test_a_drill_where_a_phrase_belongs_is_told_how_to_name_one_of_its_phrases(tmp_path, capsys):
    path = tmp_path / "answers"
    path.write_text("at first-pour/ladle clean\n")
    assert main(["practice", "first-pour", "--answers", str(path), "--folder", str(tmp_path)]) == 1
    assert "at first-pour/ladle/together" in capsys.readouterr().err


def test_practice_that_is_entered_was_played_before_now_and_in_its_order(tmp_path):
    """At any hour of the day: on the screen and by an answers file, with and without its day."""
    for number, (hour, lines) in enumerate(
        ((4, "clean\n" * 40), (10, "day 2026-03-02\nclean\nclean\n"), (23, ""))
    ):
        folder = tmp_path / str(number)
        path = tmp_path / "a.txt"
        path.write_text(lines or "clean\nlate 2\nclean\n")
        now = datetime(2026, 3, 2, hour, 1, tzinfo=UTC)
        present_ms = round(now.timestamp() * 1000)
        clock = hours_before(present_ms, 0)
        assert practice_day(*clock()) == now.date()
        with Desk.open(Places(folder), clock=clock, silent=True) as desk:
            _enter(load_answers(str(path)), str(path), desk, clock, [])
            reps = desk.log.reps()
        assert len(reps) == path.read_text().count("\n") - lines.startswith("day")
        times = [rep.at_ms for rep in reps]
        assert times == sorted(times)
        assert len(set(times)) == len(times)
        assert times[-1] < present_ms
        assert {rep.day for rep in reps} == {now.date()}
