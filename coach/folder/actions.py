"""Every action of the screens, declared once: keys, hints, help and the command palette all derive from here.

It stands in this room and not with the screens since the actions are the rows of the settings' section `keys`, and
the settings are checked whole before there is a screen.

Conventions: a key is named as Textual names it (`space`, `ctrl+s`, `backspace`; a plain letter is itself). An action
belongs to scopes: a phase of the session (`ready` ... `done`) or a screen (`start`, `library` ...). Two actions
share a key only where they share no scope; a key that the player chose is taken from those that have it by default,
so that a new action never spoils a settings file. Labels of events are marked by the keys in `LABEL_KEYS`, which no
action of the rating scope may take: the digits, then the row of letters below them.
"""

from __future__ import annotations

import string
import unicodedata
from collections.abc import Iterable, Iterator, Set
from dataclasses import replace
from enum import StrEnum
from functools import cached_property

from coach.ground.fields import Group, Kind, Row, Rows, Values, did_you_mean, kind_of, word_of
from coach.ground.frozen import frozen
from coach.ground.kinds import Items
from coach.ground.plain import listed
from coach.ground.problem import SlipError
from coach.ground.source import Node, Report, Scalar, nearest
from coach.rating.fault import causes_of
from coach.rating.table import CAUSES, CHOKED, RESULTS, Cause

MOST_KEYS = 20

LABEL_KEYS = "1234567890qwertyuiop"
"""Event 1 to 20; from 11 on the letter under the digit."""


class Phase(StrEnum):
    """What kind of state of a session the player is in, as screens and keys know it."""

    READY = "ready"
    LISTENING = "listening"
    PLAYING = "playing"
    RATING = "rating"
    PAUSED = "paused"
    REST = "rest"
    DONE = "done"


READY, LISTENING, PLAYING, RATING, PAUSED, REST, DONE = PHASES = tuple(Phase)
MOVING = (READY, LISTENING, PLAYING)
SCREENS = ("start", "library", "nodes", "tuning", "reports", "settings", "summary")


@frozen
class Action:
    """One thing that the player can do."""

    id: str
    keys: tuple[str, ...]
    label: str
    """A word or two for the hint line."""
    help: str
    scopes: tuple[str, ...]
    hint: int = 0
    """Place in the hint line, the lowest first; 0 is only in help and palette."""


CAUSED = " or ".join(row.word for row in RESULTS if causes_of(row))
"""What the player may give a cause for."""
WHY = ", ".join(row.word for row in CAUSES)


def cause_action(cause: Cause) -> str:
    """Id of the action that gives this cause."""
    return f"cause_{cause.word}"


_VIEWED = tuple(phase for phase in PHASES if phase is not RATING)
"""Where the views differ: the sheet for marking is the same in both."""
_GO = "space enter"
"""The keys of what is done most."""


def _action(
    action_id: str, keys: str, label: str, about: str, scopes: str | tuple[str, ...], hint: int = 0
) -> Action:
    """An action from its keys with blanks between them, and its scopes or its only one."""
    own = (scopes,) if isinstance(scopes, str) else scopes
    return Action(action_id, tuple(keys.split()), label, about, own, hint)


