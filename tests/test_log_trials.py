"""A few of each of the log's trials; the sizes at which they are run stand in DEVELOPERS.md."""

from __future__ import annotations

import sys

import pytest

from tests.clock_jumps import jump_often
from tests.damages import damage_often
from tests.power_cuts import cut_often

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="needs POSIX files and processes")


def test_damaged_logs_lose_nothing_that_is_whole(tmp_path):
    assert sum(damage_often(25, 11, tmp_path).values()) == 25


def test_a_cut_of_the_power_loses_nothing_that_was_shown_as_saved(tmp_path):
    assert sum(cut_often(60, 12, tmp_path).values()) == 60


def test_a_full_disk_loses_nothing_and_says_so(tmp_path):
    from tests.full_disks import fill_often  # needs `resource`, which Windows lacks

    assert sum(fill_often(20, 13, tmp_path).values()) == 20


def test_two_machines_in_a_synchronised_folder_lose_nothing(tmp_path):
    from tests.sync_rounds import sync_often

    assert sum(sync_often(50, 14, tmp_path).values()) > 0


def test_a_clock_that_jumps_loses_nothing(tmp_path):
    assert sum(jump_often(3, 16, tmp_path / "practice").values()) > 0


def test_a_killed_process_loses_nothing_that_it_told_as_saved(tmp_path):
    from tests.kills import kill_often

    assert sum(kill_often(8, 15, tmp_path / "practice").values()) == 8
