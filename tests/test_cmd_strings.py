"""`coach nodes`, `coach find`, `coach tune` as a user runs them."""

from __future__ import annotations

import json
import re
import wave
from pathlib import Path
from typing import Any

import pytest

from coach.cli import main
from coach.strings.fretboard import fretboard_lines, partial_marks
from coach.strings.node import Node, nodes_upto
from coach.strings.ready_made import ready_made
from coach.strings.tuning import Heard, adjacent_pairs, beatless, moved, moved_beats_hz

Run = tuple[int, str, str]


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Any:
    monkeypatch.setenv("COLUMNS", "80")

    def call(*words: str) -> Run:
        status = main(list(words))
        captured = capsys.readouterr()
        return status, captured.out, captured.err

    return call


def test_nodes_as_json_carry_what_scripts_rely_on(run: Any) -> None:
    status, out, _err = run("nodes", "--json", "--scale-mm", "863.6")
    rows = json.loads(out)
    assert status == 0
    assert len(rows) == 4 * 27
    row = next(row for row in rows if row["string"] == "D2" and row["node"] == "1/6")
    assert (row["partial"], row["fret"], row["note"]) == (6, 3.2, "A4")
    # Equal temperament and the harmonic series, closed forms.
    assert row["fret_exact"] == pytest.approx(3.1564, abs=5e-5)
    assert row["position_mm"] == pytest.approx(143.93, abs=5e-3)
    assert row["offset_cents"] == pytest.approx(1.955, abs=5e-4)


def test_nodes_are_drawn_and_listed_in_80_columns(run: Any) -> None:
    status, out, _err = run("nodes", "--upto", "9")
    assert status == 0
    assert max(map(len, out.splitlines())) <= 80
    assert " 3.2  144.0  +0.8     6   6.5 past 3" in out
    assert "F#4 -14" in out


def test_nodes_of_every_partial_there_is_are_listed(run: Any) -> None:
    status, out, err = run("nodes", "--upto", "32", "--string", "D", "--frets", "0-3", "--json")
    assert (status, err) == (0, "")
    near_the_nut = [node.key for node in nodes_upto(32) if float(node.label) <= 3]
    assert [row["node"] for row in json.loads(out)] == near_the_nut


@pytest.mark.parametrize(("frets", "ends"), [("0-7", ("1/9", "1/3")), ("5-12", ("1/4", "1/2"))])
def test_frets_count_as_they_are_written(run: Any, frets: str, ends: tuple[str, str]) -> None:
    """The octave and a fifth is touched at 7, the double octave at 5 (common practice, no source)."""
    _status, out, _err = run("nodes", "--string", "D", "--frets", frets, "--json")
    rows = json.loads(out)
    assert (rows[0]["node"], rows[-1]["node"]) == ends


@pytest.mark.parametrize(
    "extra", [["--instrument", "guitar"], ["--frets", "0-7"], ["--left-handed"], ["--string", "D"]]
)
def test_nodes_of_other_views_fit_too(run: Any, extra: list[str]) -> None:
    status, out, _err = run("nodes", *extra)
    assert status == 0
    assert max(map(len, out.splitlines())) <= 80


def test_a_plucking_point_at_a_partials_node_is_advised_against(run: Any) -> None:
    _status, out, _err = run("nodes", "--pluck-mm", "173", "--upto", "5")
    assert "Partial 5 is faint plucked at 173 mm, near its own node: pluck nearer to 86 mm." in out


def test_the_fretboard_is_to_scale_and_mirrors_for_the_left_hand() -> None:
    bass = ready_made("bass")
    marks = partial_marks((0, node) for node in nodes_upto(9))
    lines = fretboard_lines(bass, marks, 162)
    strings = lines[1]
    assert len(strings) == 162
    for n in (2, 3, 4, 5):
        column = 2 + round(159 / n)
        assert strings[column] == str(n)
    mirrored = fretboard_lines(bass, marks, 162, left_handed=True)[1]
    assert mirrored[2:] == strings[2:][::-1]


