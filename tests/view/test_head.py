"""The head picture: what is seen where, the normals of relief, soft light."""

import numpy as np
import pytest

from poredepth.errors import PoredepthError
from poredepth.pipeline import prepare
from poredepth.recipe import recipe_from_dict
from poredepth.surface.obj import PolygonMesh
from poredepth.surface.skin import surface_from_mesh
from poredepth.view import kernels
from poredepth.view.curved import bent, small_barycentrics, vertex_normals
from poredepth.view.head import head_picture, relief_normals
from poredepth.view.shadow import Caster, lamp_reach, sky_light


def ball(radius_mm: float = 50.0, n: int = 16) -> PolygonMesh:
    """A ball of n x 2n patches, poles along y, one chart: u around, v upwards."""
    turn, rise = np.linspace(0, 2 * np.pi, 2 * n + 1), np.linspace(-np.pi / 2, np.pi / 2, n + 1)
    position, number = [], {}
    at = np.empty((n + 1, 2 * n + 1), int)
    for j, v in enumerate(rise):
        for i, u in enumerate(turn):
            p = (np.cos(v) * np.sin(u), np.sin(v), np.cos(v) * np.cos(u))
            key = tuple(np.round(p, 9) + 0.0)
            at[j, i] = number.setdefault(key, len(number))
            if at[j, i] == len(position):
                position.append(p)
    texel = np.arange((n + 1) * (2 * n + 1)).reshape(n + 1, 2 * n + 1)
    uv = np.stack(np.meshgrid(np.linspace(0.02, 0.98, 2 * n + 1), np.linspace(0.02, 0.98, n + 1)), axis=2)
    faces, face_uv = [], []
    for j in range(n):
        for i in range(2 * n):
            corner = [(j, i), (j, i + 1), (j + 1, i + 1), (j + 1, i)]
            ids = [int(at[c]) for c in corner]
            keep = [k for k in range(4) if ids[k] not in ids[:k]]
            faces.append([ids[k] for k in keep])
            face_uv.append([int(texel[corner[k]]) for k in keep])
    return PolygonMesh.from_arrays(radius_mm * np.array(position), faces, uv.reshape(-1, 2), face_uv)


@pytest.fixture(scope="module")
def bare_ball(tmp_path_factory):
    folder = tmp_path_factory.mktemp("head")
    (folder / "ball.obj").touch()
    recipe = recipe_from_dict({"poredepth": 1, "mesh": {"file": "ball.obj", "unit": "mm"}}, folder=folder)
    return prepare(recipe, mesh=ball())


def reference_nearest(corner, n_rows, n_cols):
    """Slow twin: every pixel against every triangle, by solving for the barycentrics."""
    owner, depth = np.full((n_rows, n_cols), -1), np.full((n_rows, n_cols), -np.inf)
    for r in range(n_rows):
        for c in range(n_cols):
            for t, (p0, p1, p2) in enumerate(corner):
                if np.linalg.det(np.stack([p1[:2] - p0[:2], p2[:2] - p0[:2]])) >= -1e-12:
                    continue  # y runs down: anticlockwise seen by the viewer is negative here
                b = np.linalg.solve(np.stack([[*p0[:2], 1], [*p1[:2], 1], [*p2[:2], 1]], axis=1), [c + 0.5, r + 0.5, 1])
                z = b @ [p0[2], p1[2], p2[2]]
                if b.min() >= 0 and z > depth[r, c]:
                    owner[r, c], depth[r, c] = t, z
    return owner, depth


def test_the_nearest_front_is_seen():
    rng = np.random.default_rng(4)
    corner = rng.uniform(-4, 24, (40, 3, 3))
    owner, barycentric = np.full((20, 17), -1, np.int32), np.zeros((20, 17, 3), np.float32)
    depth = np.full((20, 17), -np.inf, np.float32)
    kernels.nearest_triangles(corner, owner, barycentric, depth)
    expected_owner, expected_depth = reference_nearest(corner, 20, 17)
    np.testing.assert_array_equal(owner, expected_owner)
    seen = owner >= 0
    assert 0.3 < seen.mean() < 1
    np.testing.assert_allclose(depth[seen], expected_depth[seen], rtol=1e-5, atol=1e-5)
    rows, cols = np.nonzero(seen)
    at = np.einsum("nk,nkx->nx", barycentric[seen], corner[owner[seen]])
    np.testing.assert_allclose(at[:, :2], np.column_stack([cols, rows]) + 0.5, atol=1e-4)


