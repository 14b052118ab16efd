"""Registered layers on small meshes with known answers; on heads: tests/test_registering.py."""

from __future__ import annotations

import re
import warnings
from dataclasses import replace

import numpy as np
import pytest
from meshes import flat_mesh, grid, sphere_mesh, two_charts_mesh
from recipes import composed_of

from poredepth import Blocking, compose
from poredepth.errors import PatchError, PlacementError
from poredepth.mix.combine import Sampling, mixed_height_mm
from poredepth.patch.types import HeightPatch
from poredepth.placement.prints import stretch
from poredepth.placement.registered import PatchSizeWarning
from poredepth.placement.warp import fitted
from poredepth.surface.obj import PolygonMesh
from poredepth.surface.points import SkinPoints, random_skin_points
from poredepth.view.facts import recipe_facts

#: A picture of 24 x 16 mm at 0.1 mm, laid on a plate of 40 x 40 mm turned by 30 degrees about (20, 20).
COLS, ROWS, TEXEL_MM = 240, 160, 0.1
TURN = np.deg2rad(30.0)
X_MM, Y_MM = np.meshgrid((np.arange(COLS) + 0.5) * TEXEL_MM, (ROWS - np.arange(ROWS) - 0.5) * TEXEL_MM)
SPOTS = [(20, 20), (220, 20), (20, 140), (220, 140), (120, 80), (60, 80)]


def _plate_mm(x_mm, y_mm):
    """Where a place in the picture (mm from its lower left corner) belongs on the plate."""
    x, y = np.asarray(x_mm) - COLS * TEXEL_MM / 2, np.asarray(y_mm) - ROWS * TEXEL_MM / 2
    return 20 + np.cos(TURN) * x - np.sin(TURN) * y, 20 + np.sin(TURN) * x + np.cos(TURN) * y


def _picture_mm(at_mm):
    """The other way: places in the picture of points of the plate (n, 3)."""
    x, y = at_mm[:, 0] - 20, at_mm[:, 1] - 20
    return (
        np.cos(TURN) * x + np.sin(TURN) * y + COLS * TEXEL_MM / 2,
        -np.sin(TURN) * x + np.cos(TURN) * y + ROWS * TEXEL_MM / 2,
    )


def _tie(px, shift_mm=(0.0, 0.0)):
    x, y = _plate_mm(px[0] * TEXEL_MM, (ROWS - px[1]) * TEXEL_MM)
    return {"px": [float(p) for p in px], "at": [float(x) + shift_mm[0], float(y) + shift_mm[1], 0.0]}


TIES = [_tie(px) for px in SPOTS]


def _patch(height_mm, **keys):
    return HeightPatch("scan", height_mm, TEXEL_MM, **{"periodic": False, **keys})


def _layer(ties=TIES, **keys):
    return {"name": "piece", "patch": "scan", "place": "registered", "tie_points": ties, **keys}


def _composed(patch, layer=None, mesh=None, **recipe):
    return composed_of(mesh or flat_mesh(), "mm", {"scan": patch}, [layer or _layer()], **recipe)


def _height_mm(c, points, texel_mm=0.05):
    return mixed_height_mm(
        c.layers, c.ground, Sampling(np.full((c.surface.n_triangles, 3), texel_mm, np.float32), 1024), points
    )


def _at(c, points):
    return c.surface.points_mm(points.triangle, points.barycentric.astype(float))


def _fade(distance_mm, feather_mm):
    x = np.clip(distance_mm / feather_mm, 0, 1)
    return x * x * (3 - 2 * x)


