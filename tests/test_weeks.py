"""Weeks of practice through the command line: drills, planner, session and log, read back by a second process."""

from __future__ import annotations

import io
import json
from datetime import date, timedelta
from operator import itemgetter
from pathlib import Path
from typing import Any

import pytest

from coach.cli import main

FIRST = date(2026, 3, 2)


def practise(folder: Path, lines: list[str], *options: str) -> int:
    answers = folder / "answers.txt"
    answers.write_text("\n".join(lines), encoding="utf-8")
    return main(["practice", *options, "--folder", str(folder), "--answers", str(answers)])


def plan_of(folder: Path, day: date, capsys: pytest.CaptureFixture[str]) -> dict:
    capsys.readouterr()
    assert main(["plan", "--folder", str(folder), "--date", day.isoformat(), "--json"]) == 0
    return json.loads(capsys.readouterr().out)


def days(results: list[list[str]]) -> list[str]:
    lines = []
    for number, day in enumerate(results):
        lines += [f"day {FIRST + timedelta(days=number)}", *day]
    return lines


def logged(folder: Path) -> list[dict[str, Any]]:
    """The repetitions in the log's files, read as JSON Lines (jsonlines.org) and nothing else."""
    texts = [path.read_text("utf-8") for path in sorted((folder / "progress" / "log").glob("*.jsonl"))]
    records = [json.loads(line) for text in texts for line in text.splitlines()]
    return sorted(
        (record for record in records if "rep" in record and "tempo_bpm" in record), key=itemgetter("rep")
    )


def test_a_fresh_folder_starts_on_a_built_in_drill_and_logs_every_rep(tmp_path, capsys):
    assert practise(tmp_path, ["clean", "choked 1", "late 2; dropped 1", "clean", "stop"]) == 0
    assert "4 repetitions logged, 2 of 4 clean" in capsys.readouterr().out
    assert [rep["faults"] for rep in logged(tmp_path)] == ["", "1c", "1d 2l", ""]


def test_what_was_not_heard_for_long_comes_first_and_says_why(tmp_path, capsys):
    assert practise(tmp_path, days([["clean"] * 8, ["clean"] * 3])) == 0
    later = plan_of(tmp_path, FIRST + timedelta(days=20), capsys)
    purposes = [item["purpose"] for item in later["items"]]
    work = [item for item in later["items"] if item["purpose"] not in ("tune", "warm-up")]
    assert work[0]["purpose"] == "cold" or work[0]["reason"].startswith("Not heard by itself since")
    assert all(item["reason"].endswith(".") for item in later["items"])
    assert purposes[0] == "tune"


def test_the_node_that_chokes_is_what_the_next_plan_works_on(tmp_path, capsys):
    # Ladle's harmonics: only its fourth event, D at 7, chokes; what rings is not short of practice.
    lines = [f"at ladle/harmonics 50 {result}" for result in ["choked 3"] * 4 + ["clean"] * 2]
    assert practise(tmp_path, days([lines, lines, lines]), "first-pour") == 0
    plan = plan_of(tmp_path, FIRST + timedelta(days=3), capsys)
    reasons = [item["reason"] for item in plan["items"] if ":ladle:" in (item["excerpt"] or "")]
    assert any("7 on D2 failed in 4 of its last 8" in reason for reason in reasons)


def test_the_plan_names_each_event_by_the_label_that_an_answers_file_uses(tmp_path, capsys):
    assert main(["plan", "--folder", str(tmp_path), "--events", "first-pour"]) == 0
    out = capsys.readouterr().out
    assert "1 E:0  2 G:<12>  3 G:<7>  4 A:0  5 D:<7>  6 G:<12>" in out


def test_a_line_about_no_event_of_the_plans_excerpt_names_the_excerpt_and_the_way_out(tmp_path, capsys):
    lines = ["choked 1"] * 2 + ["choked 99"]
    assert practise(tmp_path, lines, "first-pour") == 1
    printed = capsys.readouterr().err
    assert "event 99 is outside 1 to " in printed
    assert ", the events of Ladle, " in printed
    assert "another repetition than the plan's?" in printed
    assert " choked 99" in printed


def test_a_line_without_a_tempo_is_at_the_rung_of_the_excerpt_that_it_names(tmp_path, capsys):
    assert practise(tmp_path, ["at ladle/bass 50 clean", "at ladle/bass clean"], "first-pour") == 0
    assert logged(tmp_path)[1]["tempo_bpm"] == logged(tmp_path)[1]["rung_bpm"]


def test_the_plan_as_json_holds_the_events_where_they_are_asked_for(tmp_path, capsys):
    command = ["plan", "first-pour", "--folder", str(tmp_path), "--json"]
    assert main([*command, "--events"]) == 0
    item = json.loads(capsys.readouterr().out)["items"][1]
    assert item["at"] == "first-pour/ladle/together"
    assert item["events"][0] == {"label": 1, "notes": "E:0"}
    assert main(command) == 0
    assert "events" not in json.loads(capsys.readouterr().out)["items"][1]


