"""``poredepth export`` from the outside."""

from __future__ import annotations

import sys

import numpy as np
import OpenImageIO as oiio
import pytest
from command_line import run_here
from plate import written_plate

from poredepth.output import read_map, read_map_metadata


@pytest.fixture
def folder(tmp_path):
    return written_plate(tmp_path)


def test_numbered_tiles_a_sheet_and_documents(folder):
    words = ("export", "plate.yaml", "-o", "set", "--format", "tiff-16", "--unit", "scene", "--scene-unit", "cm")
    done = run_here(*words, cwd=folder)
    assert done.returncode == 0, done.stderr
    assert "detail carried  pores: " in done.stdout
    _, metadata = read_map(folder / "set" / "plate.1001.tif")
    sheet = (folder / "set" / "how-to-render.txt").read_text()
    assert metadata.unit == "cm"
    assert metadata.scale == pytest.approx(metadata.scale_mm / 10)
    assert f"One full unit of value is       {metadata.scale!r} cm" in sheet
    assert f"No displacement is the value    {metadata.mid!r} (16-bit code 32768)" in sheet
    assert "pores: source made here; licence MIT; consent synthetic" in sheet
    assert {path.name for path in (folder / "set").iterdir()} == {
        "plate.1001.tif", "plate.1001.tif.json", "how-to-render.txt", "plate.mtlx", "plate.usda", "contact-sheet.png",
        "checksums.sha256",
    }  # fmt: skip
    for name in ("plate.mtlx", "plate.usda", "contact-sheet.png", "checksums.sha256"):
        assert f"set/{name}" in done.stdout


@pytest.mark.parametrize(
    "words, name, encoding, pixel_type",
    [
        ((), "plate.1001.exr", "float-zero", "float"),
        (("--encoding", "half-zero"), "plate.1001.exr", "half-zero", "half"),
        (("--encoding", "float-zero", "--container", "tiff"), "plate.1001.tif", "float-zero", "float"),
        (("--encoding", "u16-mid"), "plate.1001.tif", "u16-mid", "uint16"),
        (("--encoding", "u16-mid", "--container", "png"), "plate.1001.png", "u16-mid", "uint16"),
    ],
)
def test_encodings_are_asked_for_by_type_and_zero(folder, words, name, encoding, pixel_type):
    done = run_here("export", "plate.yaml", "-o", "set", *words, cwd=folder)
    assert done.returncode == 0, done.stderr
    assert f"encoding        {encoding}, packed by zip" in done.stdout
    assert str(oiio.ImageInput.open(str(folder / "set" / name)).spec().format) == pixel_type
    assert read_map_metadata(folder / "set" / name).encoding == encoding


def test_an_encoding_about_zero_leaves_a_mid_of_the_recipe_out(folder):
    recipe = folder / "plate.yaml"
    recipe.write_text(recipe.read_text().replace("{size_px: 256}", "{size_px: 256, mid: 0.5, scale_mm: 2}"))
    for words, encoding, mid in (((), "float-mid", 0.5), (("--encoding", "float-zero"), "float-zero", 0.0)):
        assert run_here("export", "plate.yaml", "-o", "set", *words, cwd=folder).returncode == 0
        m = read_map_metadata(folder / "set" / "plate.1001.exr")
        assert (m.encoding, m.mid, m.scale_mm) == (encoding, mid, 2.0)
        done = run_here("check", "set", "--recipe", "plate.yaml", cwd=folder)
        assert done.returncode == 0, done.stdout


