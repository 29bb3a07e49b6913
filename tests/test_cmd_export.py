"""`coach export` as a command: what it writes where, what it says of it, files of several drills, wrong options."""

from __future__ import annotations

from pathlib import Path

import pytest

from coach.cli import main
from coach.commands.export import FORMATS
from coach.score.load import SEVERAL

DRILLS = Path(__file__).parents[1] / "drills"
SHORT = (
    "drill: 1\ntitle: Short\ninstrument: bass\nmeter: 2/4\ntempo: {start: 200, goal: 200}\n"
    "phrases: [{bars: [{bass: '1 E:0', harmonics: '2 G:<7>'}]}]\n"
)


def test_a_drill_is_never_exported_over_itself(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    drill = tmp_path / "drills" / "river.yaml"
    assert main(["new", "--title", "River", "-o", str(drill)]) == 1
    drill.parent.mkdir()
    assert main(["new", "--title", "River", "-o", str(drill)]) == 0
    before = drill.read_bytes()
    assert main(["export", "river", "--to", "tab", "--folder", str(tmp_path), "-o", str(drill)]) == 1
    assert "is what this command reads and would be lost" in capsys.readouterr().err
    assert drill.read_bytes() == before


STARTS = {
    "midi": b"MThd",
    "musicxml": b"<?xml",
    "tab": b"Short",
    "html": b"<!DOCTYPE html>",
    "pdf": b"%PDF",
    "wav": b"RIFF",
}
"""How each file begins, by its own standard."""


@pytest.mark.parametrize("kind", FORMATS)
def test_the_command_writes_every_format(kind: str, tmp_path: Path) -> None:
    target = tmp_path / f"out{FORMATS[kind].endings[-1]}"
    drill = tmp_path / "short.yaml"
    drill.write_text(SHORT)
    assert main(["export", str(drill), "--to", kind, "-o", str(target)]) == 0
    assert target.read_bytes().startswith(STARTS[kind])


def test_a_name_that_ends_as_another_formats_do_is_taken_for_a_slip(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    target = tmp_path / "river.musicxml"
    assert main(["export", str(DRILLS / "first-pour.yaml"), "--to", "midi", "-o", str(target)]) == 2
    says = "--to midi does not write a .musicxml file (--to musicxml, or a name that ends in .mid)"
    assert says in capsys.readouterr().err
    assert not target.exists()


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["--to", "midi"], "midi needs a file"),
        (["--to", "midi", "-o", ""], "-o: the file's name is empty (-o FILE; - is standard output)"),
        (["--to", "midi", "--tempo", "10", "-o", "-"], "10 is outside 20 to 300 bpm"),
        (["--to", "midi", "--width", "70", "-o", "-"], "goes with tab, not with midi"),
        (["--to", "tab", "--click-only"], "goes with midi or wav, not with tab"),
        (["--to", "midi", "--harmonics-octaves", "9", "-o", "-"], "9 is outside 0 to 3 octaves"),
    ],
)
def test_a_wrong_export_is_explained(words: list[str], message: str, capsys) -> None:  # type: ignore[no-untyped-def]
    assert main(["export", str(DRILLS / "first-pour.yaml"), *words]) == 2
    assert message in capsys.readouterr().err


