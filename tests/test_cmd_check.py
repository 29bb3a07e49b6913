"""`coach check` and `coach new`, called as the command line calls them."""

from __future__ import annotations

import io
import json
import re
import sys
from pathlib import Path

import pytest

from coach.cli import main
from coach.score.keys import schema
from coach.score.load import load_drill, read_drill
from coach.strings.instrument import Instrument
from coach.strings.ready_made import READY_MADE

GOOD = """drill: 1
title: A Test   # mine
instrument: bass
meter: 4/4
tempo: {start: 44, goal: 76}
phrases:
  - name: one   # the only one
    bars:
      - bass: 1 E:0 for 4
        harmonics: 1 G:<7>, 3 D:<5>
"""
SLIPS = [
    ("harmonics: 1 G:<7>, 3 D:<5>", "harmonics: 1 G:(7), 3 D:<5>"),
    ("harmonics: 1 G:<7>, 3 D:<5>", "harmonics: 1 G:<7> 3 D:<5>"),
    ("harmonics: 1 G:<7>, 3 D:<5>", "harmonics: 1 G:<7>,, 3 D:<5>,"),
    ("harmonics: 1 G:<7>, 3 D:<5>", "harmonics: G:<7> 1, 3 d:<5>"),
    ("harmonics: 1 G:<7>, 3 D:<5>", "harmonics: 1 G: <7>, 3 D:<5>"),
    ("harmonics: 1 G:<7>, 3 D:<5>", "harmonics: 1 G<7>, 3 D <5>"),
    ("title: A Test", "Title: A Test"),
    ("meter: 4/4", "metre: 4:4"),
    ("goal: 76", "goal: 76 bpm"),
    ("1 E:0", "1 e:o"),
]


def test_a_good_file_gives_status_0_and_says_what_it_holds(tmp_path: Path, capsys) -> None:  # type: ignore[no-untyped-def]
    path = tmp_path / "a.yaml"
    path.write_text(GOOD)
    assert main(["check", str(path)]) == 0
    out, err = capsys.readouterr()
    assert "1 phrase, 1 bar, 3 events in bass, harmonics; nodes: 7 5; 44 to 76 bpm" in out
    assert err == ""


def test_a_bad_file_gives_status_1_and_a_caret(tmp_path: Path, capsys) -> None:  # type: ignore[no-untyped-def]
    good, bad = tmp_path / "good.yaml", tmp_path / "bad.yaml"
    good.write_text(GOOD)
    bad.write_text(GOOD.replace("D:<5>", "D:<5.5>"))
    assert main(["check", str(bad), str(good)]) == 1
    out, err = capsys.readouterr()
    assert out.startswith(f"{good}: good")
    lines = err.splitlines()
    assert lines[0].startswith(f"{bad}:10:34: phrase one, bar 1, harmonics: D:<5.5> is not a node")
    assert lines[1].index("5.5") == lines[2].index("^")


@pytest.mark.parametrize("content", [None, b"", b"\0\1\2", b"a: [", b"\t- a", b"x" * 10_000_000])
def test_no_bad_file_ends_in_a_traceback(content: bytes | None, tmp_path: Path, capsys) -> None:  # type: ignore[no-untyped-def]
    path = tmp_path / "bad.yaml"
    if content is not None:
        path.write_bytes(content)
    assert main(["check", str(path)]) == 1
    out, err = capsys.readouterr()
    assert out == ""
    assert err.count(str(path)) == 1
    assert "Traceback" not in err


def test_json_carries_every_problem_and_the_drill(tmp_path: Path, capsys) -> None:  # type: ignore[no-untyped-def]
    good, bad = tmp_path / "good.yaml", tmp_path / "bad.yaml"
    good.write_text(GOOD.replace("for 4", "for 5"))
    bad.write_text(GOOD.replace("4/4", "4:4").replace("goal: 76", "goal: 7"))
    assert main(["check", "--json", str(good), str(bad)]) == 1
    files = json.loads(capsys.readouterr().out)["files"]
    assert [row["good"] for row in files] == [True, False]
    assert [problem["severity"] for problem in files[0]["problems"]] == ["warning"]
    assert files[0]["drill"]["phrases"][0]["id"] == "one"
    assert [(problem["line"], problem["field"]) for problem in files[1]["problems"]] == [
        (4, "meter"),
        (5, "tempo.goal"),
    ]


