"""The page about the drill format: every example passes the checker, every key is described."""

from __future__ import annotations

import json
import re
from fractions import Fraction
from pathlib import Path

import pytest
import yaml

from coach.cli import main
from coach.commands.export import FORMATS
from coach.ground.kinds import MAX_TEXT, Whole
from coach.ground.slips import MAX_DEPTH
from coach.music.drill import Drill
from coach.score.keys import BAR, BLOCKS, schema
from coach.score.limits import (
    MAX_BARS,
    MAX_BEATS,
    MAX_EVENTS_IN_BAR,
    MAX_LAYERS,
    MAX_LINE,
    MAX_NAME,
    MAX_NOTES,
    MAX_ORDER,
    MAX_PHRASES,
    MAX_PIECE_BARS,
    MAX_TAGS,
)
from coach.score.load import read_drill
from coach.score.write import write_drill

ROOT = Path(__file__).parent.parent
PAGE = (ROOT / "docs" / "drill-format.md").read_text(encoding="utf-8")
README = (ROOT / "README.md").read_text(encoding="utf-8")
EXAMPLES = re.findall(r"^```yaml\n(.*?)^```$", PAGE, re.MULTILINE | re.DOTALL)
HEAD = {
    "drill": "drill: 1\n",
    "title": "title: Example\n",
    "instrument": "instrument: bass\n",
    "meter": "meter: 4/4\n",
    "tempo": "tempo: {start: 50, goal: 80}\n",
}
PHRASES = "phrases:\n  - name: one\n    bars:\n"


def whole_file(example: str) -> str:
    if example.startswith("drill:"):
        return example
    if example.startswith("- "):
        return (
            "".join(HEAD.values()) + PHRASES + re.sub("^", "      ", example, flags=re.MULTILINE).rstrip(" ")
        )
    given = {match[1] for match in re.finditer(r"^(\w+):", example, re.MULTILINE)}
    head = "".join(line for key, line in HEAD.items() if key not in given)
    return head + example + PHRASES + "      - bass: 1 E:0\n"


def test_the_page_has_examples_of_every_kind() -> None:
    starts = {example.split(":")[0] for example in EXAMPLES}
    assert {"drill", "instrument", "meter", "tempo", "click", "assignment", "id"} <= starts
    assert sum(example.startswith("- ") for example in EXAMPLES) >= 3


def notations() -> list[str]:
    cells = re.findall(r"^\| (`\d.*?) \| ", PAGE, re.MULTILINE)
    return [text.replace("\\|", "|") for cell in cells for text in re.findall(r"`([^`]+)`", cell)]


def of_notation(notation: str) -> str:
    """A file with an event of the table in a bar, and so many bars after it that any hold ends."""
    return whole_file(
        f"- bass: {notation}\n" + "- bass: 1 A:0\n" + "- bass: 3 A:0\n" * (" for 6" in notation)
    )


def test_the_table_has_every_notation() -> None:
    assert len(notations()) >= 18


README_DRILL = re.findall(r"^```yaml\n(drill:.*?)^```$", README, re.MULTILINE | re.DOTALL)
FRACTIONS = [whole_file("- bass: 1 A:0\n  top: 1 G:<12/21>, 2 D:<5/32>=D7, 3 G:<3/4>, 4 D:<2/4>\n")]
TAUGHT = [
    *map(whole_file, EXAMPLES),
    *map(of_notation, notations()),
    *README_DRILL,
    *FRACTIONS,
]


