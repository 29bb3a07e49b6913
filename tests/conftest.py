"""Shared by all tests: where CI demands the real programs, a missing one is a failure and no skip."""

from __future__ import annotations

import os
from collections.abc import Generator

import pytest

import coach  # noqa: F401 - before any test imports numpy, since it sets how many threads numpy uses


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
def _colours_whatever_the_terminal_says(monkeypatch: pytest.MonkeyPatch) -> None:
    """Tests draw in colour unless they ask for none."""
    monkeypatch.delenv("NO_COLOR", raising=False)


@pytest.fixture(autouse=True)
def _a_home_of_its_own(monkeypatch: pytest.MonkeyPatch, tmp_path_factory: pytest.TempPathFactory) -> None:
    """What the program keeps of this machine outside every practice folder stays out of the home of who runs tests."""
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path_factory.getbasetemp() / "state"))
