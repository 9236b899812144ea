"""Bead centres against drawn Gaussians whose centres are known."""

from __future__ import annotations

import numpy as np
import pytest

from planewright.kernels.beads import centre_of_light, find_beads

CENTRES = [(12.3, 20.7, 30.2), (14.0, 60.4, 33.9), (11.6, 40.1, 70.5)]
SIGMA = (1.9, 3.2, 2.6)


def drawn(noise: float = 0.0) -> np.ndarray:
    z, y, x = np.indices((26, 82, 96), dtype=np.float64)
    light = np.full(z.shape, 20.0)
    for cz, cy, cx in CENTRES:
        light += 100 * np.exp(
            -(((z - cz) / SIGMA[0]) ** 2 + ((y - cy) / SIGMA[1]) ** 2 + ((x - cx) / SIGMA[2]) ** 2)
            / 2
        )
    if noise:
        light += np.random.default_rng(1).normal(0, noise, light.shape)
    return light.astype(np.float32)


@pytest.mark.parametrize(("noise", "within"), [(0.0, 0.005), (3.0, 0.15)])
def test_centres_are_found(noise, within):
    beads = [b for b in find_beads(drawn(noise), half_width=(5, 8, 7), contrast=30) if b.ok]
    assert len(beads) == 3
    got = np.array(sorted(b.centre for b in beads))
    assert np.abs(got - np.array(sorted(CENTRES))).max() < within


def test_an_edge_is_said_not_guessed():
    bead = centre_of_light(drawn(), (2.0, 20.0, 30.0), half_width=(5, 8, 7))
    assert not bead.ok
    assert "edge" in bead.why


def test_nothing_there():
    flat = np.full((26, 82, 96), 7.0, np.float32)
    assert find_beads(flat, half_width=(5, 8, 7), contrast=5) == []
    assert "no light" in centre_of_light(flat, (12, 40, 40), half_width=(5, 8, 7)).why