@pytest.mark.parametrize("mesh", [flat_mesh(), two_charts_mesh()], ids=["one chart", "seam and mirrored chart"])
@pytest.mark.parametrize("n_ties", [3, 4, 6])
def test_on_a_plane_the_picture_lies_as_it_was_tied(mesh, n_ties):
    """Heights that rise by 1 um a mm along the picture's x and 2 um along its y: read back at 3,000 points."""
    patch = _patch(0.001 * X_MM + 0.002 * Y_MM)
    c = _composed(patch, _layer(TIES[:n_ties], feather_mm=0), mesh)
    points = random_skin_points(c.surface, 3000, np.random.default_rng(0))
    x, y = _picture_mm(_at(c, points))
    height_mm = _height_mm(c, points)
    # at a hard edge the cubic spline swings; it is down to 3e-5 after eight pixels
    inside = (x > 0.8) & (x < 23.2) & (y > 0.8) & (y < 15.2)
    assert inside.sum() > 500
    assert height_mm[inside] == pytest.approx(0.001 * x[inside] + 0.002 * y[inside], abs=5e-6)
    outside = (x < -0.8) | (x > 24.8) | (y < -0.8) | (y > 16.8)
    assert np.abs(height_mm[outside]).max() < 5e-6
    assert stretch(c.layers[0].prints, c.surface.flat_mm) == pytest.approx(1.0, abs=1e-4)


@pytest.mark.parametrize("edges", [4, 10, 40])
def test_the_feather_is_as_wide_as_asked_whatever_the_mesh(edges):
    """A slab of 0.1 mm fades as the smoothstep of the distance from the picture's border (closed form)."""
    c = _composed(_patch(np.full((ROWS, COLS), 0.1)), _layer(feather_mm=4), flat_mesh(n=edges))
    points = random_skin_points(c.surface, 4000, np.random.default_rng(1))
    x, y = _picture_mm(_at(c, points))
    border_mm = np.minimum.reduce([x, 24 - x, y, 16 - y])
    height_mm = _height_mm(c, points)
    # the spline rounds the ridges of the fade, where two borders are equally far, by 0.3 %
    assert np.abs(height_mm - 0.1 * _fade(border_mm, 4.0)).max() < 5e-4
    assert np.abs(height_mm[border_mm < -1.0]).max() < 1e-7
    assert (height_mm[border_mm > 4.0] > 0.0999).all()


def test_the_feather_follows_a_mask_and_an_alpha():
    """A disk of 6 mm radius painted inside the picture; the same by the fade that the layer keeps for itself."""
    r_mm = np.hypot(X_MM - 12, Y_MM - 8)
    c = _composed(_patch(np.full((ROWS, COLS), 0.1), inside=r_mm < 6), _layer(feather_mm=3))
    points = random_skin_points(c.surface, 4000, np.random.default_rng(2))
    x, y = _picture_mm(_at(c, points))
    want = 0.1 * _fade(6 - np.hypot(x - 12, y - 8), 3.0)
    assert np.abs(_height_mm(c, points) - want).max() < 0.004  # the edge of a disk of pixels is uneven by half a pixel
    fine = np.full((c.surface.n_triangles, 3), 0.05, np.float32)
    fade = c.layers[0].bands.fade_at(2, points, fine)
    assert np.abs(0.1 * fade - np.clip(_height_mm(c, points), 0, 0.1)).max() < 1e-6


@pytest.mark.parametrize("texel_mm", [0.05, 0.4, 1.5, 6.0])
def test_nothing_streaks_beyond_the_border_at_any_texel_size(texel_mm):
    """Heights that end abruptly at the border: four texels (eight pixels) off it is nothing, however coarse the map."""
    c = _composed(_patch(np.full((ROWS, COLS), 0.1)), _layer(feather_mm=0), flat_mesh(n=3))
    points = random_skin_points(c.surface, 4000, np.random.default_rng(3))
    x, y = _picture_mm(_at(c, points))
    border_mm = np.minimum.reduce([x, 24 - x, y, 16 - y])
    height_mm = _height_mm(c, points, texel_mm)
    assert np.abs(height_mm[border_mm < -max(4 * texel_mm, 0.8)]).max(initial=0) < 1e-5
    assert height_mm.max() > 0.05


