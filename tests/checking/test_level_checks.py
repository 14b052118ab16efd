"""Mip levels are proved to be means, by means worked out anew."""

from __future__ import annotations

import numpy as np
import OpenImageIO as oiio
import pytest

from poredepth.checking import check_files
from poredepth.output import MapMetadata, fit_calibration, write_map


def relief_mm(shape):
    row, col = np.mgrid[: shape[0], : shape[1]]
    noise = np.random.default_rng(2).normal(0, 0.01, shape)
    return (0.05 * np.sin(row / 5) * np.cos(col / 7) + noise).astype(np.float32)


def written(path, format="exr-float", shape=(96, 96)):
    calibration = fit_calibration(format, "cm", -0.1, 0.1)
    return write_map(path, relief_mm(shape), calibration, MapMetadata(), mip_mapped=True).path


def with_level(path, level, change):
    """Write a file again with one level changed, by the library that reads it."""
    image = oiio.ImageInput.open(str(path))
    levels = []
    while image.seek_subimage(0, len(levels)):
        spec = image.spec()
        levels.append((spec, image.read_image(0, len(levels), 0, spec.nchannels, spec.format)))
    image.close()
    out = oiio.ImageOutput.create("exr")
    for number, (spec, values) in enumerate(levels):
        values = change(values.copy()) if number == level else values
        assert out.open(str(path), spec, "AppendMIPLevel" if number else "Create"), out.geterror()
        assert out.write_tiles(0, spec.width, 0, spec.height, 0, 1, np.ascontiguousarray(values)), out.geterror()
    out.close()


@pytest.mark.parametrize("format", ["exr-float", "exr-half"])
@pytest.mark.parametrize("shape", [(96, 96), (90, 70), (33, 57), (1, 1), (3, 1)])
def test_levels_as_they_were_written_pass(tmp_path, format, shape):
    assert check_files([written(tmp_path / "m.exr", format, shape)]).ok


@pytest.mark.parametrize("format", ["exr-float", "exr-half"])
def test_one_wrong_texel_of_a_level_is_found_with_its_place(tmp_path, format):
    path = written(tmp_path / "m.exr", format)

    def change(values):
        values[5, 9] += 0.001  # 0.01 mm in cm
        return values

    with_level(path, 2, lambda values: values)
    assert check_files([path]).ok
    with_level(path, 2, change)
    report = check_files([path])
    # level 3 is the mean of what level 2 was
    assert report.names == ("level-differs",) and len(report.findings) == 2
    first = report.findings[0]
    assert "mip level 2 is not the mean of level 1: a value is off by 0.001" in first.text
    assert (first.place.row_px, first.place.col_px) == (20, 36)


def test_levels_made_by_throwing_texels_away_are_found(tmp_path):
    path = written(tmp_path / "m.exr")
    sharp = relief_mm((96, 96))[::2, ::2, None] / np.float32(10)
    with_level(path, 1, lambda values: sharp)
    assert check_files([path]).findings[0].name == "level-differs"
