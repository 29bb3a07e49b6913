"""Who may see a session in a browser: the code stays, and wrong ones slow down only where they come from."""

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
