"""The house keeps its storeys: which package may import which, proven from the source and at run time."""

from __future__ import annotations

import ast
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.imports import FILES, ROOT, circles, imports_inside_functions, loaded_with

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
    "paper",
    "sound",
    "midi",
    "listen",
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
    "log/entries.py",
    "log/lines.py",
    "log/fold.py",
    "log/people.py",
    "words",
    "pages",
    "learning",
    *(
        f"session/{name}.py"
        for name in ("coaching", "events", "machine", "notices", "session", "states", "turns")
    ),
)
"""No clock, no threads, no randomness of their own; the standard library and numpy only."""
PURE_MAY_IMPORT = {"numpy"}


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
def test_pure_rooms_import_the_standard_library_and_numpy_only(path):
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


def test_help_loads_nothing_but_its_table():
    loaded = loaded_by("import coach.cli\ncoach.cli.main(['--help'])")
    assert not loaded & {"textual", "numpy", "yaml", "argparse", "dataclasses", "json"}


HEAVY = {
    "miniaudio": "the sound card",
    "mido": "MIDI messages and files",
    "numpy": "samples",
    "plotext": "curves in a terminal",
    "rich": "styles",
    "rtmidi": "MIDI ports",
    "textual": "the screens",
    "textual_serve": "the screens in a browser",
    "typst": "pages as PDF",
    "verovio": "notes on staves",
    "yaml": "drills and settings",
}
"""Libraries that take 10 ms or more to import, and what they are for: a function may import what brings in one."""
LAZY = {
    "cli.py": "the help needs no parser of words",
    "commands/practice.py": "a session needs nothing of what enters answers, and entering nothing of the screens",
    "commands/roster.py": "the class in a terminal needs nothing of the page's drawings",
    "commands/terminal_keys.py": "the terminal's own modules differ between systems",
    "commands/tune.py": "a table of beats needs no log",
    "ground/places.py": "most players name a folder or stand in one",
    "session/desk.py": "a plan needs no session, and other commands no plan",
    "session/host.py": "a session that is only entered needs no sound",
    "tui/app.py": "the first screen stands sooner without what a session needs",
}
"""Files in which functions import what is light too, and why."""


START = ("coach.cli", "coach.dispatch", "coach.commands.practice", "coach.session.desk", "coach.tui.app")
"""What is imported until the first screen stands."""
AT_START = {
    "listen": {"heard", "record", "settings"},
    "midi": {"pedal", "settings"},
    "paper": set(),
    "report": set(),
    "score": {"ids", "instrument_key", "limits", "values"},
    "session": {"desk"},
    "sound": {"player", "settings"},
    "web": set(),
}
"""Of each room that a start needs little of, all that it loads: what the settings are, and who plays."""


def test_a_start_loads_no_more_of_a_room_than_it_needs():
    loaded = {name for module in START for name in loaded_with(module)}
    for room, needed in AT_START.items():
        inside = {name.removeprefix(f"coach.{room}.") for name in loaded if name.startswith(f"coach.{room}.")}
        assert inside == needed, room
    assert not loaded & (HEAVY.keys() - {"rich", "textual"})


def test_every_room_has_its_storey():
    assert {path.parent.name for path in ROOT.glob("*/*.py")} == set(ROOMS)


def test_no_files_import_each_other_in_a_circle():
    assert circles() == []


def test_what_functions_import_is_heavy_or_has_a_reason():
    wrong = []
    for module, path in FILES.items():
        if str(path.relative_to(ROOT)) in LAZY:
            continue
        here = loaded_with(module)
        wrong += [
            f"{path.relative_to(ROOT)}:{line} imports {name}"
            for line, name in imports_inside_functions(module)
            if not ((loaded_with(name) - here) & HEAVY.keys())
        ]
    assert wrong == []


def test_every_file_with_a_reason_to_import_late_does():
    assert {name for name in LAZY if any(imports_inside_functions(_module(name)))} == set(LAZY)


def _module(name: str) -> str:
    return next(module for module, path in FILES.items() if path == ROOT / name)
