"""A tile set for a renderer: its files, levels, derived maps and documents belong together."""

from __future__ import annotations

import json
import re
import subprocess
from dataclasses import replace
from functools import cache

import numpy as np
import OpenImageIO as oiio
import pytest
from meshes import flat_mesh, two_charts_mesh
from recipes import composed_of, relief_patch, scatter_layer

from poredepth import PolygonMesh, compose, prepare, read_map, recipe_from_dict
from poredepth.deriving import DerivedOptions
from poredepth.errors import CalibrationError
from poredepth.exporting import ExportOptions, write_export
from poredepth.output.checksums import CHECKSUMS_NAME, verify

SIZE_PX = 128
ALL_MAPS = ("normal", "normal-object", "cavity", "curvature", "slopes", "added-roughness", "occlusion")


def two_tiles_mesh() -> PolygonMesh:
    """Two charts with seams, the second on tile 1012, mirrored and with u and v scaled differently."""
    mesh = two_charts_mesh()
    uv = np.array(mesh.texcoord, float)
    uv[len(uv) // 2 :] += [1.0, 1.0]
    return replace(mesh, texcoord=uv)


@cache
def laid():
    return composed_of(two_tiles_mesh(), "mm", {"relief": relief_patch()}, [scatter_layer("relief", 12.0)])


@cache
def composition(**output):
    """The same layers with other keys of the output."""
    recipe = laid().recipe
    changed = type(recipe.output)(size_px=SIZE_PX, **output)
    return replace(laid(), recipe=recipe.model_copy(update={"output": changed}))


@pytest.fixture(scope="module")
def mipped(tmp_path_factory):
    folder = tmp_path_factory.mktemp("mips")
    made = composition(fill_gaps=True)
    return folder, made, write_export(made, folder, ExportOptions(ALL_MAPS, mip_mapped=True), stem="head")


@pytest.fixture(scope="module")
def floats(tmp_path_factory):
    return write_export(composition(), tmp_path_factory.mktemp("floats"), ExportOptions(ALL_MAPS, contact_sheet=False))


def levels_of(path, *channels):
    """All levels of a file, as an independent library reads them, float64 (rows, cols, channels)."""
    image = oiio.ImageInput.open(str(path))
    names = list(image.spec().channelnames)
    order = [names.index(name) for name in channels or names]
    out = []
    while image.seek_subimage(0, len(out)):
        found = image.read_image(0, len(out), 0, image.spec().nchannels, oiio.FLOAT)
        out.append(found.astype(float)[..., order])
    return out


def means(height_mm, k):
    """Means over 2^k x 2^k texels: what level k of a map is to hold, own derivation."""
    size, side = len(height_mm), 2**k
    return height_mm.astype(float).reshape(size // side, side, size // side, side, -1).mean(axis=(1, 3))


def test_every_level_of_every_tile_is_the_reduced_heights(mipped):
    _, made, done = mipped
    heights = compose(made)
    assert sorted(heights) == [1001, 1012] and len(done.displacement) == 2
    for one in done.displacement:
        levels = levels_of(one.path)
        assert len(levels) == one.metadata.levels == 8  # 128 texels: 2^7
        for k, found in enumerate(levels):
            assert np.abs(found - means(heights[one.metadata.tile].height_mm, k)).max() <= 1e-6


def test_levels_reach_over_gaps_between_charts(mipped):
    _, made, _ = mipped
    for tile, one in compose(made).items():
        skin = made.raster().skin_points(tile, made.raster().whole()).triangle.reshape(SIZE_PX, SIZE_PX) >= 0
        assert 0.1 < (~skin).mean() < 0.9
        assert np.all(one.height_mm[~skin] != 0.0)


def test_levels_of_derived_maps_are_means_too(mipped):
    _, _, done = mipped
    for kind in ("normal", "slopes", "curvature"):
        for one in done.derived[kind]:
            first, *levels = levels_of(one.path)
            for k, found in enumerate(levels, start=1):
                # values of a float32 file of about 1: its own step
                assert np.abs(found - means(first, k)).max() <= 2e-6 * max(1.0, np.abs(first).max())


def test_moments_keep_the_slope_of_the_whole_at_every_level(mipped):
    # Olano & Baker 2010, "LEAN mapping": M is filtered linearly, so tr(Cov) + |B|^2 has the same mean at every level
    _, _, done = mipped
    for one in done.derived["slopes"]:
        levels = levels_of(one.path, "bx", "by", "bxx", "byy")
        bx, by, bxx, byy = np.moveaxis(levels[0], 2, 0)
        sdq2 = (bx**2 + by**2).mean()
        assert sdq2 > 1e-6
        for level in levels:
            bx, by, bxx, byy = np.moveaxis(level, 2, 0)
            trace = (bxx - bx**2) + (byy - by**2)
            assert (trace + bx**2 + by**2).mean() == pytest.approx(sdq2, rel=1e-6)


def test_the_set_says_what_it_holds(mipped):
    folder, _, done = mipped
    assert list(done.derived) == list(ALL_MAPS)
    for kind, written in done.derived.items():
        for one in written:
            assert one.path.name == f"head.{kind}.{one.metadata.tile}.exr" and one.metadata.kind == kind
            assert one.metadata.recipe_hash == done.displacement[0].metadata.recipe_hash
            spec = oiio.ImageInput.open(str(one.path)).spec()
            assert json.loads(spec["poredepth"]) == json.loads(one.sidecar.read_text("utf-8"))
    assert done.derived["cavity"][0].metadata.settings == {"cavity_mm": 1.0}
    assert done.derived["cavity"][0].metadata.unit == "mm"
    assert "MikkTSpace" in done.derived["normal"][0].metadata.convention
    assert done.derived["added-roughness"][0].metadata.size_px == (SIZE_PX // 4, SIZE_PX // 4)
    low_um, full_um = done.derived["added-roughness"][0].metadata.texel_um, done.displacement[0].metadata.texel_um
    assert low_um == pytest.approx(4 * full_um)


def test_checksums_are_those_of_the_system_and_find_a_change(mipped, tmp_path):
    folder, _, done = mipped
    assert verify(folder) == []
    listed = {line[66:] for line in (folder / CHECKSUMS_NAME).read_text("utf-8").splitlines()}
    assert listed == {path.name for path in folder.iterdir()} - {CHECKSUMS_NAME}
    # GNU coreutils, an independent reader of the same file
    found = subprocess.run(["sha256sum", "-c", CHECKSUMS_NAME], cwd=folder, capture_output=True, text=True)
    assert found.returncode == 0 and found.stdout.count(": OK") == len(listed)


def quantity_of(one):
    """A derived map by its metadata's formula, as an independent library reads it, channels in their order."""
    m = one.metadata
    named = m.channels if len(m.channels) > 1 else ()
    return (levels_of(one.path, *named)[0] - m.mid) * m.scale


@pytest.mark.parametrize("format", ["tiff-16", "png-16", "tiff-float", "exr-half"])
def test_derived_maps_in_other_formats_mean_the_same(floats, tmp_path, format):
    done = write_export(composition(format=format), tmp_path, ExportOptions(ALL_MAPS, contact_sheet=False))
    steps = {"tiff-16": 1 / 65535, "png-16": 1 / 65535, "tiff-float": 1e-6, "exr-half": 2.0**-10}
    for kind in ALL_MAPS:
        for one, other in zip(done.derived[kind], floats.derived[kind], strict=True):
            five_in_exr = kind == "slopes" and format != "exr-half"
            assert one.metadata.format == ("exr-float" if five_in_exr else format)
            meant = quantity_of(other)
            step = 1e-6 if five_in_exr else steps[format]
            assert np.ptp(meant) > 0
            assert np.abs(quantity_of(one) - meant).max() <= step * max(one.metadata.scale, np.abs(meant).max())


def test_all_tiles_share_the_scale_of_a_whole_number_map(tmp_path):
    made = composition(format="png-16")
    done = write_export(made, tmp_path, ExportOptions(("curvature", "cavity"), contact_sheet=False))
    for written in (done.displacement, *done.derived.values()):
        assert len({(one.metadata.scale, one.metadata.mid) for one in written}) == 1
    assert done.derived["curvature"][0].metadata.mid == 32768 / 65535
    assert done.derived["cavity"][0].metadata.mid == 0.0


def test_split_parts_add_up_and_the_documents_use_both(tmp_path):
    made = composition()
    done = write_export(made, tmp_path, ExportOptions(("normal",), split_edge_mm=0.8), stem="head")
    assert done.split_mm == pytest.approx(3.2)  # four edges
    assert [one.path.name for one in done.displacement] == ["head.coarse.1001.exr", "head.coarse.1012.exr"]
    assert {one.metadata.part for one in done.displacement} == {"coarse"}
    assert [one.path.name for one in done.derived["fine normal"]] == [
        "head.fine.normal.1001.exr",
        "head.fine.normal.1012.exr",
    ]
    sheet = (tmp_path / "how-to-render.txt").read_text("utf-8")
    assert "head.coarse.1001.exr" in sheet and "head.fine.normal.<UDIM>.exr" in sheet
    assert "head.fine.normal.&lt;UDIM&gt;.exr" in (tmp_path / "head.coarse.mtlx").read_text("utf-8")
    whole = compose(made)
    for one in done.displacement:
        coarse_mm, _ = read_map(one.path)
        whole_mm = whole[one.metadata.tile].height_mm
        assert 0.1 * whole_mm.std() < coarse_mm.std() < 0.9 * whole_mm.std()
    # normals of the rest are less steep than those of the whole
    steep = [
        np.mean(1 - levels_of(one.path, "B")[0]) for one in (done.derived["normal"][0], done.derived["fine normal"][0])
    ]
    assert steep[1] < steep[0]


def test_the_coarse_part_of_a_split_fills_gaps_too(tmp_path):
    """Else coarse levels are means of skin and of zeros between charts."""
    made = composition(fill_gaps=True)
    done = write_export(made, tmp_path, ExportOptions(split_edge_mm=0.8, contact_sheet=False))
    for one in done.displacement:
        coarse_mm, _ = read_map(one.path)
        points = made.raster().skin_points(one.metadata.tile, made.raster().whole())
        skin = (points.triangle >= 0).reshape(coarse_mm.shape)
        assert 0.1 < (~skin).mean() < 0.9 and (coarse_mm[~skin] != 0.0).all()
        assert np.isin(coarse_mm[~skin], coarse_mm[skin]).all()


def test_green_down_turns_y_round_and_nothing_else(tmp_path):
    made = composition()
    up = write_export(made, tmp_path / "up", ExportOptions(("normal",), contact_sheet=False))
    down = write_export(
        made, tmp_path / "down", ExportOptions(("normal",), DerivedOptions(green_down=True), contact_sheet=False)
    )
    one, other = (levels_of(done.derived["normal"][0].path, *"RGB")[0] for done in (up, down))
    np.testing.assert_allclose(one[..., 1] + other[..., 1], 1.0, atol=1e-6)
    np.testing.assert_array_equal(one[..., [0, 2]], other[..., [0, 2]])
    assert np.ptp(one[..., 1]) > 0.05
    assert "along -v" in down.derived["normal"][0].metadata.convention


def test_scene_units_reach_every_document(tmp_path):
    made = composition(scene_unit_mm=25.0, unit="scene")
    done = write_export(made, tmp_path, stem="head")
    m = done.displacement[0].metadata
    assert (m.unit, m.unit_mm, m.scene_unit, m.scene_unit_mm, m.scale_scene, m.scale) == (
        "scene",
        25.0,
        None,
        25.0,
        1.0,
        1.0,
    )
    height_mm, _ = read_map(done.displacement[0].path)
    value = levels_of(done.displacement[0].path)[0][..., 0]
    np.testing.assert_allclose(value * 25.0, height_mm, atol=1e-6)
    assert "one is 25 mm" in (tmp_path / "how-to-render.txt").read_text("utf-8")


@pytest.mark.parametrize("subdivide", [0, 1, 2])
def test_levels_of_the_sheet_are_counted_from_the_mesh_file(tmp_path, subdivide):
    """Faces of 40 / 8 = 5 mm, whatever steps the recipe takes: log2(5 / 0.3125) = 4 levels to edges of 0.3125 mm."""
    mesh = {"file": "array", "unit": "mm", "subdivide": subdivide}
    made = prepare(
        recipe_from_dict({"poredepth": 1, "mesh": mesh, "output": {"size_px": 128}}, check_files=False),
        mesh=flat_mesh(40, 40, 8),
    )
    write_export(made, tmp_path, ExportOptions(contact_sheet=False))
    sheet = (tmp_path / "how-to-render.txt").read_text("utf-8")
    assert "from a median edge of 5 mm;" in sheet
    # texels of 0.3125 mm, waves of 4 texels, 4 edges for each
    assert re.search(r"^ +1\.25 +0\.312 +4 ", sheet, re.MULTILINE)


def test_levels_need_openexr_and_kinds_are_named(tmp_path):
    with pytest.raises(CalibrationError, match="tiff-16 for a set with mip levels; allowed: exr-float, exr-half"):
        write_export(composition(format="tiff-16"), tmp_path, ExportOptions(mip_mapped=True))
    with pytest.raises(CalibrationError, match="got 'normals', allowed is one of normal, "):
        write_export(composition(), tmp_path, ExportOptions(("normals",)))
    assert list(tmp_path.iterdir()) == []


def test_the_same_set_is_the_same_bytes(tmp_path):
    made = composition()
    for name in ("one", "two"):
        write_export(made, tmp_path / name, ExportOptions(("normal", "cavity")), stem="head")
    one, two = ({p.name: p.read_bytes() for p in (tmp_path / name).iterdir()} for name in ("one", "two"))
    assert one == two and len(one) == 3 * 2 * 2 + 5


def test_every_kind_of_map_has_words_for_its_progress():
    from poredepth.cli.progress import STAGES
    from poredepth.derived.kinds import KINDS

    assert set(ALL_MAPS) == set(KINDS)
    assert {f"derive {name}" for name in KINDS} <= set(STAGES)


def test_the_documents_tell_of_every_map(mipped, tmp_path):
    folder, _, done = mipped
    sheet = (folder / "how-to-render.txt").read_text("utf-8")
    assert "Normal map: head.normal.<UDIM>.exr" in sheet and "use it instead of the displacement" in sheet
    for kind in set(ALL_MAPS) - {"normal"}:
        m = done.derived[kind][0].metadata
        assert f"  {kind}: head.{kind}.<UDIM>.exr; {m.formula}" in sheet
    assert "Split flat: the relief was laid on the mesh as its file has it." in sheet
    assert "skin_by_normals" in (folder / "head.mtlx").read_text("utf-8")
    assert '\ndef Material "SkinReliefByNormals"' in (folder / "head.usda").read_text("utf-8")
    down = ExportOptions(("normal",), DerivedOptions(green_down=True), contact_sheet=False)
    write_export(composition(), tmp_path, down, stem="head")
    assert "+Y down: green falls as v rises" in (tmp_path / "how-to-render.txt").read_text("utf-8")
    assert "y along -v" in (tmp_path / "how-to-render.txt").read_text("utf-8")
