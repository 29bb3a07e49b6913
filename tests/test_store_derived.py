"""What follows from the log is the same however it came in: rep by rep, late, corrected, or replayed whole."""

from __future__ import annotations

import hashlib
import random
import re
import sqlite3
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from coach.learning.evidence import day_evidence
from coach.learning.ladder import Rule
from coach.learning.memory import Memory, fold, fold_ladder
from coach.log.entries import Correction
from coach.rating.fault import Fault
from coach.rating.table import CHOKED, DROPPED, LATE, LIFT, NOT_REACHED
from coach.store import derive, schema
from coach.store.derive import Folds
from coach.store.log import Log
from coach.store.schema import DamagedStateError
from tests.test_store import DAY, NOON, PASSAGE, Opener, id_at, open_log, passage_named, rep_at

__all__ = ["open_log"]

OTHER = passage_named("second")
FAULTS = (
    (),
    (),
    (Fault(2, CHOKED, LIFT),),
    (Fault(3, LATE),),
    (Fault(1, DROPPED), Fault(2, CHOKED)),
    (Fault(3, NOT_REACHED),),
    None,
)


def derived_rows(log: Log) -> dict[str, list[tuple[object, ...]]]:
    return {
        table: log.connection.execute(f"SELECT * FROM {table} ORDER BY 1, 2, 3").fetchall()
        for table in derive.DERIVED_TABLES
    }


def assert_equal_to_a_replay(log: Log) -> None:
    before = derived_rows(log)
    log.rebuild()
    assert derived_rows(log) == before


@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(seed=st.integers(0, 2**32), share_late=st.sampled_from([0.0, 0.1, 0.5]))
def test_the_state_kept_rep_by_rep_is_the_replayed_one_to_the_digit(seed: int, share_late: float) -> None:
    rng = random.Random(seed)
    connection = schema.connect(None)
    schema.prepare(connection, None, "")
    with Log(connection, None) as log:
        log.choose_player("Ada", NOON)
        log.rebuild()
        now = NOON
        for number in range(rng.randrange(1, 60)):
            now += rng.choice([40_000, 40_000, DAY, 3 * DAY])
            at = now - rng.randrange(12) * DAY if rng.random() < share_late else now
            passage = rng.choice([PASSAGE, OTHER])
            rep = rep_at(log, at + number, rng.choice(FAULTS), passage, rng.choice([48, 52, 60, 76]))
            log.save_rep(rep, passage)
            if rng.random() < 0.15:
                log.undo_last(now + 1)
            if rng.random() < 0.15:
                correction = Correction(
                    id_at(now, number), rep.id, now + rng.randrange(9), rng.choice(FAULTS), rng.random() < 0.4
                )
                log.correct(correction)
        assert_equal_to_a_replay(log)


def test_a_correction_long_ago_recomputes_from_a_kept_state_to_the_digit(open_log: Opener) -> None:
    with open_log() as log:
        reps = [rep_at(log, NOON + day * DAY, FAULTS[day % 3]) for day in range(80)]
        for rep in reps:
            log.save_rep(rep, PASSAGE)
        kept = log.connection.execute("SELECT count(*) FROM evidence WHERE memory IS NOT NULL").fetchone()[0]
        assert kept >= 2 * 4
        for index in (79, 40, 3):
            log.correct(Correction(id_at(NOON, index), reps[index].id, NOON + 90 * DAY, FAULTS[4]))
            assert_equal_to_a_replay(log)
        for index in (79, 78, 33):
            log.correct(Correction(id_at(1, index), reps[index].id, NOON + 91 * DAY, None, void=True))
            assert_equal_to_a_replay(log)


def test_the_kept_state_is_what_the_pure_folds_say(open_log: Opener) -> None:
    with open_log() as log:
        reps = [rep_at(log, NOON + day * DAY + n * 30_000, FAULTS[n]) for day in range(5) for n in range(4)]
        for rep in reps:
            log.save_rep(rep, PASSAGE)
        memories: dict[str, Memory] = {}
        for start in range(0, 20, 4):
            for key, evidence in day_evidence([(rep, PASSAGE) for rep in reps[start : start + 4]]).items():
                memories[key] = fold(memories.get(key), evidence)
        assert log.memories() == memories
        assert log.ladders() == {PASSAGE.excerpt: fold_ladder(None, reps)}
        assert [(day.reps, day.rated, day.clean) for day in log.days()] == [(4, 4, 2)] * 5
        assert len(log.evidence("n:")) == 10


