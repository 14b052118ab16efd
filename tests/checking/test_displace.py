"""Heights a renderer obtains from written files, and what is told when something is wrong."""

from __future__ import annotations

import warnings
from functools import cache

import numpy as np
import pytest
from displaced import float_maps, octahedron, raw_values, told, with_values, written
from meshes import flat_mesh, ring_mesh, sphere_mesh
from meshes_seams import mirrored_square, square_in_two_tiles
from recipes import composed_of, pore_patch, relief_patch, scatter_layer
from reference import holders
from scipy.ndimage import uniform_filter
from shared_data import read_if_there

from poredepth import MapFileError, SkinPoints, compose, measure_seams, prepare, recipe_from_dict, write_maps
from poredepth.checking.displace import measure_displaced
from poredepth.checking.obtained import displace_lines
from poredepth.surface.points import barycentric_lattice
from poredepth.surface.polygons import PolygonMesh
from poredepth.surface.skin import SurfaceWarning, surface_from_mesh

FACE_GUIDES = [
    {"points": [[-4, 5, 4], [0, 6, 6], [4, 5, 4]]},
    {"points": [[3, 0, 4.5], [5, -2, 3]]},
    {"points": [[-3, 0, 4.5], [-5, -2, 3]]},
]


@cache
def _face():
    """A real face in nine charts where it is there (tests/shared_data.py), else a sphere of six in cm."""
    mesh, guides = read_if_there("face_nine_charts_cm.obj"), FACE_GUIDES
    if mesh is None:
        mesh, guides = sphere_mesh(6, 12), []
    return mesh, composed_of(mesh, "cm", {"pores": pore_patch()}, [scatter_layer("pores", 12.0)], directions=guides,
                             output={"size_px": 2048, "unit": "cm", "format": "tiff-16"})  # fmt: skip


@pytest.fixture(scope="module")
def face_maps(tmp_path_factory):
    return written(_face()[1], tmp_path_factory.mktemp("face"))


@cache
def _square(**output):
    output = {"size_px": 512, "format": "exr-float", **output}
    return composed_of(mirrored_square(), "mm", {"r": relief_patch()}, [scatter_layer("r", 8.0)], output=output)


@pytest.fixture(scope="module")
def square_maps(tmp_path_factory):
    return written(_square(), tmp_path_factory.mktemp("square"))


def _square_measured(maps, **keys):
    return measure_displaced(maps, mirrored_square(), keys.pop("unit", "mm"), _square(), n_points=2000, **keys)


def test_a_face_displaced_by_its_files_has_the_heights_meant(face_maps):
    """At vertices within 1.1 times the error of reading; between them too with edges of a quarter of a texel.  The mean
    shift of 100,000 vertices, whose error of reading has no mean of its own, is known to 0.02 um and below 0.1 um."""
    mesh, composition = _face()
    assert face_maps[1001][0].dtype == np.uint16
    found = measure_displaced(face_maps, mesh, "cm", composition, edge_um=face_maps[1001][1].texel_um / 4)
    print("\n".join(displace_lines(found)))
    assert found.findings == ()
    assert found.n_vertices == 100_000
    assert found.vertices.rms_mm <= 1.1 * found.reading.rms_mm
    assert found.vertices.p99_mm <= 1.1 * found.reading.p99_mm
    assert found.rays.rms_mm <= 1.1 * found.reading.rms_mm
    assert found.mean_shift_error_mm < 2e-5
    assert abs(found.mean_shift_mm) < 1e-4
    assert found.gain == pytest.approx(1, abs=0.01)
    assert found.zero_mm == 0
    assert found.apart_rms_mm < 1e-5
    assert found.area_ratio == pytest.approx(1, abs=1e-9)
    codes, metadata = face_maps[1001]
    heights_mm = ((codes / 65535 - metadata.mid) * metadata.scale_mm).astype(np.float32)
    seams = measure_seams(composition, {1001: heights_mm})
    assert found.reading.rms_mm == pytest.approx(seams.reading_rms_mm, rel=0.05)
    # cracks are what the seams read apart (16-bit steps are a hundredth of that)
    assert found.seams.rms_mm == pytest.approx(seams.rms_mm, rel=0.05)