def test_a_window_of_the_fretboard_shows_only_its_part() -> None:
    bass = ready_made("bass")
    marks = {(1, Node(1, 2)): "2", (1, Node(1, 6)): "6"}
    lines = fretboard_lines(bass, marks, 60, (100.0, 300.0))
    assert "6" in lines[2]
    assert "2" not in lines[2]
    assert "╫" not in lines[2]


def test_an_instrument_may_be_named_by_its_open_notes(run: Any) -> None:
    ready = run("nodes", "--instrument", "guitar", "--json")
    assert run("nodes", "--instrument", "E4,B3,G3,D3,A2,E2", "--json") == ready


def test_find_lists_the_places_of_a_pitch_cheapest_first(run: Any) -> None:
    status, out, _err = run("find", "A3", "--json")
    rows = json.loads(out)
    assert status == 0
    assert [row["cost"] for row in rows] == sorted(row["cost"] for row in rows)
    # Common practice, no source: 7 on a string and 5 on the next lower one, tuned in fourths, are one note.
    assert {("D2", 7.0), ("A1", 5.0)} <= {(row["string"], row["fret"]) for row in rows}


def test_find_under_a_held_note_leaves_its_string_alone(run: Any) -> None:
    status, out, _err = run("find", "A4", "--hold", "A:3", "--json")
    assert status == 0
    assert {row["string"] for row in json.loads(out)} == {"D2"}


def test_find_prints_a_melody_over_a_bass_line_as_tab(run: Any) -> None:
    status, out, _err = run("find", "F#4", "A4", "D5x2", "r", "B4", "--bass", "E:0x4 A:3x4")
    assert status == 0
    lines = out.splitlines()
    assert max(map(len, lines)) <= 80
    assert next(line for line in lines if line.startswith("E|")).count("0") == 1
    assert "Cost of the whole" in out


def test_find_reads_beats_and_rests(run: Any) -> None:
    _status, out, _err = run("find", "D4x1/2", "rx2", "A3+D4x0.5", "D4", "--tempo", "120", "--json")
    choices = json.loads(out)["choices"]
    assert [choice["onset_s"] for choice in choices] == [0.0, 1.25, 1.25, 1.5]


def test_tune_prints_pairs_and_drift(run: Any) -> None:
    status, out, _err = run("tune")
    assert status == 0
    assert max(map(len, out.splitlines())) <= 80
    assert "0.19 a second, one in 5.4 s" in out
    assert "G                97.67 Hz  -5.9 cents" in out


def test_tune_with_stiffness_prints_ranges(run: Any) -> None:
    status, out, _err = run("tune", "--stiffness", "0.0002")
    assert status == 0
    assert "0.00 to 0.35 a second" in out
    rows = json.loads(run("tune", "--stiffness", "0.0002", "--json")[1])
    assert rows["pairs"][0]["beats_hz"][0] < rows["pairs"][0]["beats_hz"][1]


def test_every_sentence_of_tune_follows_from_its_numbers(run: Any) -> None:
    ideal = run("tune")[1]
    assert "The errors add up: G is the furthest off." in ideal
    assert "nothing beats" in ideal
    stiff = run("tune", "--stiffness", "0.0003,0.0002,0.0001,0.0001")[1]
    assert "nothing beats" not in stiff
    assert "beats a second may be left" in stiff
    assert "D 0.0001 to 0.0004; A 5e-05 to 0.0002" in stiff
    assert "A and G are the furthest off; some errors" in run("tune", "--strings", "G2,D2,A1,D1")[1]
    assert "add up" not in run("tune", "--instrument", "guitar", "--strings", "D4,A3,F#3,D3,A2,D2")[1]


def test_bowed_strings_are_tuned_from_a_in_fifths_without_frets(run: Any) -> None:
    # Common practice, no source: from A, in pure fifths, 702 cents each (3/2), so that G is 3.9 cents flat.
    for name in ("violin", "viola", "cello"):
        _status, out, _err = run("tune", "--instrument", name)
        assert "In fifths, each beatless, starting from A:" in out
        assert "errors" not in out
    _status, out, _err = run("tune", "--instrument", "violin")
    assert "G               195.56 Hz  -3.9 cents" in out
    for words in (("tune",), ("nodes", "--upto", "5")):
        out = run(*words, "--instrument", "violin")[1]
        assert not re.search(r"\bfret \d|wire", out), words


