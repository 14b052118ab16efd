"""Pits are exactly what is asked: by closed forms, by what was drawn, and as the pit statistics find them."""

import numpy as np
import pytest
from scipy.spatial import cKDTree

from poredepth.errors import PatchError
from poredepth.patch.synthesise import synthesise
from poredepth.patch.synthesise.pits import PROFILES, profile_mean
from poredepth.patch.texture import pit_statistics

#: Pits and nothing else.
BARE = {"rim_um": 0, "primary_um": 0, "secondary_um": 0, "third_um": 0, "uneven_um": 0, "grain_um": 0}
ROUND = {**BARE, "elongation_ratio": 1, "outline_ratio": 0}
PLAIN = {**ROUND, "density_per_cm2": 100, "diameter_um": 250, "depth_um": 50, "profile": "paraboloid"}


def raw_um(made):
    """Heights with the skin around the pits at 0."""
    return 1000.0 * (made.height_mm.astype(float) + made.mean_offset_mm)


@pytest.mark.parametrize("texel_um", [10, 20, 50])
def test_coverage_and_mean_of_paraboloids_are_those_of_the_closed_form(texel_um):
    """Coverage n pi a^2, mean -coverage d / 2 (volume of a paraboloid is half that of its cylinder: closed form)."""
    made = synthesise("pores", size_mm=10, texel_um=texel_um, overrides=PLAIN)
    coverage = 100 * np.pi * 0.0125**2
    assert coverage == pytest.approx(0.0491, abs=5e-5)
    assert made.coverage_ratio == pytest.approx(coverage, rel=2e-3)
    assert 1000 * made.mean_offset_mm == pytest.approx(-coverage * 50 / 2, rel=2e-3)  # -1.227 um
    assert raw_um(made).mean() == pytest.approx(-1.227, rel=2e-3)
    assert len(made.pits) == 100


@pytest.mark.parametrize("profile", PROFILES)
def test_longish_uneven_pits_keep_area_and_mean(profile):
    over = {**BARE, "profile": profile, "elongation_ratio": (1, 1.6), "outline_ratio": 0.3, "diameter_um": (200, 450)}
    made = synthesise("pores", size_mm=10, texel_um=10, overrides=over)
    area = np.pi / 4 * (made.pits.diameter_um / 1000) ** 2
    assert made.coverage_ratio == pytest.approx(area.sum() / 100, rel=2e-3)
    mean_um = -(area * made.pits.depth_um).sum() / 100 * profile_mean(profile)
    assert 1000 * made.mean_offset_mm == pytest.approx(mean_um, rel=2e-3)


@pytest.mark.parametrize(("profile", "mean"), [("paraboloid", 1 / 2), ("rounded", 1 / 3)])
def test_mean_depth_of_a_profile_is_its_integral_over_the_disc(profile, mean):
    exponent, power = PROFILES[profile]
    far = (np.arange(200_000) + 0.5) / 200_000
    assert profile_mean(profile) == pytest.approx(mean)
    assert 2 * np.mean(far * (1 - far**exponent) ** power) == pytest.approx(mean, abs=1e-8)


def test_a_round_pit_has_the_asked_section():
    made = synthesise("pores", size_mm=4, texel_um=5, overrides={**PLAIN, "density_per_cm2": 6})
    (middle,) = made.pits.middle_mm
    at = np.arange(800) * 0.005 + 0.0025
    offset = [(at - middle[k] + 2) % 4 - 2 for k in (0, 1)]
    far = np.hypot(offset[0][None, :], offset[1][:, None]) / 0.125
    inside = far < 0.95
    assert raw_um(made)[inside] == pytest.approx(-50 * (1 - far[inside] ** 2), abs=0.06)
    assert np.abs(raw_um(made)[far > 1.05]).max() < 1e-4