def test_normals_of_a_ball_point_outward_and_bent_triangles_lie_on_it():
    surface = surface_from_mesh(ball(50.0, 24), "mm")
    normal = vertex_normals(surface)
    outward = surface.position_mm / 50
    off_deg = np.degrees(np.arccos(np.clip((normal * outward).sum(axis=1), -1, 1)))
    assert np.median(off_deg) < 1.2  # quads all cut along one diagonal pull that way
    assert off_deg.max() < 5  # around the poles, where the mesh is all slivers
    small = bent(surface.position_mm, surface.tri_vertex, outward).corner_mm
    flat = np.einsum("sck,tkx->tscx", small_barycentrics(3), surface.corner_mm).reshape(-1, 3, 3)
    off_flat, off_bent = (np.abs(np.linalg.norm(c, axis=2) - 50).max() for c in (flat, small))
    # flat facets sag by radius (1 - cos) of half their span, 0.19 mm; bent ones follow the ball to second order
    assert off_flat > 0.15 and off_bent < 0.002


def test_bent_triangles_leave_no_cracks():
    surface = surface_from_mesh(ball(50.0, 6), "mm")
    small = bent(surface.position_mm, surface.tri_vertex, vertex_normals(surface))
    edges = {}
    for corner in small.corner_mm:
        key = [tuple(np.round(p, 6) + 0.0) for p in corner]
        for k in range(3):
            edge = frozenset((key[k], key[(k + 1) % 3]))
            edges[edge] = edges.get(edge, 0) + 1
    assert set(edges.values()) == {2}  # a closed surface stays closed


def test_small_triangles_cover_their_parent_once():
    at = small_barycentrics(3)
    assert at.shape == (9, 3, 3)
    areas = [np.linalg.det(triangle) for triangle in at]
    np.testing.assert_allclose(areas, 1 / 9, rtol=1e-12)


def test_relief_normals_are_those_of_the_displaced_surface():
    """A tilted plane with a ramp of height on it is another plane: its normal by hand (own derivation)."""
    smooth = np.array([0.3, -0.4, np.sqrt(0.75)])
    along = np.array([0.02, 0.05, 0.0])  # change of height per mm in x and y of the picture
    in_plane = [np.array([1, 0, -smooth[0] / smooth[2]]), np.array([0, 1, -smooth[1] / smooth[2]])]
    sides = [v + (along @ v) * smooth for v in in_plane]
    expected = np.cross(*sides) / np.linalg.norm(np.cross(*sides))
    found = relief_normals(smooth[None], along[:1], along[1:2])[0]
    np.testing.assert_allclose(found, expected, atol=1e-12)


def test_a_lamp_lights_what_it_sees_and_not_what_is_behind():
    """A small square 20 mm before a large one, the lamp straight ahead: shadow, with soft edges of 20 mm tan 6 deg."""

    def square(half, z):
        return [(-half, -half, z), (half, -half, z), (half, half, z), (-half, half, z)]

    position = np.array(square(50, 0) + square(10, 20), float)
    caster = Caster(position, np.array([[0, 1, 2], [0, 2, 3], [4, 5, 6], [4, 6, 7]]))
    x = np.array([0, 7, 10, 13, 40], np.float32)
    point = np.column_stack([x, 0 * x, 0 * x])
    normal = np.tile(np.float32([0, 0, 1]), (5, 1))
    reach = lamp_reach(caster, np.array([0.0, 0, 1]), point, normal)
    np.testing.assert_allclose(reach[[0, 1, 3, 4]], [0, 0, 1, 1], atol=1e-6)
    assert 0.3 < reach[2] < 0.7
    above = np.float32([[0, 0, 20]])
    assert lamp_reach(caster, np.array([0.0, 0, 1]), above, normal[:1])[0] == 1


