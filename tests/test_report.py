"""Reports: the figures are what the log says, every form of them is safe to open, and nothing leaves the machine."""

from __future__ import annotations

import csv
import io
import json
import re
import shutil
import subprocess
import sys
import textwrap
from dataclasses import replace
from datetime import date, timedelta
from html.parser import HTMLParser
from pathlib import Path
from xml.etree import ElementTree

import pytest

from coach.cli import main
from coach.ground.plain import counted, listed, plain_text
from coach.learning.memory import PRIOR_CLEAN, PRIOR_WEIGHT
from coach.learning.tempo_estimate import clean_tempo
from coach.log.entries import Entry, new_id
from coach.log.log import Log
from coach.music.drill import Assignment, Drill
from coach.music.excerpt import Excerpt, passage_of
from coach.rating.fault import Fault
from coach.rating.table import CHOKED, LIFT
from coach.report.figures import Report, make_report
from coach.report.lines import fitted, report_lines, tempo_text
from coach.report.neck import GRADES, UNKNOWN, grade_of, necks
from coach.report.page import report_page
from coach.report.tables import report_csv, report_facts
from tests.logs import DAY, NOON, rep_at
from tests.samples import sample_drill, with_title

TODAY = date(2026, 12, 12)
EVIL = "\x1b]0;owned\x07<script>alert(1)</script>=cmd|'/C calc'!A0"
LIFTED = Fault(4, CHOKED, LIFT)


def practised(path: Path, drill: Drill, days: int = 10) -> Path:
    """Ten days of the first phrase in two layers: event 4 of `together` chokes by the lift on odd days."""
    with Log.open(path / "progress" / "log", "Ada", now_ms=NOON) as log:
        for day in range(days):
            for number, layer in enumerate(("harmonics", "together", "together")):
                passage = passage_of(drill, Excerpt(drill.id, (drill.phrases[0].id,), layer)).logged
                faults = (LIFTED,) if layer == "together" and day % 2 else ()
                at = NOON + day * DAY + number * 30_000 + ord(drill.id[0])
                log.send((rep_at(log, at, faults, passage, tempo_bpm=60 + day), passage))
    return path / "progress" / "log"


@pytest.fixture(scope="module")
def path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return practised(tmp_path_factory.mktemp("practice"), sample_drill())


@pytest.fixture(scope="module")
def report(path: Path) -> Report:
    with Log.open(path, now_ms=NOON, read_only=True) as log:
        return make_report(log, TODAY, drills=[sample_drill()])


def test_minutes_and_reps_are_those_of_the_log(report: Report) -> None:
    assert [day.day for day in report.days] == [date(2026, 12, 3) + timedelta(days=n) for n in range(10)]
    assert report.minutes == pytest.approx(30 * 21 / 60)
    assert [day.clean for day in report.days] == [3, 1] * 5
    assert report.marked == {"choked": 10, "lift": 10}


def test_each_phrase_and_layer_has_its_rung_and_its_tempo_over_days(report: Report) -> None:
    together, harmonics = sorted(report.excerpts, key=lambda one: one.excerpt.layer, reverse=True)
    assert (together.title, harmonics.title) == ("Lamp, together", "Lamp, harmonics")
    assert harmonics.tempo is not None
    assert together.tempo is not None
    assert together.tempo.low_bpm < together.tempo.bpm < together.tempo.high_bpm
    assert harmonics.tempo.bpm > together.tempo.bpm
    assert [point.day for point in together.curve] == [day.day for day in report.days]
    assert together.curve[-1].tempo.bpm == pytest.approx(together.tempo.bpm)
    assert together.minutes == pytest.approx(20 * 21 / 60)


def test_the_first_point_of_a_curve_is_the_clean_tempo_of_that_days_results(report: Report) -> None:
    together = next(one for one in report.excerpts if one.excerpt.layer == "together")
    assert together.curve[0].tempo == clean_tempo([(60, 2.0, 0.0)], 76)