def test_corner_data_is_continuous_over_edges_and_seams():
    c = _composed(_patch(np.zeros((ROWS, COLS))), mesh=two_charts_mesh())
    prints, vertex = c.layers[0].prints, c.surface.tri_vertex
    low, high = np.full((c.surface.n_vertices, 2), np.inf), np.full((c.surface.n_vertices, 2), -np.inf)
    np.minimum.at(low, vertex[prints.row_triangle].ravel(), prints.corner_mm.reshape(-1, 2))
    np.maximum.at(high, vertex[prints.row_triangle].ravel(), prints.corner_mm.reshape(-1, 2))
    assert np.isfinite(high).all(axis=1).sum() > 50
    assert np.array_equal(low, high) or (low[np.isfinite(low)] == high[np.isfinite(high)]).all()
    assert (prints.corner_weight == 1).all() and prints.n_prints == 1


def test_blocks_and_threads_change_no_bit():
    patch = _patch(0.02 * np.sin(X_MM) * np.cos(2 * Y_MM))
    c = _composed(patch, mesh=two_charts_mesh(), output={"size_px": 256})
    whole = compose(c)[1001].height_mm
    cut = compose(c, blocking=Blocking(n_threads=1, block_texels=3000))[1001].height_mm
    assert whole.std() > 0.002
    assert np.array_equal(whole, cut)


def test_a_region_multiplies():
    disk = {"disk": {"center": [20, 20, 0], "radius_mm": 5, "feather_mm": 0}}
    c = _composed(
        _patch(np.full((ROWS, COLS), 0.1)),
        _layer(region="disk", feather_mm=0),
        regions=disk,
        bands={"transitions": "even"},
    )
    points = random_skin_points(c.surface, 3000, np.random.default_rng(4))
    r = np.hypot(*(_at(c, points)[:, :2] - 20).T)
    height_mm = _height_mm(c, points)
    assert height_mm[r < 4.9] == pytest.approx(0.1, abs=1e-5)
    assert (height_mm[r > 5.1] == 0).all()


def test_a_picture_that_reaches_far_beyond_its_tie_points_is_laid_whole():
    ties = [_tie(px) for px in [(110, 75), (130, 75), (120, 90)]]
    c = _composed(_patch(np.full((ROWS, COLS), 0.1)), _layer(ties, feather_mm=0), flat_mesh(n=40))
    points = random_skin_points(c.surface, 3000, np.random.default_rng(5))
    x, y = _picture_mm(_at(c, points))
    inside = (x > 0.8) & (x < 23.2) & (y > 0.8) & (y < 15.2)
    assert _height_mm(c, points)[inside] == pytest.approx(0.1, abs=1e-5)


def test_a_small_mask_at_one_of_tie_points_far_apart():
    inside = (X_MM < 3) & (Y_MM > 13)
    c = _composed(_patch(np.full((ROWS, COLS), 0.1), inside=inside), _layer(feather_mm=0), flat_mesh(n=40))
    points = random_skin_points(c.surface, 6000, np.random.default_rng(12))
    x, y = _picture_mm(_at(c, points))
    height_mm = _height_mm(c, points)
    within = (x > 0.8) & (x < 2.2) & (y > 13.8) & (y < 15.2)
    assert within.sum() > 3
    assert height_mm[within] == pytest.approx(0.1, abs=1e-4)
    assert np.abs(height_mm[(x > 3.8) | (y < 12.2)]).max() < 1e-4


