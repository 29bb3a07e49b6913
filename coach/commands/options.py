"""The options of commands: each is declared in one line, and those that several commands share in one place."""

from __future__ import annotations

import argparse
import difflib
import re
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial
from typing import Any, NamedTuple, NoReturn

from coach.commands.common import parse_date, say
from coach.ground.digits import whole_number
from coach.ground.problem import UsageError
from coach.music.rhythm import MAX_BPM, MIN_BPM

LARGEST = sys.float_info.max


class Within(NamedTuple):
    """The numbers that an option takes, both ends included, and their unit."""

    low: float = -LARGEST
    high: float = LARGEST
    unit: str = ""

    def __str__(self) -> str:
        return f"{self.low:g} to {self.high:g} {self.unit}".rstrip()

    @property
    def numbers(self) -> str:
        """`a number from 1 to 600 s`, `a number of mm`."""
        return f"a number {f'from {self}' if self.high < LARGEST else f'of {self.unit}'}".removesuffix(" of ")


ANY = Within()
BPM = Within(MIN_BPM, MAX_BPM, "bpm")
MINUTES = Within(1, 240, "minutes")


Arguments = argparse.Namespace
"""What was typed, by the names of the options."""
UNSAID = argparse.SUPPRESS
"""As an option's help: none; as its default: no argument where it is not given."""