def test_maps_levels_and_a_size_in_thousands(folder):
    words = ("export", "plate.yaml", "-o", "set", "--size", "1K", "--mips", "--maps", "normal, cavity", "--green-down")
    done = run_here(*words, cwd=folder)
    assert done.returncode == 0, done.stderr
    assert "packed by zip, 11 mip levels" in done.stdout and "texels          1024 x 1024 each" in done.stdout
    assert "normal          set/plate.normal.1001.exr  quantity = (value - 0.5) * 2.0\n" in done.stdout
    assert "cavity          set/plate.cavity.1001.exr  quantity = (value - 0.0) * 1.0 mm\n" in done.stdout
    assert "along -v" in read_map_metadata(folder / "set" / "plate.normal.1001.exr").convention
    image = oiio.ImageInput.open(str(folder / "set" / "plate.normal.1001.exr"))
    assert image.seek_subimage(0, 10) and image.spec().width == 1


def test_a_split_is_told(folder):
    done = run_here("export", "plate.yaml", "-o", "set", "--split-edge-um", "500", cwd=folder)
    assert done.returncode == 0, done.stderr
    assert "split           at waves of 2 mm\n" in done.stdout
    assert "set/plate.coarse.1001.exr" in done.stdout and "set/plate.fine.normal.1001.exr" in done.stdout


def test_clipping_is_an_error_unless_it_is_allowed(folder):
    recipe = folder / "plate.yaml"
    recipe.write_text(recipe.read_text().replace("{size_px: 256}", "{size_px: 256, format: png-16, scale_mm: 0.004}"))
    done = run_here("export", "plate.yaml", "-o", "set", cwd=folder)
    assert done.returncode == 3 and "do not fit a scale of 0.004 mm" in done.stderr and "allow clipping" in done.stderr
    done = run_here("export", "plate.yaml", "-o", "set", "--clip", cwd=folder)
    assert done.returncode == 0, done.stderr
    m = read_map_metadata(folder / "set" / "plate.1001.png")
    row, col = m.clipped_at_px
    told = f"{m.clipped_texels}, the worst by {m.clipped_mm:.6f} mm at row {row}, column {col} of tile 1001"
    assert m.clipped_texels > 0 and f"clipped texels  {told}\n" in done.stdout
    # the place is that of the highest or deepest height there is
    plain = run_here("export", "plate.yaml", "-o", "plain", "--format", "exr-float", cwd=folder)
    assert plain.returncode == 0
    height_mm, _ = read_map(folder / "plain" / "plate.1001.exr")
    assert np.unravel_index(np.argmax(np.maximum(height_mm - 0.002, -0.002 - height_mm)), height_mm.shape) == (row, col)
    assert (
        np.count_nonzero(np.abs(height_mm) > 0.002001)
        <= m.clipped_texels
        <= np.count_nonzero(np.abs(height_mm) > 0.001999)
    )


@pytest.mark.parametrize(
    "words, told",
    [
        (("--encoding", "u16-mi"), "'u16-mi'; allowed: float-zero, half-zero, u16-mid; did you mean 'u16-mid'?"),
        (("--encoding", "half-zero", "--container", "tiff"), "'tiff'; allowed for half-zero: exr"),
        (("--encoding", "u16-mid", "--format", "png-16"), "allowed: one or the other"),
        (("--container", "png"), "without --encoding"),
        (("--maps", "normal,cavty"), "did you mean 'cavity'?"),
        (("--scene-unit", "feet"), "'feet'; allowed: um, mm, cm, m, in"),
        (("--scene-unit", "-3"), "allowed: a number of millimetres above 0"),
        (("--unit", "ft"), "allowed: um, mm, cm, m, in, scene"),
        (("--size", "9Q"), "allowed: 16 to 32768 pixels, or 1K"),
        (("--size", "64K"), "allowed: 16 to 32768 pixels"),
    ],
)
def test_wrong_options_are_told(folder, words, told):
    done = run_here("export", "plate.yaml", "-o", "set", *words, cwd=folder)
    text = " ".join(done.stderr.replace("│", " ").split())
    assert done.returncode == 2 and told in text
    assert not (folder / "set").exists()


