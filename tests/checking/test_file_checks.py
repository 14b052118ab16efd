"""What a check finds in files by themselves and in sets, without a recipe."""

from __future__ import annotations

import json

import numpy as np
import OpenEXR
import OpenImageIO as oiio
import pytest
import tifffile
from command_line import run_here
from PIL import Image
from tampering import change, restate, rewrite, values_of, write_beside

from poredepth.checking import check_files
from poredepth.checking.stated import Decoder
from poredepth.output import EXTENSION, MapMetadata, fit_calibration, read_map_metadata, sidecar_path, write_map
from poredepth.output.checksums import write_checksums

TEXTS = {"recipe_hash": "ab" * 32, "seed": 7, "texel_um": 54.6, "gutter_px": 4}


def relief_mm(n=96, seed=1):
    row, col = np.mgrid[:n, :n]
    noise = np.random.default_rng(seed).standard_normal((n, n))
    return (0.2 * np.sin(row / 7.0) * np.cos(col / 11.0) + 0.01 * noise).astype(np.float32)


def written(folder, format="tiff-16", tiles=(1001,), **metadata):
    calibration = fit_calibration(format, "cm", -0.5, 0.5)
    paths = []
    for tile in tiles:
        number = f".{tile}" if len(tiles) > 1 else ""
        path = folder / f"head{number}{EXTENSION[format]}"
        write_map(path, relief_mm(seed=tile), calibration, MapMetadata(tile=tile, **(TEXTS | metadata)))
        paths.append(path)
    return paths


def edit_sidecar(path, **fields):
    plain = json.loads(sidecar_path(path).read_text()) | fields
    write_beside(path, plain)


def test_metadata_of_file_and_sidecar_differ(tmp_path):
    [path] = written(tmp_path)
    edit_sidecar(path, seed=8)
    report = check_files([path])
    assert report.names == ("metadata-differ",)
    assert "file and sidecar differ in seed (seed: 7 in the file, 8 beside it)" in report.findings[0].text


def test_single_fields_and_the_table_differ(tmp_path):
    [path] = written(tmp_path, "exr-float")
    with OpenEXR.File(str(path)) as file:
        header, values = dict(file.header()), file.channels()["Y"].pixels.copy()
    OpenEXR.File({**header, "poredepth:scale_mm": "11.0"}, {"Y": values}).write(str(path))
    report = check_files([path])
    assert report.names == ("metadata-differ",)
    assert report.findings[0].text == "poredepth:scale_mm says '11.0', the table beside it 10.0"


def test_metadata_lost_in_the_file_or_altogether(tmp_path):
    [path] = written(tmp_path, "png-16")
    Image.fromarray(values_of(path)).save(path)
    report = check_files([path])
    assert set(report.names) == {"metadata-lost", "colour-tag"}  # a PNG without gAMA is taken for sRGB
    assert report.measures[0].files[0].stated_by == "sidecar"
    sidecar_path(path).unlink()
    assert check_files([path]).names == ("metadata-lost",)
    assert check_files([path]).findings[0].text == "neither the file nor a sidecar says what its values mean"


def test_a_map_without_its_sidecar_is_well(tmp_path):
    [path] = written(tmp_path)
    sidecar_path(path).unlink()
    report = check_files([path])
    assert report.ok
    assert report.measures[0].files[0].stated_by == "file"


@pytest.mark.parametrize(
    "fields, words",
    [
        ({"formula": "height_mm = (code / 65535 - 0.5000076295109483) * 2.0"}, "but mid is"),
        ({"mid_code": 32767}, "but mid_code 32767"),
        ({"scale": 0.2}, "scale is 0.2 cm, but scale_mm 1.2 is 0.12 cm"),
        ({"code_step_um": 0.02}, "code_step_um is 0.02"),
        ({"unit_mm": 1.0, "scale": 1.2}, "unit is cm, which is 10.0 mm, but unit_mm 1.0"),
        ({"scene_unit": "m"}, "scene_unit is m, which is 1000.0 mm, but scene_unit_mm 25.4"),
        ({"scale_scene": 1.2}, "scale_scene is 1.2, but scale_mm 1.2 is 0.0472440944"),
        ({"scale_mm": None}, "no heights follow from that"),
    ],
)
def test_numbers_that_contradict_each_other(fields, words, tmp_path):
    [path] = written(tmp_path, scene_unit="in", scene_unit_mm=25.4)
    assert check_files([path]).ok
    plain = read_map_metadata(path).to_dict() | fields
    plain["exact"] = {name: text for name, text in plain["exact"].items() if name not in fields}
    values = values_of(path)
    tifffile.imwrite(path, values, description=json.dumps({"poredepth": plain}), metadata=None, compression="zlib")
    write_beside(path, plain)
    report = check_files([path])
    assert "metadata-differ" in report.names
    assert words in " ".join(one.text for one in report.findings)