def test_the_interval_of_a_fail_rate_is_that_of_scipys_beta(report: Report) -> None:
    from scipy.stats import beta

    place = report.moves[0]
    memory = place.memory
    assert place.fail.weight > 0
    keep = 0.5 ** ((TODAY - memory.last_day).days / 14)
    failed, clean = memory.near_failed * keep, memory.near_clean * keep
    # The prior is worth two results; what it says comes from the kin, so it is read off the mean.
    a = place.fail.mean * (PRIOR_WEIGHT + failed + clean)
    b = (1 - place.fail.mean) * (PRIOR_WEIGHT + failed + clean)
    low, high = beta.ppf([0.1, 0.9], a, b)
    assert (place.fail.low, place.fail.high) == pytest.approx((low, high), abs=1e-6)
    assert 0 < PRIOR_CLEAN < 1


def test_before_the_goal_is_near_a_node_is_judged_at_the_tempos_practised(tmp_path: Path) -> None:
    path = practised(tmp_path, sample_drill(), days=4)
    with Log.open(path, now_ms=NOON, read_only=True) as log:
        report = make_report(log, date(2026, 12, 6), drills=[sample_drill()])
    worst = report.nodes[0]
    assert worst.known
    assert not worst.near_goal
    assert worst.name == "3.2 on D2"
    lines = "\n".join(report_lines(report, [sample_drill()]))
    assert "(~: at slower tempos)" in lines


def test_the_node_that_chokes_stands_first(report: Report) -> None:
    # Event 4 of the phrase is the harmonic at 3.2 (1/6) on D.
    passage = passage_of(sample_drill(), Excerpt("lamps", ("lamp",)))
    assert report.nodes[0].key == f"n:{passage.event(4).notes[0].node_key}"
    assert report.nodes[0].memory.marked == {"choked": 10, "lift": 10}


def test_a_report_of_one_drill_leaves_the_others_out(tmp_path: Path) -> None:
    path = practised(tmp_path, sample_drill())
    practised(tmp_path, replace(sample_drill(), id="other"), days=2)
    with Log.open(path, now_ms=NOON, read_only=True) as log:
        whole, one = make_report(log, TODAY), make_report(log, TODAY, drill="other")
    assert {figures.excerpt.drill for figures in whole.excerpts} == {"lamps", "other"}
    assert {figures.excerpt.drill for figures in one.excerpts} == {"other"}
    assert [day.reps for day in one.days] == [3, 3]
    assert one.marked["lift"] == 2


def test_nodes_lie_on_the_neck_where_their_keys_say(report: Report) -> None:
    (neck,) = necks(report.nodes, [sample_drill()])
    graded = {(neck.instrument.string_label(string), node.key) for (string, node), _ in neck.places}
    assert {("D", "1/6"), ("G", "1/3"), ("D", "1/3")} <= graded
    (guessed,) = necks(report.nodes, [])
    assert guessed.instrument.scale_mm == 864
    assert {grade_of(place) for _, place in neck.places} <= {*GRADES, UNKNOWN}


def test_grades_differ_by_sign_and_word_and_not_by_colour_alone() -> None:
    grades = (*GRADES, UNKNOWN)
    assert len({grade.sign for grade in grades}) == len({grade.word for grade in grades}) == len(grades)


def test_the_terminal_report_fits_eighty_columns_and_needs_no_escape_sequence(report: Report) -> None:
    lines = report_lines(report, [sample_drill()], 80)
    assert max(len(line) for line in lines) <= 80
    text = "\n".join(lines)
    assert "\x1b" not in text
    for wanted in (
        "Lamp, together",
        "goal",
        "3.2 on D2",
        "Minutes by day",
        "lift 10",
        "forecast of cold results",
    ):
        assert wanted in text
    assert not re.search("streak|failed you|don't break|missed", text, re.IGNORECASE)


def test_colour_is_added_to_the_signs_of_nodes_only_when_asked_for(report: Report) -> None:
    plain, coloured = (
        report_lines(report, [sample_drill()]),
        report_lines(report, [sample_drill()], colour=True),
    )
    assert [re.sub("\x1b\\[[0-9]+m", "", line) for line in coloured] == plain
    assert [line for line in coloured if "\x1b[" in line and "╫" in line]
    assert not [line for line in coloured if "\x1b[" in line and "Lamp" in line]