@pytest.fixture(params=TAUGHT, ids=range(len(TAUGHT)))
def taught(request: pytest.FixtureRequest, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A drill of the manual as a file, in a folder without settings or log."""
    monkeypatch.chdir(tmp_path)
    path = tmp_path / "taught.yaml"
    path.write_text(request.param, encoding="utf-8")
    return path


def places(drill: Drill) -> list[tuple[object, ...]]:
    """What is struck when and where, in quarters from the first note: all that an exchange must keep."""
    start, all_places = Fraction(0), []
    for phrase in drill.phrases:
        for bar in phrase.bars:
            for event in bar.events:
                onset = start + (event.beat - bar.first_beat) * bar.meter.beat_whole
                all_places += [(onset, note.string, note.fret, note.node) for note in event.notes]
            start += bar.length * bar.meter.beat_whole
    return sorted(all_places, key=repr)


def test_every_line_taught_passes_the_check_command(taught: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", str(taught)]) == 0
    assert "good: " in capsys.readouterr().out


def test_a_session_opens_with_every_line_taught(taught: Path, capsys: pytest.CaptureFixture[str]) -> None:
    Path("answers.txt").write_text("clean\nstop\n", encoding="utf-8")
    folder = ["--folder", "own"]
    assert main(["practice", str(taught), "--answers", "answers.txt", "--anyway", *folder]) == 0
    assert "1 repetition logged, 1 of 1 clean" in capsys.readouterr().out


def test_every_line_taught_comes_back_as_it_was(taught: Path) -> None:
    drill, _ = read_drill(taught.read_text(encoding="utf-8"), "taught.yaml")
    assert drill is not None
    again, problems = read_drill(write_drill(drill), "again.yaml")
    assert again == drill
    assert not [problem for problem in problems if problem.severity == "error"]
    assert main(["check", "--fix", str(taught)]) == 0
    assert read_drill(taught.read_text(encoding="utf-8"), "taught.yaml")[0] == drill


@pytest.mark.parametrize("kind", FORMATS)
def test_every_line_taught_is_exported(taught: Path, kind: str) -> None:
    assert main(["export", str(taught), "--to", kind, "-o", "out." + kind]) == 0
    assert Path("out." + kind).stat().st_size > 50


def test_every_line_taught_survives_musicxml(taught: Path) -> None:
    assert main(["export", str(taught), "--to", "musicxml", "-o", "out.musicxml"]) == 0
    # With an option it is read like any score, by its notes and not by the drill that it carries.
    assert main(["import", "out.musicxml", "--split", "voices", "-o", "back.yaml"]) == 0
    drill, back = (
        read_drill(Path(name).read_text(encoding="utf-8"), name)[0] for name in (taught, "back.yaml")
    )
    assert drill is not None
    assert back is not None
    assert places(back) == places(drill)


def test_every_key_is_on_the_page() -> None:
    for block in BLOCKS.values():
        for key in block:
            assert re.search(rf"(`|^|\s|{{){key}(`|:)", PAGE, re.MULTILINE), key


@pytest.mark.parametrize("example", EXAMPLES, ids=range(len(EXAMPLES)))
def test_the_schema_accepts_every_example(example: str) -> None:
    jsonschema = pytest.importorskip(
        "jsonschema", reason="needs the package jsonschema: pip install jsonschema"
    )
    # Editors read YAML 1.2, in which a day is text; PyYAML reads 1.1.
    loaded = json.loads(json.dumps(yaml.safe_load(whole_file(example)), default=str))
    errors = list(jsonschema.Draft202012Validator(schema()).iter_errors(loaded))
    assert [error.message for error in errors] == []


def table_of(heading: str) -> list[str]:
    """The names in the first column of a section's table."""
    section = PAGE.split(f"\n## {heading}\n")[1].split("\n## ")[0]
    return re.findall(r"^\| `(\w+)` \|", section, re.MULTILINE)


def test_the_table_of_a_bars_keys_has_every_key_in_order() -> None:
    assert table_of("Bars") == list(BAR)


def test_the_limits_on_the_page_are_the_readers() -> None:
    limits = PAGE.split("\n## Limits\n")[1].split("\n## ")[0]
    for number, what in (
        (MAX_PHRASES, "phrases"),
        (MAX_BARS, "bars"),
        (MAX_NOTES, "notes"),
        (MAX_BEATS, "beats"),
        (MAX_LAYERS, "layers"),
        (MAX_EVENTS_IN_BAR, "events"),
        (MAX_LINE, "characters"),
        (MAX_TAGS, "tags"),
        (MAX_TEXT, "characters"),
        (MAX_DEPTH, "deep"),
    ):
        assert re.search(rf"\b{number:,} {what}", limits), (number, what)
    assert f"{MAX_PIECE_BARS:,} bars" in limits
    assert f"an order\nof {MAX_ORDER} phrases" in limits
    assert f"names of {MAX_NAME}" in limits


@pytest.mark.parametrize(("block", "key"), [("tempo", "goal"), ("", "count_in")])
def test_a_range_on_the_page_is_the_readers(block: str, key: str) -> None:
    kind = BLOCKS[block][key].kind
    assert isinstance(kind, Whole)
    assert f"{kind.low} to {kind.high}" in PAGE.replace("\n", " ")
