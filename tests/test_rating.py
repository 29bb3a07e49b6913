"""The table of results and causes: its rows, what is marked with them, and that the documents say what it says."""

from __future__ import annotations

import ast
import json
import shutil
import subprocess
import sys
from dataclasses import fields
from pathlib import Path
from string import ascii_lowercase, ascii_uppercase
from types import MappingProxyType

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coach.folder.actions import CAUSED, LABEL_KEYS, RATING, Keymap
from coach.rating.counts import cells, columns, commonest_cause, count_faults, counts_from, sum_counts
from coach.rating.fault import Fault, causes_of, examples, faults_text, in_words, parse_faults, was_clean
from coach.rating.table import (
    CAUSES,
    CHOKED,
    DROPPED,
    LATE,
    LIFT,
    NOT_REACHED,
    PLUCK,
    POSITION,
    RESULTS,
    Cause,
    Says,
)
from coach.session.answers import read_answers

ROOT = Path(__file__).parent.parent
LETTERS = ", ".join(row.letter for row in RESULTS)
OTHER_RESULTS, OTHER_CAUSES = "0," * (len(RESULTS) - 1), "0," * len(CAUSES)
"""Their cells in a table in which only chokes and the rows of this test were marked."""
FAULTS = st.builds(
    lambda label, kind, note: Fault(label, *kind, note),
    st.integers(1, 400),
    st.sampled_from([(result, cause) for result in RESULTS for cause in (None, *causes_of(result))]),
    st.integers(0, 6),
)


@given(st.lists(FAULTS, max_size=12))
def test_results_come_back_from_their_text(faults):
    assert parse_faults(faults_text(faults)) == tuple(sorted(faults))


@pytest.mark.parametrize("text", ["2x", "c2", "0c", "2c:luck", "2l:lift", "2c.", "2c,3c"])
def test_text_that_is_no_result_is_refused(text):
    with pytest.raises(
        ValueError, match=rf"is not a result; expected a label and one of {LETTERS}, such as 2c or 5c:lift$"
    ):
        parse_faults(text)


def test_faults_are_in_order_of_label_then_of_their_words():
    faults = parse_faults("10c 2l 2c:lift 2c.1 2c")
    assert isinstance(faults, tuple)
    assert [fault.label for fault in faults] == [2, 2, 2, 2, 10]
    assert faults_text(faults) == "2c 2c.1 2c:lift 2l 10c"
    assert faults_text(reversed(faults)) == faults_text(faults)


@given(st.lists(FAULTS, min_size=1, max_size=6, unique_by=lambda fault: fault.label))
def test_what_is_told_in_words_can_be_typed_into_an_answers_file(faults):
    (answer,) = read_answers(in_words(faults), "answers")
    assert answer.faults == tuple(sorted(faults))


def test_a_letter_a_sign_a_key_and_a_word_say_one_thing():
    for of_row in ("letter", "sign", "ascii_sign", "word"):
        values = [getattr(row, of_row) for row in RESULTS]
        assert len(set(values)) == len(RESULTS), of_row
    words = [*(row.word for row in RESULTS), *(row.word for row in CAUSES)]
    assert len(set(words)) == len(words)
    assert all(cause.of and cause.word.isalpha() and cause.word.islower() for cause in CAUSES)


def test_the_keys_of_the_table_are_free_on_the_rating_screen():
    keys = [key for action in Keymap().in_scope(RATING) for key in action.keys]
    twice = sorted({key for key in keys if keys.count(key) > 1})
    free = "".join(key for key in ascii_uppercase if key not in keys)
    assert not twice, f"two actions have {twice}; free for a cause: {free}"
    assert not set(keys) & set(LABEL_KEYS)
    assert {row.key for row in (*RESULTS, *CAUSES)} <= set(keys)


def free_keys() -> tuple[str, str]:
    """A small letter for a result and a capital for a cause that mean nothing on the rating screen."""
    taken = {key for action in Keymap().in_scope(RATING) for key in action.keys} | set(LABEL_KEYS)
    taken |= {row.letter for row in RESULTS}
    return tuple(
        next(key for key in letters if key not in taken) for letters in (ascii_lowercase, ascii_uppercase)
    )


