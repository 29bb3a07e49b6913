"""The benchmarks' arithmetic and table; what they measure is not run here."""

from __future__ import annotations

import importlib
import json
from pathlib import Path

import pytest

from benchmarks.__main__ import SUBJECTS, machine_text, markdown_lines, text_table
from benchmarks.bench_parts import PARTS, texts_without
from benchmarks.measure import Goal, Row, as_json, beside, in_turns, machine, percentile
from benchmarks.yardsticks import Yardstick


def test_a_ratio_is_the_median_of_the_turns_and_not_the_ratio_of_medians():
    # Turn by turn 2, 1/4 and 3 times as long; the medians 20 and 30 would give 2/3.
    row = beside("x", "ms", "y", [20, 10, 90], [10, 40, 30])
    assert row.ratio == 2
    assert row.spread == (1.125, 2.5)
    assert beside("x", "ms", "y", [20, 10, 90], [10, 40, 30], faster=True).ratio == 0.5


@pytest.mark.parametrize(
    ("goal", "met"),
    [(Goal(2), True), (Goal(1.9), False), (Goal(2.1, at_least=True), False), (Goal(15, "ms"), False)],
)
def test_a_goal_is_for_the_ratio_or_for_our_own_value(goal, met):
    assert beside("x", "ms", "y", [20, 20], [10, 10], goal).met is met


def test_the_first_turn_warms_up_and_is_not_counted():
    values = iter([9.0, 1.0, 2.0])
    assert in_turns({"a": lambda: next(values)}, 2) == {"a": [1.0, 2.0]}


def test_a_percentile_is_one_of_the_values():
    assert percentile(list(range(1, 101)), 95) == 96
    assert percentile([3], 99.9) == 3


def test_every_subject_is_there_to_be_run():
    for place in SUBJECTS.values():
        module, _, function = place.partition(".")
        assert callable(getattr(importlib.import_module(f"benchmarks.{module}"), function))


def test_the_table_and_the_json_tell_machine_ratio_and_goal_and_no_path():
    rows = [beside("start", "ms", "a bare app", [20, 20], [10, 10], Goal(1.5)), Row("file", "MB", 12.34)]
    where = machine()
    table = markdown_lines(row.cells() for row in rows)
    assert "| start | 20.0 ms | a bare app: 10.0 ms | 2.00x (2.00 to 2.00) | at most 1.5x | no |" in table
    assert "12.3 MB" in text_table(rows)
    assert str(where["processor"]) in machine_text(where)
    written = json.dumps({"machine": where, "rows": [as_json(row) for row in rows]})
    assert str(Path.cwd()) not in written


def test_a_power_law_without_anything_to_tell_apart_says_the_base_rate():
    """Three of four clean at one age: the entropy of a coin of 3/4 in nats is .562 (Shannon 1948)."""
    yardstick = Yardstick()
    for number in range(40):
        yardstick.practised(f"{number}", 1)
        yardstick.cold(f"{number}", 5, clean=number % 4 > 0)
    assert yardstick.power_law() == pytest.approx(0.5623, abs=1e-4)


def test_a_power_law_tells_what_was_practised_lately_from_what_was_not():
    yardstick = Yardstick()
    for number in range(40):
        day = 1 if number % 2 else 50
        yardstick.practised(f"{number}", day)
        yardstick.cold(f"{number}", 51, clean=day == 50 or number % 8 == 1)
    assert yardstick.power_law() < 0.3


def test_what_was_not_practised_before_is_no_cold_result_of_a_yardstick():
    yardstick = Yardstick()
    yardstick.cold("a", 5, clean=True)
    yardstick.practised("a", 5)
    yardstick.cold("a", 5, clean=True)
    assert yardstick.clean == []


@pytest.mark.parametrize("part", PARTS)
def test_what_is_taken_out_of_the_coach_stands_once_in_its_text_and_leaves_a_program(part):
    for name, text in texts_without(PARTS[part]).items():
        compile(text, name, "exec")


def test_a_part_that_is_not_in_the_text_is_refused():
    with pytest.raises(ValueError, match=r"skill\.py has 0 times, and not once: GAIN = 7"):
        texts_without([("skill.py", "GAIN = 7", "")])
