"""Sound cards by way of miniaudio: listing outputs and inputs, opening one, and keeping their libraries quiet.

Each of the system's sound interfaces is tried in turn, since the first that is installed need not be the one
that has a card. Frames are mono float32; the library spreads them to the card's channels and converts the
rate where the card has another.
"""

from __future__ import annotations

import contextlib
import os
import threading
from collections.abc import Generator, Iterator
from typing import TYPE_CHECKING, Any, Protocol

from coach.ground.frozen import frozen

if TYPE_CHECKING:
    import miniaudio

PERIOD_MS = 20
PERIODS = 16
"""320 ms are handed out ahead: a compromise between safety on a busy machine and the lag of start, stop and volume,
from single runs on two cores beside a repainting screen and other programs (gaps at 240 ms, one in 80 s at 320 ms with
both cores taken). The position allows for it."""

INPUT_PERIOD_MS = 10
INPUT_PERIODS = 32
"""320 ms may wait to be taken: with the library's three a busy machine lost 40 to 130 ms now and then."""

STALL_S = 1.0
"""A device that asks for nothing, or hands over nothing, so long is lost."""
START_STALL_S = 3.5
"""A sound server's first blocks may take over two seconds while it wakes."""
RETRY_S = 5.0
"""Between two tries to open one; where there is no card, a try takes some 15 ms of a core."""
TICK_S = 0.1
"""Between two looks after a device."""
CLOSE_WAIT_S = 1.0

Filler = Generator[memoryview, int, None]
"""Primed generator: is sent the number of frames wanted, yields their bytes (fewer is silence)."""
Taker = Generator[None, bytearray, None]
"""Primed generator: is sent each block of mono float32 that an input has heard."""


class DeviceError(Exception):
    """No device could be opened; the text says why in a few words."""


class OpenInput(Protocol):
    """A running device."""

    name: str

    def close(self) -> None:
        """Stop; may hang as long as a sound server does."""
        ...


class OpenDevice(OpenInput, Protocol):
    """A running playback device."""

    queued_blocks: int
    """Blocks between the one being handed out and the one being heard."""


@frozen
class DeviceInfo:
    """One device as the system names it."""

    name: str
    interface: str
    rates_hz: tuple[int, ...] | None
    """Empty: any; None: not known, as of one that another program has taken."""
    is_default: bool
    """Whether it is its interface's own choice."""


def open_device(rate: int, name: str, filler: Filler) -> OpenDevice:
    """Open and start the device whose name holds `name` (empty: the system's choice). Raises DeviceError."""
    device: OpenDevice = _opened(rate, name, filler, inputs=False)
    return device


def open_input(rate: int, name: str, taker: Taker) -> OpenInput:
    """Open and start the input whose name holds `name` (empty: the system's choice). Raises DeviceError."""
    device: OpenInput = _opened(rate, name, taker, inputs=True)
    return device


def close_apart(device: OpenInput) -> threading.Thread:
    """Close a device in a thread of its own: a sound server that hangs keeps that one hanging, and nothing else."""
    thread = threading.Thread(target=_close_quietly, args=(device,), name="sound closer", daemon=True)
    thread.start()
    return thread


def list_devices(inputs: bool) -> tuple[DeviceInfo, ...]:
    """Every playback device of every sound interface, or every input; empty where there is none."""
    import miniaudio

    listed = []
    for backend in _backends():
        with contextlib.suppress(miniaudio.MiniaudioError):
            listed += [device for device, _ in _devices(backend, inputs)]
    return tuple(listed)


def _opened(rate: int, name: str, blocks: Filler | Taker, inputs: bool) -> Any:
    import miniaudio

    refused = ""
    for backend in _backends():
        try:
            device_id, full_name = _find(backend, name, inputs)
        except (miniaudio.MiniaudioError, LookupError):
            continue
        device = _device_type(inputs)(rate, device_id, backend)
        try:
            # The switch that one opening sets for its queue must not reach another.
            with _one_opening:
                device.prepare()
                device.start(blocks)
        except miniaudio.MiniaudioError:
            refused = refused or f"another program may be using {full_name}"
            if getattr(device, "_device", None) is not None:
                _close_quietly(device)
            continue
        device.name = full_name
        return device
    if refused:
        raise DeviceError(refused)
    what = "microphone or other input" if inputs else "sound card"
    raise DeviceError(f"no {what} called {name!r} found" if name else f"no {what} found")


