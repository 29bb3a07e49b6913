"""Who may see the session: those who know the code that the computer's terminal shows."""

from __future__ import annotations

import hmac
import secrets
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass

CODE_LETTERS = "ABCDEFGHJKLMNPQRSTUVWXYZ23456789"
CODE_LENGTH = 8
"""32 ** 8 codes: at a try a minute from each, a million addresses need a year on average."""
FREE_TRIES = 3
LONGEST_WAIT_S = 60.0
_MOST_ADDRESSES = 1000


@dataclass(slots=True)
class _Tries:
    wrong: int = 0
    free_at_s: float = 0.0


class Doorkeeper:
    """One code for the whole run. Wrong ones slow down the address that they come from, and nobody else."""

    def __init__(self, clock_s: Callable[[], float]) -> None:
        self.code = "".join(secrets.choice(CODE_LETTERS) for _ in range(CODE_LENGTH))
        self._token = secrets.token_urlsafe(32)
        self._clock_s = clock_s
        self._tries: OrderedDict[str, _Tries] = OrderedDict()

    def wait_s(self, address: str) -> float:
        """How long an address has to wait before its next try counts."""
        tries = self._tries.get(address)
        return max(0.0, tries.free_at_s - self._clock_s()) if tries else 0.0

    def enter(self, code: str, address: str) -> str:
        """The token of a browser that knows the code; empty for a wrong code, and while its address has to wait."""
        if self.wait_s(address):
            return ""
        if hmac.compare_digest("".join(code.split()).upper().encode(), self.code.encode()):
            self._tries.pop(address, None)
            return self._token
        tries = self._tries.setdefault(address, _Tries())
        self._tries.move_to_end(address)
        tries.wrong += 1
        if tries.wrong >= FREE_TRIES:
            tries.free_at_s = self._clock_s() + min(LONGEST_WAIT_S, 2.0 ** (tries.wrong - FREE_TRIES))
        while len(self._tries) > _MOST_ADDRESSES:
            self._tries.popitem(last=False)
        return ""

    def knows(self, token: str) -> bool:
        """Whether a browser has been let in."""
        return hmac.compare_digest(token.encode(), self._token.encode())