ACTIONS: tuple[Action, ...] = (
    _action("go", _GO, "go", "Start the repetition", (READY, LISTENING), 1),
    _action("broke_off", _GO, "break off", "You stopped playing: rate what you played", PLAYING, 1),
    _action("save", _GO, "clean", "Save the repetition: clean, or with its marks", RATING, 1),
    _action("as_heard", "h", "as heard", "Save what was heard, together with your own marks", RATING, 2),
    _action(
        "resume",
        "space enter p",
        "end the pause",
        "End the pause; nothing plays until you press go",
        PAUSED,
        1,
    ),
    _action("rest_over", _GO, "go on", "Go on to the next item", REST, 1),
    _action("to_summary", _GO, "summary", "See how the session went", DONE, 1),
    *(_action(row.name, row.key, row.word, row.help, RATING, 0 if row.rest else 3) for row in RESULTS),
    _action("cause", "b", "why", f"Why the last marked event was {CAUSED}: {WHY}, no cause", RATING, 6),
    *(
        _action(cause_action(row), row.key, row.word, f"It was the {row.word}: {row.advice}", RATING)
        for row in CAUSES
    ),
    _action("choke_now", CHOKED.key, "choked just now", "Mark the event just played as choked", PLAYING, 2),
    _action(
        "page_right",
        "right pagedown",
        "next bars",
        "Show the next bars; if all are in view, move the cursor",
        RATING,
        2,
    ),
    _action(
        "page_left",
        "left pageup",
        "previous bars",
        "Show the previous bars; if all are in view, move the cursor",
        RATING,
        2,
    ),
    _action("cursor_right", "down", "next event", "Move the cursor to the next event", RATING),
    _action("cursor_left", "up", "previous event", "Move the cursor to the previous event", RATING),
    _action("mark_cursor", "m", "mark", "Mark the event under the cursor", RATING),
    _action(
        "again", "a", "once more", "Play it once more; this repetition stays unrated", (PLAYING, RATING), 7
    ),
    _action(
        "undo",
        "backspace",
        "undo",
        "Take the last rating back and rate it again",
        (READY, LISTENING, PLAYING, RATING, REST, DONE),
        9,
    ),
    _action("slower", "minus left", "slower", "A slower tempo", MOVING, 5),
    _action("faster", "plus equals_sign right", "faster", "A faster tempo", MOVING, 6),
    _action("skip", "s", "skip", "Leave this item and go to the next", (*MOVING, RATING, REST), 8),
    _action("easier", "e", "easier", "The easier version, without the notes marked ?", MOVING, 7),
    _action("layer", "l", "layer", "The next layer alone, or all together", MOVING, 7),
    _action("shorter", "z", "shorter", "A shorter excerpt of this phrase, or the whole phrase again", READY),
    _action(
        "play_through",
        "g",
        "play through",
        "Play the whole piece, or any run of its phrases, whatever the plan says",
        (READY, "library"),
        6,
    ),
    _action("listen", "h", "hear it", "Hear the phrase played; again to stop", (READY, LISTENING), 3),
    _action("run_on", "t", "run on", "Let this item run on by itself, or stop that", (READY, PLAYING)),
    _action("pause", "p", "pause", "Stop the sound and wait", MOVING, 4),
    _action("view", "v tab", "view", "Switch between the glance view and the study view", _VIEWED, 10),
    _action("louder", "right_square_bracket", "louder", "A louder click", (*PHASES, "tuning")),
    _action("softer", "left_square_bracket", "softer", "A softer click", (*PHASES, "tuning")),
    _action("stop", "escape", "stop", "End the session; also if something hurts", PHASES[:-1], 11),
    _action("begin", _GO, "go", "Start today's session", "start", 1),
    _action("drop_item", "x", "take out", "Take the item under the cursor out of today's plan", "start", 7),
    _action("item_earlier", "k", "earlier", "Move the item under the cursor up", "start", 10),
    _action("item_later", "j", "later", "Move the item under the cursor down", "start", 11),
    _action("more_minutes", "plus equals_sign", "more minutes", "Plan five more minutes", "start", 8),
    _action("fewer_minutes", "minus", "fewer", "Plan five fewer minutes", "start", 9),
    _action("drills", "d", "drills", "Choose what to practise", ("start", "summary"), 2),
    _action("nodes", "n", "nodes", "Look at nodes on a fretboard", ("start", "library"), 3),
    _action("tuning", "t", "tune", "Tune by harmonics", ("start", REST), 4),
    _action("reports", "r", "report", "See your report", ("start", "summary"), 5),
    _action("settings", "comma", "settings", "Change the settings", "start", 6),
    _action("tour", "w", "tour", "A tour of one minute", "start"),
    _action("practise_drill", "enter space", "practise", "Practise this drill now", "library", 1),
    _action("search", "slash", "search", "Search titles, tags and texts", "library", 2),
    _action("set_aside", "x", "in or out", "Put this drill in the daily plan, or take it out", "library", 3),
    _action(
        "know",
        "i",
        "I play it",
        "Say that you already play this, and about how fast",
        ("start", "library"),
        6,
    ),
    _action("hear", "h", "hear it", "Hear what is selected", ("library", "nodes", "tuning"), 4),
    _action("hear_choked", "c", "ringing, choked", "Hear the node ring, then choke", "nodes", 5),
    _action("hush", "s", "stop the sound", "Stop the sound", ("library", "nodes", "tuning"), 5),
    _action("microphone", "m", "listen", "Listen to your strings, or stop listening", "tuning", 1),
    _action("flatter", "minus left", "flatter", "Play the higher string a cent flatter", "tuning", 2),
    _action(
        "sharper", "plus equals_sign right", "sharper", "Play the higher string a cent sharper", "tuning", 3
    ),
    _action("beatless", "b", "beatless", "Play the pair so that it does not beat", "tuning", 6),
    _action("change", "enter space", "change", "Change the setting under the cursor", "settings", 1),
    _action("back", "escape q", "back", "Back to the previous screen", SCREENS[1:], 12),
    _action("quit", "q escape", "leave", "Leave the program", "start", 12),
    _action("help", "question_mark f1", "help", "All keys of this screen", (*PHASES, *SCREENS), 13),
)

_CALLED = {"/": "slash", "\\": "backslash", "@": "at", "-": "minus", "+": "plus", "_": "underscore"}


def _sign_name(sign: str) -> str:
    """What Textual calls the key of a sign: its name in Unicode, but for a few."""
    return _CALLED.get(sign) or unicodedata.name(sign, sign).lower().replace("-", "_").replace(" ", "_")


_SIGNS = {_sign_name(sign): sign for sign in string.punctuation}
_WORDS = "space enter escape tab backspace delete insert home end pageup pagedown up down left right"
_NAMED = {
    *_WORDS.split(),
    *(f"f{number}" for number in range(1, 13)),
    *_SIGNS,
}
_MODIFIERS = ("ctrl", "shift", "alt")