def test_levels_in_a_format_that_has_none(folder):
    done = run_here("export", "plate.yaml", "-o", "set", "--mips", "--format", "png-16", cwd=folder)
    assert done.returncode == 3
    assert "found png-16 for a set with mip levels; allowed: exr-float, exr-half" in done.stderr


def test_every_map_of_a_set_can_be_inspected(folder):
    assert (
        run_here("export", "plate.yaml", "-o", "set", "--maps", "normal,cavity", "--mips", cwd=folder).returncode == 0
    )
    normal = run_here("inspect", "set/plate.normal.1001.exr", cwd=folder)
    assert normal.returncode == 0, normal.stderr
    for row in ("kind            normal\n", "channels        R, G, B\n", "levels          9\n", "scale_mm        -\n"):
        assert row in normal.stdout
    assert "MikkTSpace" in normal.stdout and "height rms" not in normal.stdout
    assert "settings        cavity_mm 1\n" in run_here("inspect", "set/plate.cavity.1001.exr", cwd=folder).stdout
    assert "height rms" in run_here("inspect", "set/plate.1001.exr", cwd=folder).stdout


def test_files_of_an_older_set_are_told_and_not_in_the_checksums(folder):
    done = run_here("export", "plate.yaml", "-o", "set", "--maps", "normal", "--split-edge-um", "500", cwd=folder)
    assert done.returncode == 0 and "left over" not in done.stdout
    done = run_here("export", "plate.yaml", "-o", "set", cwd=folder)
    assert done.returncode == 0
    told = done.stdout.partition("left over       5 older files that are not of this set")[2]
    names = [f"plate.{name}" for name in ("coarse.1001.exr", "coarse.mtlx", "coarse.usda", "fine.normal.1001.exr")]
    listed = (folder / "set" / "checksums.sha256").read_text()
    for name in (*names, "plate.normal.1001.exr"):
        assert f"set/{name}\n" in told and name not in listed


@pytest.mark.parametrize(
    "words, code, told",
    [
        (("--mips",), 4, "pip install 'poredepth[tiled]'"),
        (("--maps", "added-roughness", "--size", "1002"), 3, "found 250; allowed: a whole number that divides 1002"),
        (
            ("--maps", "added-roughness", "--lower-size", "100"),
            3,
            "found 100; allowed: a whole number that",
        ),
        (("-o", "plate.txt"), 4, "plate.txt: cannot make the folder"),
        (("-o", "/proc"), 4, "/proc: cannot write there"),
    ],
)
def test_what_cannot_work_is_told_before_anything_is_laid(folder, monkeypatch, words, code, told):
    monkeypatch.setitem(sys.modules, "OpenImageIO", None)  # what Python itself does with a module that must not load
    words = words if "-o" in words else (*words, "-o", "set")
    done = run_here("export", "plate.yaml", *words, cwd=folder)
    assert (done.returncode, told in done.stderr) == (code, True), done.stderr
    assert "laying patches" not in done.stderr and not (folder / "set").exists()


def test_a_packing_without_levels_is_told_before_anything_is_laid(folder):
    recipe = folder / "plate.yaml"
    recipe.write_text(recipe.read_text().replace("{size_px: 256}", "{size_px: 256, compression: piz}"))
    done = run_here("export", "plate.yaml", "-o", "set", "--mips", cwd=folder)
    assert done.returncode == 4 and "'piz', allowed for maps with mip levels is zip" in done.stderr
    assert "laying patches" not in done.stderr and not (folder / "set").exists()


def test_an_encoding_the_recipe_has_keeps_its_container(folder):
    recipe = folder / "plate.yaml"
    recipe.write_text(recipe.read_text().replace("{size_px: 256}", "{size_px: 256, format: png-16, scale_mm: 0.3}"))
    done = run_here("export", "plate.yaml", "-o", "set", "--encoding", "u16-mid", cwd=folder)
    assert done.returncode == 0, done.stderr
    assert read_map_metadata(folder / "set" / "plate.1001.png").scale_mm == 0.3