def test_an_empty_time_says_so_and_nothing_else_breaks(path: Path) -> None:
    with Log.open(path, now_ms=NOON, read_only=True) as log:
        empty = make_report(log, date(2030, 1, 1))
    assert "Nothing was practised in this time." in report_lines(empty)
    assert "Nothing was practised in this time." in report_page(empty)
    assert report_facts(empty)["days"] == []


def after(tmp_path: Path, reps: list[tuple[int, bool]], drill: Drill, name: str = "x") -> Report:
    """The report on the evening after some reps of the first phrase's harmonics: tempo and whether clean."""
    passage = passage_of(drill, Excerpt(drill.id, (drill.phrases[0].id,), "harmonics")).logged
    with Log.open(tmp_path / name / "log", "Ada", now_ms=NOON) as log:
        for number, (tempo_bpm, clean) in enumerate(reps):
            faults = () if clean else (LIFTED,)
            rep = rep_at(log, NOON + number * 30_000, faults, passage, tempo_bpm=tempo_bpm)
            log.send((replace(rep, duration_ms=5000), passage))
    with Log.open(tmp_path / name / "log", now_ms=NOON, read_only=True) as log:
        return make_report(log, date(2026, 12, 3), drills=[drill])


def test_one_clean_repetition_gives_no_tempo_and_no_bar(tmp_path: Path) -> None:
    report = after(tmp_path, [(50, True)], sample_drill())
    (one,) = report.excerpts
    assert not one.known
    assert tempo_text(one) == "too little to say"
    lines = report_lines(report, [sample_drill()])
    assert lines[1] == "1 day, 5 s of playing; 1 repetition, 1 of 1 clean"
    assert not any("Minutes by day" in line for line in lines)
    assert "too little to say" in report_page(report)
    row = next(csv.DictReader(io.StringIO(report_csv(report))))
    assert row["clean_tempo_bpm"] == ""
    assert report_facts(report)["excerpts"][0]["clean_tempo_known"] is False


def test_an_estimate_above_everything_played_is_told_as_a_lower_bound(tmp_path: Path) -> None:
    report = after(tmp_path, [(50 + number, True) for number in range(6)], sample_drill())
    (one,) = report.excerpts
    assert one.known
    assert one.tempo is not None
    assert one.tempo.bpm > 1.1 * 55
    assert tempo_text(one) == "at least 55"


def test_a_tempo_among_those_played_is_told_with_its_interval(tmp_path: Path) -> None:
    reps = [(bpm, bpm < 60) for bpm in range(50, 70, 2)] * 2
    (one,) = after(tmp_path, reps, sample_drill()).excerpts
    assert re.fullmatch(r"5\d \(\d\d to \d\d\)", tempo_text(one))


def test_an_open_assignment_is_named_with_goal_day_teacher_and_note(tmp_path: Path) -> None:
    task = Assignment("Ada", "Ms. Orr", 64, date(2026, 12, 20), "both nodes", "01X")
    drill = replace(sample_drill(), assignment=task)
    report = after(tmp_path, [(50, True)], drill)
    text = " ".join(" ".join(report_lines(report, [drill])).split())
    assert "Assigned Lamps, from Ms. Orr: 64 bpm by 20 Dec; 0 of 2 phrases landed" in text
    assert '"both nodes"' in text
    assert "from Ms. Orr: 64 bpm by 20 Dec" in report_page(report)
    assert report_facts(report)["assignments"][0]["due"] == "2026-12-20"
    assert [(task.drill, task.landed, task.phrases) for task in report.tasks] == [("lamps", 0, 2)]