def test_the_size_found_is_told_used_and_warned_about():
    """The same picture with half its texel_um: tie points say 0.1 mm a pixel, and detail is filtered by that."""
    waves = 0.01 * np.sin(2 * np.pi * X_MM / 1.0)
    for stated_mm, warned in ((0.05, "100 um wide on the skin, by texel_um it is 50 um (+100 %)"), (0.09, None)):
        with warnings.catch_warnings(record=True) as caught:
            warnings.simplefilter("always")
            c = _composed(HeightPatch("scan", waves, stated_mm, periodic=False))
        told = [str(w.message) for w in caught if issubclass(w.category, PatchSizeWarning)]
        assert len(told) == (warned is not None)
        assert warned is None or (warned in told[0] and told[0].startswith("layers[0].tie_points: "))
        assert c.layers[0].registration.texel_mm == pytest.approx(0.1, rel=1e-4)
        assert c.layers[0].registration.size_ratio == pytest.approx(0.1 / stated_mm, rel=1e-4)
        points = random_skin_points(c.surface, 4000, np.random.default_rng(6))
        x, y = _picture_mm(_at(c, points))
        middle = (np.abs(x - 12) < 6) & (np.abs(y - 8) < 2)
        fine, coarse = (_height_mm(c, points, t)[middle] for t in (0.05, 0.8))
        assert fine == pytest.approx(0.01 * np.sin(2 * np.pi * x[middle]), abs=2e-4)  # heights are not scaled
        # texels of 0.8 mm: a Gaussian of sigma 0.4 mm leaves exp(-2 pi^2 0.4^2) = 4 % of waves of 1 mm
        assert coarse.std() / fine.std() == pytest.approx(np.exp(-2 * (np.pi * 0.4) ** 2), abs=0.01)


def test_residuals_tell_a_tie_point_that_is_off():
    """On a plane with nine tie points, one of them 2 mm off: without it the map is affine, so it is off by 2 mm."""
    spots = [(x, y) for y in (20, 80, 140) for x in (20, 120, 220)]
    good = _composed(_patch(np.zeros((ROWS, COLS))), _layer([_tie(px) for px in spots])).layers[0].registration
    assert max(fit.residual_mm for fit in good.ties) < 1e-4
    assert max(fit.left_out_mm for fit in good.ties) < 1e-3
    ties = [_tie(px, (2.0, 0.0) if px == (120, 80) else (0, 0)) for px in spots]
    off = _composed(_patch(np.zeros((ROWS, COLS))), _layer(ties), flat_mesh(n=80)).layers[0].registration
    assert [fit.number for fit in off.ties] == list(range(9))
    assert np.argmax([fit.left_out_mm for fit in off.ties]) == 4
    # told in mm of skin by the slope of the map there, which the wrong point itself has bent a little
    assert off.ties[4].left_out_mm == pytest.approx(2.0, rel=0.1)
    assert max(fit.residual_mm for fit in off.ties) < 0.05