@pytest.mark.parametrize(
    ("kind", "facts"),
    [
        # 2 beats at 200 bpm last 0.6 s.
        ("midi", "0:01 min at 200 bpm; it sounds best with good General MIDI sounds"),
        (
            "musicxml",
            "1 phrase, 1 bar at 200 bpm; open it in a notation program; `coach import` reads it back",
        ),
        ("tab", "1 phrase, 1 bar; show it in letters of one width"),
        (
            "html",
            "1 page, Letter; open it in a browser and print it at full size (100 %), or its rulers are wrong",
        ),
        ("pdf", "1 page, Letter; print it at full size (100 %), or its rulers are wrong"),
    ],
)
def test_a_line_says_what_was_written_and_what_to_do_with_it(
    kind: str, facts: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    drill, target = tmp_path / "short.yaml", tmp_path / "out"
    drill.write_text(SHORT)
    paper = ["--paper", "letter"] if kind in ("html", "pdf") else []
    assert main(["export", str(drill), "--to", kind, "-o", str(target), *paper]) == 0
    assert capsys.readouterr().out == f"wrote {target}: {facts}\n"


def several(folder: Path) -> Path:
    """A file of two drills, as a teacher hands them out."""
    file = folder / "handed.yaml"
    bodies = [(DRILLS / f"{name}.yaml").read_text(encoding="utf-8") for name in ("first-pour", "two-sluices")]
    file.write_text(SEVERAL + "".join(f"---\n{body}" for body in bodies), encoding="utf-8")
    return file


def test_each_drill_of_a_file_of_several_is_written(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    base = ["export", str(several(tmp_path)), "--to"]
    assert main([*base, "midi", "-o", str(tmp_path / "out.mid")]) == 0
    assert capsys.readouterr().out.count("wrote ") == 2
    assert sorted(path.name for path in tmp_path.glob("*.mid")) == [
        "out-first-pour.mid",
        "out-two-sluices.mid",
    ]
    assert main([*base, "tab"]) == 0
    shown = capsys.readouterr().out
    assert shown.index("First Pour\n") < shown.index("Two Sluices\n")
    assert main([*base, "midi", "-o", "-"]) == 2
    assert (
        "these are 2 drills, and each is a file of its own: first-pour and two-sluices"
        in capsys.readouterr().err
    )


def test_several_drills_need_a_file_name_and_ids_of_their_own(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    file = several(tmp_path)
    assert main(["export", str(file), "--to", "midi", "-o", "."]) == 1
    assert "is a folder; a file's name is needed" in capsys.readouterr().err
    file.write_text(
        file.read_text(encoding="utf-8").replace("id: two-sluices", "id: first-pour"), encoding="utf-8"
    )
    assert main(["export", str(file), "--to", "midi", "-o", "out.mid"]) == 2
    assert "several drills of this file have the id first-pour" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == [file]


@pytest.mark.parametrize("name", ["two-sluices", "Two Sluices", " two  sluices"])
def test_one_drill_of_several_is_chosen_by_id_or_title(
    name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["export", str(several(tmp_path)), "--to", "tab", "--which", name]) == 0
    assert capsys.readouterr().out.startswith("Two Sluices\n")


def test_a_drill_that_a_file_does_not_hold_is_told_with_those_it_holds(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    target = tmp_path / "out.mid"
    words = ["--which", "two-sluice", "-o", str(target)]
    assert main(["export", str(several(tmp_path)), "--to", "midi", *words]) == 2
    message = (
        "handed.yaml has no drill 'two-sluice'; it has first-pour and two-sluices (did you mean two-sluices?)"
    )
    assert message in capsys.readouterr().err
    assert not target.exists()


def test_characters_that_no_font_has_are_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    drill = tmp_path / "short.yaml"
    # A private-use character (Unicode 16, chapter 23.5) is in no font; Greek and Cyrillic are in the page's own.
    drill.write_text(SHORT.replace("Short", "Ωmega Ночь \U000f1234"), encoding="utf-8")
    base = ["export", str(drill), "--to", "pdf", "-o", str(tmp_path / "out.pdf")]
    assert main(base) == 0
    assert "no font here has U+F1234: each becomes an empty box" in capsys.readouterr().err
    drill.write_text(SHORT.replace("Short", "Ωmega Ночь"), encoding="utf-8")
    assert main(base) == 0
    assert "no font" not in capsys.readouterr().err


def test_nothing_is_written_among_the_files_of_a_log(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "progress" / "log").mkdir(parents=True)
    taken, free = tmp_path / "progress" / "log" / "x.jsonl", tmp_path / "progress" / "x.jsonl"
    export = ["export", "small-bells", "--folder", str(tmp_path), "--to", "tab", "-o"]
    assert main([*export, str(taken)]) == 1
    assert "stands among the files of a practice log and would be read as one" in capsys.readouterr().err
    assert not taken.exists()
    assert main([*export, str(free)]) == 0
    assert free.exists()