@pytest.mark.parametrize(
    ("faults", "clean"),
    [
        (None, None),
        ((), True),
        ((Fault(3, CHOKED),), False),
        ((Fault(3, NOT_REACHED), Fault(4, NOT_REACHED)), None),
        ((Fault(2, LATE), Fault(3, NOT_REACHED)), False),
    ],
)
def test_a_repetition_that_only_broke_off_says_nothing(faults, clean):
    assert was_clean(faults) is clean


def test_a_choke_that_lift_or_pluck_is_to_blame_for_says_nothing_against_the_move():
    # Common practice, no source: the hand that lifts too late or plucks badly was at its place.
    assert Fault(1, CHOKED).move is Says.FAILED
    assert Fault(1, CHOKED, POSITION).move is Says.FAILED
    assert Fault(1, CHOKED, LIFT).move is Says.NOTHING
    assert Fault(1, CHOKED, PLUCK).move is Says.NOTHING
    assert [row.move for row in (LATE, DROPPED, NOT_REACHED)] == [Says.FAILED, Says.NOTHING, Says.NOTHING]


def test_each_result_says_what_the_trade_knows_of_it():
    # Common practice, no source: what came late rang; what was let go early says nothing of the touch; where one had
    # stopped nothing was tried.
    clean, failed, nothing = Says.CLEAN, Says.FAILED, Says.NOTHING
    known = (CHOKED, LATE, DROPPED, NOT_REACHED)
    assert {row.word: (row.node, row.move, row.held, row.fails) for row in known} == {
        "choked": (failed, failed, failed, True),
        "late": (clean, failed, clean, True),
        "dropped": (nothing, nothing, failed, True),
        "not reached": (nothing, nothing, nothing, False),
    }
    assert "".join(row.key for row in known) == "cldn", "each by its first letter"
    assert ["".join(row.sign for row in known), "".join(row.ascii_sign for row in known)] == [
        "×»↓–",
        "x>v-",
    ]
    assert "".join(row.key for row in (POSITION, LIFT, PLUCK)) == "PLK", "capitals, since l is late"
    assert [row.word for row in known if row.rest] == ["not reached"]
    assert [row.word for row in known if row.by_note] == ["choked"]


def test_a_row_is_shown_by_its_word():
    assert repr((CHOKED, LIFT)) == "(choked, lift)"
    assert NOT_REACHED.name == "not_reached"


def test_a_result_takes_the_causes_that_name_it():
    assert POSITION.of == LIFT.of == PLUCK.of == (CHOKED,)
    assert [causes_of(row) for row in RESULTS] == [
        tuple(cause for cause in CAUSES if row in cause.of) for row in RESULTS
    ]


def test_counts_are_by_word_in_the_order_of_the_table():
    counts = count_faults(parse_faults("1l 2c:lift 3c 4c:lift 5n"))
    assert list(counts.items()) == [("choked", 3), ("late", 1), ("not reached", 1), ("lift", 2)]
    both = sum_counts((counts, {"late": 2, "dropped": 1}, {}))
    assert list(both.items()) == [("choked", 3), ("late", 3), ("dropped", 1), ("not reached", 1), ("lift", 2)]
    assert columns() == (*(row.name for row in RESULTS), *(f"cause_{row.word}" for row in CAUSES))
    assert dict(zip(columns(), cells(both), strict=True)) == {
        **dict.fromkeys(columns(), 0),
        "choked": 3,
        "late": 3,
        "dropped": 1,
        "not_reached": 1,
        "cause_lift": 2,
    }
    assert cells({}) == (0,) * len(columns())
    assert list(counts_from(MappingProxyType({"lift": 2, "choked": 3})).items()) == [
        ("choked", 3),
        ("lift", 2),
    ]


