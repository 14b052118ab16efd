"""What all synthesised patches promise, and what each is for.

Ranges of depth and density are plausible-range advice (docs/synthesis.md); the checks are of what was asked for.
"""

import itertools

import numpy as np
import pytest
from scipy import ndimage

from poredepth.errors import PatchError
from poredepth.patch.synthesise import grain, lines, pores, synthesise, wrinkles

#: kind -> maker, size_mm, texel_mm
MAKERS = {
    "pores": (pores, 8, 0.02),
    "lines": (lines, 8, 0.02),
    "wrinkles": (wrinkles, 16, 0.04),
    "grain": (grain, 10, 0.02),
}


@pytest.fixture(scope="module")
def made():
    return {name: (make(size, texel, 3), texel) for name, (make, size, texel) in MAKERS.items()}


def lay_deg(height, texel_mm):
    """Direction of least slope, degrees anticlockwise from +u, from the mean structure tensor (rows run downwards)."""
    gy, gx = np.gradient(np.pad(height.astype(np.float64), 1, mode="wrap"), texel_mm)
    gy, gx = -gy[1:-1, 1:-1], gx[1:-1, 1:-1]
    return np.degrees(0.5 * np.arctan2(2 * (gx * gy).mean(), (gx**2 - gy**2).mean())) + 90.0


def dips(height, texel_mm, across_deg, deeper_than_um, n=120, length_mm=60.0):
    """Mean distance of furrows met on straight ways over the tiled relief, mm, and the heights of their bottoms, um."""
    start = np.random.default_rng(0).random((n, 2)) * len(height)
    at = np.arange(0, length_mm / texel_mm, 0.5)
    x = start[:, :1] + at * np.cos(np.radians(across_deg))
    y = start[:, 1:] - at * np.sin(np.radians(across_deg))
    way = 1000 * ndimage.map_coordinates(height.astype(float), [y, x], order=1, mode="grid-wrap")
    here = way[:, 1:-1]
    low = (here < way[:, :-2]) & (here <= way[:, 2:]) & (here < -deeper_than_um)
    return n * length_mm / np.count_nonzero(low), here[low]


def raw(kind, **asked):
    """Heights with the skin between furrows at 0, mm."""
    result = synthesise(kind, **asked)
    return result.height_mm + np.float32(result.mean_offset_mm)


@pytest.mark.parametrize("name", MAKERS)
def test_type_size_and_mean(made, name):
    height, texel = made[name]
    assert height.dtype == np.float32
    assert height.flags.c_contiguous
    assert height.shape == (round(MAKERS[name][1] / texel),) * 2
    assert np.isfinite(height).all()
    assert abs(height.mean(dtype=np.float64)) < 1e-6 * height.std()


@pytest.mark.parametrize("name", MAKERS)
@pytest.mark.parametrize("axis", [0, 1])
def test_the_border_is_a_step_like_any_other(made, name, axis):
    height = made[name][0].astype(np.float64)
    if axis == 0:
        height = height.T
    inside = np.diff(height, axis=1)
    border = height[:, 0] - height[:, -1]
    assert np.abs(border).max() <= np.abs(inside).max()
    rms = np.sqrt((inside**2).mean(axis=0))
    assert rms.min() * 0.9 <= np.sqrt((border**2).mean()) <= rms.max() * 1.1
    # and no kink: the second difference across the border is within the inside's too
    kink = height[:, 1] - 2 * height[:, 0] + height[:, -1]
    assert np.abs(kink).max() <= np.abs(np.diff(height, n=2, axis=1)).max()


@pytest.mark.parametrize("name", MAKERS)
def test_same_seed_same_bits_other_seed_other_relief(made, name):
    make, size, texel = MAKERS[name]
    height = made[name][0]
    assert make(size, texel, 3).tobytes() == height.tobytes()
    other = make(size, texel, 4)
    assert abs(np.corrcoef(height.ravel(), other.ravel())[0, 1]) < 0.15
    assert other.std() == pytest.approx(height.std(), rel=0.15)


