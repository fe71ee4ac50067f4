"""Unrest of the ground behind a strand, against grounds of known course and roughness."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from analytic import Camera, Light, Strand, draw

from measure.backdrop import unrest
from measure.card import newest_card
from measure.picture import read_picture
from measure.profiles import Cuts, cut_strand
from measure.regions import card_regions
from measure.scale import find_scale
from measure.strands import find_strands


@pytest.fixture(scope="module")
def cuts() -> Cuts:
    """A dark strand before a lit window."""
    card = newest_card("pocket")
    strand = Strand("open", 0.2, 0.9, (0.2, 0.2, 0.2))
    camera = Camera(px_per_mm=10.0, noise=0.004)
    pixels, _ = draw(card, [strand], Light(), camera, 2, open_lane="bright")
    picture = read_picture(pixels)
    scale = find_scale(picture)
    region = next(r for r in card_regions(card, (1.0, 1.0)) if r.name == "open")
    return cut_strand(picture, scale, find_strands(picture, scale, region), 0, 0.1)


def with_ground(cuts: Cuts, along: np.ndarray) -> Cuts:
    """The same with `along` (n,) added to the ground of each cut."""
    return replace(cuts, light=cuts.light + along[:, None].astype(np.float32))


def test_a_plain_window_is_at_rest(cuts: Cuts) -> None:
    found = unrest(cuts)
    assert found is not None
    assert found < 0.004


def test_light_that_falls_off_along_is_no_unrest(cuts: Cuts) -> None:
    at = np.linspace(-1.0, 1.0, len(cuts.arc_mm))
    quiet, sloping = unrest(cuts), unrest(with_ground(cuts, 0.1 * at + 0.05 * at**2))
    assert quiet is not None
    assert sloping == pytest.approx(quiet, abs=1e-3)


def test_waves_along_are_told_by_their_root_mean_square(cuts: Cuts) -> None:
    # The rms of a sine of height a over whole periods is a / sqrt(2); a parabola through one of
    # twelve periods takes next to nothing off it.
    at = (cuts.arc_mm - cuts.arc_mm[0]) / np.ptp(cuts.arc_mm)
    found = unrest(with_ground(cuts, 0.1 * np.sin(2 * np.pi * 12 * at)))
    assert found == pytest.approx(0.1 / np.sqrt(2), rel=0.05)


def test_without_bare_ground_nothing_is_said(cuts: Cuts) -> None:
    assert unrest(replace(cuts, weight=np.zeros_like(cuts.weight))) is None