@pytest.mark.parametrize("seed", range(3))
def test_pits_do_not_overlap_and_are_as_many_as_asked(seed):
    made = synthesise("pores", region="nose", size_mm=12, texel_um=20, seed=seed, overrides=BARE)
    assert len(made.pits) == round(1.2 * 144)
    middles = made.pits.middle_mm
    assert middles.min() >= 0
    assert middles.max() < 12
    distance = cKDTree(middles, boxsize=12).query(middles, k=2)[0][:, 1]
    assert made.pits.least_distance_mm == pytest.approx(distance.min())
    # if two overlapped, the union that the samples see would be less than the sum of the areas
    area = np.pi / 4 * (made.pits.diameter_um / 1000) ** 2
    assert made.coverage_ratio == pytest.approx(area.sum() / 144, rel=1e-3)
    assert raw_um(made).min() >= -made.pits.depth_um.max() - 1e-3


@pytest.mark.parametrize(("density", "diameter_um"), [(100, 650), (900, 210), (1500, 160)])
def test_dense_pits_fit_as_long_as_the_message_says(density, diameter_um):
    over = {**ROUND, "diameter_um": diameter_um, "density_per_cm2": density}
    made = synthesise("pores", size_mm=6, texel_um=20, overrides=over)
    assert made.pits.least_distance_mm >= diameter_um / 1000
    over["density_per_cm2"] = min(2.5 * density, 2000)
    over["diameter_um"] = 1.3 * diameter_um
    with pytest.raises(PatchError, match=r"so many would overlap; of pits up to \d+ um long .* \d+ surely fit; make"):
        synthesise("pores", size_mm=6, texel_um=20, overrides=over)


def test_no_pits_and_one_pit():
    assert len(synthesise("pores", size_mm=4, overrides={"density_per_cm2": 0}).pits) == 0
    one = synthesise("pores", size_mm=4, overrides={"density_per_cm2": 6})
    assert len(one.pits) == 1
    assert np.isnan(one.pits.least_distance_mm)


@pytest.mark.parametrize("elongation", [1.0, 2.0])
def test_pits_are_longer_along_the_lay(elongation):
    over = {**BARE, "elongation_ratio": elongation, "density_per_cm2": 40}
    height = synthesise("pores", size_mm=10, texel_um=20, overrides=over).height_mm.astype(float)
    gy, gx = np.gradient(height)
    # an ellipse's slopes across are larger by its ratio (closed form); pits turn off the lay by 0.35 radians (sd), of
    # which the mean square sine is (1 - exp(-2 * 0.35^2)) / 2 (normal distribution)
    off = 0.5 * (1 - np.exp(-2 * 0.35**2))
    flat, steep = (1 - off) / elongation**2 + off, (1 - off) + off / elongation**2
    assert gy.std() / gx.std() == pytest.approx(np.sqrt(steep / flat), rel=0.05)


def test_a_pore_at_a_junction_is_as_deep_as_asked():
    over = {"uneven_um": 0, "grain_um": 0, "third_um": 0, "rim_um": 0, "outline_ratio": 0, "elongation_ratio": 1}
    made = synthesise(
        "pores", size_mm=10, texel_um=10, seed=2, overrides={**over, "primary_um": 35, "secondary_um": 20}
    )
    col, row = (made.pits.middle_mm / 0.01).astype(int).T
    # a texel's middle is up to 7 um from the pit's: (1 - (7 / 140)^2)^2 of the depth is left at least
    assert -raw_um(made)[row, col] == pytest.approx(made.pits.depth_um, rel=0.006)


@pytest.mark.parametrize(
    "overrides",
    [BARE, {"primary_um": 0, "secondary_um": 0, "third_um": 0}, {}],
    ids=["pits", "pits, rims, grain", "cheek"],
)
def test_pit_statistics_find_what_was_asked(overrides):
    """Number, diameter and depth, as another part of the program finds them, over 10 seeds."""
    found, asked = [], []
    for seed in range(10):
        made = synthesise("pores", size_mm=8, texel_um=20, seed=seed, overrides=overrides)
        pits = pit_statistics(made.height_mm, made.texel_mm)
        found.append((pits.density_per_cm2, pits.median_diameter_um, pits.median_depth_um))
        asked.append((len(made.pits) / 0.64, np.mean(made.relief.diameter_um), np.mean(made.relief.depth_um)))
    ratio = np.mean(found, axis=0) / np.mean(asked, axis=0)
    print("found / asked: density {:.3f} diameter {:.3f} depth {:.3f}".format(*ratio))
    assert ratio == pytest.approx(np.ones(3), abs=0.05)