def test_another_type_of_values(tmp_path):
    [path] = written(tmp_path, "exr-float")
    with OpenEXR.File(str(path)) as file:
        header, values = dict(file.header()), file.channels()["Y"].pixels.astype(np.float16)
    OpenEXR.File({key: one for key, one in header.items() if key != "channels"}, {"Y": values}).write(str(path))
    report = check_files([path])
    assert "pixel-type" in report.names
    assert "the file holds float16 in exr, but says 'exr-float', which is float32 in exr" in report.findings[0].text


@pytest.mark.parametrize("how", ["PXR24_COMPRESSION", "DWAA_COMPRESSION", "B44_COMPRESSION"])
def test_lossy_compression(how, tmp_path):
    [path] = written(tmp_path, "exr-float")
    with OpenEXR.File(str(path)) as file:
        header, values = dict(file.header()), file.channels()["Y"].pixels.copy()
    OpenEXR.File({**header, "compression": getattr(OpenEXR, how)}, {"Y": values}).write(str(path))
    for with_oiio in (True, False):
        report = check_files([path], oiio=with_oiio)
        assert "lossy-compression" in report.names
        assert how.split("_")[0].lower() in str(report.findings)


def test_a_picture_of_another_size(tmp_path):
    [path] = written(tmp_path)
    rewrite(path, np.ascontiguousarray(values_of(path)[::2, ::2]))
    assert "size-differs" in check_files([path]).names
    assert "the picture is 48 x 48 px, stated are 96 x 96" in str(check_files([path]).findings)


def test_a_picture_that_is_to_be_turned(tmp_path):
    [path] = written(tmp_path)
    with tifffile.TiffFile(path) as file:
        text = file.pages[0].description
    tifffile.imwrite(path, values_of(path), description=text, metadata=None, extratags=[(274, 3, 1, 4, True)])
    for with_oiio in (True, False):
        assert check_files([path], oiio=with_oiio).names == ("frame-differs",)


def test_range_that_is_not_the_one_stated(tmp_path):
    [path] = written(tmp_path, "tiff-float")
    change(path, lambda values: values * np.float32(1.5))
    report = check_files([path])
    assert report.names == ("outside-range",)
    assert len(report.findings) == 2
    stated = read_map_metadata(path)
    low = report.findings[0]
    assert (
        f"the lowest height is {1.5 * stated.range_low_mm:.6f} mm, stated is {stated.range_low_mm:.6f} mm" in low.text
    )
    row, col = np.unravel_index(np.argmin(values_of(path)), (96, 96))
    assert (low.place.row_px, low.place.col_px) == (row, col)
    change(path, lambda values: values * np.float32(0.5))
    assert check_files([path]).names == ("range-differs",)


def test_black_and_white_texels(tmp_path):
    [path] = written(tmp_path, "png-16")

    def fault(values):
        values = values.copy()
        values[3, 4], values[5, 6:9] = 0, 65535
        return values

    change(path, fault)
    low, high = check_files([path]).findings
    assert "1 texel is at -0.600009 mm (code 0)" in low.text
    assert "3 texels are at 0.599991 mm (code 65535)" in high.text
    assert (high.place.row_px, high.place.col_px) == (5, 6)


@pytest.mark.parametrize("how", ["rounded", "shifted up", "used range"])
@pytest.mark.parametrize("format", ["tiff-16", "png-16", "exr-float", "exr-half", "tiff-float"])
def test_eight_bits(format, how, tmp_path):
    """As programs make them: nearest of 256, the low byte dropped, or 256 steps over the range that is used.  Floats of
    the first two kinds were 0 to 1 in between."""
    [path] = written(tmp_path, format)
    before = values_of(path)
    is_whole = before.dtype.kind == "u"

    def fault(values):
        low, high = float(values.min()), float(values.max())
        if how == "used range":
            after = low + np.rint((values.astype(float) - low) / (high - low) * 255) / 255 * (high - low)
        elif is_whole:
            after = np.rint(values / 257.0) * 257 if how == "rounded" else values // 256 * 256
        else:
            after = np.rint(np.clip(values.astype(float) * 10 + 0.5, 0, 1) * 255) / 255
        return after.astype(values.dtype) if not is_whole else after

    change(path, fault)
    assert "eight-bit" in check_files([path]).names


def test_few_levels_by_right(tmp_path):
    """A given scale far too large leaves 16 bits few codes, neighbours of each other."""
    calibration = fit_calibration("tiff-16", "mm", -0.5, 0.5, scale_mm=500.0)
    write_map(tmp_path / "m.tif", relief_mm(), calibration, MapMetadata())
    report = check_files([tmp_path])
    assert report.ok
    assert 20 < report.measures[0].files[0].n_levels < 100


