"""Lines spread over the demo head's forehead: unbroken from temple to temple, true to size, along the skin."""

from functools import cache
from pathlib import Path

import numpy as np
from recipes import grating
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from skin_measure import dominant_wave, flat_view, line_angle_difference

from poredepth import prepare, recipe_from_dict
from poredepth.surface.points import SkinPoints, random_skin_points
from poredepth.surface.regions import region_weight

DEMO = Path(__file__).parents[2] / "demo_data"
WAVE_MM = 2.0
#: The forehead and both temples beyond the chart of the face, without the parts about which the field turns.
REGIONS = {
    "forehead": {"group": "forehead", "feather_mm": 8},
    "temple_left": {"center": [6.4, 5.8, 2.6], "radius_mm": 18, "feather_mm": 8},
    "temple_right": {"center": [-6.4, 5.8, 2.6], "radius_mm": 18, "feather_mm": 8},
    "band": {"union": ["forehead", "temple_left", "temple_right"]},
    "glabella": {"center": [0, 1.6, 9.4], "radius_mm": 24, "feather_mm": 6},
    "eye_left": {"center": [3.2, 0.2, 7.9], "radius_mm": 27, "feather_mm": 6},
    "eye_right": {"center": [-3.2, 0.2, 7.9], "radius_mm": 27, "feather_mm": 6},
    "brow": {"subtract": ["band", "glabella", "eye_left", "eye_right"]},
}


@cache
def lined_head():
    data = {
        "poredepth": 1,
        "mesh": {"file": str(DEMO / "head.obj"), "unit": "cm"},
        "directions": [{"file": str(DEMO / "guides.obj")}],
        "regions": REGIONS,
        "bands": {"transitions": "even"},
        "patches": {"grating": {"file": "array", "texel_um": 1, "height_um": 1}},
        "layers": [{"name": "lines", "patch": "grating", "place": "spread", "region": "brow", "size": WAVE_MM}],
    }
    return prepare(recipe_from_dict(data, check_files=False), patches={"grating": grating(1.0)})


def _brow_weight(composition):
    surface = composition.surface
    centre = np.full((surface.n_triangles, 3), 1 / 3, np.float32)
    every = np.arange(surface.n_triangles, dtype=np.int32)
    return region_weight(surface, composition.ground.regions["brow"], every, centre)


def test_wavelength_and_direction_on_the_forehead():
    """2 mm within 3 % (median), direction within 3 degrees (median) of the field."""
    c = lined_head()
    surface, field = c.surface, c.ground.field
    points = random_skin_points(surface, 300, np.random.default_rng(0), _brow_weight(c) > 0.5)
    length_mm, off_deg = [], []
    for t, b in zip(points.triangle, points.barycentric, strict=True):
        view, _ = flat_view(surface, int(t), b, 8.0, 64)
        found_mm, angle = dominant_wave(c.height_mm(view, 8192).reshape(64, 64), 8.0 / 64)
        length_mm.append(found_mm)
        off_deg.append(np.rad2deg(line_angle_difference(angle, field.angle_rad[t] + np.pi / 2)))
    error = np.abs(np.array(length_mm) / WAVE_MM - 1)
    print(
        f"forehead lines: wavelength off {np.median(error):.4f} (median) {np.percentile(error, 95):.4f} (95 %), "
        f"direction {np.median(off_deg):.2f} deg (median)"
    )
    assert np.median(error) < 0.03
    assert np.median(off_deg) < 3.0


def test_one_crest_runs_unbroken_from_temple_to_temple_over_chart_seams():
    """A crest is a level line of the sheet's v: followed over the skin, it reaches both temples and stays a crest."""
    c = lined_head()
    surface, prints = c.surface, c.layers[0].prints
    assert prints.n_prints == 1
    weight = _brow_weight(c)
    across = prints.corner_mm[..., 0].astype(float)  # the grating's waves run along the patch's x
    crest = np.arange(np.ceil(across.min() - 0.25), across.max()) + 0.25
    found = []
    for level in crest:
        rows = np.flatnonzero((across.min(axis=1) < level) & (across.max(axis=1) > level))
        rows = rows[weight[prints.row_triangle[rows]] > 0.5]
        triangle = prints.row_triangle[rows]
        of = np.full(surface.n_triangles, -1)
        of[triangle] = np.arange(len(triangle))
        t, k = np.nonzero(surface.adjacency.triangle[triangle] >= 0)
        other = of[surface.adjacency.triangle[triangle[t], k]]
        joined = coo_matrix((np.ones((other >= 0).sum()), (t[other >= 0], other[other >= 0])), shape=(len(rows),) * 2)
        label = connected_components(joined, directed=False)[1] if len(rows) else np.empty(0, int)
        for one in np.unique(label):
            mine = triangle[label == one]
            x = surface.corner_mm[mine][..., 0]
            if x.min() < -60 and x.max() > 60:
                found.append((level, rows[label == one], len(np.unique(surface.tri_chart[mine]))))
    print(f"{len(found)} crests from temple to temple, over {max(f[2] for f in found)} charts")
    assert len(found) >= 3
    assert max(charts for _, _, charts in found) >= 3  # the face and both sides of the scalp
    level, rows, _ = max(found, key=lambda f: f[2])
    triangle, barycentric = prints.row_triangle[rows], _points_of_level(across[rows], level)
    height = c.height_mm(SkinPoints(triangle.astype(np.int32), barycentric.astype(np.float32)), 32768)
    inside = region_weight(surface, c.ground.regions["brow"], triangle, barycentric)
    full = inside > 0.999
    assert full.sum() > 50
    # 0.01 mm less 0.3 %: the cubic spline through samples of the wave
    assert np.abs(height[full] - 0.01).max() < 2e-4


def _points_of_level(corner: np.ndarray, level: float) -> np.ndarray:
    """Barycentrics (n, 3) of a point of each triangle at which a linear function of corner values is ``level``."""
    low, high = np.argmin(corner, axis=1), np.argmax(corner, axis=1)
    every = np.arange(len(corner))
    part = (level - corner[every, low]) / (corner[every, high] - corner[every, low])
    out = np.zeros((len(corner), 3))
    out[every, low] = 1 - part
    out[every, high] += part
    return out