def test_by_hand_on_the_face(face_maps):
    """The worst vertex again, with nothing but numpy: found on the skin, read, decoded, compared."""
    mesh, composition = _face()
    found = measure_displaced(face_maps, mesh, "cm", composition, n_points=500)
    codes, metadata = face_maps[1001]
    n, surface = len(codes), composition.surface
    at_mm = 10 * np.array(found.vertices.worst_at)
    off_mm = []
    for t in np.flatnonzero(np.linalg.norm(surface.corner_mm.mean(axis=1) - at_mm, axis=1) < 10):
        # barycentrics of a point in the triangle's plane, from a square system with the normal
        b = np.linalg.solve(np.column_stack([surface.corner_mm[t].T, surface.normal[t]])[:, :3], at_mm)
        if b.min() < -1e-6 or abs(b.sum() - 1) > 1e-6:
            continue
        u, v = b @ surface.corner_uv[t]
        x, y = u * n - 0.5, (1 - v) * n - 0.5
        col, row = int(np.floor(x)), int(np.floor(y))
        four = codes[row : row + 2, col : col + 2].astype(float)
        code = np.array([row + 1 - y, y - row]) @ four @ np.array([col + 1 - x, x - col])
        skin = SkinPoints(np.array([t], np.int32), b[None].astype(np.float32))
        height_mm = (code / 65535 - metadata.mid) * metadata.scale_mm
        off_mm.append(abs(height_mm - float(composition.height_mm(skin, n)[0])))
    # on an edge or a seam several triangles hold it
    assert min(abs(off - found.vertices.worst_mm) for off in off_mm) < 2e-5


# ---- closed forms


def test_a_plane_and_a_round_form_without_a_recipe():
    flat = measure_displaced(float_maps(np.full((32, 32), 0.1)), flat_mesh(), "mm", n_points=500)
    assert (flat.between.worst_mm, flat.n_folded, flat.zero_mm, flat.n_seam_points) == (pytest.approx(0), 0, 0, 0)
    assert (flat.vertices, flat.mean_shift_mm, flat.findings) == (None, None, ())
    around = measure_displaced(float_maps(np.full((64, 64), 0.1)), octahedron(5.0), "mm", n_points=500, edge_um=50)
    assert around.between.worst_mm < 1e-4
    assert around.seams.worst_mm < 1e-12
    assert around.n_seam_points > 12 * 7.07 / 0.05
    assert around.n_folded == 0


def test_folds_are_counted_and_placed():
    """A pit 3 mm deep in a ball of 1 mm radius turns its bottom inside out; a whole mesh is looked at in full."""
    values = np.zeros((64, 64))
    values[44:63, 1:16] = -3.0  # the first face's chart
    found = measure_displaced(float_maps(values), octahedron(1.0), "mm", n_points=200, edge_um=100)
    assert found.n_looked_at == found.n_small
    assert 0 < found.n_folded < found.n_small / 2
    assert any("small triangles are folded over, one at [" in one for one in found.findings)
    assert np.linalg.norm(found.folded_at) <= 1


# ---- what goes wrong, named


def test_correct_files_have_no_findings(square_maps):
    found = _square_measured(square_maps)
    print("\n".join(displace_lines(found)))
    assert found.findings == ()
    assert displace_lines(found)[-1].startswith("32-bit coordinates")


def test_a_mistaken_unit_is_named(face_maps, square_maps):
    mesh, composition = _face()
    [finding] = measure_displaced(face_maps, mesh, "m", composition, n_points=500).findings
    assert finding.startswith("the scene takes the mesh's numbers for m, the recipe has them in cm: heights are 0.01 "
                              "times as high")  # fmt: skip
    # without a recipe, by the size of texels
    [finding] = measure_displaced(face_maps, mesh, "m", n_points=500).findings
    assert "100 times as large: the mesh is in cm, not m" in finding
    assert measure_displaced(face_maps, mesh, "cm", n_points=500).findings == ()
    # a scale said in mm that is meant in cm
    findings = _square_measured(told(square_maps, scale=10 * square_maps[1001][1].scale)).findings
    assert "10 times as much; one of them was changed" in findings[0]
    assert findings[1].startswith("heights are 10.") or findings[1].startswith("heights are 9.9")
    assert "times as high as meant; a unit is mistaken" in findings[1]


def test_a_mid_that_is_not_taken_off_shifts_everything_by_it(tmp_path):
    maps = written(_square(format="tiff-16"), tmp_path)
    metadata = maps[1001][1]
    assert _square_measured(maps).findings == ()
    found = _square_measured(told(maps, mid=0.0))
    assert found.mean_shift_mm == pytest.approx(metadata.mid * metadata.scale_mm, abs=1e-4)
    [finding] = found.findings
    assert finding.startswith("all heights are shifted by +") and "(+0.5 of scale)" in finding
    assert "but 0 is taken off; decode with mid " in finding


def test_a_small_shift_is_seen(square_maps):
    """0.2 um up, of a relief of 20 um: another mid than the usual ones."""
    found = _square_measured(with_values(square_maps, lambda values: values + np.float32(2e-4)))
    assert found.mean_shift_mm == pytest.approx(2e-4, abs=5 * found.mean_shift_error_mm)
    if found.mean_shift_error_mm < 3e-5:
        assert "values were changed after the map was written" in found.findings[0]