def test_open_skin_that_faces_the_sky_gets_all_of_it():
    position = np.array([(-50, 0, -50), (50, 0, -50), (50, 0, 50), (-50, 0, 50)], float)
    caster = Caster(position, np.array([[0, 2, 1], [0, 3, 2]]))
    up, normal = np.array([0.0, 1, 0]), np.float32([[0, 1, 0]])
    assert sky_light(caster, up, 0.3, np.float32([[0, 0, 0]]), normal)[0] == pytest.approx(1, abs=1e-6)
    below = sky_light(caster, up, 0.3, np.float32([[0, -1, 0]]), normal)[0]
    assert below < 0.15  # under the plate only the rim of the sky is left


def test_a_ball_is_round_smooth_and_lit_from_the_upper_left(bare_ball):
    image = head_picture(bare_ball, size_px=200).astype(int).sum(axis=2)
    ground = image[:, :1]
    width = np.abs(image - ground).max(axis=0) > 25
    seen_px = np.flatnonzero(width)
    # 100 mm in a picture of 112 mm
    assert abs(seen_px[-1] - seen_px[0] + 1 - 200 / 1.12) <= 3
    assert image[60, 60] > image[140, 140] + 150
    assert image[60, 60] > image[60, 140] and image[60, 60] > image[140, 60]
    # no facets: neighbours inside the lit side differ by little
    assert np.abs(np.diff(image[60:100, 50:90], axis=1)).max() < 12


def test_a_crop_puts_its_middle_in_the_middle_and_has_its_width(bare_ball):
    wide = head_picture(bare_ball, size_px=80, azimuth_deg=0, crop=((0, 0, 0), 112.0)).astype(int)
    whole = head_picture(bare_ball, size_px=80, azimuth_deg=0).astype(int)
    assert np.abs(wide - whole).max() <= 1
    edge = head_picture(bare_ball, size_px=80, azimuth_deg=0, crop=((50, 0, 0), 40.0)).astype(int).sum(axis=2)
    # the ball's rim runs through the middle: skin on the left, ground on the right
    assert (np.abs(edge[40, 44:] - edge[40, -1]) < 20).all()
    assert (np.abs(edge[40, :36] - edge[40, -1]) > 40).all()


def test_relief_shows_and_follows_the_exaggeration(tmp_path):
    for name in ("ball.obj", "map.tif"):
        (tmp_path / name).touch()
    data = {
        "poredepth": 1,
        "mesh": {"file": "ball.obj", "unit": "mm"},
        "layers": [{"name": "waves", "map": "map.tif", "scale_mm": 1.0}],
    }
    u = (np.arange(512) + 0.5) / 512
    waves = np.tile((0.15 * np.sin(2 * np.pi * 40 * u)).astype(np.float32), (512, 1))
    waves = prepare(recipe_from_dict(data, folder=tmp_path), mesh=ball(), maps={"waves": {1001: waves}})

    def strength(exaggeration):
        image = head_picture(waves, size_px=150, azimuth_deg=0, exaggeration=exaggeration).astype(float).sum(axis=2)
        row = image[75, 40:110]
        return np.std(row[4:-4] - np.convolve(row, np.ones(9) / 9, "valid"))

    flat, once, twice = strength(0.0), strength(1.0), strength(2.0)
    assert once > 3 * flat and 1.4 < twice / once < 2.4


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"size_px": 0}, "size_px is 0; allowed: 1 or more"),
        ({"crop": ((0, 0, 0), 0.0)}, "the width is 0 mm; allowed: above 0"),
    ],
)
def test_a_picture_without_size_is_refused(bare_ball, arguments, message):
    with pytest.raises(PoredepthError, match=message):
        head_picture(bare_ball, **arguments)


def test_what_lies_beside_the_skin_is_a_picture_of_the_ground(bare_ball):
    image = head_picture(bare_ball, size_px=20, crop=((500, 0, 0), 10.0)).astype(int)
    assert np.ptp(image[10], axis=0).max() <= 4