def test_a_set_that_does_not_belong_together(tmp_path):
    one, other = written(tmp_path, tiles=(1001, 1002))
    assert check_files([tmp_path]).ok
    restate(other, scale_mm=2.5)
    report = check_files([tmp_path])
    assert "set-differs" in report.names
    assert "differs from head.1001.tif in scale_mm: scale_mm 2.5 here, 1.2 there" in str(report.findings)


def test_a_tile_that_is_there_twice(tmp_path):
    one, other = written(tmp_path, tiles=(1001, 1002))
    other.write_bytes(one.read_bytes())
    sidecar_path(other).write_bytes(sidecar_path(one).read_bytes())
    assert check_files([tmp_path]).names == ("tile-name", "tile-twice", "tiles-alike")


def test_few_small_heights_in_metres_are_no_terraces(tmp_path):
    """All of them are far below 1/255, one step of eight bits."""
    height_mm = np.random.default_rng(0).normal(0, 0.0005, (14, 14)).astype(np.float32)
    calibration = fit_calibration("exr-float", "m", float(height_mm.min()), float(height_mm.max()))
    path = tmp_path / "m.exr"
    write_map(path, height_mm, calibration, MapMetadata(**TEXTS))
    assert check_files([path]).ok


def test_two_tiles_alike(tmp_path):
    one, other = written(tmp_path, "png-16", tiles=(1001, 1002))
    rewrite(other, values_of(one))
    assert "tiles-alike" in check_files([tmp_path]).names


def test_checksums_beside_the_maps(tmp_path):
    one, other = written(tmp_path, tiles=(1001, 1002))
    write_checksums(tmp_path, [one, other, sidecar_path(one), sidecar_path(other)])
    assert check_files([tmp_path]).ok
    change(other, lambda values: values)
    report = check_files([tmp_path])
    assert report.names == ("checksum-differs",)
    assert report.findings[0].file == other
    assert "the file is changed" in report.findings[0].text
    assert check_files([one]).ok
    sidecar_path(one).unlink()
    assert "the file is missing" in str(check_files([tmp_path]).findings)


def test_a_tag_of_colour(tmp_path):
    [path] = written(tmp_path, "exr-float")
    values = values_of(path)
    spec = oiio.ImageInput.open(str(path)).spec()
    spec.attribute("oiio:ColorSpace", "sRGB")
    out = oiio.ImageOutput.create(str(path))
    assert out.open(str(path), spec)
    assert out.write_image(values[..., None])
    out.close()
    assert set(check_files([path]).names) <= {"colour-tag"}


def test_the_command(tmp_path):
    one, _ = written(tmp_path, tiles=(1001, 1002))
    done = run_here("check", ".", cwd=tmp_path)
    assert (done.returncode, done.stderr) == (0, "reading the maps\n")
    assert "read by         OpenImageIO" in done.stdout
    assert "holds           96 x 96 px, uint16, packed by zip, rows from the top\n" in done.stdout
    assert "result          all is well in 2 files; without --recipe only" in done.stdout
    edit_sidecar(one, seed=8)
    done = run_here("check", one.name, cwd=tmp_path)
    assert done.returncode == 1
    assert "wrong 1         metadata-differ  head.1001.tif\n" in done.stdout
    assert "result          1 thing wrong in 1 file: metadata-differ\n" in done.stdout


def test_how_the_command_ends(tmp_path):
    assert run_here("check", cwd=tmp_path).returncode == 2
    done = run_here("check", "no.exr", cwd=tmp_path)
    assert (done.returncode, done.stderr) == (3, "error: no.exr: no such file; check the path\n")
    (tmp_path / "m.png").write_bytes(b"no picture")
    assert run_here("check", "m.png", cwd=tmp_path).returncode == 3
    [path] = written(tmp_path)
    assert run_here("check", path.name, "--recipe", "no.yaml", cwd=tmp_path).returncode == 3
    assert run_here("check", path.name, "--unknown", cwd=tmp_path).returncode == 2
    done = run_here("check", "no", cwd=tmp_path)
    assert (done.returncode, done.stderr) == (3, "error: no: no such file; check the path\n")
    (tmp_path / "checksums.sha256").write_text("junk\n")
    (tmp_path / "m.png").unlink()
    done = run_here("check", ".", cwd=tmp_path)
    assert done.returncode == 3 and "checksums.sha256:1: got 'junk'" in done.stderr


def test_rounding_at_the_end_of_what_halves_reach():
    """Steps of the largest halves are 32 (Imath, half.h): there is no next one above 65504."""
    decoder = Decoder(0.0, 1e-5)
    found_mm = decoder.rounding_mm(np.array([0.65504, 0.7, -0.65504, 0.65472]), np.dtype(np.float16))
    np.testing.assert_allclose(found_mm, 16e-5, rtol=2e-3)  # and four float32 steps of the height, 0.15 %
