"""Twist of strands drawn from closed forms: turns, hand and plies, and when none is given."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from analytic_types import Camera
from plied import (
    Lamp,
    PliedStrand,
    draw_plied,
    mean_turns_per_inch,
    straight_plied,
    width_mm,
)

from measure import PictureReading, Twist, measure_picture
from measure.card import newest_card
from measure.local_waves import BINS
from measure.ply_count import edge_swing, edges_swing_together
from measure.ply_geometry import ply_factor
from measure.ply_sights import bump_frequencies, ply_sights
from measure.ply_signs import ply_signs
from measure.straightened import Straightened
from measure.twist import twist_of
from measure.wave_spectrum import shares_by_spectrum
from measure.waves import follow_wave, multiples_of, wave_shares

CARD = newest_card("pocket")
NATURAL = (0.85, 0.80, 0.68)
TEAL = (0.06, 0.30, 0.32)
PINK = (0.80, 0.45, 0.50)
GREY = (0.26, 0.25, 0.24)


def _of(straight: Straightened) -> Twist:
    return twist_of(straight, straight.half_width_mm / straight.px_across, lambda: 0.001)


def _twist(strand: PliedStrand, length_mm: float = 72.0, **how: object) -> Twist:
    return _of(straight_plied(strand, length_mm, 5, **how))  # type: ignore[arg-type]


@pytest.mark.parametrize("plies", [2, 3, 4])
def test_edges_of_round_plies_swing_as_drawn(plies: int) -> None:
    # Against the outline itself: its first harmonic by a discrete Fourier transform.
    theta = np.arange(3600) / 3600
    phase = 2 * np.pi * (theta[:, None] + np.arange(plies) / plies)
    radius = 0.5 / math.sin(math.pi / plies)
    right = 0.5 + radius * np.sin(phase).max(axis=1)
    left = 0.5 - radius * np.sin(phase).min(axis=1)
    mean = ply_factor(plies)
    assert (right + left).mean() == pytest.approx(mean, rel=1e-6)
    first = [2 * np.fft.rfft(edge)[plies] / len(theta) / mean for edge in (left, right)]
    assert np.abs(first) == pytest.approx([edge_swing(plies)] * 2, rel=1e-5)
    apart = abs(float(np.angle(first[0] / first[1])))
    assert apart == pytest.approx(0.0 if edges_swing_together(plies) else math.pi, abs=1e-3)


def test_width_of_the_drawn_strand_obeys_cauchy() -> None:
    # Mean projected width of a convex hull is its perimeter over pi: d (1 + n / pi).
    for plies in (2, 3, 4):
        strand = PliedStrand(plies, 0.5, 6.0, "Z")
        mean = width_mm(strand, np.arange(720) / 720).mean()
        assert mean == pytest.approx(0.5 * (1 + plies / math.pi), rel=1e-4)


def test_a_wave_is_counted_across_gaps_however_it_strays() -> None:
    s = np.arange(0, 70, 0.06)
    turned = 0.8 * s + 0.5 * np.sin(2 * np.pi * s / 40)
    random = np.random.default_rng(1)
    values = np.stack([np.cos(2 * np.pi * turned + k) for k in (0.0, 1.0)], axis=1)
    values += 0.5 * random.standard_normal(values.shape)
    weight = np.ones(len(s))
    for start in (11.0, 23.0, 35.0, 47.0, 59.0):
        weight[(s > start) & (s < start + 1.0)] = 0.0
    frequencies = np.geomspace(0.2, 3.0, 40)
    shares = wave_shares(values, weight, s, frequencies)
    assert len(wave_shares(values, weight, s, frequencies[:0])) == 0
    assert wave_shares(values, weight, s, frequencies[:1]) == pytest.approx(shares[:1])
    start = float(frequencies[int(np.nanargmax(shares))])
    assert start == pytest.approx(0.8, rel=0.1)
    wave = follow_wave(values, weight, s, start)
    assert wave is not None
    # Ends of the count lie some millimetres inside, where the wave strays by less than 1 %.
    assert wave.frequency_per_mm == pytest.approx((turned[-1] - turned[0]) / s[-1], rel=0.01)
    assert np.angle(wave.signals[1] / wave.signals[0]) == pytest.approx(1.0, abs=0.05)
    middle = np.abs(wave.centre_mm - 40.0).argmin()
    local = 0.8 + 0.5 * 2 * np.pi / 40 * math.cos(2 * np.pi * wave.centre_mm[middle] / 40)
    assert wave.local_per_mm[middle] == pytest.approx(local, rel=0.03)


def test_the_spectrum_tells_much_what_fits_in_windows_tell() -> None:
    s = np.arange(0, 70, 0.06)
    random = np.random.default_rng(6)
    frequencies = np.geomspace(0.4, 1.6, 19)
    for noise in (0.1, 0.5, 2.0):
        values = np.cos(2 * np.pi * (0.8 * s + 0.3 * np.sin(2 * np.pi * s / 40)))[:, None]
        values = values + noise * random.standard_normal((len(s), 3))
        weight = np.where((s > 30.0) & (s < 31.0), 0.0, 0.7)
        fitted = wave_shares(values, weight, s, frequencies)
        told = shares_by_spectrum(values, weight, float(s[1] - s[0]), frequencies, BINS)
        counts = fitted > 0.1
        assert told[counts] == pytest.approx(fitted[counts], rel=0.3)


def test_no_share_is_said_of_waves_that_come_nowhere_near() -> None:
    s = np.arange(0, 70, 0.06)
    values = np.cos(2 * np.pi * 0.8 * s)[:, None]
    shares = wave_shares(values, np.ones(len(s)), s, np.geomspace(0.1, 3.0, 43), 0.5)
    assert np.nanmax(shares) > 0.95
    assert np.isnan(shares[-8:]).all()


def test_multiples_of_a_straying_wave_are_told_by_its_own_phase() -> None:
    s = np.arange(0, 70, 0.06)
    turned = 0.5 * s + 0.4 * np.sin(2 * np.pi * s / 45)
    weight = np.where((s > 22.0) & (s < 24.0), 0.0, 1.0)
    stripes = np.cos(2 * np.pi * turned)[:, None]
    edge = np.stack([0.1 * np.cos(4 * np.pi * turned + 0.3), 0.05 * np.cos(6 * np.pi * turned)], 1)
    edge += 0.05 * np.random.default_rng(4).standard_normal(edge.shape)
    wave = follow_wave(stripes, weight, s, 0.52)
    assert wave is not None
    found = multiples_of(wave, (1, 2, 2.5, 3), edge, weight, s)
    assert found is not None
    # A fit to n samples of noise s leaves s sqrt(2/n) in either part: 0.002; 4 of these.
    assert np.abs(found[:, 0]) == pytest.approx([0.0, 0.1, 0.0, 0.0], abs=0.01)
    assert np.abs(found[:, 1]) == pytest.approx([0.0, 0.0, 0.0, 0.05], abs=0.01)


@pytest.mark.parametrize("hand", ["S", "Z"])
@pytest.mark.parametrize(
    ("plies", "ply_mm", "turns"), [(2, 1.1, 2.2), (2, 0.3, 12.0), (3, 0.5, 6.0), (4, 0.4, 5.5)]
)
def test_plied_strand(plies: int, ply_mm: float, turns: float, hand: str) -> None:
    strand = PliedStrand(plies, ply_mm, turns, hand, (NATURAL,), swing=0.05, rough=0.04)  # type: ignore[arg-type]
    twist = _twist(strand, lamp=Lamp(0.5, 35.0, 75.0))
    true = mean_turns_per_inch(strand, -36.0, 36.0)
    assert twist.reason is None
    assert (twist.plies, twist.twist) == (plies, hand)
    assert twist.turns_per_inch == pytest.approx(true, rel=0.015)
    assert twist.turns_per_inch_interval is not None
    low, high = twist.turns_per_inch_interval
    assert low < true < high
    assert high - low < 0.05 * true
    assert twist.turns_per_metre == pytest.approx(39.3701 * twist.turns_per_inch, rel=1e-5)
    assert twist.cues_agree
    assert {cue.name for cue in twist.cues} >= {"edges", "texture"}
    # tan = pi x diameter x turns, of the drawn strand's mean width.
    width = ply_mm * (1 + plies / math.pi)
    assert twist.angle_deg == pytest.approx(
        math.degrees(math.atan(math.pi * width * true / 25.4)), rel=0.02
    )
    # One slow wave of 5 % has a standard deviation of 5 / sqrt(2).
    assert twist.evenness_cv_percent == pytest.approx(3.5, abs=2.0)


@pytest.mark.parametrize(
    ("plies", "colours"),
    [
        (2, (NATURAL, TEAL)),
        (2, (NATURAL, PINK)),
        (3, (NATURAL, NATURAL, TEAL)),
        (4, (NATURAL, PINK, NATURAL, PINK)),
    ],
)
def test_stripes_of_colour_give_turns_plies_and_hand(
    plies: int, colours: tuple[tuple[float, float, float], ...]
) -> None:
    strand = PliedStrand(plies, 0.55, 5.0, "Z", colours, rough=0.03)
    twist = _twist(strand, px_across=16.0)
    assert twist.turns_per_inch == pytest.approx(5.0, rel=0.02)
    assert twist.twist == "Z"
    assert twist.cues[0].name == "stripes"
    # A ply as dark as the ground takes its bumps with it: then plies need not be told.
    assert twist.plies in ((plies, None) if TEAL in colours else (plies,))


@pytest.mark.parametrize(("bumps", "plied"), [(6, False), (24, True)])
def test_few_sways_that_explain_half_of_the_edges_are_not_plies(bumps: int, plied: bool) -> None:
    straight = straight_plied(PliedStrand(1, 0.9, 7.0, "S", (GREY,)), 60.0, 5)
    signs = ply_signs(straight)
    sway = 0.12 * np.cos(2 * np.pi * bumps * signs.s_mm / 60.0)
    # As much again that is no wave, as slow: noise of 0.12 / sqrt(2), averaged over 1 mm.
    noise = np.random.default_rng(3).standard_normal((len(sway) + 40, 2))
    near = max(1, round(1.0 / straight.step_mm))
    noise = np.stack([np.convolve(one, np.ones(near), "same") for one in noise.T], axis=1)
    noise *= 0.12 / math.sqrt(2.0) / noise.std()
    edge = sway[:, None] + noise[20 : 20 + len(sway)]
    signs = replace(signs, edge=edge, edge_weight=np.ones(len(sway)), face=0.0 * signs.face)
    sights = ply_sights(straight, signs, 0.05, bump_frequencies(straight))
    assert sights.edge_share > 0.45
    assert (sights.edge is not None) == plied


def test_too_short_a_strand_is_not_said_to_be_a_single() -> None:
    # 10 mm of a soft two-ply show one bump; nothing tells it from a thick place.
    twist = _twist(PliedStrand(2, 0.5, 2.0, "Z", (NATURAL,)), 10.0, px_across=16.0)
    assert (twist.plies, twist.turns_per_inch) == (None, None)


def test_single_by_its_fibres() -> None:
    single = PliedStrand(1, 0.9, 7.0, "S", (NATURAL,), streaks=0.12, rough=0.05)
    twist = _twist(single, px_across=20.0)
    assert (twist.plies, twist.twist) == (1, "S")
    assert twist.turns_per_inch_interval is not None
    low, high = twist.turns_per_inch_interval
    assert low < 7.0 < high
    assert twist.cues_agree is None
    # Without fibres to be seen it is a single still, of unknown twist.
    bare = _twist(replace(single, streaks=0.0), px_across=20.0)
    assert (bare.plies, bare.turns_per_inch) == (1, None)
    assert bare.reason is not None
    fine = _twist(single, px_across=7.5)
    assert (fine.plies, fine.turns_per_inch) == (1, None)
    assert fine.reason is not None
    assert fine.reason.code == "fibres_too_fine"
    assert "7.5 pixels" in fine.reason.text
    assert "from 8 on" in fine.reason.text


def test_a_strand_whose_colour_changes_along_it_is_not_called_a_single() -> None:
    # As plies of which the ground hides some: no bumps, but another colour every few millimetres.
    straight = straight_plied(PliedStrand(1, 0.9, 7.0, "S", (GREY,)), 72.0, 5, px_across=20.0)
    assert _of(straight).plies == 1
    pieces = np.random.default_rng(6).choice([0.7, 1.3], 40)
    red = pieces[(straight.s_mm / 1.8).astype(int)][:, None]
    light = straight.light.copy()
    face = np.abs(straight.xi) < 0.9
    light[:, face, 0] *= red
    light[:, face, 2] /= red
    assert _of(replace(straight, light=light)).plies is None


def test_the_angle_of_a_single_stands_where_turns_are_too_few() -> None:
    # 80 mm show 2.7 turns: tan = pi x 2 mm x 0.85 / 25.4 mm is an angle of 11.9 degrees.
    soft = PliedStrand(1, 2.0, 0.85, "Z", (GREY,), streaks=0.12, rough=0.03)
    twist = _twist(soft, 80.0, px_across=24.0)
    assert (twist.plies, twist.turns_per_inch, twist.twist) == (1, None, "Z")
    assert twist.reason is not None
    assert twist.reason.code == "too_few_turns"
    assert twist.angle_interval_deg is not None
    low, high = twist.angle_interval_deg
    assert low < 11.9 < high < 16.0


def test_fewer_than_three_turns_are_not_a_number() -> None:
    strand = PliedStrand(3, 0.9, 2.5, "Z", (NATURAL,))
    # 25 mm show 2.5 turns.
    twist = _twist(strand, 25.4)
    assert twist.turns_per_inch is None
    assert twist.twist is None
    assert twist.reason is not None
    assert twist.reason.code in ("too_few_turns", "twist_not_seen", "plies_unsure")
    assert _twist(strand, 50.8).turns_per_inch == pytest.approx(2.5, rel=0.03)


def test_a_covered_stretch_is_bridged_not_counted_wrong() -> None:
    strand = PliedStrand(2, 0.5, 8.0, "S", (NATURAL,), rough=0.03)
    twist = _twist(strand, covered=((20.0, 33.0), (50.0, 53.0)))
    assert twist.turns_per_inch == pytest.approx(8.0, rel=0.01)
    assert (twist.plies, twist.twist) == (2, "S")


def test_noise_alone_has_no_twist() -> None:
    straight = straight_plied(PliedStrand(2, 0.5, 8.0, "S"), 72.0, 5)
    random = np.random.default_rng(2)
    noise = random.uniform(0.2, 0.4, straight.light.shape).astype(np.float32)
    twist = twist_of(replace(straight, light=noise), 0.05, lambda: 0.001)
    assert twist.turns_per_inch is None
    assert twist.twist is None


@pytest.fixture(scope="module")
def pictured() -> PictureReading:
    camera = Camera(
        px_per_mm=16, distance_mm=250, tilt_deg=5, roll_deg=1.0, blur_px=0.9, noise=0.004
    )
    strands = (
        PliedStrand(2, 0.55, 6.5, "S", (NATURAL,), -2.6, 0.01, rough=0.03),
        PliedStrand(4, 0.42, 5.0, "Z", (TEAL,), 2.6, rough=0.03),
    )
    picture, _ = draw_plied(CARD, strands, camera, 3, Lamp(0.4, 35, 100))
    return measure_picture(picture)


def test_twist_in_a_picture_of_the_card(pictured: PictureReading) -> None:
    first, second = pictured.strands
    assert (first.plies, first.twist) == (2, "S")
    assert (second.plies, second.twist) == (4, "Z")
    for strand, true in ((first, 6.5), (second, 5.0)):
        assert strand.turns_per_inch == pytest.approx(true, rel=0.01)
        assert strand.turns_per_inch_interval is not None
        low, high = strand.turns_per_inch_interval
        assert low < true < high
        assert strand.twist_detail is not None
        assert strand.twist_detail.turns_per_inch == strand.turns_per_inch