def test_report_plan_and_teachers_file_say_one_rung(tmp_path: Path) -> None:
    from coach.learning.kept import DEFAULT_FOLDS, ladders_of, memories_of
    from coach.learning.repertoire import repertoire_of
    from coach.learning.standing import Standing
    from coach.report.student import student_report

    drill = replace(sample_drill(), phrases=sample_drill().phrases[:1])
    drill = replace(drill, assignment=Assignment("Ada", "", 62, None, "", "01X"))
    after(tmp_path, [(50 + number, True) for number in range(9)], drill, "one")
    with Log.open(tmp_path / "one" / "log", now_ms=NOON, read_only=True) as log:
        day, at_ms = date(2026, 12, 5), NOON + 2 * DAY
        (one,) = make_report(log, day, drills=[drill]).excerpts
        file = student_report(log, [drill], at_ms, 60)
        standing = Standing(
            day,
            repertoire_of([drill]),
            memories_of(log, day, DEFAULT_FOLDS),
            ladders_of(log, day, DEFAULT_FOLDS),
        )
        raw = ladders_of(log, day, DEFAULT_FOLDS)[one.excerpt.key].rung_bpm
    (row,) = [row for row in file["drills"][0]["excerpts"] if row["layer"] == "harmonics"]
    assert row["rung_bpm"] == one.rung_bpm == standing.rung(one.excerpt)
    assert one.rung_bpm != raw


def test_days_on_which_something_hurt_are_told(tmp_path: Path) -> None:
    after(tmp_path, [(50, True)], sample_drill())
    with Log.open(tmp_path / "x" / "log", "Ada", now_ms=NOON) as log:
        log.send(Entry(new_id(NOON, bytes(10)), log.player.id, NOON, 60, "hurt"))
        report = make_report(log, date(2026, 12, 4))
    assert report_lines(report)[1] == (
        "Stopped because something hurt: 3 Dec. If it comes back, see a clinician."
    )
    assert "Stopped because something hurt: 3 Dec" in report_page(report)
    assert report_facts(report)["hurt_days"] == ["2026-12-03"]


def test_scores_of_the_forecast_stay_in_json_and_players_read_words(report: Report) -> None:
    text = "\n".join(report_lines(report, [sample_drill()])) + report_page(report, [sample_drill()])
    assert "Brier" not in text
    assert "log loss" not in text
    assert "The forecast came" in text
    assert set(report_facts(report)["calibration"]) >= {"brier", "log_loss"}


@pytest.mark.parametrize(
    ("names", "text"),
    [([], ""), (["a"], "a"), (["a", "b"], "a and b"), (list("abc"), "a, b and 1 more")],
)
def test_a_long_list_is_cut_to_two_names(names: list[str], text: str) -> None:
    assert listed(names) == text


def test_a_long_move_is_said_shorter_before_it_is_cut() -> None:
    name = "3.9 on G2 with 5 on D2 to 7 on G2 with 7 on D2"
    assert fitted(name, 40) == "3.9 G2 with 5 D2 to 7 G2 with 7 D2"
    assert fitted(name, 50) == name
    assert fitted(name, 20) == "3.9 G2 with 5 D2 to…"


def test_numbers_and_words_agree() -> None:
    assert [counted(1, "day"), counted(0, "day"), counted(2, "entry", "entries")] == [
        "1 day",
        "0 days",
        "2 entries",
    ]