@pytest.mark.parametrize("name", MAKERS)
def test_the_skin_is_the_same_at_every_texel(made, name):
    """Four texels of half the size are one texel, but for what only the finer ones carry."""
    _, size, texel = MAKERS[name]
    fine = synthesise(name, size_mm=size, texel_um=500 * texel, seed=3).height_mm.astype(float)
    n = len(fine) // 2
    small = fine.reshape(n, 2, n, 2).mean(axis=(1, 3))
    # of a wave of 80 um the mean over 20 um takes 10 % (sinc), over others less
    assert np.std(small - made[name][0]) < (0.08 if name == "grain" else 0.05) * small.std()


def test_one_way_in_gives_what_the_makers_give(made):
    for name, (_, size, texel) in MAKERS.items():
        told = []
        result = synthesise(
            name, size_mm=size, texel_um=1000 * texel, seed=3, on_progress=lambda *done, told=told: told.append(done)
        )
        assert result.height_mm.tobytes() == made[name][0].tobytes()
        assert told[-1][0] == told[-1][1] == len(told)
        assert result.size_mm == pytest.approx(size)
        patch = result.patch("skin")
        assert (patch.texel_mm, patch.periodic, patch.lay_deg) == (pytest.approx(texel), True, 0.0)
        assert patch.sq_mm == pytest.approx(result.sq_mm)


def test_pore_skin_has_pits_and_furrows_not_bumps(made):
    height = made["pores"][0].astype(np.float64)
    sq = height.std()
    assert (height**3).mean() / sq**3 < -1.0  # Ssk < 0: valleys (ISO 25178-2)
    assert (height**4).mean() / sq**4 > 4.0
    assert 0.008 < sq < 0.020


def test_lines_and_wrinkles_run_along_u(made):
    for name in ("lines", "wrinkles"):
        assert lay_deg(*made[name]) % 180 == pytest.approx(180 if lay_deg(*made[name]) % 180 > 90 else 0, abs=6)


@pytest.mark.parametrize(
    ("one", "other", "angle", "spacing_mm", "depth_um"),
    [
        ("primary", "secondary", 0, 0.55, (16, 36)),
        ("primary", "secondary", 30, 1.2, (50, 50)),
        ("secondary", "primary", 70, 0.75, (8, 22)),
        ("secondary", "primary", 50, 1.0, (20, 20)),
    ],
)
def test_lines_are_as_far_apart_and_as_deep_as_asked(one, other, angle, spacing_mm, depth_um):
    over = {f"{other}_um": 0, f"{one}_um": depth_um, f"{one}_spacing_mm": spacing_mm, f"{one}_deg": angle}
    over |= {"mirrored_ratio": 0, "uneven_um": 0, "grain_um": 0}
    apart, bottom = dips(
        raw("lines", size_mm=20, texel_um=20, overrides=over), 0.02, angle + 90, 0.3 * np.mean(depth_um)
    )
    print(f"{one}: apart {apart / spacing_mm:.3f}, deep {-bottom.mean() / np.mean(depth_um):.3f} of what was asked")
    assert apart == pytest.approx(spacing_mm, rel=0.10)
    assert -bottom.mean() == pytest.approx(np.mean(depth_um), rel=0.10)


@pytest.mark.parametrize("angle", [-60, 25, 80])
def test_lines_run_where_they_are_asked_to(angle):
    over = {"primary_deg": angle, "secondary_um": 0, "wander_deg": 3}
    found = lay_deg(raw("lines", size_mm=12, texel_um=25, overrides=over), 0.025)
    assert (found - angle + 90) % 180 - 90 == pytest.approx(0, abs=4)


def joined_labels(below):
    """Labels of connected spots over the borders; (rows, cols), 0 outside."""
    labels, n = ndimage.label(below)
    parent = list(range(n + 1))

    def root(k):
        while parent[k] != k:
            k = parent[k]
        return k

    for a, b in itertools.chain(zip(labels[0], labels[-1], strict=True), zip(labels[:, 0], labels[:, -1], strict=True)):
        if a and b:
            parent[root(a)] = root(b)
    return np.array([root(k) for k in range(n + 1)])[labels]