@pytest.mark.parametrize(
    ("right", "slip", "place", "field"),
    [
        ("A:<5>", "A:<5.5>", "phrase 2, bar 4, harmonics", "phrases[1].bars[1].harmonics"),
        ("times: 2", "times: 0", "phrase 2, bar 2, times", "phrases[1].bars[0].times"),
        ("1 E:0\n", "1 E:0 for 99\n", "phrase 2, bar 4, bass", "phrases[1]"),
        ("start: 44", "start: 4", "tempo, start", "tempo.start"),
        ("name: one", "nam: one", "phrase 1", "phrases[0]"),
    ],
)
def test_a_place_is_said_as_players_count_and_json_keeps_the_path(
    right: str, slip: str, place: str, field: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    second = "  - bars:\n      - bass: 1 A:0 for 4\n        times: 2\n      - bass: 1 E:0\n"
    path = tmp_path / "a.yaml"
    path.write_text(f"{GOOD}{second}        harmonics: 1 G:<7>, 3 A:<5>\n".replace(right, slip))
    main(["check", str(path)])
    assert f": {place}: " in capsys.readouterr().err
    main(["check", "--json", str(path)])
    (row,) = json.loads(capsys.readouterr().out)["files"]
    assert [problem["field"] for problem in row["problems"]] == [field]


def test_a_warning_and_the_hardest_place_name_a_bar_by_one_number_however_the_drill_counts_its_bars(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A pick-up is bar 0 and the pieces of one bar share its number (common practice, no source)."""
    path = tmp_path / "a.yaml"
    full, warns = "{bass: 1 E:0 for 4, times: 2}", '{bass: 1 E:1, harmonics: "1 G:<12>"}'
    for first, second, number in (
        ("bars: [{pickup: 1, bass: 4 E:0}, " + full + "]", warns, 3),
        ("bars: [" + full + ", {ends_after: 3, bass: 1 E:0}]", "{pickup: 1, bass: 4 E:0}, " + warns, 4),
        ("first_bar: 20, bars: [" + full + "]", warns, 22),
    ):
        lines = f"  - {{name: p0, {first}}}\n  - {{name: p1, bars: [{second}]}}\n"
        path.write_text(GOOD.partition("phrases:")[0] + "phrases:\n" + lines)
        main(["check", str(path)])
        said = capsys.readouterr()
        assert f"phrase p1, bar {number}, harmonics: warning: " in said.err
        assert f"hardest: p1, bar {number}, " in said.out


def test_standard_input_can_be_checked(monkeypatch: pytest.MonkeyPatch, capsys) -> None:  # type: ignore[no-untyped-def]
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(GOOD.encode())))
    assert main(["check", "-"]) == 0
    assert "standard input" not in capsys.readouterr().err


@pytest.mark.parametrize("words", [["check"], ["check", "-o", "x", "y.yaml"], ["check", "--fix", "-"]])
def test_a_wrong_call_gives_status_2(words: list[str], capsys) -> None:  # type: ignore[no-untyped-def]
    assert main(words) == 2
    assert "coach: check: " in capsys.readouterr().err


@pytest.mark.parametrize(("good", "slip"), SLIPS)
def test_fix_repairs_a_sure_slip_and_nothing_else(good: str, slip: str, tmp_path: Path, capsys) -> None:  # type: ignore[no-untyped-def]
    path = tmp_path / "a.yaml"
    path.write_bytes(GOOD.replace(good, slip).replace("\n", "\r\n").encode())
    assert main(["check", "--fix", str(path)]) == 0
    assert path.read_bytes() == GOOD.replace("\n", "\r\n").encode()
    assert "repaired" in capsys.readouterr().out


def test_fix_turns_tabs_into_spaces_only_where_all_are_tabs(tmp_path: Path, capsys) -> None:  # type: ignore[no-untyped-def]
    path = tmp_path / "a.yaml"
    tabs = "\n".join(
        "\t" * ((len(line) - len(line.lstrip())) // 2) + line.lstrip() for line in GOOD.split("\n")
    )
    path.write_text(tabs)
    assert main(["check", "--fix", str(path)]) == 0
    assert path.read_text() == GOOD
    mixed = GOOD.replace("        harm", "\t        harm")
    path.write_text(mixed)
    assert main(["check", "--fix", str(path)]) == 1
    assert path.read_text() == mixed


def test_fix_leaves_what_could_mean_two_things(tmp_path: Path, capsys) -> None:  # type: ignore[no-untyped-def]
    path = tmp_path / "a.yaml"
    for doubtful in ("G:<3>", "G:3.2", "H:<7>", "G:<6.5>", "G7", "G 7"):
        text = GOOD.replace("G:<7>", doubtful)
        path.write_text(text)
        assert main(["check", "--fix", str(path)]) == 1
        assert path.read_text() == text


def test_the_schema_accepts_the_built_in_drills_and_refuses_slips(capsys) -> None:  # type: ignore[no-untyped-def]
    # Checked with the library jsonschema against draft 2020-12.
    jsonschema = pytest.importorskip(
        "jsonschema", reason="needs the package jsonschema: pip install jsonschema"
    )
    import yaml

    assert main(["check", "--schema"]) == 0
    printed = json.loads(capsys.readouterr().out)
    assert printed == schema()
    jsonschema.Draft202012Validator.check_schema(printed)
    validator = jsonschema.Draft202012Validator(printed)
    for path in sorted((Path(__file__).parent.parent / "drills").glob("*.yaml")):
        assert list(validator.iter_errors(yaml.safe_load(path.read_text()))) == []
    for slip in (
        {"metre": "4/4"},
        {"meter": "4:4"},
        {"tempo": {"start": 44}},
        {"tempo": {"start": 44, "goal": 7600}},
        {"phrases": [{"bars": [{"together": "1 E:0"}]}]},
        {"phrases": [{"bars": [{"bass": "E:0"}]}]},
    ):
        drill = yaml.safe_load(GOOD) | slip
        assert list(validator.iter_errors(drill)), slip


@pytest.mark.parametrize("name", READY_MADE)
@pytest.mark.parametrize("meter", ["4/4", "3/4", "6/8 in 2", "7/8 in 2+2+3", "1/4"])
def test_a_new_drill_is_good_for_every_instrument_and_meter(
    name: str, meter: str, tmp_path: Path, capsys
) -> None:  # type: ignore[no-untyped-def]
    path = tmp_path / "new.yaml"
    assert main(["new", "--instrument", name, "--meter", meter, "--bars", "5", "-o", str(path)]) == 0
    drill, problems = read_drill(path.read_text(), str(path))
    assert problems == []
    assert drill is not None
    assert len(drill.phrases[0].bars) == 5
    assert str(drill.phrases[0].bars[0].meter) == meter


def test_a_new_drill_can_have_any_strings(tmp_path: Path, capsys) -> None:  # type: ignore[no-untyped-def]
    for strings in ("G2,D2,A1,D1", "D4", "E4,B3,G3,D3,A2,E2"):
        path = tmp_path / "new.yaml"
        assert main(["new", "--instrument", strings, "--scale-mm", "700", "-o", str(path)]) == 0
        drill, problems = read_drill(path.read_text(), str(path))
        assert problems == []
        assert drill is not None
        assert [string.name for string in drill.instrument.strings] == strings.split(",")


def test_a_new_drill_goes_to_the_practice_folder_and_replaces_nothing(tmp_path: Path, capsys) -> None:  # type: ignore[no-untyped-def]
    words = ["new", "--title", "Evening Bell", "--folder", str(tmp_path)]
    assert main(words) == 0
    assert (tmp_path / "drills" / "evening-bell.yaml").exists()
    assert main(words) == 1
    assert "exists already" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["--meter", "6:8"], "did you mean 6/8?"),
        (["--start", "5"], "5 is outside 20 to 300 bpm"),
        (["--start", "90", "--goal", "50"], "below the start"),
        (["--bars", "0"], "0 is outside 1 to 64 bars"),
        (["--instrument", "harp"], "is not a ready-made instrument"),
        (["--instrument", "G,D"], "is not a note"),
        (["--scale-mm", "long"], "'long' is not a length; write mm, 864, or inches, 34in"),
    ],
)
def test_a_wrong_answer_for_a_new_drill_is_explained(words: list[str], message: str, capsys) -> None:  # type: ignore[no-untyped-def]
    assert main(["new", "--title", "X", *words, "-o", "-"]) == 2
    out, err = capsys.readouterr()
    assert message in err
    assert out == ""


def test_reach_is_a_warning_at_its_event_and_a_needed_string_an_error(tmp_path: Path, capsys) -> None:  # type: ignore[no-untyped-def]
    path = tmp_path / "a.yaml"
    path.write_text(GOOD.replace("1 E:0 for 4", "1 E:1 for 4").replace("3 D:<5>", "3 G:<12>"))
    assert main(["check", str(path)]) == 0
    out, err = capsys.readouterr()
    assert f"{path}:10:29: phrase one, bar 1, harmonics: warning: E:1 and G:<12> are" in err
    assert "good" in out
    path.write_text(GOOD.replace("3 D:<5>", "3 E:<5>"))
    assert main(["check", str(path)]) == 1
    out, err = capsys.readouterr()
    assert (
        f"{path}:10:29: phrase one, bar 1, harmonics: E:<5> needs the E string while E:0 is still held there"
        in err
    )
    assert out == ""


def test_a_new_drill_is_asked_for_on_a_terminal(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    monkeypatch.setattr(sys, "stdin", Terminal("Dusk Bell\nbass-5\n6/8 in 2\n40\n\n3\n"))
    path = tmp_path / "new.yaml"
    assert main(["new", "-o", str(path)]) == 0
    drill, problems = read_drill(path.read_text(), str(path))
    assert problems == []
    assert drill is not None
    assert (drill.title, len(drill.instrument.strings), drill.goal_bpm) == ("Dusk Bell", 5, 60)
    assert len(drill.phrases[0].bars) == 3
    assert "Instrument (" in capsys.readouterr().out


def test_a_new_drill_is_for_the_players_own_instrument(tmp_path: Path) -> None:
    own = "instruments:\n  - {name: five, strings: [G2, D2, A1, E1, B0], scale_mm: 35in, capo: 2}\n"
    (tmp_path / "settings.yaml").write_text(own)
    path = tmp_path / "drills" / "own.yaml"
    for words in ([], ["--instrument", "five"]):
        assert main(["new", "--title", "Own", "--folder", str(tmp_path), *words]) == 0
        assert load_drill(path).instrument == Instrument.of(
            ["G2", "D2", "A1", "E1", "B0"], 889.0, name="five"
        )
        path.unlink()
    assert main(["new", "--title", "Own", "--folder", str(tmp_path), "--instrument", "bass"]) == 0
    assert len(load_drill(path).instrument.strings) == 4


def test_check_names_the_hardest_place_and_why(tmp_path: Path, capsys) -> None:  # type: ignore[no-untyped-def]
    """A node near the nut forgives a finger less than one at 12, and from there it is a long way for the hand."""
    path = tmp_path / "a.yaml"
    path.write_text(
        GOOD.replace("- bass: 1 E:0 for 4", "- bass: 1 E:0").replace(
            "1 G:<7>, 3 D:<5>", "1 G:<12>, 4& D:<2.7>"
        )
    )
    assert main(["check", str(path)]) == 0
    out, _ = capsys.readouterr()
    place, _, why = out.split("; hardest move: ")[1].strip().partition(", because ")
    assert place == "one, bar 1, to D:<2.7> on beat 4&"
    # Frets lie at L (1 - 2 ** (-n / 12)), so node 1/2 at 432 mm and 1/7 at 123.4 mm of 864; 3.5 beats at 76 bpm.
    assert "the hand moves 309 mm in 2.8 s" in why
    assert re.search(r"its node forgives \d\.\d mm", why)


def test_a_misspelt_layer_of_one_bar_is_told_wherever_it_stands(tmp_path: Path, capsys) -> None:  # type: ignore[no-untyped-def]
    path = tmp_path / "slip.yaml"
    for bars in (("bass", "base", "bass"), ("base", "bass", "bass"), ("base", "bass")):
        written = "".join(f"      - {layer}: 1 E:0\n" for layer in bars)
        path.write_text(
            "drill: 1\ntitle: T\ninstrument: bass 4\nmeter: 4/4\ntempo: {start: 50, goal: 60}\n"
            f"phrases:\n  - name: P\n    bars:\n{written}"
        )
        main(["check", str(path)])
        assert "did you mean `bass`?" in capsys.readouterr().err
    path.write_text("drill: 1\n")
    assert main(["check", str(path)]) == 1
    assert "More is checked once this is mended." in capsys.readouterr().err
