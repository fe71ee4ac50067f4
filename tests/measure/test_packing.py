"""Thickness and grist by a packing that is named, against printed tables."""

from __future__ import annotations

import math

import pytest

from measure.grist import Amount
from measure.packing import (
    PUBLISHED,
    Packing,
    diameter_from_grist,
    grist_from_diameter,
    k_of,
    learned_packing,
    wrap_factor_from_count,
)
from measure.yarn import MM_PER_INCH, tex_from_count


def named(name: str) -> Packing:
    (found,) = (p for p in PUBLISHED if p.name == name)
    return found


def test_ashenhursts_worked_example() -> None:
    """8/2 cotton, 3360 yd/lb, k 0.9: 52 diameters an inch (faena.medievaltextiles.org/ash.html).

    The page takes 0.9; the name of the packing with that single value is the worsted one.
    """
    mm, (low, high) = diameter_from_grist(
        tex_from_count(3360, "yd_per_lb"), named("Ashenhurst, worsted")
    )
    assert f"{MM_PER_INCH / mm:.0f}" == "52"
    assert low == mm == high


def test_peirces_diameter() -> None:
    """d = 1/(28 root NeC) inch, exactly 27.93, and 0.00375 root tex cm, exactly 0.0037424
    (textilecalculations.com; the exact figures by arithmetic from 1.1 cm3/g)."""
    packing = named("Peirce, cotton")
    mm, _ = diameter_from_grist(tex_from_count(16, "cotton"), packing)
    assert f"{MM_PER_INCH / (mm * math.sqrt(16)):.2f}" == "27.93"
    assert f"{round(1 / (mm / MM_PER_INCH * math.sqrt(16)))}" == "28"
    mm, _ = diameter_from_grist(1.0, packing)
    assert f"{mm / 10:.7f}" == "0.0037424"
    assert f"{packing.density_g_per_cm3:.3f}" == "0.909"


def test_tight_wraps_as_printed() -> None:
    """14 wraps an inch at 280 yd/lb, 1700 tex: k 0.84; 50 at 3080, 160 tex: k 0.90
    (handout of P. and J. Teal, textilelinks.com)."""
    for wraps, yards, tex, k in ((14, 280, 1700, "0.84"), (50, 3080, 160, "0.90")):
        found = tex_from_count(yards, "yd_per_lb")
        assert found == pytest.approx(tex, rel=0.05)
        assert f"{k_of(MM_PER_INCH / wraps, found):.2f}" == k


@pytest.mark.parametrize(("wpi", "yards", "k"), [(16, 1900, "0.367"), (18, 1700, "0.437")])
def test_real_handspun(wpi: float, yards: float, k: str) -> None:
    """A. Franquemont, The Effects of Twist in Plying Yarn (interweave.com)."""
    assert f"{k_of(MM_PER_INCH / wpi, tex_from_count(yards, 'yd_per_lb')):.3f}" == k


@pytest.mark.parametrize(
    ("name", "density"),
    [("Ashenhurst, worsted", "0.793"), ("Ashenhurst, woollen", "0.707")],
)
def test_density_behind_a_packing(name: str, density: str) -> None:
    """0.978976 k squared: geometry of a round strand, 4 tex over pi d squared."""
    assert f"{named(name).density_g_per_cm3:.3f}" == density


@pytest.mark.parametrize(("density", "mm"), [(0.80, "0.892"), (0.50, "1.128"), (0.14, "2.132")])
def test_five_hundred_tex(density: float, mm: str) -> None:
    """d = root(4 tex / (1000 pi density)): geometry."""
    packing = Packing("x", math.sqrt(density / 0.978976), (0.1, 1.0), "x")
    assert f"{diameter_from_grist(500, packing)[0]:.3f}" == mm


def test_the_spinners_own_packing_is_learned() -> None:
    assert learned_packing([]) is None
    skeins = [
        (Amount(MM_PER_INCH / 16, 0.01), Amount(tex_from_count(1900, "yd_per_lb"), 2.0)),
        (Amount(MM_PER_INCH / 18, 0.01), Amount(tex_from_count(1700, "yd_per_lb"), 2.0)),
    ]
    learned = learned_packing(skeins)
    assert learned is not None
    assert learned.learned
    # Geometric mean of the two printed k, 0.3671 and 0.4366.
    assert learned.k == pytest.approx(math.sqrt(0.3671 * 0.4366), abs=1e-4)
    # A further one by t of four degrees of freedom beforehand and one of these two, 2.571, whose
    # standard deviation is just that taken beforehand.
    reach = 2.5706 * math.sqrt(1.5) * math.log(0.4366 / 0.3671) / math.sqrt(2)
    assert math.log(learned.k_interval[1] / learned.k) == pytest.approx(reach, rel=1e-3)
    for skein_mm, tex in ((d.value, t.value) for d, t in skeins):
        low, high = diameter_from_grist(tex, learned)[1]
        assert low < skein_mm < high
        value, (light, heavy) = grist_from_diameter(skein_mm, learned)
        assert light < value < heavy
        assert light < tex < heavy
    one = learned_packing(skeins[:1])
    assert one is not None
    # t of four degrees of freedom, 2.776.
    reach = 2.7764 * math.sqrt(2) * math.log(0.4366 / 0.3671) / math.sqrt(2)
    assert math.log(one.k_interval[1] / one.k) == pytest.approx(reach, rel=1e-3)
    # Many alike: no surer than each was measured, and than what little is left of beforehand.
    many = learned_packing([(Amount(1.5, 0.09), Amount(500.0, 10.0))] * 20)
    assert many is not None
    expected = 2.0687 * math.sqrt(1.05) * math.hypot(0.06, 0.01)
    assert math.log(many.k_interval[1] / many.k) == pytest.approx(expected, rel=1e-3)


def test_thickness_and_grist_by_one_packing_are_each_others_inverse() -> None:
    packing = Packing("x", 0.4, (0.35, 0.46), "x")
    mm, (thin, thick) = diameter_from_grist(300.0, packing)
    assert thin < mm < thick
    tex, (light, heavy) = grist_from_diameter(mm, packing)
    assert tex == pytest.approx(300.0, rel=1e-12)
    # The thin end goes with the fine end of k: at that k the grist comes back.
    assert grist_from_diameter(thin, packing)[1][1] == pytest.approx(300.0, rel=1e-12)
    assert grist_from_diameter(thick, packing)[1][0] == pytest.approx(300.0, rel=1e-12)
    assert light < 300 < heavy


def test_wraps_counted_by_hand_teach_the_wrap_factor() -> None:
    """Eleven wraps in an inch of a strand 25.4/11 mm thick touch just so: factor 1."""
    assert wrap_factor_from_count(11, MM_PER_INCH, MM_PER_INCH / 11) == pytest.approx(1.0)
    # The same wraps over 2 inches: 0.5 wraps, so pitch twice the diameter.
    assert wrap_factor_from_count(11, 2 * MM_PER_INCH, MM_PER_INCH / 11) == pytest.approx(2.0)
    with pytest.raises(ValueError, match="above 0"):
        wrap_factor_from_count(0, 25.4, 1.0)
