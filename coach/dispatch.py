"""Reads the command line's words and hands them to the command's module, which is imported only now.

A command module has `configure(parser)` and `run(arguments) -> int`. Errors that the user can mend are
`CoachError` (exit status 1) or `UsageError` (exit status 2); they are printed to standard error.
"""

from __future__ import annotations

import argparse
import difflib
import importlib
import os
import re
import sys
from collections.abc import Mapping
from itertools import pairwise
from types import ModuleType
from typing import Any, NoReturn

from coach.ground.folding import columns_of, folded
from coach.ground.plain import visible
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
    module = _module(name)
    parser = _Parser(prog=f"coach {name}", description=commands[name])
    module.configure(parser)
    status: int = module.run(parser.parse_args(words[1:]))
    return status


class _Parser(argparse.ArgumentParser):
    """Hands no word to the terminal as it is, and swallows no error of the stream that help goes to."""

    def print_help(self, file: Any = None) -> None:
        print(self.format_help(), end="", file=file or sys.stdout)

    def error(self, message: str) -> NoReturn:
        told = message.replace("invalid int value:", "expected a whole number, found")
        if wrong := re.search(r"invalid choice: '(.*)' \(choose from (.*)\)", told):
            near = difflib.get_close_matches(wrong[1], re.findall(r"[\w-]+", wrong[2]), n=1)
            told += f" (did you mean {near[0]}?)" if near else ""
        self.print_usage(sys.stderr)
        rows = folded(visible(f"{self.prog}: error: {told}"), columns_of(sys.stderr))
        self.exit(2, "\n".join([*rows, ""]))


def _module(command: str) -> ModuleType:
    # `import` is a word of the language, so that its module needs another name.
    return importlib.import_module(f"coach.commands.{'import_' if command == 'import' else command}")


def _meant(name: str, commands: Mapping[str, str]) -> str:
    if name.endswith((".yaml", ".yml")):
        return f"coach practice {name}?"
    near = difflib.get_close_matches(name, commands, n=1)
    return f"{near[0]}?" if near else ""