@pytest.mark.parametrize(
    "change, turn",
    [
        (lambda a: a[::-1], "its rows are turned over"),
        (lambda a: a[:, ::-1], "its columns are turned over"),
        (lambda a: a.T, "its rows and columns are swapped"),
    ],
)
def test_a_turned_picture_is_named(square_maps, change, turn):
    findings = _square_measured(with_values(square_maps, change)).findings
    assert any(f"as if {turn} (correlation 0.9" in one for one in findings)


def test_sign_other_relief_and_filtered_files(square_maps):
    [finding] = _square_measured(with_values(square_maps, lambda a: -a)).findings
    assert "heights have the wrong sign" in finding
    noise = np.random.default_rng(0).normal(0, 0.02, (512, 512)).astype(np.float32)
    assert "heights are not the relief of this recipe" in _square_measured(float_maps(noise)).findings[0]
    findings = _square_measured(with_values(square_maps, lambda a: uniform_filter(a, 3))).findings
    assert any("times as high as meant" in one or "were filtered" in one for one in findings)


def test_half_as_high_is_no_unit(square_maps):
    [finding] = _square_measured(with_values(square_maps, lambda a: a / 2)).findings
    assert finding.startswith("heights are 0.50")
    assert finding.endswith("times as high as meant: check scale and unit of the metadata")


def test_a_gutter_cut_away_cracks(square_maps):
    """Every texel without skin of its own at zero height, as a program does that paints charts alone."""
    bare = composed_of(mirrored_square(), "mm", {}, [], output={"size_px": 512, "gutter_px": 0})
    skin = bare.raster().skin_points(1001, bare.raster().whole()).triangle.reshape(512, 512) >= 0
    cut = with_values(square_maps, lambda a: np.where(skin, a, np.float32(0)))
    before, after = _square_measured(square_maps), _square_measured(cut)
    assert after.seams.rms_mm > 3 * before.seams.rms_mm
    assert any(one.startswith("seams crack by ") and "compose with a gutter of 2" in one for one in after.findings)
    assert _square().raster().gutter_px > 2
    # without a recipe cracks are told when they are larger than the map's own steps from texel to texel
    assert measure_displaced(square_maps, mirrored_square(), "mm", n_points=500).findings == ()


def test_edges_longer_than_a_texel_lose_relief(square_maps):
    coarse = _square_measured(square_maps, edge_um=4 * square_maps[1001][1].texel_um)
    [finding] = coarse.findings
    assert finding.startswith("edges of ") and "cut to edges of the map's texel" in finding
    fine = _square_measured(square_maps, edge_um=0.5 * square_maps[1001][1].texel_um)
    assert fine.between.rms_mm < 0.1 * coarse.between.rms_mm
    assert fine.findings == ()


# ---- meshes


def test_several_tiles_and_one_that_is_missing(tmp_path):
    c = composed_of(square_in_two_tiles(), "mm", {"r": relief_patch()}, [scatter_layer("r", 8.0)],
                    output={"size_px": 512, "format": "exr-float"})  # fmt: skip
    maps = written(c, tmp_path)
    assert sorted(maps) == [1001, 1012]
    found = measure_displaced(maps, square_in_two_tiles(), "mm", c, n_points=2000)
    assert (found.findings, found.unread_ratio) == ((), 0)
    half = measure_displaced({1001: maps[1001]}, square_in_two_tiles(), "mm", c, n_points=2000)
    assert half.unread_ratio == pytest.approx(0.5, abs=0.02)
    assert half.findings[0].startswith("50 % of the skin") or "of the skin with UVs lies in tiles" in half.findings[0]


def test_the_recipes_subdivision_is_the_renderers(tmp_path):
    """A coarse round form, two Catmull-Clark steps in the recipe: displaced after two steps it has the heights meant;
    cut flat it is another surface, and that is named."""
    mesh = sphere_mesh(20, 3)
    data = {"poredepth": 1, "mesh": {"file": "array", "unit": "mm", "subdivide": 2},
            "patches": {"r": {"file": "array", "texel_um": 1, "height_um": 1}}, "layers": [scatter_layer("r", 8.0)],
            "output": {"size_px": 256, "format": "exr-float"}}  # fmt: skip
    c = prepare(recipe_from_dict(data, check_files=False), mesh=mesh, patches={"r": relief_patch()})
    maps = written(c, tmp_path)
    same = measure_displaced(maps, mesh, "mm", c, n_points=2000)
    assert (same.subdivide, same.findings) == (2, ())
    assert same.apart_rms_mm < 1e-5
    finer = measure_displaced(maps, mesh, "mm", c, subdivide=4, n_points=2000)
    assert finer.findings == ()
    assert abs(finer.vertices.rms_mm / same.vertices.rms_mm - 1) < 0.1
    flat = measure_displaced(maps, mesh, "mm", c, subdivide=0, n_points=2000)
    assert flat.area_ratio > 1.02
    assert any("0 Catmull-Clark steps here and 2 in the recipe" in one for one in flat.findings)