def test_a_fretless_bass_is_tuned_as_one_with_frets(run: Any) -> None:
    for name in ("double-bass", "bass"):
        out = run("tune", "--instrument", name)[1]
        assert "If you tune each pair beatless, starting from E:" in out
        assert "ure fourths" not in out


def test_an_open_string_has_no_cents_to_be_moved_by(run: Any, tmp_path: Path) -> None:
    status, _out, err = run("tune", "--tone", "D", "--cents", "5", "-o", str(tmp_path / "tone.wav"))
    assert status == 2
    assert "--cents: moves the higher string of a pair; with --tone there is none" in err
    assert not list(tmp_path.glob("tone*"))


def test_tune_writes_a_wav_file(run: Any, tmp_path: Path) -> None:
    path = tmp_path / "pair.wav"
    status, out, err = run("tune", "--pair", "D-G", "--cents", "5", "-o", str(path))
    assert (status, out) == (0, "")
    assert "D<5> with G<7>, G moved by +5 cents" in err
    with wave.open(str(path)) as file:
        assert (file.getnchannels(), file.getsampwidth(), file.getframerate()) == (1, 2, 48_000)
        assert file.getnframes() > 10 * 48_000
        assert len(set(file.readframes(48_000))) > 100


@pytest.mark.parametrize("option", [("--hear",), ("-o", "pair.wav")])
def test_listening_goes_with_nothing_that_sounds(run: Any, option: tuple[str, ...]) -> None:
    status, _out, err = run("tune", "--listen", "--from", "take.wav", *option)
    assert status == 2
    assert "choose one of the two" in err


def test_listening_needs_a_terminal(run: Any) -> None:
    status, _out, err = run("tune", "--hear")
    assert status == 2
    assert "--hear: needs a terminal (-o FILE.wav writes the sound instead)" in err
    status, _out, err = run("tune", "--listen")
    assert status == 2
    assert "--listen: needs a terminal (--from FILE.wav listens to a recording)" in err
    status, _out, err = run("tune", "--from", "x.wav")
    assert status == 2
    assert "--from: needs --listen" in err


def test_a_pair_is_detuned_by_50_cents_at_most_and_made_beatless() -> None:
    bass = ready_made("bass")
    heard = Heard(bass, adjacent_pairs(bass))
    assert moved(moved(heard, 45.0), 45.0).cents == 50.0
    flat = beatless(heard)
    assert moved_beats_hz(bass, flat.pair, flat.cents) == pytest.approx(0.0, abs=1e-9)
    assert flat.cents == pytest.approx(-1.955, abs=5e-4)


