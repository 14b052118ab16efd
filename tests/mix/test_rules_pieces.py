"""Scan pieces, and patches of other means, under the rules of mixing: form is not amplified, fades count once."""

import numpy as np
import pytest
from meshes import flat_mesh
from recipes import composed_of, relief_patch, scatter_layer
from scipy.ndimage import gaussian_filter

from poredepth import HeightPatch, compose, compose_parts
from poredepth.mix.thinning import Thinning
from poredepth.mix.tracks import Rule, extreme_mm
from poredepth.patch.bands import Cutoffs

SIZE_PX, SIDE_MM = 512, 40.0
TIES = [{"px": [x, y], "at": [10 + 0.05 * x, 30 - 0.05 * y, 0]} for x, y in ((0, 0), (400, 0), (0, 400), (400, 400))]


def _piece(**keys):
    return {"name": "piece", "patch": "scan", "place": "registered", "tie_points": TIES, "feather_mm": 5, **keys}


def _ramps(height_mm: np.ndarray) -> np.ndarray:
    """A scan of a level and faint noise, 20 x 20 mm, laid from (10, 10) to (30, 30)."""
    noise = gaussian_filter(np.random.default_rng(3).normal(size=(400, 400)), 8)
    return HeightPatch("scan", height_mm + 0.001 * noise / noise.std(), 0.05, periodic=False)


def _laid(level_mm: float, below_mm: float, **keys) -> np.ndarray:
    """The piece over textured skin whose coarse band is as faint as its own; float32 (rows, cols), mm."""
    below = relief_patch().height_mm * np.float32(0.05) + np.float32(below_mm)
    patches = {"below": HeightPatch("below", below, 0.1), "scan": _ramps(level_mm)}
    layers = [scatter_layer("below", 10.0), _piece(**keys)]
    output = {"size_px": SIZE_PX, "seams": "untouched"}
    return compose(composed_of(flat_mesh(n=20), "mm", patches, layers, output=output))[1001].height_mm


def _rows_at(height_mm: np.ndarray, y_mm: float) -> np.ndarray:
    row = SIZE_PX - 1 - int(y_mm / SIDE_MM * SIZE_PX)
    return height_mm[row, SIZE_PX * 17 // 40 : SIZE_PX * 23 // 40]


@pytest.mark.parametrize(("combine", "below_mm"), [("replace", 0.0), ("replace", 0.04), ("highest", 0.0)])
def test_a_piece_fades_from_the_skin_below_to_its_own_level(combine, below_mm):
    """Half-way in its fade it is half-way there, by any rule; contrast is kept of textures, not of levels."""
    found = _laid(0.1, below_mm, combine=combine)
    for y_mm, due in ((27.5, 0.5), (20.0, 1.0), (30.5, 0.0), (26.25, 0.84375)):
        mean = _rows_at(found, y_mm).mean()
        assert mean == pytest.approx(below_mm + due * (0.1 - below_mm), abs=0.004), y_mm


def test_a_piece_digs_by_its_whole_depth_where_it_fades():
    """h - w r(h - g): the fade is in w, not in g once more."""
    found = _laid(-0.1, -0.04, combine="deepest")
    assert _rows_at(found, 27.5).mean() == pytest.approx(-0.04 - 0.5 * 0.06, abs=0.004)


def test_even_transitions_are_those_of_pieces_too():
    """One feather for all bands: a hard border of a piece that replaces stays hard."""
    patches = {"below": HeightPatch("below", np.zeros((100, 100)), 0.2), "scan": _ramps(0.1)}
    layers = [scatter_layer("below", 10.0), _piece(combine="replace") | {"feather_mm": 0}]
    output = {"size_px": SIZE_PX, "seams": "untouched"}
    for transitions, due_mm in (("proportional", 0.011), ("even", 0.1)):
        c = composed_of(flat_mesh(n=20), "mm", patches, layers, output=output, bands={"transitions": transitions})
        assert _rows_at(compose(c)[1001].height_mm, 29.5).mean() == pytest.approx(due_mm, abs=0.004)


def test_prints_of_patches_of_other_means_are_coarse_relief():
    """Two levels by shares 1 : 3 have a standard deviation of sqrt(3) / 4 of their distance."""
    patches = {
        name: HeightPatch(name, np.full((100, 100), level), 0.2) for name, level in (("one", 0.05), ("two", -0.05))
    }
    layer = {"name": "both", "patches": {"one": 1, "two": 3}, "place": "scatter", "print_mm": 9}
    (layer,) = composed_of(flat_mesh(), "mm", patches, [layer]).layers
    assert layer.bands.mean_mm == pytest.approx(-0.025)
    assert layer.bands.sq_mm == pytest.approx((0.1 * np.sqrt(3) / 4, 0, 0), abs=1e-8)


def test_widths_of_next_to_nothing_are_no_width():
    """In float32 their squares are 0."""
    a = np.array([0, -0.1, 0.1], np.float32)
    assert extreme_mm(a * 0, a, Rule("deepest", 1e-25)).tolist() == [0, a[1], 0]
    left = Thinning(None, "depth", 0.1, 1e-60, "both", Cutoffs(2.5, 0.8)).left(np.array([-0.1, -0.2], np.float32))
    assert np.isfinite(left).all() and left[1] == 0


@pytest.mark.parametrize(("thin", "splits"), [({"deeper_than_um": 80}, False), ({"curvature_over_per_mm": 0.1}, True)])
def test_a_map_is_low_passed_only_if_something_asks_for_its_bands(thin, splits):
    """A whole map takes seconds: it is split before blocks are made, or not at all."""
    layers = [
        {"name": "form", "map": "array", "scale_mm": 1.0},
        scatter_layer("relief", 10.0, thin_where={"layer": "form", **thin}),
    ]
    maps = {"form": {1001: np.full((64, 64), -0.3, np.float32)}}
    c = composed_of(flat_mesh(), "mm", {"relief": relief_patch()}, layers, maps=maps, output={"size_px": 64})
    made = c.layers[0].bands.is_split
    found = compose(c)[1001].height_mm
    assert made == splits == (c.layers[0].bands.is_split)
    assert (np.ptp(found) < 1e-6) == (not splits)


def test_a_band_of_gain_0_is_laid_flat_and_one_that_is_not_listed_left_alone():
    below, above = scatter_layer("relief", 10.0), scatter_layer("relief", 9.0, combine="replace")

    def bands(*layers):
        c = composed_of(flat_mesh(), "mm", {"relief": relief_patch()}, layers, output={"size_px": 256})
        return {name: tiles[1001].height_mm for name, tiles in compose_parts(c, "bands").items()}

    before = bands(below)
    erased = bands(below, above | {"gain": {"fine": 0, "middle": -1}, "bands": ["fine", "middle"]})
    assert before["fine"].std() > 0.001 and np.abs(erased["fine"]).max() == 0
    assert np.array_equal(erased["coarse"], before["coarse"])
    alone = bands(above | {"combine": "add", "gain": {"fine": 0, "middle": -1}, "bands": ["fine", "middle"]})
    assert np.abs(erased["middle"] - alone["middle"]).max() < 1e-8
