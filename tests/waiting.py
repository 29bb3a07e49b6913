"""Waiting until something is so: a test fails where it never is, and not where a busy machine takes its time."""

from __future__ import annotations

import asyncio
import inspect
import time
from collections.abc import Awaitable, Callable

import pytest

LONGEST_S = 60.0
"""No wait that succeeds is so long, on a machine that is slow and crowded."""
LOOK_S = 0.02
SERVER_S = 25.0
"""What must not wait for a sound server that hangs is over by then: PulseAudio's clients give one up after 30 s (its
`DEFAULT_TIMEOUT`, from memory)."""


def wait_for(ready: Callable[[], object], what: str, longest_s: float = LONGEST_S) -> None:
    """Look until `ready()` is true."""
    deadline_s = time.monotonic() + longest_s
    while not ready():
        if time.monotonic() > deadline_s:
            pytest.fail(f"waited {longest_s} s for {what}")
        time.sleep(LOOK_S)


async def until(ready: Callable[[], object | Awaitable[object]], what: str) -> None:
    """The same in a test whose own loop brings it about; `ready` may be asynchronous."""
    deadline_s = time.monotonic() + LONGEST_S
    while True:
        answer = ready()
        if await answer if inspect.isawaitable(answer) else answer:
            return
        if time.monotonic() > deadline_s:
            pytest.fail(f"waited {LONGEST_S} s for {what}")
        await asyncio.sleep(LOOK_S)