@pytest.mark.parametrize(
    "over", [{}, {"spacing_mm": 6, "depth_um": 200}, {"spacing_mm": 2, "width_um": 350, "longest_mm": 12}]
)
def test_wrinkles_are_as_far_apart_as_deep_and_as_wide_as_asked(over):
    spacing, width_um = over.get("spacing_mm", 3.0), over.get("width_um", 550.0)
    depth_um = np.mean(over.get("depth_um", (50, 130)))
    plain = {"uneven_um": 0, "grain_um": 0, "fine_um": 0}
    apart, _ = dips(raw("wrinkles", size_mm=30, texel_um=40, overrides={**plain, **over}), 0.04, 90, 0.35 * depth_um)
    alone = {**plain, "branches": 0, "swell_ratio": 0, **over}
    height = 1000 * raw("wrinkles", size_mm=30, texel_um=40, overrides=alone)
    labels = joined_labels(height < -0.3 * depth_um)
    spots = np.unique(labels)[1:]
    large = ndimage.sum_labels(np.ones_like(height), labels, spots) * 0.04**2 > 2.0 * width_um / 1000
    deepest = -ndimage.minimum(height, labels, spots[large])
    wide = np.concatenate([widths_at_half(height[:, col], 40.0, 0.6 * depth_um) for col in range(0, len(height), 5)])
    ratios = apart / spacing, deepest.mean() / depth_um, np.median(wide) / width_um
    print("apart {:.3f}, deep {:.3f}, wide {:.3f} of what was asked".format(*ratios))
    assert ratios == pytest.approx((1.0, 1.0, 1.0), abs=0.15)


def widths_at_half(profile, texel_um, deeper_than_um):
    """Width of each dip of a periodic profile between the two places at half its depth, um."""
    profile = np.tile(profile, 3)
    n = len(profile) // 3
    widths = []
    for at in range(n, 2 * n):
        if profile[at] < -deeper_than_um and profile[at] < profile[at - 1] and profile[at] <= profile[at + 1]:
            above = np.flatnonzero(profile > 0.5 * profile[at])
            right, left = above[above > at][0], above[above < at][-1]
            over = [
                (profile[k] - 0.5 * profile[at]) / (profile[k] - profile[j])
                for k, j in ((right, right - 1), (left, left + 1))
            ]
            widths.append((right - left - sum(over)) * texel_um)
    return np.array(widths)


def test_grain_is_isotropic_noise_of_its_band():
    height = grain(10, 0.02, 7).astype(np.float64)
    assert height.std() == pytest.approx(0.003, rel=1e-5)
    assert (height**4).mean() / height.std() ** 4 == pytest.approx(3.0, abs=0.15)  # Gaussian field: Sku 3 (ISO 25178-2)
    power = np.abs(np.fft.fft2(height)) ** 2
    frequency = np.fft.fftfreq(500, 0.02)
    radius = np.hypot(frequency[:, None], frequency[None, :])
    inside = (radius > 1 / 0.28) & (radius < 1 / 0.071)
    assert power[inside].sum() / power.sum() > 0.99
    gy, gx = np.gradient(height)
    assert gx.std() == pytest.approx(gy.std(), rel=0.03)


def test_a_size_that_is_no_whole_number_of_texels_is_refused():
    for make in (pores, lines, wrinkles, grain):
        with pytest.raises(PatchError, match="synthesis: size_mm 1.01 is .* texels of 0.02 mm; allowed is a whole"):
            make(1.01, 0.02, 0)


def test_texels_too_large_are_refused():
    for kind, message in {
        "pores": "texels of 100 um cannot carry furrow_width_um of 95 um",
        "lines": "texels of 100 um cannot carry width_um of 110 um",
        "wrinkles": "texels of 100 um cannot carry fine_width_um of 130 um",
    }.items():
        with pytest.raises(PatchError, match=f"synthesis of {kind}: {message}; allowed: at most"):
            synthesise(kind, texel_um=100)
    with pytest.raises(PatchError, match="texels of 250 um carry no wave of 250 um or less; allowed: at most 125 um"):
        synthesise("grain", texel_um=250)


@pytest.mark.parametrize("seed", [-1, 1.5, True])
def test_a_seed_that_is_no_whole_number_is_refused(seed):
    with pytest.raises(PatchError, match="seed is .*; allowed is a whole number from 0 on"):
        synthesise("grain", seed=seed)
