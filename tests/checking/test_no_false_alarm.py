"""Maps as they were written, of every kind of mesh and output: a check finds nothing."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from command_line import run_here
from meshes import flat_mesh
from meshes_seams import (
    mirrored_square,
    overlapping_square,
    square_in_two_tiles,
    square_of_unlike_density,
    square_with_collapsed_uvs,
    touching_square,
    tube,
)
from recipes import composed_of, relief_patch, scatter_layer
from shared_data import read_if_there

from poredepth.checking import check_files
from poredepth.exporting import ExportOptions, write_export
from poredepth.maps import compose, map_metadata, shared_calibration, write_maps
from poredepth.output import FORMATS, write_map
from poredepth.parts import write_parts


def composition(mesh, layers=None, **output):
    layers = [scatter_layer("relief", 15.0)] if layers is None else layers
    return composed_of(mesh, "mm", {"relief": relief_patch()}, layers, output={"size_px": 128} | output)


def complaints(paths, of=None, **keys):
    return [str(one) for one in check_files(paths, of, **keys).findings]


@pytest.mark.parametrize(
    "output",
    [
        {"gutter_px": 0},
        {"gutter_px": 1},
        {"seams": "untouched"},
        {"seams": "closed"},
        {"unit": "cm"},
        {"format": "tiff-16", "unit": "cm", "mid": 0.25, "scale_mm": 3.0},
        {"format": "png-16", "mid": 0.5, "scale_mm": 0.4},
        {"format": "exr-float", "mid": 0.25, "scale_mm": 3.0},
        {"format": "exr-half", "scale_mm": 10.0},
        {"format": "exr-half", "unit": "m"},
        {"format": "tiff-16", "scale_mm": 0.04, "clip": True},
        {"format": "png-16", "scale_mm": 0.04, "clip": True},
        {"size_px": 97},
        {"size_px": 16},
        {"compression": "piz"},
        {"format": "tiff-float", "compression": "none"},
        {"unit": "scene", "scene_unit_mm": 7.5, "format": "tiff-16"},
    ],
    ids=lambda output: " ".join(f"{key}={value}" for key, value in output.items()),
)  # fmt: skip
def test_outputs(output, tmp_path):
    of = composition(square_in_two_tiles(), **output)
    written = write_maps(of, tmp_path)
    if output.get("clip"):
        assert written[0].metadata.clipped_texels > 50
    assert complaints([tmp_path]) == []
    assert complaints([tmp_path], of) == []


@pytest.mark.parametrize(
    "mesh",
    [
        mirrored_square, overlapping_square, touching_square, square_of_unlike_density, square_with_collapsed_uvs, tube,
        flat_mesh,
    ],
)  # fmt: skip
def test_meshes(mesh, tmp_path):
    """Charts that are mirrored, overlap, touch, are of unlike density or have no area; one chart with a seam, and one
    without."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("warnings.warn", lambda *args, **kwargs: None)
        of = composition(mesh())
    write_maps(of, tmp_path)
    assert complaints([tmp_path], of) == []


@pytest.mark.parametrize("format", FORMATS)
def test_a_flat_map(format, tmp_path):
    """No layer at all: nothing to regress on, tiles that are alike, one value."""
    of = composition(square_in_two_tiles(), [], format=format)
    write_maps(of, tmp_path)
    report = check_files([tmp_path], of)
    assert [str(one) for one in report.findings] == []
    assert {one.n_levels for one in report.measures[0].files} == {1}


def test_normals_of_flat_tiles(tmp_path):
    """All their texels are alike, though their channels are not."""
    of = composition(square_in_two_tiles(), [], format="exr-half", fill_gaps=True)
    write_export(of, tmp_path, ExportOptions(maps=("normal", "normal-object", "occlusion")))
    assert complaints([tmp_path]) == complaints([tmp_path], of) == []


def test_terraces_that_are_meant(tmp_path):
    """A painted map of 40 levels looks as if it went through eight bits; the recipe knows better."""
    terraces = np.repeat(np.arange(40, dtype=np.float32) * 0.005, 4)[:, None] * np.ones(160, np.float32)
    layer = {"name": "terraces", "map": "array", "scale_mm": 1.0, "mid": 0.0}
    of = composed_of(
        flat_mesh(), "mm", {}, [layer], maps={"terraces": {1001: terraces}},
        output={"size_px": 160, "format": "tiff-16"},
    )  # fmt: skip
    [written] = write_maps(of, tmp_path)
    assert check_files([written.path]).names == ("eight-bit",)
    assert complaints([written.path], of) == []


def test_parts_of_a_map(tmp_path):
    """Layers, bands, and what is added along seams: each is what the recipe means by it."""
    layers = [scatter_layer("relief", 15.0), {**scatter_layer("relief", 9.0), "combine": "deepest"}]
    of = composition(square_in_two_tiles(), layers, format="tiff-16")
    for by in ("layers", "bands"):
        write_parts(of, by, tmp_path)
    write_maps(of, tmp_path)
    report = check_files([tmp_path], of)
    assert [str(one) for one in report.findings] == []
    assert len(report.measures) == 2 + 3 + 1 + 1
    assert all(one.texels.n_wrong == 0 for measure in report.measures for one in measure.files)


