"""The main job of registered layers, measured on heads: a pixel of a scan lands where it came from.

Scans are unwrapped by textbook projections (tests/scans.py), with stretch, shear and turn on top; heights of three
patches are the x, y and z of the skin itself, so that what a map says at a skin point is where that pixel came from.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from meshes_atlas import atlas_pairs
from recipes import composed_of
from scans import LAYOUTS, UNWRAPS, scan
from shared_data import FOLDER, read_if_there
from skin_measure import flat_view

from poredepth.mix.combine import Sampling, mixed_height_mm
from poredepth.surface.obj import read_obj
from poredepth.surface.points import SkinPoints, random_skin_points
from poredepth.surface.skin import surface_from_mesh

# a whole head projected onto a plane folds over itself; pieces are taken where it does not
pytestmark = pytest.mark.filterwarnings("ignore:.*charts overlap:poredepth.surface.skin.SurfaceWarning")

HEAD = Path(__file__).resolve().parents[1] / "demo_data" / "head.obj"
SIDE_MM, N_PX = 30.0, 300

#: Where pieces are taken: mesh and middle, mm.
PLACES = {"cheek": (HEAD, (42, -40, 80)), "forehead": (HEAD, (20, 45, 85))}
if (FOLDER / "face_one_chart_cm.obj").is_file():
    PLACES["cheek of a face mask"] = (FOLDER / "face_one_chart_cm.obj", (40, -10, 45))


def _mesh(path):
    return read_obj(path) if path == HEAD else read_if_there(path.name)


def _fine_mm(c, points, *layers) -> np.ndarray:
    """Heights of layers (default: all) for texels of 20 um."""
    sampling = Sampling(np.full((c.surface.n_triangles, 3), 0.02, np.float32), 4096)
    return mixed_height_mm(layers or c.layers, c.ground, sampling, points)


def _errors_mm(mesh, piece, counts) -> dict[int, np.ndarray]:
    """By number of tie points: distance, at up to 4,000 skin points, from where the pixel that lies there came from."""
    at_mm = piece.position_mm
    patches = {axis: piece.patch(at_mm[..., i], axis) for i, axis in enumerate("xyz")}
    patches["shown"] = piece.patch(np.where(np.isfinite(at_mm[..., 0]), 1.0, np.nan), "shown")
    layers = [
        {"name": f"{name} {n}", "patch": name, "place": "registered", "feather_mm": 0, "tie_points": ties}
        for n in counts
        for ties in [piece.ties(LAYOUTS[n], 10.0)]
        for name in patches
    ]
    c = composed_of(mesh, "cm", patches, layers)
    found = {}
    for number, n in enumerate(counts):
        mine = c.layers[4 * number : 4 * number + 4]
        points = random_skin_points(c.surface, 4000, np.random.default_rng(0), np.diff(mine[0].prints.start) > 0)
        *xyz, shown = (_fine_mm(c, points, layer) for layer in mine)
        whole = np.abs(shown - 1) < 1e-3  # not the pixels along the border, which mix with nothing
        assert whole.sum() > 2000
        truth = c.surface.points_mm(points.triangle, points.barycentric.astype(float))
        found[n] = np.linalg.norm(np.column_stack(xyz) - truth, axis=1)[whole]
    return found


@pytest.mark.parametrize("unwrap", UNWRAPS)
@pytest.mark.parametrize("place", PLACES)
def test_six_tie_points_bring_a_piece_of_a_scan_back_to_where_it_came_from(place, unwrap):
    """Within 0.3 mm (95 %) by any of the unwrappings; three tie points, an affine map, would not do."""
    path, middle_mm = PLACES[place]
    mesh = _mesh(path)
    piece = scan(surface_from_mesh(mesh, "cm"), middle_mm, UNWRAPS[unwrap], SIDE_MM, N_PX)
    found = {n: np.percentile(off_mm, 95) for n, off_mm in _errors_mm(mesh, piece, (3, 4, 6, 9, 12)).items()}
    print(f"{place}, {unwrap}: " + ", ".join(f"{n} tie points {mm:.2f} mm" for n, mm in found.items()))
    assert found[6] < 0.3
    assert found[3] > 0.3
    assert found[12] < 0.75 * found[4]


@pytest.mark.parametrize("unwrap", UNWRAPS)
def test_a_larger_piece_needs_more_tie_points(unwrap):
    """Half as large again, on the demo head's cheek: twelve tie points do what six do on the smaller piece."""
    mesh = read_obj(HEAD)
    piece = scan(surface_from_mesh(mesh, "cm"), PLACES["cheek"][1], UNWRAPS[unwrap], 45.0, N_PX)
    found = {n: np.percentile(off_mm, 95) for n, off_mm in _errors_mm(mesh, piece, (3, 4, 6, 9, 12)).items()}
    print(f"cheek, 45 mm, {unwrap}: " + ", ".join(f"{n} tie points {mm:.2f} mm" for n, mm in found.items()))
    assert found[12] < 0.4 and found[12] < 0.6 * found[6]


