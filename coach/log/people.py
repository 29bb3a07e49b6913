"""Who practises from a folder: names, and which ids are one person.

Each machine gives a player an id of its own when it first meets the name. Players of one name (case, accents and spaces
don't count) in one folder are one person, whose id is the earliest of theirs: so two machines that began apart become
one log by lying in one folder, and two names become one person by giving one of them the other's name.
"""

from __future__ import annotations

from collections.abc import Iterable

from coach.ground.frozen import frozen
from coach.ground.plain import bare_name, plain_text
from coach.ground.problem import UsageError
from coach.log.entries import Named

DEFAULT_NAME = "player"
LONGEST_NAME = 60


@frozen
class Player:
    """A person who practises from this folder."""

    id: str
    name: str
    ids: tuple[str, ...] = ()
    """All ids that are this person's, the earliest, `id`, first."""


def players_of(names: Iterable[Named]) -> list[Player]:
    """Everybody who is named, by name."""
    latest: dict[str, Named] = {}
    for named in sorted(names, key=lambda one: (one.at_ms, one.id)):
        latest[named.player] = named
    groups: dict[str, list[Named]] = {}
    for named in latest.values():
        groups.setdefault(bare_name(named.name), []).append(named)
    people = []
    for group in groups.values():
        ids = tuple(sorted(named.player for named in group))
        name = max(group, key=lambda one: (one.at_ms, one.id)).name
        people.append(Player(ids[0], name, ids))
    return sorted(people, key=lambda one: (bare_name(one.name), one.id))


def chosen_player(known: list[Player], name: str) -> Player | None:
    """Whom a name or the last letters of an id mean; without a name the only one there is. None where nobody is meant.

    UsageError where several could be.
    """
    if not name:
        meant = known
    else:
        bare = bare_name(name)
        meant = [one for one in known if bare_name(one.name) == bare]
        meant = meant or [one for one in known if len(name) >= 6 and _ends(one, name)]
    if len(meant) > 1:
        names = ", ".join(f"{one.name} ({one.id[-6:]})" for one in meant)
        raise UsageError(
            f"several players: {names}", "--player", guess="name one, or give the letters in brackets"
        )
    return meant[0] if meant else None


def checked_name(name: str, place: str = "--player") -> str:
    """A player's name, one printable line; UsageError where it is empty or too long, at the `place` of the name."""
    plain = plain_text(name)
    if not plain or len(plain) > LONGEST_NAME:
        raise UsageError(f"a name has 1 to {LONGEST_NAME} letters; this one has {len(plain)}", place)
    return plain


def _ends(player: Player, letters: str) -> bool:
    return any(one.endswith(letters.upper()) for one in player.ids)