@pytest.mark.parametrize(
    ("place", "key"),
    [
        ("ladle+mould", "first-pour:ladle+mould:together:join:full:"),
        ("ladle..mould", "first-pour:ladle+ladle+mould:together:section:full:"),
        ("mould..cooling", "first-pour:mould+cooling:together:section:full:"),
        ("piece", "first-pour:ladle+ladle+mould+cooling:together:piece:full:"),
        ("first-pour/mould", "first-pour:mould:together:phrase:full:"),
    ],
)
def test_an_answers_file_reaches_joins_runs_and_the_piece(tmp_path, capsys, place, key):
    answers = tmp_path / "answers.txt"
    answers.write_text(f"at {place}/together 50 clean\n")
    command = ["practice", "first-pour", "--folder", str(tmp_path), "--answers", str(answers)]
    assert main(command) == 0
    assert [line["excerpt"] for line in logged(tmp_path) if "tempo_bpm" in line] == [key]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["first-pour", "--through", "ladle..x"], "has no 'x'"),
        (["--through"], "plays one drill; name one"),
        (["--answers", "a.txt", "--through"], "--through: plays on the screen"),
    ],
)
def test_a_slip_in_what_is_to_be_played_through_is_told(tmp_path, capsys, monkeypatch, words, said):
    monkeypatch.setattr("sys.stdin.isatty", lambda: True)
    monkeypatch.setattr("sys.stdout.isatty", lambda: True)
    assert main(["practice", *words, "--folder", str(tmp_path)]) in (1, 2)
    assert said in capsys.readouterr().err


def test_a_plan_for_programs_says_beside_it_what_was_left_out(tmp_path, capsys):
    (tmp_path / "drills").mkdir()
    (tmp_path / "drills" / "torn.yaml").write_text("drill: 1\ntitle: [", encoding="utf-8")
    assert main(["plan", "--folder", str(tmp_path), "--json"]) == 0
    printed = capsys.readouterr()
    assert json.loads(printed.out)["items"]
    assert "left out: " in printed.err


def test_a_run_that_the_piece_does_not_have_is_told(tmp_path, capsys):
    answers = tmp_path / "answers.txt"
    answers.write_text("at cooling..ladle/together clean\n")
    command = ["practice", "first-pour", "--folder", str(tmp_path), "--answers", str(answers)]
    assert main(command) == 1
    assert "A..B for a run, A+B for a join, NODE in PHRASE, and piece" in capsys.readouterr().err


def reps_that_count(folder: Path, capsys: pytest.CaptureFixture[str]) -> int:
    capsys.readouterr()
    assert main(["log", "show", "--folder", str(folder), "--json"]) == 0
    return len(json.loads(capsys.readouterr().out))


def test_the_same_answers_file_is_entered_once(tmp_path, capsys):
    lines = days([["clean", "choked 2 1"], ["clean"]])
    assert practise(tmp_path, lines) == 0
    assert practise(tmp_path, ["# a copy", lines[0], " clean", "choked 1  2 # thumb", *lines[3:]]) == 1
    printed = capsys.readouterr().err
    assert "was entered already on 20" in printed
    assert "3 repetitions; nothing is logged" in printed
    assert reps_that_count(tmp_path, capsys) == 3
    assert practise(tmp_path, [*lines, "clean"]) == 0


def test_a_file_whose_entering_a_power_cut_ended_is_not_entered_twice(tmp_path, capsys):
    lines = days([["clean", "choked 2 1", "clean"]])
    assert practise(tmp_path, lines) == 0
    (log,) = (tmp_path / "progress" / "log").glob("*.jsonl")
    written = log.read_bytes().splitlines(keepends=True)
    reps = [number for number, line in enumerate(written) if line.startswith(b'{"rep"')]
    log.write_bytes(b"".join(written[: reps[-1]]))
    assert practise(tmp_path, lines) == 1
    printed = capsys.readouterr().err
    assert "3 repetitions; nothing is logged. The machine stopped while they were written" in printed
    assert "enter the rest in a file of its own" in printed
    assert reps_that_count(tmp_path, capsys) == 2
    assert practise(tmp_path, [lines[0], "clean # the third"]) == 0
    assert reps_that_count(tmp_path, capsys) == 3


def test_the_same_lines_without_a_day_count_on_another_day_or_drill(tmp_path, capsys):
    assert practise(tmp_path, ["clean"], "--date", "2026-03-02") == 0
    assert practise(tmp_path, ["clean"], "--date", "2026-03-03") == 0
    assert practise(tmp_path, ["clean"], "--date", "2026-03-03", "first-pour") == 0
    assert reps_that_count(tmp_path, capsys) == 3
    assert practise(tmp_path, ["clean"], "--date", "2026-03-03") == 1


def test_a_day_that_is_yet_to_come_is_refused_with_the_likely_slip(tmp_path, capsys):
    lines = ["day 2026-03-02", "clean", "day 2031-03-01", "clean", "day 2026-03-04", "clean"]
    assert practise(tmp_path, lines, "--date", "2026-03-03") == 1
    printed = capsys.readouterr().err
    assert "answers.txt:3:1: 2031-03-01 is yet to come; today is 2026-03-03 (day 2026-03-01?)" in printed
    assert "answers.txt:5:1: 2026-03-04 is yet to come; today is 2026-03-03 (day 2026-03-03?)" in printed
    assert practise(tmp_path, [lines[0], "clean"], "--date", "2026-03-03") == 0