def test_a_layer_on_the_other_side_is_the_mirror_image():
    """The demo head is its own mirror image in x = 0; so are the layer and its mirrored twin."""
    mesh = read_obj(HEAD)
    surface = surface_from_mesh(mesh, "cm")
    piece = scan(surface, PLACES["cheek"][1], UNWRAPS["cylinder"], SIDE_MM, N_PX)
    height_mm = 0.05 * np.sin(2 * np.pi * piece.position_mm[..., 1] / 4) + 0.03 * np.sin(piece.position_mm[..., 2])
    layer = {"name": "left", "patch": "scan", "place": "registered", "tie_points": piece.ties(LAYOUTS[6], 10.0)}
    other = {**layer, "name": "right", "mirror": "x"}
    c = composed_of(mesh, "cm", {"scan": piece.patch(height_mm)}, [layer, other])
    left, right = c.layers
    points = random_skin_points(c.surface, 5000, np.random.default_rng(1), np.diff(left.prints.start) > 0)
    twin = _mirrored(c.surface, points)
    here, there = _fine_mm(c, points, left), _fine_mm(c, twin, right)
    assert here.std() > 0.02
    assert (here > 0.01).any() and (here < -0.01).any()  # heights keep their sign
    print(f"mirrored heights differ by at most {1000 * np.abs(here - there).max():.4f} um")
    assert np.abs(here - there).max() < 1e-5
    assert (_fine_mm(c, twin, left) == 0).all() and (_fine_mm(c, points, right) == 0).all()
    assert right.registration.texel_mm == pytest.approx(left.registration.texel_mm, rel=1e-6)


def _mirrored(surface, points: SkinPoints) -> SkinPoints:
    """The same points on the other side of x = 0, by the triangles' corners: exact."""
    number = {tuple(np.round(at, 6)): v for v, at in enumerate(surface.position_mm)}
    twin = np.array([number[tuple(np.round(at * [-1, 1, 1], 6) + 0.0)] for at in surface.position_mm])
    triangle = {frozenset(corners): t for t, corners in enumerate(surface.tri_vertex.tolist())}
    there = np.empty(len(points), np.int32)
    barycentric = np.empty((len(points), 3), np.float32)
    for i, (t, b) in enumerate(zip(points.triangle, points.barycentric, strict=True)):
        corners = twin[surface.tri_vertex[t]].tolist()
        there[i] = triangle[frozenset(corners)]
        barycentric[i] = [b[corners.index(v)] for v in surface.tri_vertex[there[i]].tolist()]
    return SkinPoints(there, barycentric)


def test_a_furrow_lies_where_it_was_and_as_deep():
    """A furrow drawn on the skin, unwrapped with stretch and registered, is back in its place in its depth."""
    mesh, middle_mm = read_obj(HEAD), np.array(PLACES["cheek"][1], float)
    piece = scan(surface_from_mesh(mesh, "cm"), middle_mm, UNWRAPS["stereographic"], SIDE_MM, 1500)

    def furrow_mm(at_mm):
        return -0.08 * np.exp(-0.5 * ((at_mm[..., 1] - middle_mm[1]) / 0.4) ** 2)

    layer = {"name": "left", "patch": "scan", "place": "registered", "tie_points": piece.ties(LAYOUTS[9], 10.0)}
    c = composed_of(mesh, "cm", {"scan": piece.patch(furrow_mm(piece.position_mm))}, [layer])
    centre = int(np.argmin(np.linalg.norm(c.surface.corner_mm.mean(axis=1) - middle_mm, axis=1)))
    view, _ = flat_view(c.surface, centre, [1 / 3, 1 / 3, 1 / 3], 10.0, 200)
    height_mm = _fine_mm(c, view)
    want_mm = furrow_mm(c.surface.points_mm(view.triangle, view.barycentric.astype(float)))
    assert height_mm.min() == pytest.approx(-0.08, rel=0.02)
    # a shift by a fifth of the furrow's half width costs this much
    assert np.corrcoef(height_mm, want_mm)[0, 1] > 0.98


@pytest.mark.parametrize(("name", "unit", "one", "other"), atlas_pairs(), ids=lambda x: x if isinstance(x, str) else "")
def test_uvs_do_not_matter(name, unit, one, other):
    """Two unwraps of one surface, with seams through the piece and charts mirrored: one relief, to rounding."""
    surface = surface_from_mesh(one, unit)
    piece = scan(surface, (15, 5, 25) if name == "sphere" else (40, -10, 45), UNWRAPS["cylinder"], 20.0, 200)
    height_mm = 0.05 * np.sin(2 * np.pi * piece.position_mm[..., 1] / 6)
    ties = piece.ties(LAYOUTS[6], surface.mm_per_unit)
    layer = {"name": "left", "patch": "scan", "place": "registered", "tie_points": ties, "feather_mm": 2}
    made = [composed_of(mesh, unit, {"scan": piece.patch(height_mm)}, [layer]) for mesh in (one, other)]
    points = random_skin_points(made[0].surface, 5000, np.random.default_rng(2))
    first, second = (_fine_mm(c, points) for c in made)
    assert (first != 0).sum() > 50 and first.min() < -0.03
    assert np.abs(first - second).max() < 1e-5
