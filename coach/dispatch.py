"""Reads the command line's words and hands them to the command's module, which is imported only now.

A command module has `configure(options)` and `run(arguments) -> int`. Errors that the user can mend are
`CoachError` (exit status 1) or `UsageError` (exit status 2); they are printed to standard error.
"""

from __future__ import annotations

import difflib
import importlib
import os
import sys
from collections.abc import Mapping
from itertools import pairwise
from types import ModuleType
from typing import NoReturn

from coach.commands.options import Options
from coach.ground.folding import columns_of, folded
from coach.ground.plain import plain_text
from coach.ground.problem import CoachError, UsageError


def run(words: list[str], commands: Mapping[str, str]) -> int:
    """Do what the words say and return the exit status; `commands` has each command's name and line of help."""
    try:
        return _dispatch(words, commands)
    except CoachError as error:
        sys.stdout.flush()
        for problem in error.problems:
            message, *source = f"coach: {problem.with_caret()}".split("\n")
            print(*folded(message, columns_of(sys.stderr)), *source, sep="\n", file=sys.stderr)
        return 2 if isinstance(error, UsageError) else 1


def _dispatch(words: list[str], commands: Mapping[str, str]) -> int:
    if not words or words[0].startswith("-"):
        late = [word for before, word in pairwise(words) if word in commands and not before.startswith("-")]
        if late:
            first = " ".join([late[0], *(word for word in words if word != late[0])])
            raise UsageError(
                f"{late[0]!r} follows an option", guess=f"the command comes first: coach {first}"
            )
        words = ["practice", *words]
    if words[0] not in commands and os.path.isfile(words[0]):
        # A double click on a drill that came by mail hands over its path alone.
        words = ["practice", *words]
    name = words[0]
    if name not in commands:
        raise UsageError(
            f"{name!r} is not a command; `coach --help` lists them", guess=_meant(name, commands)
        )
    options = _options(name, commands[name])
    arguments, rest = options.parse_known_args(words[1:])
    if rest:
        _refuse(rest, options.in_charge(arguments), commands)
    folder: str | None = getattr(arguments, "folder", None)
    is_new = folder is not None and not os.path.isdir(folder)
    status: int = _module(name).run(arguments)
    if is_new and folder is not None:
        what = "is a practice folder from now on" if os.path.isdir(folder) else "there is no such folder"
        print(f"coach: {plain_text(folder)}: {what}", file=sys.stderr)
    return status


def _options(command: str, about: str) -> Options:
    options = Options(prog=f"coach {command}", description=about)
    _module(command).configure(options)
    return options


def _refuse(words: list[str], options: Options, commands: Mapping[str, str]) -> NoReturn:
    """UsageError for words that a command does not take: what it takes, and the likely slip or who takes them."""
    word = next((word for word in words if word.startswith("-")), words[0]).partition("=")[0]
    if not word.startswith("-"):
        message = f"is one word too many for `{options.prog}`; its words stand together, before or after all options"
        raise UsageError(message, word, guess=f"{options.prog} --help")
    everywhere = [one for name, about in commands.items() for one in _options(name, about).every()]
    takers = [f"{one.prog} {word}" for one in everywhere if word in one.names]
    near = takers[:2] or difflib.get_close_matches(word, [*options.names, "--version"], n=1, cutoff=0.7)
    near = ["coach --version" if one == "--version" else one for one in near]
    allowed = f"is no option of `{options.prog}`, which takes {', '.join(options.names)}"
    raise UsageError(allowed, word, guess=f"did you mean {' or '.join(near)}?" if near else "")


def _module(command: str) -> ModuleType:
    # `import` is a word of the language, so that its module needs another name.
    return importlib.import_module(f"coach.commands.{'import_' if command == 'import' else command}")


def _meant(name: str, commands: Mapping[str, str]) -> str:
    if name.endswith((".yaml", ".yml")):
        return f"coach practice {name}?"
    near = difflib.get_close_matches(name, commands, n=1)
    return f"{near[0]}?" if near else ""
