"""Shared by all tests: who runs beside whom, and that a missing program is a failure where CI demands all of them."""

from __future__ import annotations

import fcntl
import gc
import os
from collections.abc import Generator, Iterator

import pytest
from hypothesis import HealthCheck, settings

import coach  # noqa: F401 - before any test imports numpy, since it sets how many threads numpy uses

# No test measures time: a machine that is busy with other tests is no failure.
settings.register_profile("suite", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("suite")

WORKERS = 4


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption(
        "--every", type=int, default=1, metavar="N", help="only every Nth test, in the order of their files"
    )


@pytest.hookimpl(tryfirst=True)
def pytest_cmdline_main(config: pytest.Config) -> None:
    """The whole suite runs side by side, since half of its time is waiting for sound; named tests run in a row."""
    worker = hasattr(config, "workerinput")
    named = config.args_source is pytest.Config.ArgsSource.ARGS
    if not (worker or named or config.option.usepdb) and config.option.numprocesses is None:
        config.option.numprocesses = WORKERS
        config.option.dist = "worksteal"


@pytest.hookimpl(trylast=True)
def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """First those that need the machine to themselves, then tests that wait evenly among tests that reckon."""
    every = config.option.every
    config.hook.pytest_deselected(items=[item for at, item in enumerate(items) if at % every])
    items[:] = items[::every]
    groups: tuple[list[pytest.Item], ...] = ([], [], [])
    for item in items:
        groups[0 if item.get_closest_marker("alone") else 1 if item.get_closest_marker("real") else 2].append(
            item
        )
    alone, waiting, reckoning = groups
    place = {
        item: (number + 0.5) / len(group)
        for group in (waiting, reckoning)
        for number, item in enumerate(group)
    }
    items[:] = [*alone, *sorted(place, key=place.__getitem__)]


def leave_alone_what_is_here() -> None:
    """Let the garbage collector pass over all that there is, as `CoachApp` does once its first screen stands.

    One collection through what this suite imports takes half a second, or two on a busy machine. No thread runs
    meanwhile, which is longer than a sound card's queue lasts and than a MIDI click may be late.
    """
    gc.collect()
    gc.freeze()


@pytest.hookimpl(trylast=True)
def pytest_collection_finish() -> None:
    leave_alone_what_is_here()


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(
    item: pytest.Item, call: pytest.CallInfo[None]
) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    report = yield
    missing = report.skipped and "Skipped: needs " in str(report.longrepr)
    if missing and os.environ.get("WELLRUNG_REAL") == "required":
        report.outcome = "failed"
        report.longrepr = f"skipped, but WELLRUNG_REAL=required: {report.longrepr}"
    return report


@pytest.fixture(autouse=True)
def _beside_others(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory, worker_id: str
) -> Iterator[None]:
    """A test that is marked `alone` waits for those that run, and no other begins until it is over."""
    if worker_id == "master":
        yield
        return
    alone = request.node.get_closest_marker("alone") is not None
    folder = tmp_path_factory.getbasetemp().parent
    with (folder / "room").open("a") as room:
        with (folder / "door").open("a") as door:
            fcntl.flock(door, fcntl.LOCK_EX)
            fcntl.flock(room, fcntl.LOCK_EX if alone else fcntl.LOCK_SH)
        yield


@pytest.fixture(autouse=True)
def _colours_whatever_the_terminal_says(monkeypatch: pytest.MonkeyPatch) -> None:
    """Tests draw in colour and at their own size unless they ask for another.

    The library readline, which pytest loads, exports its idea of the size, and the processes of a run inherit that.
    """
    for name in ("NO_COLOR", "COLUMNS", "LINES"):
        monkeypatch.delenv(name, raising=False)


@pytest.fixture(autouse=True)
def _a_home_of_its_own(monkeypatch: pytest.MonkeyPatch, tmp_path_factory: pytest.TempPathFactory) -> None:
    """What the program keeps of this machine outside every practice folder stays out of the home of who runs tests."""
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path_factory.getbasetemp() / "state"))
