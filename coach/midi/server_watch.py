"""Whether the JACK server that a port belongs to still runs.

JACK's list of ports lies in shared memory, and reads the same after the server has died; only its own shutdown
callback tells (jackaudio.org/api: jack_on_shutdown). So each open JACK port has a client beside it that waits for that.
"""

from __future__ import annotations

import ctypes
import os
import threading
from typing import Any

_NO_START_SERVER = 1
_SHUTDOWN = ctypes.CFUNCTYPE(None, ctypes.c_void_p)


class ServerWatch:
    """Waits for the end of the JACK server. Where there is no library or no server, nothing is watched."""

    def __init__(self) -> None:
        self.ended = threading.Event()
        self._callback = _SHUTDOWN(lambda _: self.ended.set())
        self._library: Any = None
        self._client: int | None = None
        for path in _loaded_libraries("libjack"):
            try:
                library = ctypes.CDLL(path)
                library.jack_client_open.restype = ctypes.c_void_p
                library.jack_client_close.argtypes = [ctypes.c_void_p]
                library.jack_on_shutdown.argtypes = [ctypes.c_void_p, _SHUTDOWN, ctypes.c_void_p]
                client = library.jack_client_open(b"Wellrung watch", ctypes.c_int(_NO_START_SERVER), None)
            except (OSError, AttributeError):
                continue
            if client:
                library.jack_on_shutdown(client, self._callback, None)
                self._library, self._client = library, client
                return

    def close(self) -> None:
        """Watch no longer; calling it again does nothing."""
        client, self._client = self._client, None
        if client is not None:
            self._library.jack_client_close(client)


def _loaded_libraries(name: str) -> set[str]:
    """Paths of loaded libraries whose file name starts so; only Linux tells."""
    try:
        with open("/proc/self/maps", encoding="utf-8") as maps:
            paths = {line.split(maxsplit=5)[5].strip() for line in maps if "/" in line}
    except (OSError, IndexError):
        return set()
    return {path for path in paths if os.path.basename(path).startswith(name)}