@pytest.mark.parametrize(
    ("value", "message"),
    [
        ([1, 2, 3], "is not a table of counts"),
        ({"lost": 1}, "'lost' is not a result or cause; expected one of choked, late"),
        ({"late": 0}, "0 times late"),
        ({"late": True}, "True times late"),
        ({"late": 1.0}, "1.0 times late"),
    ],
)
def test_counts_that_are_none_are_refused(value, message):
    with pytest.raises(ValueError, match=message):
        counts_from(value)


def test_the_commonest_cause_is_the_first_in_the_table_where_several_are():
    assert commonest_cause({}) is None
    assert commonest_cause({"choked": 9}) is None
    assert commonest_cause({"choked": 5, "lift": 2, "pluck": 3}) is PLUCK
    assert commonest_cause({"lift": 2, "pluck": 2}) is LIFT
    assert commonest_cause({"choked": 1, "lift": 1}) is LIFT


def document(name: str) -> str:
    return " ".join((ROOT / "docs" / name).read_text(encoding="utf-8").split())


def test_the_documents_list_every_result():
    for row in RESULTS:
        assert f"**{row.word}**: {row.meaning}." in document("practising.md")
    letters = ", ".join(f"`{row.letter}` {row.word}" for row in RESULTS)
    assert f"a letter ({letters})" in document("log-format.md")


@pytest.mark.parametrize(
    ("name", "written"), [("practising.md", "{}"), ("answers-file.md", "{}"), ("log-format.md", "`:{}`")]
)
def test_each_document_that_lists_causes_names_every_cause(name, written):
    *causes, last = [written.format(row.word) for row in CAUSES]
    assert f"{', '.join(causes)} or {last}" in document(name)


def test_examples_are_results_as_one_types_them():
    answers = read_answers(examples().replace(",", ";"), "answers")
    assert [fault.result for fault in answers[0].faults] == list(RESULTS)


SMALL, CAPITAL = free_keys()
BUZZED = """Result(
    word="half buzzed",
    meaning="the string rattled on the fret",
    letter="{small}",
    key="{small}",
    help="What you mark from now on rattled on the fret",
    rest=False,
    by_note=False,
    sign="≈",
    ascii_sign="~",
    ink="dropped",
    node=Says.FAILED,
    move=Says.CLEAN,
    held=Says.FAILED,
    fails=True,
)""".replace("{small}", SMALL)
NAIL = f"""Cause(word="nail", of=(CHOKED,), key="{CAPITAL}", move=Says.NOTHING, advice="cut the nail")"""


def listed(causes: tuple[Cause, ...]) -> str:
    return ", ".join(cause.word for cause in causes)