@pytest.mark.parametrize("axis", ["x", "y", "z"])
def test_mirrored_layers_are_mirror_images(axis):
    """On a sphere, which is its own mirror image in all three planes; to the heights' rounding."""
    patch = _patch(0.02 * np.sin(X_MM) + 0.001 * X_MM + 0.002 * Y_MM)
    at = np.array([[8, 4], [20, 5], [7, 16], [21, 18], [14, 11.0]])
    z = np.sqrt(30**2 - (at**2).sum(axis=1))
    px = [(20, 140), (200, 130), (25, 20), (215, 15), (120, 80)]
    ties = [{"px": list(p), "at": [*xy, zz]} for p, xy, zz in zip(px, at.tolist(), z.tolist(), strict=True)]
    mesh = sphere_mesh(30, 16)
    c = composed_of(mesh, "mm", {"scan": patch}, [_layer(ties), {**_layer(ties), "name": "mirrored", "mirror": axis}])
    one, two = (replace(c, layers=(layer,)) for layer in c.layers)
    points = random_skin_points(c.surface, 3000, np.random.default_rng(7), np.diff(c.layers[0].prints.start) > 0)
    # the mesh is its own mirror image point by point, but quads may be cut the other way: compare at its points
    vertex = np.unique(c.surface.tri_vertex[np.diff(c.layers[0].prints.start) > 0])
    sign = np.where(np.arange(3) == "xyz".index(axis), -1.0, 1.0)
    corner = np.zeros(c.surface.n_vertices, np.int64)
    corner[c.surface.tri_vertex.ravel()] = np.arange(3 * c.surface.n_triangles)
    number = {tuple(np.round(p, 6) + 0.0): v for v, p in enumerate(c.surface.position_mm)}
    twin = np.array([number[tuple(np.round(c.surface.position_mm[v] * sign, 6) + 0.0)] for v in vertex])
    here, there = (
        SkinPoints((corner[v] // 3).astype(np.int32), np.eye(3, dtype=np.float32)[corner[v] % 3])
        for v in (vertex, twin)
    )
    first, second = _height_mm(one, here), _height_mm(two, there)
    assert len(points) and first.std() > 0.005 and np.abs(first).max() > 0.02
    assert np.abs(first - second).max() < 2e-4


def test_skin_that_is_near_through_the_air_only_gets_nothing():
    """A strip folded back on itself, 1 mm apart, as lips are: a piece on its upper side leaves the lower one alone."""
    r = 0.5
    position, faces = grid(120, 40, 120, 20)
    x, y = position[:, 0], position[:, 1]
    turn, beyond = np.clip((x - 60) / r, 0, np.pi), np.maximum(x - 60 - np.pi * r, 0)
    bent = np.column_stack([np.minimum(x, 60) + r * np.sin(turn) - beyond, y, r * np.cos(turn) - r])
    mesh = PolygonMesh.from_arrays(bent, faces, position[:, :2] / 120, faces)
    c = _composed(_patch(np.full((ROWS, COLS), 0.1)), _layer(feather_mm=0), mesh)
    points = random_skin_points(c.surface, 4000, np.random.default_rng(8))
    at, height_mm = _at(c, points), _height_mm(c, points)
    beneath = at[:, 2] < -0.9
    under = beneath & (np.hypot(at[:, 0] - 20, at[:, 1] - 20) < 6)
    assert under.sum() > 50
    assert (height_mm[beneath] == 0).all()
    over = (at[:, 2] > -0.1) & (np.hypot(at[:, 0] - 20, at[:, 1] - 20) < 6)
    assert height_mm[over] == pytest.approx(0.1, abs=1e-5)


def _two_plates() -> PolygonMesh:
    position, faces = grid(40, 40, 8, 8)
    n = len(position)
    uv = position[:, :2] / 40
    both = [*faces, *[[i + n for i in face] for face in faces]]
    where = np.vstack([position, position + [0, 0, -2]])
    return PolygonMesh.from_arrays(where, both, np.vstack([uv * 0.4, uv * 0.4 + 0.5]), both)


def _changed(number, **keys):
    return [{**tie, **keys} if i == number else tie for i, tie in enumerate(TIES)]


REFUSED = {
    "px outside": (
        _changed(2, px=[20, 161]),
        "layers[0].tie_points[2].px: [20, 161] lies outside the picture of patch 'scan'; allowed: x from 0 to 240 and "
        "y from 0 to 160, pixels from the top left corner (layer 'piece')",
    ),
    "at far off": (
        _changed(1, at=[20, 20, 200]),
        "layers[0].tie_points[1].at: [20, 20, 200] is 200.0 mm from the skin; allowed: up to 5.7 mm; it is in the mesh "
        "file's unit: check the unit and the coordinates (layer 'piece')",
    ),
    "px twice": (
        _changed(3, px=TIES[1]["px"]),
        "layers[0].tie_points[3].px: [220, 20] is the same place as that of tie_points[1]; allowed: places at least "
        "one pixel apart; remove one of the two, or correct it (layer 'piece')",
    ),
    "at twice": (
        _changed(4, at=TIES[5]["at"]),
        f"layers[0].tie_points[5].at: [{', '.join(f'{x:g}' for x in TIES[5]['at'])}] is the same place as that of "
        "tie_points[4]; allowed: places at least one pixel of the patch, 0.1 mm, apart; remove one of the two, or "
        "correct it (layer 'piece')",
    ),
    "px on one line": (
        [{**tie, "px": [20 + 30 * i, 20 + 15 * i]} for i, tie in enumerate(TIES)],
        "layers[0].tie_points: the px of tie points 0 to 5 lie on one line; allowed: tie points spread over the "
        "picture; add one off that line (layer 'piece')",
    ),
    "at on one line": (
        [{**tie, "at": [5 + 5 * i, 8 + 4 * i, 0]} for i, tie in enumerate(TIES)],
        "layers[0].tie_points: the at of tie points 0 to 5 lie on one line along the skin; allowed: tie points spread "
        "over the skin; add one off that line (layer 'piece')",
    ),
    "face down": (
        [{**tie, "px": [COLS - tie["px"][0], tie["px"][1]]} for tie in TIES],
        "layers[0].tie_points: they lay the patch face down: its picture would have to be turned over, as in a mirror; "
        "allowed: tie points that go round in the picture as they do on the skin seen from outside; check left and "
        "right, or whether the picture is mirrored (layer 'piece')",
    ),
}


@pytest.mark.parametrize("name", REFUSED)
def test_tie_points_that_cannot_be_are_refused_with_their_number(name):
    ties, message = REFUSED[name]
    with pytest.raises(PlacementError) as caught:
        _composed(_patch(np.zeros((ROWS, COLS))), _layer(ties))
    assert str(caught.value) == message


def test_tie_points_on_two_pieces_of_skin_are_refused():
    ties = _changed(4, at=[*TIES[4]["at"][:2], -2])
    with pytest.raises(
        PlacementError,
        match=r"layers\[0\].tie_points\[4\].at: \[20, 20, -2\] lies on another piece of skin than tie_points\[0\], "
        "with no way between them along the skin",
    ):
        _composed(_patch(np.zeros((ROWS, COLS))), _layer(ties), _two_plates())


def test_a_mirrored_point_off_the_skin_is_told_as_mirrored():
    with pytest.raises(PlacementError, match=r"tie_points\[0\].at: \[.*\] mirrored in x = 0 is .* mm from the skin"):
        _composed(_patch(np.zeros((ROWS, COLS))), _layer(mirror="x"))


@pytest.mark.parametrize(
    ("ties", "named"),
    [
        (_changed(4, px=[215, 135]), ["tie_points[4] (px [215, 135], at [20, 20, 0])"]),
        (
            [*TIES[:4], {**TIES[4], "px": TIES[5]["px"]}, {**TIES[5], "px": TIES[4]["px"]}],
            ["tie_points[4] (px [60, 80]", "tie_points[5] (px [120, 80]"],
        ),
    ],
    ids=["one wrong", "two changed about"],
)
def test_a_fold_names_the_tie_points_at_fault(ties, named):
    with pytest.raises(PlacementError) as caught:
        _composed(_patch(np.zeros((ROWS, COLS))), _layer(ties), flat_mesh(n=40))
    message = str(caught.value)
    assert message.startswith("layers[0].tie_points: the patch would fold over itself near [")
    assert all(tie in message for tie in named), message
    assert message.count("px [") == len(named)
    near = np.array(re.search(r"near \[(.*?)\]", message)[1].split(","), float)
    assert np.linalg.norm(near[:2] - 20) < 15


def test_a_fold_outside_the_patch_does_not_matter():
    """The same wrong tie point, with a mask that leaves its surroundings out: nothing of the patch folds."""
    inside = (X_MM < 5) & (Y_MM > 11)
    ties = _changed(4, px=[215, 135])
    with pytest.raises(PlacementError, match="fold over itself"):
        _composed(_patch(np.zeros((ROWS, COLS))), _layer(ties), flat_mesh(n=40))
    c = _composed(_patch(np.zeros((ROWS, COLS)), inside=inside), {**_layer(ties), "feather_mm": 1.0}, flat_mesh(n=40))
    assert 0 < len(c.layers[0].prints.print_id) < 400


def test_skin_that_cannot_lie_flat_is_refused_with_the_place():
    """A picture of 24 x 16 mm about a ball of 2 mm radius."""
    ball = sphere_mesh(2.0, 8)
    at = np.array([[1, 0, 1.7], [-1, 0, 1.7], [0, 1, 1.7], [0, -1, 1.7]])
    px = [(130, 80), (110, 80), (120, 70), (120, 90)]
    ties = [{"px": list(p), "at": a.tolist()} for p, a in zip(px, at, strict=True)]
    with pytest.raises(
        PlacementError, match=r"the skin near \[.*\] in mesh units is too folded to be laid flat; .* with a mask"
    ):
        _composed(_patch(np.zeros((ROWS, COLS))), _layer(ties), ball)


def test_a_masked_patch_is_not_scattered():
    layer = {"name": "pores", "patch": "scan", "place": "scatter", "print_mm": 8}
    with pytest.raises(PatchError, match=r"does not tile \(it has an alpha channel or a mask\); .* place: registered"):
        _composed(_patch(np.zeros((ROWS, COLS)), inside=np.eye(ROWS, COLS)), layer)


def test_the_warp_goes_through_its_points_and_is_affine_where_they_are():
    """Thin plates bend nothing that is affine (Bookstein 1989); two points give the similarity through both."""
    rng = np.random.default_rng(9)
    here = rng.uniform(0, 30, (7, 2))
    affine = np.array([[1.1, 0.2], [-0.1, 0.9]])
    anywhere = rng.uniform(-10, 40, (50, 2))
    assert fitted(here, here @ affine.T + 3)(anywhere) == pytest.approx(anywhere @ affine.T + 3, abs=1e-6)
    there = here + rng.normal(size=here.shape)
    assert fitted(here, there)(here) == pytest.approx(there, abs=1e-6)
    turn = np.array([[0.6, -0.8], [0.8, 0.6]])
    two = fitted(here[:2], 2 * here[:2] @ turn.T + 1)
    assert two(anywhere) == pytest.approx(2 * anywhere @ turn.T + 1, abs=1e-9)


def test_a_piece_that_runs_over_an_open_border_ends_there():
    """Tied 12 mm farther to the right, the picture hangs over the plate's edge: what is on the plate is whole."""
    ties = [{"px": tie["px"], "at": [tie["at"][0] + 12, *tie["at"][1:]]} for tie in TIES if tie["at"][0] + 12 < 40]
    c = _composed(_patch(np.full((ROWS, COLS), 0.1)), _layer(ties, feather_mm=0))
    points = random_skin_points(c.surface, 3000, np.random.default_rng(10))
    x, y = _picture_mm(_at(c, points) - [12, 0, 0])
    inside = (x > 0.8) & (x < 23.2) & (y > 0.8) & (y < 15.2)
    assert 300 < inside.sum() < 900
    assert _height_mm(c, points)[inside] == pytest.approx(0.1, abs=1e-5)


def test_a_region_that_the_piece_does_not_meet_leaves_nothing():
    far = {"far": {"center": [1, 1, 0], "radius_mm": 1, "feather_mm": 0}}
    c = _composed(_patch(np.full((ROWS, COLS), 0.1)), _layer(region="far"), regions=far)
    points = random_skin_points(c.surface, 1000, np.random.default_rng(11))
    assert (_height_mm(c, points) == 0).all()
    assert recipe_facts(c)[-len(TIES) - 2][1].endswith("no print: its region is empty")


def test_inspect_tells_size_and_each_tie_point():
    ties = [_tie(px, (1.0, 0.0) if i == 5 else (0, 0)) for i, px in enumerate(SPOTS)]
    c = _composed(HeightPatch("scan", np.zeros((ROWS, COLS)), 0.095, periodic=False), _layer(ties), flat_mesh(n=80))
    rows = dict(recipe_facts(c))
    found = c.layers[0].registration
    assert rows["layer piece"].startswith(
        f"whole skin, gain 1, registered by 6 tie points, {1000 * found.texel_mm:.1f} um a pixel (stated 95 um, "
        f"{100 * (found.size_ratio - 1):+.1f} %), stretch "
    )
    assert found.size_ratio == pytest.approx(1 / 0.95, rel=0.02)
    told = rows["  tie_points[5]"]
    at = ", ".join(f"{x:g}" for x in ties[5]["at"])
    match = re.fullmatch(
        rf"px \[60, 80\] at \[{re.escape(at)}\]: snapped 0.00 mm, residual ([\d.]+) mm, without it ([\d.]+) mm", told
    )
    assert match, told
    assert float(match[1]) < 0.05 and float(match[2]) == pytest.approx(1.0, rel=0.1)
