"""Whether a dark ground shows all of a dim strand or only its brightest bits."""

from __future__ import annotations

import numpy as np

from measure.bits import shows_in_bits


def test_ragged_thin_and_dim_is_bits_and_nothing_else_is() -> None:
    # What each condition asks is its definition; figures are made up.
    random = np.random.default_rng(0)
    even = 0.01 * random.normal(size=40)
    ragged = -0.4 + 0.3 * random.normal(size=40)
    assert shows_in_bits(ragged, even, 0.05)
    assert not shows_in_bits(ragged, even, 0.5), "what is bright shows on dark ground"
    assert not shows_in_bits(even - 0.4, even, 0.05), "as even as on light ground"
    assert not shows_in_bits(ragged + 0.4, even, 0.05), "as thick as on light ground"
    slub = even + np.where(np.arange(40) < 6, 0.9, 0.0)
    assert not shows_in_bits(slub, even, 0.05), "a slub moves no median"