@pytest.mark.parametrize(
    ("words", "status", "message"),
    [
        (["nodes", "--upto", "1000"], 2, "--upto: 1000 is outside 2 to 32"),
        (["nodes", "--upto", "x"], 2, "--upto: 'x' is not a whole number from 2 to 32"),
        (["nodes", "--upto", "2.5"], 2, "--upto: '2.5' is not a whole number"),
        (["nodes", "--scale-mm", "0"], 2, "scale 0 mm is outside 100 to 2000 mm"),
        (
            ["nodes", "--scale-mm", "nan"],
            2,
            "--scale-mm: 'nan' is not a length; write mm, 864, or inches, 34in",
        ),
        (["nodes", "--scale-mm", "863,6"], 2, "(863.6?)"),
        (["nodes", "--strings", ",".join(["E1"] * 40)], 2, "40 strings is outside 1 to 12 strings"),
        (["nodes", "--strings", "G,D,A,E"], 2, "which octave? G2, say"),
        (["nodes", "--strings", ""], 2, "0 strings is outside 1 to 12 strings"),
        (["nodes", "--instrument", "gitar"], 2, "did you mean guitar?"),
        (["nodes", "--a4", "4400"], 2, "A4 4400 Hz is outside 380 to 480 Hz"),
        (["nodes", "--stiffness", "3"], 2, "stiffness B 3 is outside 0 to 0.01"),
        (["nodes", "--pluck-mm", "900"], 2, "--pluck-mm: 900 mm from the bridge is outside 0 to 864 mm"),
        (["nodes", "--finger-mm", "100"], 2, "--finger-mm: finger width 100 mm is outside 0 to 40 mm"),
        (
            ["nodes", "--string", "B"],
            2,
            "--string: there is no string 'B'; the strings are 1=G2, 2=D2, 3=A1, 4=E1",
        ),
        (["nodes", "--frets", "7"], 2, "--frets: '7' is not a part of a string; write two frets, as in 0-7"),
        (["nodes", "--frets", "7-3"], 2, "--frets: 7-3: the first fret is below the second"),
        (["nodes", "--frets", "10.5-11.5"], 2, "no node up to partial 9 is between frets 10.5 and 11.5"),
        (["nodes", "--instrument", "guitar", "--string", "E"], 2, "there are several strings 'E'"),
        (["find", "H4"], 2, "did you mean B4?"),
        (["find", "C#0"], 1, "rings at no node up to partial 9 within 40 cents"),
        (["find", "D4x0"], 2, "'D4x0' can't be read"),
        (["find", "r"], 2, "only rests; at least one note"),
        (["find", "D4", "--hold", "A"], 2, "'A' is not STRING:FRET with a fret from 0 (open) to 24"),
        (["find", "D4", "--hold", "A:3", "--hold", "A:5"], 2, "the A string can't hold two notes"),
        (["find", "A3", "--hold", "D:0", "--hold", "A:0", "--upto", "5"], 1, "none is on a free string"),
        (["find", "D4", "A4", "--tempo", "1000"], 2, "--tempo: 1000 is outside 20 to 300 bpm"),
        (["find", "D4", "--tolerance", "nan"], 2, "--tolerance: 'nan' is not a number of cents"),
        (["find", "D4", "--reach-mm", "1"], 2, "reach mm 1 is outside 10 to 500"),
        (["find", "D4", "A4", "--bass", "E:99x4"], 2, "--bass: 'E:99' is not STRING:FRET"),
        (["tune", "--pair", "E"], 2, "--pair: 'E' is not a pair of strings (E-A, say)"),
        (["tune", "--pair", "E-Q"], 2, "--pair: there is no string 'Q'"),
        (["tune", "--pair", "E-E"], 2, "--pair: 'E-E' names one string twice"),
        (["tune", "--cents", "1000"], 2, "--cents: 1000 is outside -100 to 100 cents"),
        (["tune", "--cents", "1e400"], 2, "--cents: 1e400 is outside -100 to 100 cents"),
        (
            ["tune", "-o", "pair.mp3"],
            2,
            "pair.mp3: the sound is written as WAV, in a file whose name ends in .wav",
        ),
        (["tune", "--strings", "E1"], 2, "--strings: one string can't be compared with anything"),
        (["tune", "--tone", "Z", "-o", "-"], 2, "--tone: there is no string 'Z'"),
    ],
)
def test_bad_input_is_explained(run: Any, words: list[str], status: int, message: str) -> None:
    if words[:2] == ["tune", "--pair"]:
        words += ["-o", "-"]
    ended, _out, err = run(*words)
    assert message in err
    assert ended == status
    assert "Traceback" not in err


@pytest.mark.parametrize("words", [("nodes",), ("find", "A4"), ("tune",)])
def test_json_has_no_more_digits_than_mean_something(
    words: tuple[str, ...], capsys: pytest.CaptureFixture[str]
) -> None:
    assert main([*words, "--json"]) == 0
    floats = re.findall(r"-?\d+\.\d+", capsys.readouterr().out)
    assert floats
    assert max(len(number.strip("-0.").replace(".", "")) for number in floats) <= 6


def test_artificial_harmonics_need_the_plucking_hand(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as end:
        main(["find", "C#3", "--artificial", "--fretting-hand"])
    assert end.value.code == 2
    assert "--fretting-hand: not allowed with argument --artificial" in capsys.readouterr().err
