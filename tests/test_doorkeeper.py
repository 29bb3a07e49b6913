"""Who may see a session in a browser: the code stays, and wrong ones slow down only where they come from."""

from types import SimpleNamespace

import pytest

pytest.importorskip("aiohttp", reason="needs textual-serve: pip install -e '.[serve]'")

from coach.web.doorkeeper import FREE_TRIES, LONGEST_WAIT_S, Doorkeeper


def test_somebody_who_guesses_waits_longer_and_longer_and_locks_nobody_else_out():
    now_s = [0.0]
    door = Doorkeeper(lambda: now_s[0])
    code, waits = door.code, []
    for _ in range(12):
        assert door.enter("AAAAAAAA", "10.0.0.66") == ""
        waits.append(door.wait_s("10.0.0.66"))
        now_s[0] += waits[-1]
    assert waits[: FREE_TRIES - 1] == [0.0] * (FREE_TRIES - 1)
    assert waits[FREE_TRIES - 1 :] == [min(2.0**n, LONGEST_WAIT_S) for n in range(12 - FREE_TRIES + 1)]
    assert door.code == code
    token = door.enter(f" {code[:4]} {code[4:].lower()} ", "10.0.0.7")
    assert door.knows(token)
    assert not door.knows("")


def test_while_an_address_waits_the_right_code_does_not_count_either():
    now_s = [0.0]
    door = Doorkeeper(lambda: now_s[0])
    for _ in range(FREE_TRIES):
        door.enter("AAAAAAAA", "10.0.0.7")
    assert door.enter(door.code, "10.0.0.7") == ""
    now_s[0] += door.wait_s("10.0.0.7")
    assert door.knows(door.enter(door.code, "10.0.0.7"))
    assert door.wait_s("10.0.0.7") == 0


class Connection:
    """A connection of somebody without the code."""

    def __init__(self):
        self.transport, self.is_open = self, True

    def abort(self):
        self.is_open = False


def test_of_connections_without_the_code_the_oldest_are_too_many(monkeypatch):
    server_module = pytest.importorskip(
        "coach.web.server", reason="needs textual-serve: pip install -e '.[serve]'"
    )
    moments = iter((0.0, 1.0))
    monkeypatch.setattr(server_module, "time", SimpleNamespace(monotonic=lambda: next(moments)))
    server = server_module.CoachServer("", "127.0.0.1", 8123, True, print)
    old, late = [Connection() for _ in range(32)], [Connection() for _ in range(12)]
    server._close_strange(SimpleNamespace(server=SimpleNamespace(connections=old)))
    assert all(one.is_open for one in old)
    server._close_strange(SimpleNamespace(server=SimpleNamespace(connections=[*old, *late])))
    assert all(one.is_open for one in late)
    assert sum(one.is_open for one in old) == 32 - 12
