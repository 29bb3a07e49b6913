"""Waiting until something is so: a test fails where it never is, and not where a busy machine takes its time."""

from __future__ import annotations

import asyncio
import inspect
import time
from collections.abc import Awaitable, Callable

import pytest

LONGEST_S = 60.0
"""No wait that succeeds is so long on a machine that is slow and crowded."""
LOOK_S = 0.02


def wait_for(ready: Callable[[], object], what: str) -> None:
    """Look until `ready()` is true."""
    deadline_s = time.monotonic() + LONGEST_S
    while not ready():
        _go_on_until(deadline_s, what)
        time.sleep(LOOK_S)


async def until(ready: Callable[[], object | Awaitable[object]], what: str) -> None:
    """The same for a test whose own loop brings it about."""
    deadline_s = time.monotonic() + LONGEST_S
    while not await _answer(ready):
        _go_on_until(deadline_s, what)
        await asyncio.sleep(LOOK_S)


async def _answer(ready: Callable[[], object | Awaitable[object]]) -> object:
    answer = ready()
    return await answer if inspect.isawaitable(answer) else answer


def _go_on_until(deadline_s: float, what: str) -> None:
    if time.monotonic() > deadline_s:
        pytest.fail(f"waited {LONGEST_S} s for {what}")
