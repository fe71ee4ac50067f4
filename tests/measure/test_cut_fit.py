"""The fit of two edges to simulated cuts, against what their noise leaves to be known."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace

import numpy as np
import pytest
from edge_bound import u_width_px
from scipy.special import ndtr

from measure.curve_table import Tables, make_tables
from measure.cut_fit import fit_cuts
from measure.cut_samples import Pools, Samples, bends, pools_by_bend
from measure.shading import Curves, Light, Rim, aspect, grid, light_up, outline

HALF_MM, BLUR_MM, PITCH_MM = 0.5, 0.06, 0.05
NOISE, STRAND, GROUND = 0.008, 0.3, 1.0
UNSHADED = Light(0.0, 0.0, 0.0, 0.3, 0.6, 0.0, 0.0)
HARD = Rim(1.0, 0.005, 0.0, 0.5)


def curves() -> Curves:
    seen = aspect(np.array([0.0]), grid(64))
    lit = light_up(UNSHADED.row, np.array([1.0]), seen, np.array([GROUND]), no_ground=True)
    return outline(lit, HARD.row)


def strips(count: int, seed: int = 5) -> tuple[Samples, np.ndarray, np.ndarray]:
    """Cuts of a strip of ink blurred by a Gaussian (a difference of normal integrals), noisy.

    Samples, half widths and middles as they were made.
    """
    random = np.random.default_rng(seed)
    half = HALF_MM * random.uniform(0.93, 1.07, count)
    middle = random.uniform(-0.06, 0.06, count)
    u = np.arange(-60, 61) * PITCH_MM + random.uniform(-0.02, 0.02, (count, 1))
    cover = ndtr((u - middle[:, None] + half[:, None]) / BLUR_MM)
    cover -= ndtr((u - middle[:, None] - half[:, None]) / BLUR_MM)
    light = GROUND + (STRAND - GROUND) * cover + random.normal(0.0, NOISE, u.shape)
    one = np.ones((count, 1))
    return (
        Samples(
            np.stack([np.ones(u.shape), u, light]).astype(np.float32),
            (GROUND * one).astype(np.float32),
            (NOISE * one).astype(np.float32),
        ),
        half,
        middle,
    )


def pooled(samples: Samples, tables: Tables) -> Samples:
    """Samples put together where the curves of a typical strip run straight."""
    n, every = samples.u_mm.shape
    xi = samples.u_mm.mean(axis=0).astype(float) / HALF_MM
    bend = bends(tables, np.array([HALF_MM]))[0]
    pools = pools_by_bend(slice(0, every), xi, tables.grid.xi, bend)
    assert pools.count < 0.6 * every
    values = np.empty((3, n, pools.count), np.float32)
    pools.put(samples.values.copy(), values)
    return replace(samples, values=values)


def test_pools_hold_the_means_of_their_samples() -> None:
    random = np.random.default_rng(8)
    u, weight = (random.uniform(0.1, 1.0, (5, 12)).astype(np.float32) for _ in range(2))
    light = random.uniform(0.1, 1.0, (3, 5, 12)).astype(np.float32)
    pools = Pools(np.array([1, 4, 5, 6, 8, 11]), slice(1, 3))
    values = np.empty((5, 5, 7), np.float32)
    pools.put(np.array([weight, u, *light]), values)
    for k, (start, stop) in enumerate(itertools.pairwise(pools.ends)):
        here = slice(start, stop)
        assert np.allclose(values[0, :, k], weight[:, here].sum(axis=1))
        assert np.allclose(values[1, :, k], np.average(u[:, here], 1, weight[:, here]))
        for channel in range(3):
            mean = np.average(light[channel, :, here], 1, weight[:, here])
            assert np.allclose(values[2 + channel, :, k], mean)
    assert not values[..., 5:].any()


@pytest.mark.parametrize("together", [False, True], ids=["every sample", "pooled"])
def test_widths_scatter_as_the_noise_demands_and_say_so(together: bool) -> None:
    samples, half, middle = strips(800)
    tables = make_tables(curves(), [(0.8 * HALF_MM, 1.25 * HALF_MM)], [BLUR_MM], [HARD.softness])
    if together:
        samples = pooled(samples, tables)
    start = np.full(len(half), HALF_MM)
    pairs = fit_cuts(tables, np.zeros(len(half), int), samples, start, np.zeros(len(half)), 6)
    off = np.log(pairs.half_width_mm / half)
    # Cramer and Rao's bound of two edges one row of pixels long, brightnesses known.
    bound = u_width_px(NOISE, (GROUND - STRAND,), BLUR_MM / PITCH_MM, 1.0) * PITCH_MM
    bound /= 2.0 * HALF_MM
    # 800 cuts know their scatter to 2.5 %; not knowing the brightnesses costs a few per cent.
    assert 0.93 < float(off.std()) / bound < 1.15
    assert abs(float(off.mean())) < 4.0 * bound / math.sqrt(len(off)) + 2e-4
    assert float(np.mean(pairs.u_log_half_width)) == pytest.approx(float(off.std()), rel=0.08)
    assert float((pairs.middle_mm - middle).std()) < 1.15 * bound * HALF_MM
    assert np.allclose(pairs.strand.mean(), STRAND, atol=2e-3)
    assert np.allclose(pairs.ground.mean(), GROUND, atol=2e-3)


def test_a_far_start_is_brought_home() -> None:
    samples, half, middle = strips(60, seed=6)
    tables = make_tables(curves(), [(HALF_MM / 3, 3 * HALF_MM)], [BLUR_MM], [HARD.softness])
    pairs = fit_cuts(tables, np.zeros(len(half), int), samples, 1.8 * half, middle + 0.15, 12)
    assert np.allclose(pairs.half_width_mm, half, rtol=0.02)
    assert np.allclose(pairs.contrast, GROUND - STRAND, atol=0.03)