def test_the_plan_of_a_drill_just_received_is_shown_without_keeping_a_copy(tmp_path, capsys):
    given, folder = tmp_path / "given.yaml", tmp_path / "here"
    assert main(["new", "--title", "River", "-o", str(given)]) == 0
    capsys.readouterr()
    assert main(["plan", str(given), "--folder", str(folder), "--json"]) == 0
    items = json.loads(capsys.readouterr().out)["items"]
    assert {item["excerpt"].split(":")[0] for item in items if item["excerpt"]} == {"river"}
    assert not folder.exists()


def test_a_file_practised_where_no_practice_folder_is_ends_with_where_it_is_kept(
    tmp_path, capsys, monkeypatch
):
    home, here = tmp_path / "home", tmp_path / "here"
    here.mkdir()
    monkeypatch.chdir(here)
    monkeypatch.setattr("platformdirs.user_data_dir", lambda *_, **__: str(home))
    says = f"drills and log are in {home}; `mkdir drills` makes the current folder a practice folder instead"
    assert main(["new", "--title", "River"]) == 0
    assert capsys.readouterr().out.splitlines()[-1] == says
    (home / "drills" / "river.yaml").rename(here / "river.yaml")
    (here / "answers.txt").write_text("clean\n")
    words = ["practice", "river.yaml", "--answers", "answers.txt"]
    assert main(words) == 0
    assert capsys.readouterr().out.splitlines()[-1] == says
    (here / "drills").mkdir()
    assert main(words) == 0
    assert "are kept in" not in capsys.readouterr().out


def test_the_same_log_gives_the_same_plan(tmp_path, capsys):
    practise(tmp_path, days([["clean", "choked 1", "clean"]] * 3))
    assert plan_of(tmp_path, FIRST, capsys) == plan_of(tmp_path, FIRST, capsys)


def test_a_bad_line_anywhere_leaves_the_log_as_it_was_and_says_so(tmp_path, capsys):
    assert practise(tmp_path, ["clean", "choked 77", "clean"]) == 1
    printed = capsys.readouterr().err
    assert "answers.txt:2:1: event 77 is outside 1 to" in printed
    assert "nothing of this file is logged yet" in printed
    assert logged(tmp_path) == []


def test_more_lines_than_the_plan_asks_go_on_with_a_new_plan_and_say_so(tmp_path, capsys):
    assert practise(tmp_path, ["clean"] * 12, "--minutes", "5") == 0
    assert "on a new plan of the same day" in capsys.readouterr().out


def test_the_student_whom_a_teachers_file_names_is_the_player(tmp_path, capsys):
    given = str(tmp_path / "mira.yaml")
    words = ["assign", "first-pour", "--to", "Mira", "--goal", "80", "--due", "2099-12-20", "-o", given]
    assert main([*words, "--folder", str(tmp_path)]) == 0
    assert practise(tmp_path, ["clean"], given) == 0
    capsys.readouterr()
    assert main(["report", "--folder", str(tmp_path)]) == 0
    assert capsys.readouterr().out.startswith("Mira")


@pytest.mark.parametrize(
    ("words", "status", "says"),
    [
        (["practice", "--minutes", "0"], 2, "0 is outside 1 to 240 minutes"),
        (["practice", "no-such-drill", "--answers", "-"], 1, "there is no such drill file"),
        (["practice", "--date", "soon", "--answers", "x"], 2, "'soon' is not a date"),
        (["practice"], 1, "a session needs a terminal"),
        (["practice", "nowhere.yaml"], 1, "there is no such drill file"),
        (
            ["--folder", "there", "practice", "harbour"],
            2,
            r"the command comes first: coach practice --folder there harbour",
        ),
        (["practise"], 2, r"'practise' is not a command; `coach --help` lists them (practice?)"),
        (
            ["plan", "--answers", "x"],
            2,
            "--answers: is no option of `coach plan`, which takes --help, --folder, --player, --date, --minutes,"
            " --events, --json (did you mean coach practice --answers?)",
        ),
        (["plan", "--mintes", "5"], 2, "(did you mean --minutes?)"),
        (["log", "undo", "--since=1"], 2, "--since: is no option of `coach log undo`, which takes --help,"),
        (["forecast", "harbour", "quay"], 2, "quay: is one word too many for `coach forecast`"),
    ],
)
def test_wrong_use_is_told_in_one_line_with_its_exit_status(
    words, status, says, tmp_path, capsys, monkeypatch
):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "x").write_text("clean\n")
    monkeypatch.setattr("sys.stdin", io.TextIOWrapper(io.BytesIO(b"clean\n")))
    assert main(words) == status
    printed = capsys.readouterr().err
    assert says in printed
    assert "Traceback" not in printed