class Options(argparse.ArgumentParser):
    """What a command takes. `usage` is the name of an option and what stands for its value in the help: `--folder DIR`;
    a name without dashes is that of a word.

    It hands no word to the terminal as it is, and swallows no error of the stream that help goes to.
    """

    actions: argparse._SubParsersAction[Options] | None = None

    def flag(self, name: str, about: str, among: argparse._MutuallyExclusiveGroup | None = None) -> None:
        """An option without a value; of some, `among` which one at most is chosen."""
        (among or self).add_argument(name, action="store_true", help=about)

    def text(self, usage: str, about: str, **more: Any) -> None:
        """An option that takes a text; None where it is not given, unless `more` for argparse says otherwise."""
        name, shown = usage.split()
        self.add_argument(name, metavar=shown, help=about, **more)

    def texts(self, usage: str, about: str) -> None:
        """An option that takes one text or more, and may be given again."""
        self.text(usage, about, nargs="+", action="extend", default=[])

    def whole(self, usage: str, allowed: Within, about: str, **more: Any) -> None:
        """An option that takes a whole number."""
        name, shown = usage.split()

        def read(text: str) -> int:
            number = whole_number(text)
            if number is None or not allowed.low <= number <= allowed.high:
                where = name if name.startswith("-") else shown
                if text.strip().isdecimal():
                    raise UsageError(f"{text.strip()} is outside {allowed}", where)
                span = f"from {allowed.low} to {allowed.high}"
                raise UsageError(f"{text!r} is not a whole number {span}", where)
            return number

        self.text(usage, about, type=read, **more)

    def number(self, usage: str, allowed: Within, about: str, **more: Any) -> None:
        """An option that takes a number."""
        self.text(usage, about, type=partial(number, option=usage.split()[0], allowed=allowed), **more)

    def folder(self) -> None:
        """`--folder DIR`."""
        self.text(
            "--folder DIR",
            "practice folder (default: the current folder if it has drills/ or progress/, "
            "else the user-data folder)",
        )

    def log(self) -> None:
        """`--folder`, `--player`, `--date`: for every command that touches the log."""
        self.folder()
        self.text("--player NAME", "whose log (default: the only player)", default="")
        self.text("--date YYYY-MM-DD", "practice day (default: today)", default="")

    def drills(self) -> None:
        """`[DRILL...]`: the drills that a session is about."""
        self.text("drills DRILL", "drills by file, name, id or title (default: the daily plan)", nargs="*")

    def minutes(self) -> None:
        """`--minutes N`: how long a session is."""
        self.whole("--minutes N", MINUTES, "session length: 1 to 240 (default: the setting, 20)")

    def session(self) -> None:
        """What every way to a session takes."""
        self.log()
        self.drills()
        self.minutes()
        self.flag("--silent", "no sound; the screen shows the beat")
        self.flag("--anyway", "practise a drill that is assigned to someone else")

    def json(self) -> None:
        """`--json`: for commands that print data."""
        self.flag("--json", "print JSON")

    def forms(self, csv: str) -> argparse._MutuallyExclusiveGroup:
        """`--json`, `--csv`, `--html`: the forms of a report, of which one is chosen."""
        forms = self.add_mutually_exclusive_group()
        self.flag("--json", "print JSON", forms)
        self.flag("--csv", csv, forms)
        self.flag("--html", "a web page, also for printing", forms)
        return forms

    def output(self, what: str, required: bool = False) -> None:
        """`-o FILE`: for commands that write a file; `-` is standard output."""
        about = f"{what}; - is standard output"
        self.add_argument("-o", "--output", type=_target, metavar="FILE", required=required, help=about)

    def since(self, about: str) -> None:
        """`--since DAY`."""
        self.text("--since YYYY-MM-DD", about, type=partial(parse_date, option="--since"))

    @property
    def names(self) -> list[str]:
        """Of its options, the long one of each."""
        return [action.option_strings[-1] for action in self._actions if action.option_strings]

    def action(self, name: str, act: Callable[[Arguments], int], summary: str) -> Options:
        """One of the things that a command does, which `act` of its arguments carries out."""
        if self.actions is None:
            self.actions = self.add_subparsers(dest="action", required=True)
        about = f"{summary[0].upper()}{summary[1:]}."
        action = self.actions.add_parser(name, help=summary, description=about)
        action.set_defaults(act=act)
        self.actions.metavar = f"{{{','.join(self.actions.choices)}}}"
        return action

    def every(self) -> list[Options]:
        """The command itself, and its actions where it has some."""
        return [self, *(self.actions.choices.values() if self.actions else ())]

    def in_charge(self, arguments: Arguments) -> Options:
        """The action that was chosen, else the command."""
        chosen = f"{self.prog} {getattr(arguments, 'action', '')}"
        return next((one for one in self.every() if one.prog == chosen), self)

    def print_help(self, file: Any = None) -> None:
        say(self.format_help().rstrip("\n"), to=file)

    def error(self, message: str) -> NoReturn:
        told = message.replace("invalid int value:", "expected a whole number, found")
        if wrong := re.search(r"invalid choice: '(.*)' \(choose from (.*)\)", told):
            near = difflib.get_close_matches(wrong[1], re.findall(r"[\w-]+", wrong[2]), n=1)
            told += f" (did you mean {near[0]}?)" if near else ""
        self.print_usage(sys.stderr)
        say(f"{self.prog}: error: {told}", to=sys.stderr)
        self.exit(2)


def number(text: str, option: str, allowed: Within = ANY) -> float:
    """A finite number typed for an option; UsageError with what is allowed where it is none."""
    try:
        value = float(text)
    except ValueError:
        guess = f"{text.replace(',', '.')}?" if "," in text else ""
        raise UsageError(f"'{text}' is not {allowed.numbers}", option, guess=guess) from None
    if not allowed.low <= value <= allowed.high:
        bounded = allowed.high < LARGEST
        raise UsageError(
            f"{text} is outside {allowed}" if bounded else f"'{text}' is not {allowed.numbers}", option
        )
    return value


@contextmanager
def errors_of(option: str) -> Iterator[None]:
    """What is found wrong with a value inside is an error of this option."""
    try:
        yield
    except ValueError as error:
        raise UsageError(str(error), option) from None


def _target(name: str) -> str:
    if not name:
        # As a shell leaves it where a variable is not set.
        raise UsageError("the file's name is empty", "-o", guess="-o FILE; - is standard output")
    return name
