"""What the watch says of the plate, block by block of 20 ms."""

from __future__ import annotations

import pytest

from forcekit.analysis.sight import PlateWatch

BLOCK_S = 0.02


def seen(*stretches: tuple[float, int]) -> list[str]:
    """Words after each block of some stretches: force in newtons, number of blocks."""
    watch, words = PlateWatch(BLOCK_S, 20), []
    for n_blocks, force in enumerate([force for force, n in stretches for _ in range(n)], 1):
        watch.add(force, n_blocks)
        words.append(watch.sight(n_blocks * BLOCK_S, False).state)
    return words


def test_a_flight_is_no_light_load() -> None:
    """Feet that leave the plate for a quarter of a second leave nothing on it; then it is empty."""
    words = seen((0.0, 100), (1500.0, 60), (0.0, 12))
    assert ["empty"] * 80 == words[20:100]
    assert "ready" == words[159]
    assert ["off"] * 9 + ["empty"] * 3 == words[160:]


@pytest.mark.parametrize("force_n", [60.0, 200.0])
def test_a_light_load_is_one(force_n: float) -> None:
    """A foot or a plate of a bar on it."""
    assert "loading" == seen((0.0, 100), (force_n, 4))[-1]
