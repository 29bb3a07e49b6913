"""What this machine's files of the log are called: letters drawn once, which tell nobody whose machine it is."""

from __future__ import annotations

import hashlib
import json
import os
import platform
import re
from contextlib import suppress
from pathlib import Path

from coach.ground.files import write_whole
from coach.ground.own_files import read_own
from coach.ground.places import state_file
from coach.ground.problem import CoachError

_LETTERS = "abcdefghjkmnpqrstuvwxyz23456789"
_MOST_BYTES = 1_000_000
_NAME = re.compile(r"[a-z0-9][a-z0-9-]{0,39}")


def machine_name() -> str:
    """This machine's letters, of this user."""
    # Passing state and no data: a practice folder may stand in the user-data folder and be synchronised.
    return name_kept_in(state_file("machine.json"), platform.node(), os.urandom(6))


def name_kept_in(state: Path, host: str, random_bytes: bytes) -> str:
    """The letters that a file keeps for a host, drawn from the random bytes where it keeps none yet.

    Of the host's own name only a digest is kept, so that a home that is copied to another machine, or shared by
    several, gives each its own letters. Where nothing can be kept the letters follow from host and path.
    """
    digest = hashlib.blake2b(host.encode("utf-8", "replace"), digest_size=8).hexdigest()
    names = _kept(state)
    name = names.get(digest)
    if isinstance(name, str) and _NAME.fullmatch(name):
        return name
    name = "".join(_LETTERS[byte % len(_LETTERS)] for byte in random_bytes)
    try:
        state.parent.mkdir(parents=True, exist_ok=True)
        # A link is not read, so it is not written through either: it would get new letters at each start.
        write_whole(state, [json.dumps({**names, digest: name}).encode()], through_links=False)
    except OSError:
        return hashlib.blake2b(f"{host}\0{state}".encode("utf-8", "replace"), digest_size=4).hexdigest()
    return name


def _kept(state: Path) -> dict[str, object]:
    with suppress(OSError, CoachError, ValueError, RecursionError):
        kept = json.loads(read_own(state, _MOST_BYTES))
        if isinstance(kept, dict):
            return kept
    return {}
