"""What looks after a device or a port that may be missing, or go at any moment: a thread of its own, look by look."""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Generic, TypeVar

from coach.sound.device import CLOSE_WAIT_S, RETRY_S, TICK_S, OpenInput, close_apart

Device = TypeVar("Device", bound=OpenInput)


class Keeper:
    """A thread that takes one look after another, from `start` to `end`; both are safe to call twice."""

    def __init__(self, name: str, look: Callable[[], None], pause_s: Callable[[], float]) -> None:
        self._name, self._look, self._pause_s = name, look, pause_s
        self._thread: threading.Thread | None = None
        self._ending = threading.Event()

    def start(self) -> None:
        if self._thread is None:
            self._ending.clear()
            self._thread = threading.Thread(target=self._run, name=self._name, daemon=True)
            self._thread.start()

    def end(self) -> None:
        """Wait for the look that is taken, but not for one that hangs."""
        self._ending.set()
        if self._thread is not None:
            self._thread.join(CLOSE_WAIT_S)
            self._thread = None

    def _run(self) -> None:
        while not self._ending.is_set():
            self._look()
            self._ending.wait(self._pause_s())


class Tended(Generic[Device]):
    """One device, opened when it can be had, let go when it fails, and tried again now and then.

    Tests give the `clock`, and call `tend` themselves.
    """

    def __init__(self, name: str, clock: Callable[[], float]) -> None:
        self._clock = clock
        self._device: Device | None = None
        self._closing: threading.Thread | None = None
        self._retry_at_s = clock()
        self._keeper = Keeper(name, self.tend, lambda: self._pause_s)

    def tend(self) -> None:
        """One look after the device: open it, notice that it is gone, or take it up again."""
        if self._device is not None:
            self._look_after(self._device)
        elif (self._closing is None or not self._closing.is_alive()) and self._clock() >= self._retry_at_s:
            self._try_to_open()

    @property
    def _pause_s(self) -> float:
        return TICK_S

    def _look_after(self, device: Device) -> None:
        raise NotImplementedError

    def _try_to_open(self) -> None:
        raise NotImplementedError

    def _let_go(self) -> None:
        device, self._device = self._device, None
        if device is not None:
            self._retry_at_s = self._clock() + RETRY_S
            self._closing = close_apart(device)

    def _end(self) -> None:
        """End the keeper and let the device go; waits at most about two seconds."""
        self._keeper.end()
        self._let_go()
        if self._closing is not None:
            self._closing.join(CLOSE_WAIT_S)
