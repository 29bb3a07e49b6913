"""The house keeps its storeys: which package may import which, proven from the source and at run time."""

from __future__ import annotations

import ast
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

import coach

ROOT = Path(coach.__file__).parent
ROOMS = (
    "ground",
    "strings",
    "music",
    "rating",
    "log",
    "words",
    "pages",
    "learning",
    "score",
    "sound",
    "midi",
    "store",
    "folder",
    "session",
    "report",
    "web",
    "tui",
    "commands",
)
"""From the ground up: a room imports itself and rooms that stand before it."""
PURE = (
    "ground",
    "strings",
    "music",
    "rating",
    "log",
    "words",
    "pages",
    "learning",
    *(
        f"session/{name}.py"
        for name in ("coaching", "events", "machine", "notices", "session", "states", "turns")
    ),
)
"""No clock, no threads, no randomness of their own; the standard library, numpy and fsrs only."""
PURE_MAY_IMPORT = {"numpy", "fsrs"}


def modules(package: str) -> list[Path]:
    place = ROOT / package
    return [place] if place.is_file() else sorted(place.rglob("*.py"))


OF_FILES = {ROOT / "ground" / f"{name}.py" for name in ("places", "files", "compose")}
"""Of the ground what looks at the disk, and what reads YAML."""
PURE_MODULES = [path for place in PURE for path in modules(place) if path not in OF_FILES]


def imports(path: Path) -> Iterator[str]:
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.level == 0 and node.module:
            yield node.module
            yield from (f"{node.module}.{alias.name}" for alias in node.names if node.module == "coach")


@pytest.mark.parametrize("path", PURE_MODULES, ids=lambda path: path.stem)
def test_pure_rooms_import_the_standard_library_numpy_and_fsrs_only(path):
    outside = {
        name.split(".")[0]
        for name in imports(path)
        if name.split(".")[0] not in sys.stdlib_module_names and not name.startswith("coach")
    }
    assert outside <= PURE_MAY_IMPORT
    banned = {"sqlite3", "threading", "socket", "subprocess", "asyncio", "time"}
    assert not banned & {name.split(".")[0] for name in imports(path)}


@pytest.mark.parametrize("path", PURE_MODULES, ids=lambda path: path.stem)
def test_pure_rooms_have_no_random_state_but_generators_seeded_by_its_callers(path):
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            assert not {"random"} & {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module == "random":
            assert {alias.name for alias in node.names} == {"Random"}
        elif isinstance(node, ast.Call) and getattr(node.func, "id", "") in ("Random", "default_rng"):
            assert node.args, f"line {node.lineno}: a generator needs the caller's seed"


@pytest.mark.parametrize("room", ROOMS)
def test_dependencies_point_downward_only(room):
    lower = tuple(f"coach.{name}" for name in ROOMS[: ROOMS.index(room) + 1])
    for path in modules(room):
        inside = {name for name in imports(path) if name.startswith("coach.") and name != "coach.__version__"}
        wrong = {name for name in inside if not name.startswith(lower)}
        assert not wrong, f"{path.relative_to(ROOT)} imports {sorted(wrong)}"


def test_nothing_below_the_screens_imports_them():
    for path in sorted(ROOT.rglob("*.py")):
        part = path.relative_to(ROOT).parts[0]
        if part not in ("web", "tui", "commands"):
            assert not {name for name in imports(path) if name.startswith(("textual", "coach.tui"))}, path


def loaded_by(statement: str) -> set[str]:
    code = f"import sys\n{statement}\nprint('\\n'.join(sys.modules))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    return {name.split(".")[0] for name in done.stdout.split()}


def test_importing_all_pure_rooms_loads_no_screen_no_midi_no_database_and_no_yaml():
    names = ", ".join(
        ".".join(("coach", *path.relative_to(ROOT).with_suffix("").parts))
        for path in PURE_MODULES
        if path.stem != "__init__"
    )
    loaded = loaded_by(f"import {names}")
    assert not loaded & {"textual", "mido", "rtmidi", "sqlite3", "yaml", "miniaudio", "platformdirs"}


def test_help_loads_neither_textual_nor_numpy():
    statement = "import coach.cli\ntry:\n    coach.cli.main(['--help'])\nexcept SystemExit:\n    pass"
    assert not loaded_by(statement) & {"textual", "numpy", "sqlite3", "yaml", "fsrs", "miniaudio"}