_one_opening = threading.Lock()


def _backends() -> list[miniaudio.Backend]:
    import miniaudio

    return [
        backend
        for backend in miniaudio.Backend
        if backend not in (miniaudio.Backend.NULL, miniaudio.Backend.CUSTOM)
    ]


def _find(backend: miniaudio.Backend, name: str, inputs: bool) -> tuple[Any, str]:
    devices = _devices(backend, inputs)
    if not devices:
        raise LookupError
    if not name:
        return None, next((device.name for device, _ in devices if device.is_default), devices[0][0].name)
    for device, device_id in devices:
        if name.casefold() in device.name.casefold():
            return device_id, device.name
    raise LookupError


def _devices(backend: miniaudio.Backend, inputs: bool) -> list[tuple[DeviceInfo, Any]]:
    """What an interface has, each with its id."""
    import miniaudio

    lib, ffi = miniaudio.lib, miniaudio.ffi
    devices = miniaudio.Devices([backend])

    def told(kind: Any, info: Any) -> dict[str, Any]:
        # The library's own would list nothing at all where one device can't be asked, nor say which is the default.
        result = lib.ma_context_get_device_info(
            devices._context, kind.value, ffi.addressof(info.id), ffi.addressof(info)
        )
        formats = info.nativeDataFormats[0 : info.nativeDataFormatCount]
        return {
            "is_there": result in (lib.MA_SUCCESS, lib.MA_BUSY) and not is_null(info),
            # A rate of 0 stands for any (miniaudio.h, at ma_device_info).
            "rates": tuple(sorted({one.sampleRate for one in formats} - {0})) if len(formats) else None,
            "is_default": bool(info.isDefault),
        }

    def is_null(info: Any) -> bool:
        # The device of alsa-lib that plays to nobody and hears nothing; every machine has it, with a card or without.
        return (
            backend is miniaudio.Backend.ALSA
            and ffi.string(ffi.cast("char *", ffi.addressof(info.id))) == b"null"
        )

    devices._get_info = told
    return [
        (DeviceInfo(entry["name"], devices.backend, entry["rates"], entry["is_default"]), entry["id"])
        for entry in (devices.get_captures() if inputs else devices.get_playbacks())
        if entry["is_there"]
    ]


def _device_type(inputs: bool) -> Any:
    """miniaudio's device, made so that it never blocks the end of the program and leaks no context."""
    import miniaudio

    base = miniaudio.CaptureDevice if inputs else miniaudio.PlaybackDevice
    periods = (INPUT_PERIOD_MS, INPUT_PERIODS) if inputs else (PERIOD_MS, PERIODS)

    class Device(base):  # type: ignore[misc, valid-type]
        def __init__(self, rate: int, device_id: Any, backend: miniaudio.Backend) -> None:
            self.name = ""
            self._wish = (rate, device_id, backend)
            self.queued_blocks = 1 if backend is miniaudio.Backend.JACK else PERIODS - 1

        def prepare(self) -> None:
            rate, device_id, backend = self._wish
            with contextlib.nullcontext() if inputs else _deep_queue():
                super().__init__(
                    miniaudio.SampleFormat.FLOAT32,
                    1,
                    rate,
                    periods[0],
                    device_id,
                    periods[1],
                    [backend],
                    # Where the system does not grant it, the library goes on with an ordinary thread.
                    miniaudio.ThreadPriority.REALTIME,
                    "Wellrung",
                )

        def close(self) -> None:
            super().close()
            context = getattr(self, "_context", None)
            if context is not None:
                self._context = None
                miniaudio.lib.ma_context_uninit(context)

        def __del__(self) -> None:
            """Left open on purpose: closing here could hang while the program ends."""

    return Device


@contextlib.contextmanager
def _deep_queue() -> Iterator[None]:
    """Have PulseAudio queue all periods: the library asks it for one alone, and this is its only other switch."""
    name = "PULSE_LATENCY_MSEC"
    before = os.environ.get(name)
    os.environ[name] = str(PERIOD_MS * PERIODS)
    try:
        yield
    finally:
        if before is None:
            del os.environ[name]
        else:
            os.environ[name] = before


def _close_quietly(device: OpenInput) -> None:
    # Whatever a vanished device says at its end, there is nobody left to mend it.
    with contextlib.suppress(Exception):
        device.close()
