"""The lay: gratings and noise turned by known angles, what must not fool it, measured surfaces.  Figures: pytest -s."""

from __future__ import annotations

import math

import numpy as np
import pytest
from fields import blurred_noise, levelled
from shared_data import height_if_there

from poredepth import PatchError
from poredepth.patch.texture import dominant_direction, texture_parameters

ANGLES = [0.0, 10.0, 33.3, 45.0, 77.0, 90.0, 118.0, 135.0, 150.0, 179.0]


def off_deg(found, wanted):
    return abs((found - wanted + 90) % 180 - 90)


def grating(shape, lay_deg, length_px, phase=0.3):
    """Waves whose crests run along lay_deg, anticlockwise from the right; rows run down."""
    r, c = np.indices(shape)
    across = np.radians(lay_deg + 90)
    return np.sin(2 * np.pi / length_px * (c * np.cos(across) - r * np.sin(across)) + phase)


@pytest.mark.parametrize("lay_deg", ANGLES)
@pytest.mark.parametrize("length_px", [4, 5, 8, 20, 60])
def test_gratings(lay_deg, length_px):
    """Within 0.05 degrees, down to four texels a wave, in a picture that is not square and has a tilt."""
    r, c = np.indices((90, 160))
    lay = dominant_direction(grating((90, 160), lay_deg, length_px) + 0.3 * r - 0.2 * c, 0.02)
    assert off_deg(lay.lay_deg, lay_deg) < 0.05 and 0 <= lay.lay_deg < 180
    assert lay.strength > 0.999


@pytest.mark.parametrize("waves", [(1, 7), (-3, 4), (5, 5), (0, 6), (6, 0)])
def test_gratings_that_tile(waves):
    """waves (to the right, down): crests run across (right, -down) in u and v."""
    r, c = np.indices((60, 60)) / 60
    lay = dominant_direction(np.cos(2 * np.pi * (waves[0] * c + waves[1] * r)), 0.02, periodic=True)
    assert off_deg(lay.lay_deg, np.degrees(np.arctan2(-waves[1], waves[0])) + 90) < 1e-3


@pytest.mark.parametrize("lay_deg", ANGLES)
def test_noise_of_ratio_two(lay_deg):
    """Within 2 degrees in a cut-out of 400 x 300 texels; a tile within 0.1; strength (4 - 1) / (4 + 1) = 0.6.

    Blurred by s along and s/2 across, the mean squares of the slopes are as 1 to 4.
    """
    height = blurred_noise((512, 512), (6.0, 3.0), 11, lay_deg)
    lay, cut = dominant_direction(height, 0.02, periodic=True), dominant_direction(height[:300, :400], 0.02)
    print(f"{lay_deg}: tile {lay.lay_deg:.3f}, cut-out {cut.lay_deg:.2f}, strength {lay.strength:.3f}")
    assert off_deg(lay.lay_deg, lay_deg) < 0.1 and off_deg(cut.lay_deg, lay_deg) < 2.0
    # slopes are taken under a Gaussian of one texel: s^2 becomes s^2 + 1
    assert lay.strength == pytest.approx((37 - 10) / (37 + 10), abs=2e-4)
    assert lay.str_ratio == pytest.approx(0.5, abs=0.01)


def test_a_weak_lay_in_strong_grain():
    """White noise as high as the waves: it is alike in all directions and weakens the lay, but does not turn it."""
    noise = np.random.default_rng(3).normal(size=(400, 400))
    lay = dominant_direction(grating((400, 400), 25.0, 12.0) + noise, 0.02)
    print(lay)
    assert off_deg(lay.lay_deg, 25.0) < 1.5 and 0.3 < lay.strength < 0.9


def test_borders_do_not_count():
    """Round noise in a long picture with a bright rim: no lay; nor from the outline of an inside."""
    height = blurred_noise((120, 700), (3.0, 3.0), 4)
    assert dominant_direction(height, 0.02).strength < 0.06
    inside = np.zeros(height.shape, bool)
    inside[20:100, 30:650] = True
    found = dominant_direction(np.where(inside, height, np.nan), 0.02, inside=inside)
    assert found.strength < 0.08
    stripes = np.where(inside, grating(height.shape, 60.0, 9.0), np.nan)
    assert off_deg(dominant_direction(stripes, 0.02, inside=inside).lay_deg, 60.0) < 0.05


def test_a_half_turn_and_a_mirror():
    height = blurred_noise((300, 300), (5.0, 2.0), 6, 30.0)
    lay_deg = dominant_direction(height, 0.02, periodic=True).lay_deg
    assert off_deg(dominant_direction(height[::-1, ::-1], 0.02, periodic=True).lay_deg, lay_deg) < 1e-6
    assert off_deg(dominant_direction(height[:, ::-1], 0.02, periodic=True).lay_deg, -lay_deg) < 1e-6
    assert off_deg(dominant_direction(np.rot90(height), 0.02, periodic=True).lay_deg, lay_deg + 90) < 1e-6


def test_two_families_of_furrows():
    """Equal ones that cross at 60 degrees: the direction between them; square ones: none."""
    both = grating((300, 300), 20.0, 11.0) + grating((300, 300), 80.0, 11.0)
    assert off_deg(dominant_direction(both, 0.02).lay_deg, 50.0) < 0.5
    square = grating((300, 300), 20.0, 11.0) + grating((300, 300), 110.0, 11.0)
    assert dominant_direction(square, 0.02).strength < 0.01
    assert math.isnan(texture_parameters(square, 0.02).std_deg)


def test_no_relief_has_no_lay():
    for height in (np.zeros((20, 20)), np.full((4, 4), 0.1, np.float32)):
        lay = dominant_direction(height, 0.02)
        assert math.isnan(lay.lay_deg) and lay.strength == 0 and math.isnan(lay.str_ratio)
    with pytest.raises(PatchError, match="dominant direction: texel_mm is 0"):
        dominant_direction(np.zeros((20, 20)), 0.0)
    assert off_deg(dominant_direction(grating((6, 6), 90.0, 6.0), 0.02).lay_deg, 90.0) < 2


@pytest.mark.parametrize(
    ("name", "lay_deg", "least", "within"),
    # the lines of conf_768 run at 88.5: so say transforms under a window in every octave from 5 to 100 texels
    [("conf_768", 88.5, 0.7, 0.3), ("groove_616", 90.0, 0.99, 0.5)],
)
def test_measured_surfaces(name, lay_deg, least, within):
    """Both run from top to bottom, as one sees; turned by a quarter they run from side to side."""
    held = height_if_there(name)
    if held is None:  # beside a checkout only: see tests/shared_data.py
        return
    height, (pixel_mm, _) = held
    lay = dominant_direction(levelled(height), pixel_mm)
    turned = dominant_direction(levelled(np.rot90(height)), pixel_mm)
    print(name, lay, turned)
    assert off_deg(lay.lay_deg, lay_deg) < within and lay.strength > least
    assert off_deg(turned.lay_deg, lay_deg + 90) < within
    # the plane is taken off by itself
    assert off_deg(dominant_direction(height, pixel_mm).lay_deg, lay.lay_deg) < 0.02
