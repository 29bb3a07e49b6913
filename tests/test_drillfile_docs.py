"""The page about the drill format: every example passes the checker, every key is described."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
import yaml

from coach.score.keys import BLOCKS
from coach.score.load import read_drill
from coach.score.schema import schema

PAGE = (Path(__file__).parent.parent / "docs" / "drill-format.md").read_text(encoding="utf-8")
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


@pytest.mark.parametrize("example", EXAMPLES, ids=range(len(EXAMPLES)))
def test_every_example_passes_the_checker(example: str) -> None:
    drill, problems = read_drill(whole_file(example), "docs/drill-format.md")
    assert problems == []
    assert drill is not None


def test_every_notation_in_the_table_passes_the_checker() -> None:
    cells = re.findall(r"^\| (`\d.*?) \| ", PAGE, re.MULTILINE)
    notations = [text.replace("\\|", "|") for cell in cells for text in re.findall(r"`([^`]+)`", cell)]
    assert len(notations) >= 18
    for notation in notations:
        bar = f"- bass: {notation}\n- bass: 1 A:0\n"
        if " for 6" in notation:
            bar += "- bass: 3 A:0\n"
        drill, problems = read_drill(whole_file(bar), notation)
        assert [str(problem) for problem in problems] == []
        assert drill is not None


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
    found = list(jsonschema.Draft202012Validator(schema()).iter_errors(loaded))
    assert [error.message for error in found] == []