def test_voiding_the_only_rep_leaves_nothing_behind(open_log: Opener) -> None:
    with open_log() as log:
        log.save_rep(rep_at(log), PASSAGE)
        log.undo_last(NOON + 1)
        assert log.memories() == log.ladders() == {}
        assert log.days() == log.evidence("") == []


def test_a_log_of_the_first_schema_is_brought_up_with_a_copy_kept(tmp_path: Path, open_log: Opener) -> None:
    with open_log() as log:
        for index in range(5):
            log.save_rep(rep_at(log, NOON + index * DAY), PASSAGE)
        wanted = derived_rows(log)
        for table in (*derive.DERIVED_TABLES, "meta"):
            log.connection.execute(f"DROP TABLE {table}")
        log.connection.execute("PRAGMA user_version = 1")
        path = log.path
    assert path is not None
    with open_log() as log:
        assert derived_rows(log) == wanted
        assert "log.schema-1.20261203T120000Z.sqlite3" in log.notices[0]
    kept = sqlite3.connect(path.with_name("log.schema-1.20261203T120000Z.sqlite3"))
    assert kept.execute("SELECT count(*) FROM reps").fetchone() == (5,)
    assert kept.execute("PRAGMA user_version").fetchone() == (1,)
    kept.close()


def test_a_log_of_other_folds_is_rebuilt_when_opened(open_log: Opener) -> None:
    with open_log() as log:
        log.save_rep(rep_at(log), PASSAGE)
        wanted = derived_rows(log)
        log.connection.execute("UPDATE states SET memory = 'from other folds'")
        log.connection.execute("UPDATE meta SET value = '[0,3,null,14]' WHERE key = 'folds'")
    with open_log(read_only=True) as log:
        assert derived_rows(log) == wanted


def test_a_damaged_state_is_told_to_a_reader_and_mended_for_a_session(open_log: Opener) -> None:
    with open_log() as log:
        for index in range(3):
            log.save_rep(rep_at(log, NOON + index), PASSAGE)
        wanted = derived_rows(log)
        log.connection.execute("UPDATE states SET memory = replace(memory, '2026', '2027')")
    with open_log(read_only=True) as log, pytest.raises(DamagedStateError, match="`coach log rebuild`"):
        log.memories()
    with open_log(mend=True) as log:
        assert derived_rows(log) == wanted
        assert "Mended from the repetitions" in log.notices[0]


def test_a_save_over_a_damaged_state_computes_it_anew(open_log: Opener) -> None:
    with open_log() as log:
        log.save_rep(rep_at(log), PASSAGE)
        log.connection.execute("UPDATE states SET memory = 'x', before = 'y', ladder = 'z'")
        log.save_rep(rep_at(log, NOON + DAY), PASSAGE)
        assert_equal_to_a_replay(log)


def test_the_ladder_is_replayed_by_the_rule_of_the_settings_and_a_reader_keeps_it(open_log: Opener) -> None:
    two = Folds(Rule(clean_to_climb=2), cap_days=30)
    with open_log() as log:
        for index in range(2):
            log.save_rep(rep_at(log, NOON + index), PASSAGE)
        assert log.ladders()[PASSAGE.excerpt].rung_bpm == 52
    with open_log(folds=two) as log:
        assert log.ladders()[PASSAGE.excerpt].rung_bpm == 55
    with open_log(read_only=True) as log:
        assert log.ladders()[PASSAGE.excerpt].rung_bpm == 55


def test_a_change_of_the_folds_needs_a_new_model_number(open_log: Opener) -> None:
    """Where this fails: raise `derive.MODEL`, so that old logs are computed anew, and write the new digest here."""
    with open_log() as log:
        for index in range(40):
            log.save_rep(rep_at(log, NOON + index * DAY // 2, FAULTS[index % 7]), PASSAGE)
        text = "\n".join(
            str(value) for rows in derived_rows(log).values() for row in rows for value in row[1:]
        )
    # Without checksums, and to six digits: the last ones may differ between machines.
    text = re.sub(r"^[0-9a-f]{8}(?=[\[{])", "", text, flags=re.MULTILINE)
    text = re.sub(r"\d+\.\d+(e-?\d+)?", lambda match: f"{float(match[0]):.6g}", text)
    assert (derive.MODEL, hashlib.sha256(text.encode()).hexdigest()[:12]) == (4, "c243834920c9")
