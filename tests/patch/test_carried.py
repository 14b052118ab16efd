"""How much of a patch texels carry: closed forms, and composed maps.  Figures: pytest -s."""

from __future__ import annotations

import math

import numpy as np
import pytest
from meshes import flat_mesh
from recipes import composed_of, pore_patch, scatter_layer
from scipy.ndimage import gaussian_filter

from poredepth import HeightPatch, PatchError, carried_ratio, compose

TEXEL_MM = 0.02


def _wave(cycles_x: int, cycles_y: int, shape=(240, 200)) -> np.ndarray:
    y, x = (np.arange(side) / side for side in shape)
    return np.sin(2 * np.pi * (cycles_x * x[None] + cycles_y * y[:, None]) + 0.3)


def _gain(f_per_mm: float, texel_mm: float) -> float:
    """The Gaussian of sigma half a texel."""
    return math.exp(-2 * math.pi**2 * (texel_mm / 2) ** 2 * f_per_mm**2)


@pytest.mark.parametrize("size", [1.0, 1.7])
def test_waves_keep_what_the_gaussian_passes(size):
    """Orthogonal waves: Sq is the root of the sum of their squares; their amplitudes by the filter's transmission."""
    parts = {(4, 0): 0.02, (0, 15): 0.01, (20, 12): 0.005, (90, 100): 0.003}
    patch = HeightPatch("waves", sum(a * _wave(*c) for c, a in parts.items()) + 0.3, TEXEL_MM)
    for ratio in (2, 4, 8, 16):
        kept = sum(
            (a * _gain(math.hypot(cx / patch.width_mm, cy / patch.height_extent_mm), ratio * TEXEL_MM)) ** 2
            for (cx, cy), a in parts.items()
        )
        want = math.sqrt(kept / sum(a**2 for a in parts.values()))
        assert carried_ratio(patch, size * ratio * TEXEL_MM, size) == pytest.approx(want, rel=1e-4)


def test_any_texel_is_filtered_by_the_gaussian_of_half_its_size():
    """From twice the patch's texel on; below that the filter's variance rises from 0: (r^2 - 1) / 3 of its texels."""
    patch = HeightPatch("wave", 0.01 * _wave(25, 0), TEXEL_MM)
    f = 25 / patch.width_mm
    for ratio in (2.3, 3.1, 5.7):
        assert carried_ratio(patch, ratio * TEXEL_MM) == pytest.approx(_gain(f, ratio * TEXEL_MM), rel=1e-4)
    for ratio in (1.2, 1.7):
        want = math.exp(-2 * math.pi**2 * (ratio**2 - 1) / 3 * (f * TEXEL_MM) ** 2)
        assert carried_ratio(patch, ratio * TEXEL_MM) == pytest.approx(want, rel=1e-4)


def test_blurred_noise_keeps_its_closed_form():
    """White noise blurred by s has the power exp(-4 pi^2 s^2 f^2); over the plane that is 1 / (4 pi s^2).  A further
    blur by sigma makes it 1 / (4 pi (s^2 + sigma^2)): a share of s / sqrt(s^2 + sigma^2)."""
    s_px = 3.0
    noise = gaussian_filter(np.random.default_rng(2).normal(size=(1500, 1500)), s_px, mode="wrap", truncate=6)
    for periodic in (True, False):
        patch = HeightPatch("noise", noise, TEXEL_MM, periodic)
        for ratio in (2, 4, 8, 16):
            want = s_px / math.hypot(s_px, ratio / 2)
            found = carried_ratio(patch, ratio * TEXEL_MM)
            print(f"periodic {periodic}, {ratio} texels: {found:.4f}, closed form {want:.4f}")
            assert found == pytest.approx(want, rel=0.015 if periodic else 0.03)  # one draw of noise


def test_a_border_makes_no_false_edge_and_outside_does_not_count():
    """Noise in a disk, beside a tall wall outside and on a height of its own: as the same noise that tiles."""
    noise = gaussian_filter(np.random.default_rng(3).normal(size=(800, 800)), 3.0, mode="wrap")
    y, x = np.mgrid[:800, :800] - 399.5
    inside = np.hypot(x, y) < 380
    patch = HeightPatch("disk", np.where(inside, noise + 5.0, -40.0), TEXEL_MM, periodic=False, inside=inside)
    for ratio in (3, 6, 12):
        want = carried_ratio(HeightPatch("tile", noise, TEXEL_MM), ratio * TEXEL_MM)
        assert carried_ratio(patch, ratio * TEXEL_MM) == pytest.approx(want, rel=0.03)


def test_nothing_is_lost_by_texels_as_fine_as_the_patch_and_of_a_flat_one():
    noise = HeightPatch("noise", np.random.default_rng(1).normal(size=(60, 81)), TEXEL_MM)
    assert carried_ratio(noise, TEXEL_MM) == carried_ratio(noise, 0.1 * TEXEL_MM) == 1.0
    assert carried_ratio(noise, 3 * TEXEL_MM, 3.0) == 1.0
    assert carried_ratio(HeightPatch("flat", np.full((9, 9), 0.4), TEXEL_MM), 1.0) == 1.0
    shares = [carried_ratio(noise, r * TEXEL_MM) for r in np.geomspace(1, 500, 40)]
    assert shares[-1] < 0.1 and all(a >= b for a, b in zip(shares[:-1], shares[1:], strict=True))


@pytest.mark.parametrize("keys", [{}, {"size": 1.5}], ids=["true to size", "larger"])
@pytest.mark.parametrize("place", ["scatter", "spread"])
def test_a_composed_map_has_the_share_of_sq_that_was_told(place, keys):
    layer = scatter_layer("pores", 12.0, **keys)
    if place == "spread":
        layer = {"name": "sheet", "patch": "pores", "place": "spread", "region": "all", **keys}
    made = composed_of(
        flat_mesh(), "mm", {"pores": pore_patch()}, [layer],
        regions={"all": {"center": [20, 20, 0], "radius_mm": 60}}, directions=[{"points": [[5, 5, 0], [35, 5, 0]]}],
    )  # fmt: skip
    for size_px in (256, 400, 700, 1024):
        told = carried_ratio(pore_patch(), 40 / size_px, keys.get("size", 1.0))
        found = compose(made, size_px=size_px)[1001].height_mm.std() / pore_patch().sq_mm
        print(f"{place}, {keys}, {size_px} px: Sq of the map {found:.4f} of the patch's, told {told:.4f}")
        assert found == pytest.approx(told, rel=0.02)


@pytest.mark.parametrize("texel_mm, size", [(0, 1), (-1, 1), (math.nan, 1), ("a", 1), (0.1, 0), (0.1, math.inf)])
def test_sizes_that_are_none_are_refused(texel_mm, size):
    with pytest.raises(PatchError, match="carried detail: (texel_mm|size) is .*; allowed is a"):
        carried_ratio(pore_patch(), texel_mm, size)
