"""What players say that they play already: a word, logged, that the plan begins with and repetitions overrule."""

from __future__ import annotations

import json

import pytest

from coach.cli import main
from coach.learning.known import known_body, known_of
from coach.learning.learning import LearningFold, Learnt
from coach.learning.material import material_of
from coach.learning.readings import rung_of
from coach.log.entries import Entry, new_id
from coach.rating.table import CHOKED
from tests.samples import sample_drill
from tests.screens import NOW_MS, running
from tests.test_learning import DAY, part_of
from tests.test_tui_screens import DRILL_TEXT

DRILL = sample_drill()
MATERIAL = material_of([DRILL])
PARTS = [part_of(DRILL, number) for number in (0, 1)]


def pocket(folder):
    """A practice folder with a drill of one phrase."""
    (folder / "drills").mkdir()
    (folder / "drills" / "pocket.yaml").write_text(DRILL_TEXT)


def word(bpm: int, phrase: str = "", number: int = 0) -> Entry:
    passages = [part.passage for part in PARTS if phrase in ("", part.excerpt.phrases[0])]
    body = json.loads(json.dumps(known_body(DRILL.id, phrase, bpm, DRILL.goal_bpm, passages)))
    at_ms = NOW_MS + number * 1000
    return Entry(new_id(at_ms, bytes(10)), "p", at_ms, 60, "known", body)


def learnt_from(*entries: Entry) -> Learnt:
    return LearningFold(known_of(entries)).hear(Learnt(), DAY + 10_000)


@pytest.mark.parametrize("bpm", [40, 60, 72])
def test_the_plan_begins_near_the_tempo_that_was_named_slower_than_the_drills_start_too(bpm):
    learnt = learnt_from(word(bpm))
    day = known_of([word(bpm)])[0].day
    assert all(0.85 * bpm <= rung_of(learnt, part, day) <= 1.15 * bpm for part in PARTS)
    assert all(learnt.records[part.key].reps == 0 for part in PARTS)


def test_the_latest_word_counts_and_0_takes_it_back():
    assert [one.bpm for one in known_of([word(60), word(70, number=1)])] == [70]
    assert known_of([word(60), word(0, number=1)]) == ()
    both = known_of([word(60), word(70, "lamp", number=1)])
    assert [(one.bpm, len(one.excerpts)) for one in both] == [(60, 2), (70, 1)]
    taken_back = learnt_from(word(60), word(0, number=1))
    assert LearningFold().plain(taken_back) == LearningFold().plain(Learnt())


def test_a_few_failed_repetitions_overrule_the_word():
    learnt, lamp = learnt_from(word(72)), PARTS[0]
    before = rung_of(learnt, lamp, DAY)
    for _ in range(4):
        bpm = rung_of(learnt, lamp, DAY)
        learnt.take(lamp.excerpt, lamp.keys, bpm, DRILL.goal_bpm, {1: CHOKED, 2: CHOKED}, DAY)
    assert rung_of(learnt, lamp, DAY) < 0.8 * before


def test_what_cannot_be_read_is_passed_over():
    odd = Entry(
        new_id(NOW_MS, bytes(10)), "p", NOW_MS, 60, "known", {"drill": "x", "phrase": [], "bpm": "fast"}
    )
    assert known_of([odd]) == ()


def test_the_command_says_it_lists_it_and_takes_it_back(tmp_path, capsys):
    pocket(tmp_path)

    def coach(*words: str) -> str:
        assert main([*words, "--folder", str(tmp_path)]) == 0
        return capsys.readouterr().out

    told = coach("know", "pocket", "70")
    assert "counts as clean passes at about 70 bpm until you play it; harder places start slower" in told
    told = coach("know", "latch-of-the-gate", "70")
    assert "harder phrases, and the whole piece, start slower" in told
    coach("know", "latch-of-the-gate", "--undo")
    assert "at about 70 bpm" in coach("know")
    plan = json.loads(coach("plan", "pocket", "--json"))
    assert max(item["tempo_bpm"] or 0 for item in plan["items"][:4]) >= 60
    assert not [
        item for item in plan["items"] if item["purpose"] == "begin" and "piece" not in str(item["excerpt"])
    ]
    assert "taken back" in coach("know", "pocket", "--undo")
    plan = json.loads(coach("plan", "pocket", "--json"))
    assert plan["items"][1]["purpose"] == "begin"


def test_a_word_is_no_practice_day_of_a_forecast(tmp_path, capsys):
    pocket(tmp_path)
    folder = ["--folder", str(tmp_path)]
    assert main(["know", "pocket", "60", *folder]) == 0
    capsys.readouterr()
    assert main(["forecast", "pocket", "--draws", "2", "--json", *folder]) == 0
    assert json.loads(capsys.readouterr().out)["practised_days"] == 0


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["pocket/on", "70"], "it has one (did you mean one?)"),
        (["pocket"], "needs either a tempo or --undo (coach know pocket 60)"),
        (["pocket", "700"], "outside 20 to 300 bpm"),
        (["pocket", "70", "--date", "2999-01-01"], "--date: 2999-01-01 is yet to come; today is"),
        (["--undo"], "needs a drill"),
    ],
)
def test_a_slip_is_told(tmp_path, capsys, words, said):
    pocket(tmp_path)
    assert main(["know", *words, "--folder", str(tmp_path)]) in (1, 2)
    assert said in capsys.readouterr().err


async def test_on_the_plan_one_key_asks_and_the_plan_is_made_anew(tmp_path):
    pocket(tmp_path)
    async with running(tmp_path) as (app, pilot, _player):
        chosen = app.screen.plan.items[1].excerpt
        await pilot.press("down", "i", *"76", "enter")
        await pilot.pause()
        assert "begin" not in {item.purpose for item in app.screen.plan.items if item.excerpt == chosen}
        assert [entry.body["bpm"] for entry in app.desk.log.entries("known")] == [76]
        await pilot.press("d", "i", *"0x", "enter")
        await pilot.pause()
        assert "a whole number from 20" in str(app.screen.query_one("#foot").render())
