"""What scatter keeps of a patch, measured on the demo head's cheek and on its strongly curved nose wings.

Nothing here knows of prints or UVs: heights are read in flat little views rolled over the skin.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path

import numpy as np
import pytest
from recipes import TEXEL_MM, pore_patch, scatter_layer
from scipy import ndimage
from skin_measure import flat_view, repeat_measure, texture

from poredepth import prepare, recipe_from_dict
from poredepth.surface.points import random_skin_points
from poredepth.surface.regions import region_weight

DEMO = Path(__file__).parents[1] / "demo_data"
REGIONS = {
    "cheek": {"center": [4.6, -3.0, 7.5], "radius_mm": 26},
    "wing_left": {"center": [2.0, -4.6, 9.0], "radius_mm": 15},
    "wing_right": {"center": [-2.0, -4.6, 9.0], "radius_mm": 15},
    "wings": {"union": ["wing_left", "wing_right"]},
}
VIEW_MM, MARGIN_MM = 3.0, 0.3


@cache
def composition(region: str, print_mm: float, seed: int):
    data = {
        "poredepth": 1,
        "mesh": {"file": str(DEMO / "head.obj"), "unit": "cm"},
        "seed": seed,
        "directions": [{"file": str(DEMO / "guides.obj")}],
        "regions": REGIONS,
        "patches": {"pores": {"file": "array", "texel_um": 1, "height_um": 1}},
        "layers": [scatter_layer("pores", print_mm, region=region)],
    }
    return prepare(recipe_from_dict(data, check_files=False), patches={"pores": pore_patch()})


def _inside(c, region: str) -> np.ndarray:
    surface = c.surface
    corner = np.repeat(np.arange(surface.n_triangles, dtype=np.int32), 3)
    weight = region_weight(surface, c.ground.regions[region], corner, np.tile(np.eye(3), (surface.n_triangles, 1)))
    return weight.reshape(-1, 3).min(axis=1) > 0.999


def _pits(height_mm: np.ndarray, deeper_than_mm: float, mode: str) -> tuple[np.ndarray, np.ndarray]:
    """Row and column of pits: lowest within 0.15 mm, after a Gaussian of 50 um; (n, 2) places and (n,) depths, mm."""
    smooth = ndimage.gaussian_filter(height_mm.astype(float), 0.05 / TEXEL_MM, mode=mode)
    lowest = ndimage.minimum_filter(smooth, size=2 * round(0.15 / TEXEL_MM) + 1, mode=mode)
    at = np.argwhere((smooth == lowest) & (smooth < -deeper_than_mm))
    return at, -smooth[tuple(at.T)]


def _pits_in_views(c, region: str, n_views: int, deeper_than_mm: float, seed: int) -> tuple[float, np.ndarray]:
    """Pits per cm2, and their depths."""
    points = random_skin_points(c.surface, n_views, np.random.default_rng(seed), _inside(c, region))
    n = round((VIEW_MM + 2 * MARGIN_MM) / TEXEL_MM)
    edge = round(MARGIN_MM / TEXEL_MM)
    depths = []
    for t, b in zip(points.triangle, points.barycentric, strict=True):
        view, _ = flat_view(c.surface, int(t), b, n * TEXEL_MM, n)
        at, depth = _pits(c.height_mm(view, 32768).reshape(n, n), deeper_than_mm, "nearest")
        depths.append(depth[((at >= edge) & (at < n - edge)).all(axis=1)])
    found = np.concatenate(depths)
    return 100 * len(found) / (n_views * VIEW_MM**2), found


@pytest.mark.parametrize(
    ("region", "print_mm", "seeds", "n_views"), [("cheek", 9.0, (1, 2), 300), ("wings", 8.0, (1, 2, 3, 4), 160)]
)
def test_scatter_keeps_the_structure_of_its_patch_on_the_face(region, print_mm, seeds, n_views):
    """Sq within 2 %, Ssk and Sku within 5 %, pits per cm2 and their median depth within 5 %."""
    patch = pore_patch()
    sq, ssk, sku = texture(patch.height_mm)
    deep_mm = 3.2e-3 * sq
    _, depths = _pits(patch.height_mm, deep_mm, "wrap")
    pits = 100 * len(depths) / (patch.width_mm * patch.height_extent_mm)
    heights, counts, deep = [], [], []
    for seed in seeds:
        c = composition(region, print_mm, seed)
        points = random_skin_points(c.surface, 400_000, np.random.default_rng(seed), _inside(c, region))
        heights.append(c.height_mm(points, 32768))
        per_cm2, found = _pits_in_views(c, region, n_views, deep_mm, seed)
        counts.append(per_cm2)
        deep.append(found)
    got = texture(np.concatenate(heights))
    per_cm2, depth = float(np.mean(counts)), float(np.median(np.concatenate(deep)))
    print(
        f"{region}: patch Sq {sq:.2f} Ssk {ssk:.2f} Sku {sku:.2f}, {pits:.1f} pits per cm2 of "
        f"{1000 * np.median(depths):.1f} um; on the skin {got[0]:.2f} {got[1]:.2f} {got[2]:.2f}, {per_cm2:.1f} of "
        f"{1000 * depth:.1f} um"
    )
    assert got[0] == pytest.approx(sq, rel=0.02)
    assert got[1] == pytest.approx(ssk, rel=0.05)
    assert got[2] == pytest.approx(sku, rel=0.05)
    assert per_cm2 == pytest.approx(pits, rel=0.05)
    assert depth == pytest.approx(np.median(depths), rel=0.05)


def test_no_repeat_is_seen_on_the_cheek_and_plain_tiling_is():
    """Largest autocorrelation beyond 2 mm over a view of 36 mm: below 0.15; of the same patch tiled: above 0.8."""
    c = composition("cheek", 9.0, 1)
    centre = random_skin_points(c.surface, 4000, np.random.default_rng(0), _inside(c, "cheek"))
    at = c.surface.points_mm(centre.triangle, centre.barycentric.astype(float))
    middle = int(np.argmin(np.linalg.norm(at - at.mean(axis=0), axis=1)))
    view, _ = flat_view(c.surface, int(centre.triangle[middle]), centre.barycentric[middle], 32.0, 800)
    ours = repeat_measure(c.height_mm(view, 32768).reshape(800, 800), 0.04)
    tiled = np.tile(pore_patch().height_mm, (2, 2))[:1600:2, :1600:2]
    plain = repeat_measure(tiled, 0.04)
    print(f"repeat measure {ours:.3f}, plain tiling {plain:.3f}")
    assert ours < 0.15
    assert plain > 0.8