def test_faces_without_uvs_are_counted_and_stay(tmp_path):
    mesh = flat_mesh(40, 40, 8)
    faces = mesh.face_position.reshape(-1, 4)
    face_uv = faces.copy()
    face_uv[[0, 9]] = -1
    mesh = PolygonMesh.from_arrays(mesh.position, faces, mesh.texcoord, face_uv)
    with pytest.warns(SurfaceWarning, match="have no UVs"):
        c = composed_of(mesh, "mm", {"r": relief_patch()}, [scatter_layer("r", 8.0)], output={"size_px": 512})
    found = measure_displaced(written(c, tmp_path), mesh, "mm", c, n_points=2000)
    assert found.n_faces_without_uv == 2
    assert "faces without UVs: 2 stay where they are" in displace_lines(found)
    assert found.unread_ratio == 0
    assert found.vertices.rms_mm <= 1.1 * found.reading.rms_mm
    # their edges tear by the relief's own height
    assert found.seams.rms_mm == pytest.approx(found.relief_rms_mm, rel=0.5)


def test_quads_and_n_gons(tmp_path):
    """160 quads and 16 n-gons in 13 charts where they are there, without the faces that lie outside the tiles or under
    others in UV; else a disk with a fan in its middle."""
    mesh = read_if_there("quads_and_ngons.obj")
    mesh = ring_mesh(0, 1, 12) if mesh is None else _without_overlaps(mesh)
    c = composed_of(mesh, "cm", {"r": relief_patch()}, [scatter_layer("r", 4.0)], output={"size_px": 512})
    found = measure_displaced(written(c, tmp_path), mesh, "cm", c, n_points=2000)
    print("\n".join(displace_lines(found)))
    assert found.vertices.rms_mm <= 1.1 * found.reading.rms_mm + 3 * found.reading.rms_error_mm
    assert abs(found.mean_shift_mm) < 1e-4
    assert found.unread_ratio == 0


def _without_overlaps(mesh):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", SurfaceWarning)
        surface = surface_from_mesh(mesh, "cm")
    corner_uv, face = surface.corner_uv, surface.tri_face
    lattice = barycentric_lattice(6)[:, None, :] * 0.98 + 0.02 / 3
    uv = np.einsum("pxk,tkc->tpc", lattice, corner_uv)
    holder, _ = holders(uv.reshape(-1, 2), corner_uv, face)
    own = face[holder].reshape(uv.shape[:2]) == face[:, None]
    bad = np.unique(face[~own.all(axis=1) | ((corner_uv < 0) | (corner_uv > 1)).any(axis=(1, 2))])
    keep = np.setdiff1d(np.arange(mesh.n_faces), bad)
    spans = [slice(mesh.face_start[f], mesh.face_start[f + 1]) for f in keep]
    assert {4} < {s.stop - s.start for s in spans}
    return PolygonMesh.from_arrays(mesh.position, [mesh.face_position[s].tolist() for s in spans], mesh.texcoord,
                                   [mesh.face_texcoord[s].tolist() for s in spans])  # fmt: skip


# ---- arguments


def test_maps_that_cannot_be_compared_are_refused(square_maps):
    values, metadata = square_maps[1001]
    with pytest.raises(MapFileError, match=r"maps: found 1001: \(256, 512\); allowed: square maps of one size"):
        measure_displaced({1001: (values[:256], metadata)}, mirrored_square(), "mm")
    with pytest.raises(MapFileError, match="maps: they hold layer pores; allowed: the whole relief"):
        _square_measured(told(square_maps, part="layer pores"))


def test_the_same_seed_measures_the_same(square_maps):
    one, again = (_square_measured(square_maps, edge_um=400) for _ in range(2))
    other = _square_measured(square_maps, edge_um=400, seed=1)
    assert one == again
    assert other.vertices.rms_mm != one.vertices.rms_mm
    assert other.vertices.rms_mm == pytest.approx(one.vertices.rms_mm, rel=0.1)


def test_half_floats_count_their_rounding(square_maps):
    """Values about 0.5 in half floats are rounded to 2^-12 to 2^-11: with a scale of 1 mm, 0.07 to 0.14 um rms."""
    metadata = square_maps[1001][1]
    half = {1001: ((square_maps[1001][0] + 0.5).astype(np.float16), type(metadata)(
        **{**metadata.__dict__, "mid": 0.5}))}  # fmt: skip
    found = _square_measured(half)
    assert [one for one in found.findings if "heights are" in one] == []


def test_raw_values_are_those_of_the_file(tmp_path):
    [one] = write_maps(_square(), tmp_path)
    assert raw_values(one.path) == pytest.approx(compose(_square())[1001].height_mm, abs=1e-6)