class Page(HTMLParser):
    """Collects tags with their attributes, and all text outside of the style sheet."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.words: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        self.words.append(data)


def test_the_page_stands_alone_and_its_drawings_are_well_formed(report: Report) -> None:
    text = report_page(report, [sample_drill()])
    page = Page(text)
    assert not {"script", "link", "img", "iframe"} & {tag for tag, _ in page.tags}
    assert not any({"src", "href", "xlink:href"} & set(attributes) for _, attributes in page.tags)
    assert "url(" not in text
    assert "http:" not in text
    drawings = re.findall(r"<svg.*?</svg>", text, re.DOTALL)
    assert len(drawings) == 1 + 2 + 1 + 1
    for drawing in drawings:
        root = ElementTree.fromstring(drawing)
        assert root.get("role") == "img"
        assert root.get("aria-label")


def test_titles_from_others_reach_no_form_of_the_report_raw(tmp_path: Path) -> None:
    drill = with_title(sample_drill(), EVIL)
    drill = replace(drill, phrases=tuple(replace(phrase, name=EVIL) for phrase in drill.phrases))
    path = practised(tmp_path, drill, days=3)
    with Log.open(path, now_ms=NOON, read_only=True) as log:
        report = make_report(log, TODAY, drills=[drill])
    text = report_page(report, [drill])
    assert "<script" not in text
    assert "&lt;script&gt;" in text
    assert "\x1b" not in text
    assert not [line for line in report_lines(report, [drill]) if re.search("[\x00-\x1f\x7f-\x9f]", line)]
    cells = [cell for row in csv.reader(io.StringIO(report_csv(report), newline="")) for cell in row]
    assert not [cell for cell in cells if cell[:1] in "=+-@" and cell and not cell[1:2].isdigit()]
    assert EVIL not in json.dumps(report_facts(report), ensure_ascii=False)


def test_a_text_that_starts_like_a_formula_gets_an_apostrophe_in_the_table(report: Report) -> None:
    evil = replace(report, excerpts=tuple(replace(one, title="=HYPERLINK(1)") for one in report.excerpts))
    rows = list(csv.DictReader(io.StringIO(report_csv(evil), newline="")))
    assert rows[0]["name"] == "'=HYPERLINK(1)"


@pytest.mark.parametrize(
    ("text", "plain"),
    [
        ("\x1b[31mred\x1b[0m", "red"),
        ("\x1b]8;;http://x\x07link\x1b]8;;\x07", "link"),
        ("\x9b31mred", "red"),
        ("a\r\nb\tc\u2028d", "a b c d"),
        ("safe\u202egnirts", "safegnirts"),
        ("Füße 🎸 Ω", "Füße 🎸 Ω"),
        ("\x1bPq#0\x1b\\x\x00\x07", "x"),
        ("lone \ud800 half", "lone half"),
    ],
)
def test_plain_text_keeps_letters_and_drops_what_a_terminal_obeys(text: str, plain: str) -> None:
    assert plain_text(text) == plain


def test_the_table_is_read_by_pandas_with_numbers_as_numbers(report: Report) -> None:
    pandas = pytest.importorskip("pandas", reason="pip install pandas")
    frame = pandas.read_csv(io.StringIO(report_csv(report)))
    assert list(frame["kind"].unique()) == ["phrase", "node", "move"]
    assert frame["goal_bpm"].dtype.kind in "if"
    assert frame.loc[frame["kind"] == "node", "fail_rate"].between(0, 1).all()
    assert pandas.to_datetime(frame["last_practised"]).max() == pandas.Timestamp(2026, 12, 12)


def run(path: Path, *words: str) -> int:
    return main(["report", "--folder", str(path.parent.parent), "--date", "2026-12-12", *words])


def test_the_command_prints_each_form(
    path: Path, capsysbinary: pytest.CaptureFixture[bytes], tmp_path: Path
) -> None:
    assert run(path, "lamps", "--json") == 0
    facts = json.loads(capsysbinary.readouterr().out)
    assert facts["excerpts"][0]["drill"] == "lamps"
    assert facts["since"] == "2026-09-14"
    assert run(path, "--csv") == 0
    assert capsysbinary.readouterr().out.startswith(b"kind,name,key")
    file = tmp_path / "report.html"
    assert run(path, "--html", "--since", "2026-12-10", "-o", str(file)) == 0
    assert "Practice from 10 Dec to 12 Dec 2026" in file.read_text()
    assert run(path) == 0
    assert b"Lamp, together" in capsysbinary.readouterr().out


@pytest.mark.parametrize(
    ("words", "message", "status"),
    [
        (("--since", "2026-13-01"), "'2026-13-01' is no date", 2),
        (("--since", "2027-01-01"), "2027-01-01 is after 2026-12-12", 2),
        (("firts-pour",), "there is no such drill file (near: first-pour", 1),
        (("a", "b"), "a report is about one drill or about all", 2),
        (("--player", "Bo"), "nobody called 'Bo' has practised here", 2),
        (("--without-notes",), "only a teacher's file holds notes", 2),
        (("-o", "/nowhere/at/all.txt"), "can't be written: no such file or directory", 1),
    ],
)
def test_wrong_use_is_told(
    path: Path, capsys: pytest.CaptureFixture[str], words: tuple[str, ...], message: str, status: int
) -> None:
    assert run(path, *words) == status
    assert message in capsys.readouterr().err


def test_nobody_yet_is_a_sentence_and_makes_no_file(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["report", "--folder", str(tmp_path)]) == 1
    assert "nobody has practised here yet" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


def test_no_internet_socket_is_opened_by_the_app_or_any_command_of_a_week(tmp_path: Path) -> None:
    script = textwrap.dedent(
        """
        import socket, sys
        opened = []
        def watch(event, arguments):
            if event == "socket.__new__" and arguments[1] in (socket.AF_INET, socket.AF_INET6):
                opened.append(event)
            if event in ("socket.connect", "socket.getaddrinfo", "socket.bind") and not (
                event != "socket.getaddrinfo" and isinstance(arguments[1], (str, bytes))
            ):
                opened.append(event)
        sys.addaudithook(watch)
        from coach.cli import main
        folder, answers = sys.argv[1:]
        runs = [
            ["practice", "--folder", folder, "--answers", answers, "--date", "2026-12-03"],
            ["plan", "--folder", folder, "--json"],
            ["report", "--folder", folder],
            ["report", "--folder", folder, "--html", "-o", folder + "/page.html"],
            ["report", "--folder", folder, "--for-teacher", "first-pour", "-o", folder + "/me.json"],
            ["roster", folder],
            ["assign", "first-pour", "--folder", folder, "--to", "Mia", "-o", folder + "/given.yaml"],
            ["log", "export", "--folder", folder, "-o", folder + "/log.csv"],
            ["log", "check", "--folder", folder],
            ["nodes", "--json"],
            ["check", folder + "/given.yaml"],
            ["log", "backup", "--folder", folder],
        ]
        states = [main(words) for words in runs]

        import asyncio
        from coach.commands.common import clock
        from coach.session.desk import Desk
        from coach.ground.places import find_places
        from coach.tui.app import CoachApp

        async def look():
            with Desk.open(find_places(folder), clock=clock, silent=True) as desk:
                async with CoachApp(desk).run_test() as pilot:
                    for key in ("r", "escape", "enter", "enter"):
                        await pilot.press(key)
                        await pilot.pause(0.1)
                    print("screen", type(pilot.app.screen).__name__, file=sys.stderr)

        asyncio.run(look())
        print("states", states, "opened", opened, file=sys.stderr)
        sys.exit(1 if opened or set(states) != {0} else 0)
        """
    )
    answers = tmp_path / "answers.txt"
    answers.write_text("clean\nchoked 2\nclean\nstop\n")
    words = [sys.executable, "-c", script, str(tmp_path / "folder"), str(answers)]
    done = subprocess.run(words, capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == 0, done.stderr


@pytest.mark.real
def test_a_browser_renders_the_page_without_the_network(report: Report, tmp_path: Path) -> None:
    chromium = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
    if chromium is None:
        pytest.skip("needs Chromium: apt install chromium")
    file = tmp_path / "page.html"
    file.write_text(report_page(report, [sample_drill()]))
    words = [
        chromium,
        "--headless",
        "--no-sandbox",
        "--disable-gpu",
        f"--user-data-dir={tmp_path / 'profile'}",
    ]
    shown = subprocess.run(
        [*words, "--dump-dom", file.as_uri()], capture_output=True, text=True, timeout=60, check=True
    )
    assert shown.stdout.count("<svg") == 5
    picture = tmp_path / "page.png"
    subprocess.run(
        [*words, f"--screenshot={picture}", file.as_uri()], capture_output=True, timeout=60, check=True
    )
    assert picture.stat().st_size > 10_000
