"""The light touch, checked against a lossy string solved as an eigenvalue problem, and its invariants."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.linalg import eig

from coach.strings.instrument import Node, nodes_at_label, nodes_upto
from coach.strings.ready_made import ready_made
from coach.strings.touch import (
    DULL_LOSS_DB,
    FAINTEST_DB,
    PICKUP_SHARE,
    PLUCK_SHARE,
    best_plucking_point_mm,
    damping,
    dead_plucking_points_mm,
    forgiveness,
    level_db,
    loudest_partial,
    place_weight,
    touch_loss_db,
    wire_aim,
)

BASS = ready_made("bass")
nodes = st.sampled_from(nodes_upto(9))


def lossy_string_decays(centre: float, width: float, loss: float, points: int, modes: int) -> list[float]:
    """Decay rates of the lowest modes of u_tt + 2 c(x) u_t = u_xx, ends fixed, c = `loss` under the finger.

    Finite differences on `points` inner points, as the eigenvalues of the first-order system.
    """
    step = 1.0 / (points + 1)
    at = np.arange(1, points + 1) * step
    # The share of each point's cell that the finger covers.
    covered = np.clip(
        (np.minimum(at + step / 2, centre + width / 2) - np.maximum(at - step / 2, centre - width / 2))
        / step,
        0.0,
        1.0,
    )
    second = (
        np.diag(np.full(points - 1, 1.0), 1) + np.diag(np.full(points - 1, 1.0), -1) - 2 * np.eye(points)
    ) / (step * step)
    system = np.block(
        [[np.zeros((points, points)), np.eye(points)], [second, np.diag(-2.0 * loss * covered)]]
    )
    values = eig(system, right=False)
    rising = values[values.imag > 1e-6]
    lowest = rising[np.argsort(rising.imag)][:modes]
    return [float(-value.real) for value in lowest]


@pytest.mark.parametrize(("centre", "width"), [(1 / 2, 0.05), (1 / 3, 0.03), (0.21, 0.08), (1 / 7, 0.04)])
def test_damping_is_what_a_lossy_string_shows(centre: float, width: float) -> None:
    # Independent: scipy's eigenvalues of a string with a lossy stretch. To first order mode m of
    # u_tt + 2 c(x) u_t = u_xx decays at 2 x (integral of c sin^2(m pi x)) = 2 x loss x width x d_m.
    loss = 0.05
    decays = lossy_string_decays(centre, width, loss, points=120, modes=8)
    model = [2.0 * loss * width * damping(m, centre, width) for m in range(1, 9)]
    assert decays == pytest.approx(model, rel=0.03, abs=2.0 * loss * width * 0.004)


def test_a_touch_at_a_node_spares_the_nodes_partial_and_its_multiples() -> None:
    assert [m for m in range(1, 13) if damping(m, 1 / 3, 0.0) < 1e-12] == [3, 6, 9, 12]


def test_a_wide_finger_dulls_high_partials_more_than_low_ones() -> None:
    losses = [touch_loss_db(n, 1 / n, 8.0 / 864.0) for n in range(2, 13)]
    assert losses == sorted(losses)


@pytest.mark.parametrize("label", ["12", "7", "5", "4"])
def test_the_usual_low_nodes_ring_at_the_fret_wire(label: str) -> None:
    # Common practice, no source.
    aim = wire_aim(BASS, nodes_at_label(label)[0])
    assert aim is not None
    assert aim.result == "works"


@pytest.mark.parametrize("label", ["3.2", "2.7", "5.8", "9.7"])
def test_nodes_between_the_wires_do_not_ring_at_the_fret_wire(label: str) -> None:
    # Common practice, no source.
    aim = wire_aim(BASS, nodes_at_label(label)[0])
    assert aim is not None
    assert aim.result != "works"


def test_the_wire_and_the_side_are_named() -> None:
    aim = wire_aim(BASS, Node(1, 6))
    assert aim is not None
    assert (aim.fret, aim.offset_mm) == (3, pytest.approx(144.0 - BASS.fret_mm(3)))
    assert wire_aim(BASS, Node(4, 5)) is None


def test_low_partials_forgive_more_than_high_ones() -> None:
    clear = [forgiveness(Node(1, n), 864.0).clear_mm for n in range(2, 10)]
    assert clear == sorted(clear, reverse=True)


@settings(max_examples=40)
@given(nodes, st.floats(300.0, 1100.0))
def test_a_node_dulls_where_its_loss_reaches_the_threshold(node: Node, scale_mm: float) -> None:
    stray = forgiveness(node, scale_mm).bridge
    at = node.numerator / node.partial + stray.dull_mm / scale_mm
    loss = touch_loss_db(node.partial, at, 8.0 / scale_mm)
    if stray.dull_mm > 0.0:
        assert loss == pytest.approx(DULL_LOSS_DB, rel=1e-6)
    else:
        assert loss >= DULL_LOSS_DB


@settings(max_examples=40, deadline=None)
@given(nodes, st.sampled_from(["nut", "bridge"]))
def test_up_to_the_second_threshold_the_nodes_partial_wins_and_just_past_it_another(
    node: Node, side: str
) -> None:
    stray = getattr(forgiveness(node, 864.0), side)
    sign = -1.0 if side == "nut" else 1.0
    assert stray.other_mm is not None
    centre, width = node.numerator / node.partial, 8.0 / 864.0
    before = loudest_partial(centre + sign * (stray.other_mm - 0.01) / 864.0, width)
    after = loudest_partial(centre + sign * (stray.other_mm + 0.001) / 864.0, width)
    assert before % node.partial == 0
    assert after == stray.other_partial
    assert after % node.partial


@settings(max_examples=40)
@given(nodes)
def test_mirrored_nodes_forgive_alike(node: Node) -> None:
    mirrored = Node.of(node.partial - node.numerator, node.partial)
    ours, theirs = forgiveness(node, 864.0), forgiveness(mirrored, 864.0)
    assert ours.nut.dull_mm == pytest.approx(theirs.bridge.dull_mm)
    assert ours.nut.other_mm == pytest.approx(theirs.bridge.other_mm, abs=1e-4)


@settings(max_examples=60)
@given(st.integers(1, 32), st.floats(0.0, 1.0), st.floats(0.0, 0.05))
def test_damping_stays_between_0_and_1(partial: int, position: float, width: float) -> None:
    assert 0.0 <= damping(partial, position, width) <= 1.0


def test_no_partial_is_excited_at_its_own_node() -> None:
    # 5, 6, 7 have a node 173, 144, 123 mm from the bridge of a 34 inch string: computed, L / n.
    assert [round(dead_plucking_points_mm(n, 863.6)[0]) for n in (5, 6, 7)] == [173, 144, 123]
    assert all(place_weight(n, 863.6 / n, 863.6) < 1e-12 for n in (5, 6, 7))
    assert level_db(5, 863.6 / 5, 50.0, 863.6) == FAINTEST_DB


def test_the_level_follows_from_the_shape_of_a_plucked_string() -> None:
    # Outside check: the string's shape before the release is a triangle with its corner at the plucking point; its
    # Fourier sine coefficients, found here by summing over the string, times the mode's frequency are the velocities
    # of its modes (Fletcher and Rossing, The Physics of Musical Instruments, ch. 2, from memory).
    import numpy as np

    pluck, pickup = 78.0 / 864.0, 60.0 / 864.0
    x = (np.arange(200_000) + 0.5) / 200_000
    shape = np.minimum(x / pluck, (1 - x) / (1 - pluck))
    modes = np.arange(1, 33)
    sensed = np.array(
        [n * np.mean(shape * np.sin(np.pi * n * x)) * np.sin(np.pi * n * pickup) for n in modes]
    )
    for partial in (2, 3, 5, 9, 17):
        ringing = sensed[modes % partial == 0]
        expected = 10 * math.log10((ringing**2).sum() / (sensed**2).sum())
        assert level_db(partial, 78.0, 60.0, 864.0) == pytest.approx(expected, abs=1e-3)


def test_the_lower_the_partial_the_louder_the_harmonic_where_players_pluck() -> None:
    # Common practice, no source: 12 is the loudest natural harmonic, then 7, 5, 4 (3.9) and 3.2.
    place = PLUCK_SHARE * 864.0, PICKUP_SHARE * 864.0, 864.0
    levels = [level_db(partial, *place) for partial in range(2, 10)]
    assert levels == sorted(levels, reverse=True)
    assert -6.0 < levels[0] < 0.0


@settings(max_examples=30)
@given(st.integers(2, 32), st.floats(1.0, 863.0), st.floats(1.0, 863.0))
def test_no_harmonic_is_louder_than_the_open_string(partial: int, pluck_mm: float, pickup_mm: float) -> None:
    assert FAINTEST_DB <= level_db(partial, pluck_mm, pickup_mm, 864.0) <= 0.0


@settings(max_examples=30)
@given(st.integers(2, 32))
def test_the_best_plucking_point_excites_fully(partial: int) -> None:
    assert place_weight(partial, best_plucking_point_mm(partial, 864.0), 864.0) == pytest.approx(1.0)


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: forgiveness(Node(1, 3), 864.0, 100.0), "finger width 100 mm is outside 0 to 40 mm"),
        (lambda: forgiveness(Node(1, 3), 864.0, math.nan), "finger width nan mm is outside 0 to 40 mm"),
        (lambda: place_weight(3, 0.0, 864.0), "0 mm from the bridge is outside 0 to 864 mm, the string"),
        (lambda: place_weight(3, 900.0, 864.0), "900 mm from the bridge is outside 0 to 864 mm"),
    ],
)
def test_points_off_the_string_are_refused(make: object, message: str) -> None:
    assert callable(make)
    with pytest.raises(ValueError, match=message):
        make()