@frozen
class Keymap:
    """The actions with the player's own keys, which others then go without."""

    actions: tuple[Action, ...] = ACTIONS
    keyless: tuple[str, ...] = ()
    """Actions that have no key because the player chose theirs for others."""

    @property
    def notices(self) -> tuple[str, ...]:
        """What the player should know of the keys."""
        if not self.keyless:
            return ()
        without = listed(self.keyless, 3)
        return (f"Your own keys leave {without} without one: add it under `keys` in settings.yaml",)

    def action(self, action_id: str) -> Action:
        """The action with this id; KeyError where there is none."""
        return {action.id: action for action in self.actions}[action_id]

    def in_scope(self, scope: str) -> tuple[Action, ...]:
        """All actions of a phase or screen, those of the hint line first."""
        actions = [action for action in self.actions if scope in action.scopes]
        return tuple(sorted(actions, key=lambda action: (action.hint == 0, action.hint)))

    def meaning(self, key: str, scope: str) -> Action | None:
        """What a key does in a phase or screen."""
        meant = (action for action in self.actions if scope in action.scopes and key in action.keys)
        return next(meant, None)

    def hints(self, scope: str) -> tuple[tuple[str, str, str], ...]:
        """The hint line of a scope: (key as shown, label, action id), the most important first."""
        return tuple(
            (shown_key(action.keys[0]), action.label, action.id)
            for action in self.in_scope(scope)
            if action.hint and action.keys
        )


class KeyName(Kind[str]):
    """A key as a player writes it."""

    allowed = "a letter, digit or sign, space, enter, f5 or ctrl+s"

    def value(self, node: Node) -> str:
        key = key_name(node.text) if isinstance(node, Scalar) else None
        if key is None:
            near = nearest(word_of(node), sorted(_NAMED))
            raise SlipError(f"{kind_of(node)} is not a key; a key is {self.allowed}", did_you_mean(near))
        return key


_KEYS = Items(KeyName(), MOST_KEYS, "[space, enter]", name="keys", one_alone=True)


class KeymapKey(Group[Keymap]):
    """The settings file's section `keys`: an action's name to a key or a list of keys, an empty list for none."""

    example = "louder: f2"
    may_be_empty = True

    @cached_property
    def rows(self) -> Rows:
        return {action.id: Row(_KEYS, action.help, default=action.keys) for action in ACTIONS}

    def build(self, block: Values, where: str, report: Report) -> Keymap:
        chosen: dict[str, tuple[str, ...]] = block.values
        mine = tuple(replace(action, keys=chosen[action.id]) for action in ACTIONS if action.id in chosen)
        for action_id, message, guess in dict.fromkeys(_clashes(mine)):
            report.error(block.spot(action_id), message, guess, f"{where}.{action_id}")
        taken = {(scope, key) for action in mine for scope in action.scopes for key in action.keys}
        own = {action.id: action for action in mine}
        actions = tuple(own.get(action.id) or _without(action, taken) for action in ACTIONS)
        return Keymap(actions, tuple(one.id for one in actions if not one.keys and one.id not in own))


def key_name(written: str) -> str | None:
    """The name Textual gives to a key as a player writes it: `?` is `question_mark`; None where it is no key."""
    text = written.strip() or written[:1]
    if len(text) == 1:
        return _single(text)
    *modifiers, last = text.lower().replace("control", "ctrl").split("+")
    base = last if last in _NAMED else _single(last)
    if not base or any(word not in _MODIFIERS for word in modifiers):
        return None
    return "+".join([*modifiers, base])


def _single(character: str) -> str | None:
    """The name of the key of one letter, digit or sign; None for anything else."""
    if len(character) != 1 or not character.isprintable():
        return None
    return character if character.isalnum() else _sign_name(character)


def shown_key(key: str) -> str:
    """A key as hints and help show it: `question_mark` is `?`."""
    *modifiers, last = key.split("+")
    names = {"escape": "esc", "backspace": "bksp"}
    return "+".join([*modifiers, _SIGNS.get(last, names.get(last, last))])


def _without(action: Action, taken: Set[tuple[str, str]]) -> Action:
    """An action without those of its keys that are taken, as (scope, key), where it is at hand."""
    free = (key for key in action.keys if taken.isdisjoint((scope, key) for scope in action.scopes))
    return replace(action, keys=tuple(free))


def _clashes(mine: Iterable[Action]) -> Iterator[tuple[str, str, str]]:
    """Every chosen key that is chosen for something else too: its action's id, what is wrong, the way out."""
    taken: dict[tuple[str, str], Action] = {}
    for action, key in ((one, key) for one in mine for key in one.keys):
        if RATING in action.scopes and key in LABEL_KEYS:
            message = f"{shown_key(key)!r} marks an event while a repetition is rated"
            yield action.id, message, "choose another key"
        for scope in action.scopes:
            other = taken.setdefault((scope, key), action)
            if other is not action:
                message = f"{shown_key(key)!r} is already the key of {other.id} ({scope})"
                yield action.id, message, f"give {other.id} another key too"
                break