def with_row(text: str, tuple_name: str, row: str) -> str:
    """The source with one row more at the end of one of its tuples."""
    (rows,) = (
        statement.value
        for statement in ast.parse(text).body
        if isinstance(statement, ast.AnnAssign) and ast.unparse(statement.target) == tuple_name
    )
    assert isinstance(rows, ast.Tuple), f"{tuple_name} is no tuple in rating/table.py"
    last = rows.elts[-1]
    lines = text.splitlines(keepends=True)
    at = sum(map(len, lines[: last.end_lineno - 1])) + last.end_col_offset
    return f"{text[:at]}, {row}{text[at:]}"


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The program with one row more in each of its two tables, and nothing else changed."""
    house = tmp_path_factory.mktemp("house")
    shutil.copytree(ROOT / "coach", house / "coach", ignore=shutil.ignore_patterns("__pycache__"))
    for name in ("drills", "tests"):
        (house / name).symlink_to(ROOT / name)
    table = house / "coach" / "rating" / "table.py"
    text = table.read_text(encoding="utf-8")
    for tuple_name, row in (("RESULTS", BUZZED), ("CAUSES", NAIL)):
        text = with_row(text, tuple_name, row)
    table.write_text(text, encoding="utf-8")
    return house


@pytest.fixture(scope="module")
def driven(house: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """Where the new words came out, from the key of each to the last report."""
    folder = tmp_path_factory.mktemp("practice")
    command = [sys.executable, "-m", "tests.table_driven", str(folder), "half buzzed", "nail"]
    ended = subprocess.run(command, cwd=house, capture_output=True, text=True, check=False)
    assert ended.returncode == 0, ended.stderr[-3000:]
    shown: dict[str, str] = json.loads(ended.stdout)
    return shown


@pytest.mark.parametrize(
    ("where", "words"),
    [
        ("hints", (f"{SMALL} half buzzed",)),
        (
            "palette",
            ("half buzzed: What you mark from now on rattled", "nail: It was the nail: cut the nail"),
        ),
        ("palette", (f"Why the last marked event was {CAUSED}: {listed(CAUSES)}, nail, no cause",)),
        (
            "help",
            (f"\n{SMALL}  ", f"\n{CAPITAL}  ", "  ≈          half buzzed: the string rattled on the fret"),
        ),
        (
            "rating",
            (
                "1-7 half buzzed  c choked",
                "beat 1  half buzzed",
                "beat 1  choked",
                "half buzzed 1; choked 2 nail",
            ),
        ),
        ("saved", ("saved, half buzzed 1; choked 2 nail: down to",)),
        ("summary", ("1 low note half buzzed",)),
        ("answers", ("12 repetitions logged, 0 of 12 clean",)),
        (
            "slips",
            (f"one of {listed(causes_of(CHOKED))}, nail (nail?)", "half buzzed 6, skip", "(half buzzed?)"),
        ),
        ("log", ("  half buzzed 1 2\n", "  half buzzed 1; choked 2 nail\n")),
        ("corrected", ("half buzzed 6",)),
        (
            "reps",
            (
                ",not_reached,half_buzzed,cause_",
                ",cause_nail,",
                f",1{SMALL} 2c:nail,",
                f",1{SMALL} 2{SMALL},",
            ),
        ),
        ("table", (",half_buzzed,cause_", ",cause_nail\r\n", f",13,{OTHER_RESULTS}12,{OTHER_CAUSES}13\r\n")),
        (
            "report",
            (
                "What you marked\n  choked 13, half buzzed 37\n",
                "why: nail 13 (100 %)",
                "  nail: cut the nail",
            ),
        ),
        ("page", ("<li>choked 13, half buzzed 37</li>", "<li>why: nail 13 (100 %)</li>", "<td>nail 13</td>")),
        ("student", ('"half buzzed": 12', '"nail": 13')),
        (
            "overview",
            (
                "failed in 25 of 25 in four weeks (choked 13, half buzzed 12); expected",
                "; nail 13: cut the nail",
            ),
        ),
    ],
)
def test_one_row_is_the_whole_of_a_new_result_and_of_a_new_cause(driven, where, words):
    shown = " ".join(driven[where].split()) if where in ("slips", "overview", "corrected") else driven[where]
    for word in words:
        assert word in shown, shown


def test_a_row_that_leaves_anything_out_fails_the_type_check(tmp_path):
    rows = tmp_path / "rows.py"
    lines = ["from coach.rating.table import *", "from coach.rating.table import Cause, Result"]
    expected = []
    for row in (CHOKED, LIFT):
        names = [field.name for field in fields(row)]
        for left_out in names:
            given = ", ".join(f"{name}=CHOKED.{name}" for name in names if name != left_out)
            given = given if row is CHOKED else given.replace("CHOKED", "LIFT")
            lines.append(f"{type(row).__name__}({given})")
            expected.append(
                (len(lines), f'Missing positional argument "{left_out}" in call to "{type(row).__name__}"')
            )
    rows.write_text("\n".join(lines) + "\n")
    command = [sys.executable, "-m", "mypy", "--cache-dir", str(tmp_path / "cache"), str(rows)]
    ended = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    problems = [line for line in ended.stdout.splitlines() if "error:" in line]
    assert len(problems) == len(expected) == len(fields(CHOKED)) + len(fields(LIFT))
    for problem, (line, message) in zip(problems, expected, strict=True):
        assert f"rows.py:{line}: error: {message}" in problem