def test_an_export_with_all_there_is(tmp_path):
    """Mip levels, filled gaps, a split, maps of other kinds, documents, checksums."""
    every = ("normal", "normal-object", "cavity", "curvature", "slopes", "added-roughness", "occlusion")
    for folder, format, options in (
        ("a", "exr-half", ExportOptions(maps=every, mip_mapped=True)),
        ("b", "png-16", ExportOptions(maps=every, split_edge_mm=0.5)),
    ):
        of = composition(square_in_two_tiles(), format=format, fill_gaps=options.mip_mapped, size_px=64)
        write_export(of, tmp_path / folder, options)
        report = check_files([tmp_path / folder], of)
        assert [str(one) for one in report.findings] == []
        kinds = [measure.files[0].kind for measure in report.measures]
        assert kinds[0] == "height"
        assert set(kinds) == {"height", *every}
        split = options.split_edge_mm is not None
        assert (report.measures[0].files[0].texels is None) == split


def test_gaps_filled_by_a_command(tmp_path):
    """The recipe does not fill gaps, a command did; what is filled in is taken for right."""
    of = composition(square_in_two_tiles())
    output = of.recipe.output.model_copy(update={"fill_gaps": True, "clip": True, "scene_unit_mm": 7.5})
    recipe = of.recipe.model_copy(update={"output": output})
    write_maps(replace(of, recipe=recipe), tmp_path)
    assert complaints([tmp_path], of) == []


def test_a_part_by_another_name_is_not_compared(tmp_path):
    of = composition(square_in_two_tiles())
    raster, heights = of.raster(), {tile: one.height_mm for tile, one in compose(of).items()}
    calibration = shared_calibration(of, heights)
    for tile, height_mm in heights.items():
        metadata = map_metadata(of, raster, tile)
        fields = metadata.to_dict() | {"part": "coarse"}
        fields.pop("exact")
        write_map(tmp_path / f"head.{tile}.exr", height_mm * 0.5, calibration, type(metadata)(**fields))
    report = check_files([tmp_path], of)
    assert [str(one) for one in report.findings] == []
    assert all(one.texels is None for one in report.measures[0].files)


def test_a_single_tile_given_by_name(tmp_path):
    of = composition(square_in_two_tiles())
    written = write_maps(of, tmp_path)
    assert complaints([written[0].path], of) == []
    written[1].path.unlink()
    written[1].sidecar.unlink()
    report = check_files([tmp_path], of)
    assert report.names == ("tile-missing",)
    assert "tile 1012 is not there; the mesh has 1001, 1012" in report.findings[0].text


def test_a_real_face(tmp_path):
    """Nine charts in centimetres, five of them mirrored (tests/shared_data.py), where it is there; else a square."""
    mesh, unit = read_if_there("face_nine_charts_cm.obj"), "cm"
    guides = [{"points": [[-4, 5, 4], [0, 6, 6], [4, 5, 4]]}]
    if mesh is None:
        mesh, unit, guides = mirrored_square(), "mm", []
    of = composed_of(
        mesh, unit, {"relief": relief_patch()}, [scatter_layer("relief", 15.0)], directions=guides,
        output={"size_px": 256, "format": "png-16", "unit": "in"},
    )  # fmt: skip
    write_maps(of, tmp_path)
    assert complaints([tmp_path], of) == []


@pytest.mark.parametrize("command", ["compose", "export"])
def test_maps_of_commands_with_another_size_format_and_unit(command, tmp_path):
    """The hash in the files is that of the recipe with what the command was given instead."""
    mesh = square_in_two_tiles()
    lines = [f"v {x} {y} {z}" for x, y, z in mesh.position] + [f"vt {u} {v}" for u, v in mesh.texcoord]
    for a, b in zip(mesh.face_start[:-1], mesh.face_start[1:], strict=True):
        corners = zip(mesh.face_position[a:b] + 1, mesh.face_texcoord[a:b] + 1, strict=True)
        lines.append("f " + " ".join(f"{p}/{t}" for p, t in corners))
    (tmp_path / "plate.obj").write_text("\n".join(lines) + "\n")
    (tmp_path / "plate.yaml").write_text(
        "poredepth: 1\nmesh: {file: plate.obj, unit: mm}\nseed: 3\n"
        "patches:\n"
        "  pores: {file: pores.png, texel_um: 100, height_um: 100, source: made, licence: MIT, consent: none}\n"
        "layers:\n  - {name: pores, patch: pores, place: scatter, print_mm: 8}\n"
        "output: {size_px: 64, mid: 0.4, scale_mm: 5, format: png-16}\n"
    )
    from imageio.v3 import imwrite

    noise = np.random.default_rng(0).normal(0.5, 0.1, (200, 200)).clip(0, 1)
    imwrite(tmp_path / "pores.png", np.round(noise * 65535).astype(np.uint16))
    words = ["--size", "96", "--format", "exr-half"] + (["--unit", "cm"] if command == "export" else [])
    assert run_here(command, "plate.yaml", "-o", "out", *words, cwd=tmp_path).returncode == 0
    done = run_here("check", "out", "--recipe", "plate.yaml", cwd=tmp_path)
    assert (done.returncode, done.stderr.count("warning")) == (0, 0), done.stdout + done.stderr
    assert "result          all is well in 2 files\n" in done.stdout
    text = (tmp_path / "plate.yaml").read_text()
    (tmp_path / "plate.yaml").write_text(text.replace("seed: 3", "seed: 4"))
    done = run_here("check", "out", "--recipe", "plate.yaml", cwd=tmp_path)
    assert done.returncode == 1
    assert "heights-differ" in done.stdout
    assert "other-recipe" in done.stdout
