"""Tiled, mip-mapped files, read back by OpenImageIO and the OpenEXR library alone."""

import json
import os
import subprocess
import sys
import time
from dataclasses import replace

import numpy as np
import OpenEXR
import OpenImageIO as oiio
import pytest

from poredepth.errors import CalibrationError, MapFileError
from poredepth.output import Calibration, MapMetadata, encode, fit_calibration, mipmapped
from poredepth.output.channels import ChannelCoding
from poredepth.output.levels import box_levels
from poredepth.output.metadata import FIELD_NAMES

SIZES = [(96, 160), (90, 70), (33, 33), (64, 64), (1, 1), (1, 130), (300, 257)]


def relief_mm(shape):
    row, col = np.mgrid[: shape[0], : shape[1]]
    noise = np.random.default_rng(5).standard_normal(shape)
    return (1.5 + 0.3 * np.sin(row / 7.0) * np.cos(col / 11.0) + 0.05 * noise).astype(np.float32)


def described(calibration, height_mm, **changes):
    known = dict(
        recipe="gesicht-ä.yaml",
        recipe_hash="ab" * 32,
        seed=7,
        tile=1012,
        texel_um=54.6,
        gutter_px=16,
        patches=[dict(name="pores", file="pores.tif", sha256="cd" * 32, source="own", licence="CC0", consent="-")],
        layers=["sculpt", "cheek pores"],
    )
    range_mm = (float(np.nanmin(height_mm)), float(np.nanmax(height_mm)))
    return MapMetadata(**(known | changes)).described(calibration, range_mm, height_mm.shape[1::-1])


def written(path, height_mm, unit="mm", rows=None, **keys):
    calibration = fit_calibration("exr-float", unit, -3, 3)
    metadata = described(calibration, height_mm)
    mipmapped.write(path, height_mm if rows is None else rows, calibration, metadata, **keys)
    return calibration, metadata


def every_level(path):
    """All levels as OpenImageIO reads them, tile by tile."""
    image = oiio.ImageInput.open(str(path))
    levels = []
    while image.seek_subimage(0, len(levels)):
        spec = image.spec()
        values = np.full((spec.height, spec.width), np.nan, np.float32)
        for y in range(0, spec.height, spec.tile_height):
            for x in range(0, spec.width, spec.tile_width):
                tile = image.read_tile(x, y, 0, oiio.FLOAT)
                assert tile is not None, image.geterror()
                part = values[y : y + spec.tile_height, x : x + spec.tile_width]
                part[:] = tile.reshape(spec.tile_height, spec.tile_width)[: part.shape[0], : part.shape[1]]
        levels.append(values)
    return levels


@pytest.mark.parametrize("shape", SIZES)
@pytest.mark.parametrize("unit", ["mm", "cm"])
def test_level_k_is_the_mean_of_the_heights(tmp_path, shape, unit):
    height_mm = relief_mm(shape)
    calibration, _ = written(tmp_path / "m.exr", height_mm, unit)
    found = every_level(tmp_path / "m.exr")
    np.testing.assert_array_equal(found[0], encode(height_mm, calibration))
    assert [level.shape for level in found] == [
        (max(shape[0] >> k, 1), max(shape[1] >> k, 1)) for k in range(max(shape).bit_length())
    ]
    for k, level in enumerate(found):
        f = 2**k
        level_mm = level.astype(np.float64) * calibration.scale_mm
        if shape[0] % f == 0 and shape[1] % f == 0:
            reduced = height_mm.astype(np.float64).reshape(shape[0] // f, f, shape[1] // f, f).mean(axis=(1, 3))
            assert np.abs(level_mm - reduced).max() <= 1e-6
        assert level_mm.mean() == pytest.approx(height_mm.mean(dtype=np.float64), abs=1e-6)


def test_the_openexr_library_reads_level_0_and_the_header(tmp_path):
    height_mm = relief_mm((90, 70))
    written(tmp_path / "m.exr", height_mm)
    with OpenEXR.File(str(tmp_path / "m.exr")) as file:
        header = file.header()
        np.testing.assert_array_equal(file.channels()["Y"].pixels, height_mm)
        assert header["compression"] == OpenEXR.ZIP_COMPRESSION and header["type"] == OpenEXR.tiledimage
        tiles = header["tiles"]
        assert (tiles.xSize, tiles.ySize, tiles.mode) == (64, 64, OpenEXR.MIPMAP_LEVELS)
        assert tiles.roundingMode == OpenEXR.ROUND_DOWN
        assert header["xDensity"] == pytest.approx(465.20, abs=0.005)  # 25400 um / 54.6 um
        assert header["wrapmodes"] == "clamp,clamp"
        assert "capDate" not in header


def test_every_field_is_seen_through_oiio(tmp_path):
    _, metadata = written(tmp_path / "m.exr", relief_mm((33, 33)), "cm")
    image = oiio.ImageInput.open(str(tmp_path / "m.exr"))
    spec = image.spec()
    plain = metadata.to_dict()
    assert json.loads(spec["poredepth"]) == plain
    singles = [name for name in FIELD_NAMES if isinstance(plain[name], str | int | float)]
    assert len(singles) >= 14
    for name in singles:
        assert spec[f"poredepth:{name}"] == (plain[name] if isinstance(plain[name], str) else repr(plain[name])), name
    assert spec["ImageDescription"] == metadata.formula == "height_mm = (value - 0.0) * 10.0"
    assert spec.tile_width == spec.tile_height == 64
    assert spec.getattribute("DateTime") is None
    assert mipmapped.read_metadata(tmp_path / "m.exr") == plain


def test_levels_of_a_half_map_are_rounded_once(tmp_path):
    """A level is the mean of the heights rounded to half, not a mean of texels that were rounded before."""
    height_mm = relief_mm((96, 160))
    calibration = fit_calibration("exr-half", "mm", -3, 3)
    mipmapped.write(tmp_path / "m.exr", height_mm, calibration, described(calibration, height_mm))
    assert str(oiio.ImageInput.open(str(tmp_path / "m.exr")).spec().format) == "half"
    for k in range(6):
        f = 2**k
        reduced = height_mm.astype(np.float64).reshape(96 // f, f, 160 // f, f).mean(axis=(1, 3)).astype(np.float32)
        level = mipmapped.read_level(tmp_path / "m.exr", k)
        assert level.dtype == np.float16
        np.testing.assert_array_equal(level, (reduced / np.float32(calibration.scale_mm)).astype(np.float16))


def test_levels_of_a_map_that_clips_are_means_of_what_it_holds(tmp_path):
    calibration = Calibration("exr-half", 0.0, 1e-5, "mm", fitted=False, clips=True)  # holds 0.65504 mm
    height_mm = np.tile(np.float32([0.1, 0.9]), (8, 4))
    mipmapped.write(tmp_path / "m.exr", height_mm, calibration, described(calibration, height_mm))
    for k in (1, 2, 3):
        level_mm = mipmapped.read_level(tmp_path / "m.exr", k).astype(np.float64) * calibration.scale_mm
        assert np.abs(level_mm - (0.1 + 0.65504) / 2).max() <= 16 * calibration.scale_mm  # half a step of halves there


def test_channels_come_back_in_their_order(tmp_path):
    """Names that the alphabet puts in another order."""
    quantity = np.dstack([relief_mm((33, 70)), -relief_mm((33, 70)), 2 * relief_mm((33, 70))])
    coding = ChannelCoding("exr-float", 0.0, 2.0, "1")
    metadata = MapMetadata(channels=("up", "across", "rough")).described(coding, None, (70, 33))
    mipmapped.write(tmp_path / "m.exr", quantity, coding, metadata)
    np.testing.assert_array_equal(mipmapped.read_level(tmp_path / "m.exr", 0), quantity / 2)
    found = mipmapped.read_level(tmp_path / "m.exr", 1)
    for c in range(3):
        assert np.abs(2 * found[..., c] - box_levels([quantity[..., c]], (33, 70))[0]).max() <= 1e-6
    with OpenEXR.File(str(tmp_path / "m.exr"), separate_channels=True) as file:
        np.testing.assert_array_equal(file.channels()["across"].pixels, quantity[..., 1] / 2)


def test_own_readers(tmp_path):
    height_mm = relief_mm((300, 257))
    path = tmp_path / "m.exr"
    _, metadata = written(path, height_mm, tile_px=48)  # rows asked for begin and end inside tiles
    assert mipmapped.level_sizes(path)[:3] == [(257, 300), (128, 150), (64, 75)]
    for k, level in enumerate(every_level(path)):
        np.testing.assert_array_equal(mipmapped.read_level(path, k), level)
    spans = [(0, 10), (47, 49), (256, 300)]
    for (first, end), (found, values) in zip(spans, mipmapped.read_blocks(path, spans), strict=True):
        assert found == first
        np.testing.assert_array_equal(values, height_mm[first:end])
    values, found = mipmapped.read(path)
    np.testing.assert_array_equal(values, height_mm)
    assert found == metadata.to_dict()
    with pytest.raises(MapFileError, match="has no level 9, it has 9"):
        mipmapped.read_level(path, 9)
    with pytest.raises(MapFileError, match="no level -1"):
        mipmapped.read_level(path, -1)


def test_a_second_write_gives_the_same_bytes(tmp_path):
    height_mm = relief_mm((90, 70))
    written(tmp_path / "a.exr", height_mm)
    time.sleep(1.1)  # a time stamp would have moved on
    height_mm.tofile(tmp_path / "heights.f32")
    mapped = np.memmap(tmp_path / "heights.f32", np.float32, mode="r", shape=height_mm.shape)
    raw = (tmp_path / "a.exr").read_bytes()
    for rows in (mapped, lambda first, end: height_mm[first:end], np.asfortranarray(height_mm)):
        written(tmp_path / "b.exr", height_mm, rows=rows)
        assert (tmp_path / "b.exr").read_bytes() == raw


def test_a_write_that_breaks_leaves_what_was_there(tmp_path):
    path = tmp_path / "m.exr"
    height_mm = relief_mm((600, 70))
    spoiled = height_mm.copy()
    spoiled[555, 12] = np.nan
    for there_before in (False, True):
        if there_before:
            path.write_bytes(b"before")
        with pytest.raises(CalibrationError, match="row 555, col 12"):
            written(path, spoiled)

        def stops(first, end):
            if end > 300:
                raise KeyboardInterrupt
            return height_mm[first:end]

        with pytest.raises(KeyboardInterrupt):
            written(path, height_mm, rows=stops)
        assert [file.read_bytes() for file in tmp_path.iterdir()] == [b"before"] * there_before


def test_rows_that_change_between_write_and_check_are_found(tmp_path):
    height_mm = relief_mm((90, 70))
    asked = []

    def fickle(first, end):
        asked.append(first)
        return height_mm[first:end] + np.float32(len(asked) > 1) * np.float32(1e-6)

    with pytest.raises(MapFileError, match="m.exr: level 0 reads back differently in rows 0 to 89"):
        written(tmp_path / "m.exr", height_mm, rows=fickle)
    assert list(tmp_path.iterdir()) == []


def test_a_full_disk_is_told_and_leaves_nothing(tmp_path):
    """A limit on the size of files stands for a full disk."""
    code = (
        "import resource, signal, sys, numpy as np\n"
        "from poredepth.output import Calibration, MapMetadata, fit_calibration, mipmapped\n"
        "signal.signal(signal.SIGXFSZ, signal.SIG_IGN)\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (100000, 100000))\n"
        "c = fit_calibration('exr-float', 'mm', -9, 9)\n"
        "a = np.random.default_rng(1).normal(size=(512, 512)).astype(np.float32)\n"
        "mipmapped.write(sys.argv[1], a, c, MapMetadata().described(c, (-9, 9), (512, 512)))\n"
    )
    ran = subprocess.run(
        [sys.executable, "-c", code, str(tmp_path / "m.exr")], capture_output=True, text=True, env=os.environ
    )
    assert ran.returncode == 1 and "MapFileError" in ran.stderr.splitlines()[-1], ran.stderr
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("share", [0.0, 0.02, 0.5, 0.95])
def test_a_cut_file_is_named_and_not_read_as_zeros(tmp_path, share):
    path = tmp_path / "m.exr"
    written(path, relief_mm((300, 257)))
    whole = path.read_bytes()
    path.write_bytes(whole[: int(share * len(whole))])
    with pytest.raises(MapFileError, match=r"m\.exr"):
        for level in range(9):
            mipmapped.read_level(path, level)


def test_what_is_missing_is_named(tmp_path, monkeypatch):
    calibration = fit_calibration("exr-float", "mm", -3, 3)
    metadata = described(calibration, relief_mm((8, 8)))
    monkeypatch.setitem(sys.modules, "OpenImageIO", None)  # what Python itself does with a module that must not load
    with pytest.raises(MapFileError, match=r"pip install 'poredepth\[tiled\]'"):
        mipmapped.write(tmp_path / "m.exr", relief_mm((8, 8)), calibration, metadata)
    with pytest.raises(MapFileError, match="need OpenImageIO"):
        mipmapped.read_level(tmp_path / "m.exr", 0)


def test_arguments_outside_what_is_allowed(tmp_path):
    height_mm = relief_mm((8, 8))
    with pytest.raises(MapFileError, match="tile_px: got 8, allowed is 16 to 4096"):
        written(tmp_path / "m.exr", height_mm, tile_px=8)
    calibration = fit_calibration("exr-float", "mm", -3, 3)
    two = replace(described(calibration, height_mm), channels=("R", "G"))
    with pytest.raises(MapFileError, match=r"allowed is \(rows, cols, 2\)"):
        mipmapped.write(tmp_path / "m.exr", height_mm, calibration, two)
    with pytest.raises(MapFileError, match="compression: got 'piz'"):
        mipmapped.write(tmp_path / "m.exr", height_mm, calibration, replace(two, channels=("Y",), compression="piz"))
    calibration = fit_calibration("png-16", "mm", -3, 3)
    with pytest.raises(MapFileError, match="png-16; maps with mip levels are OpenEXR files"):
        mipmapped.write(tmp_path / "m.exr", height_mm, calibration, described(calibration, height_mm))
    with pytest.raises(MapFileError, match="missing.exr: cannot be read"):
        mipmapped.level_sizes(tmp_path / "missing.exr")


def test_a_texture_system_looks_up_levels_tiles_and_borders(tmp_path):
    """As a renderer reads a tile set: by u, v and how much is seen at once, with OpenImageIO's texture system."""
    height_mm = {1001: relief_mm((256, 256)), 1012: relief_mm((256, 256))[::-1] - np.float32(1)}
    for tile, height in height_mm.items():
        written(tmp_path / f"skin.{tile}.exr", height)
    system, how, name = oiio.TextureSystem(False), oiio.TextureOpt(), str(tmp_path / "skin.<UDIM>.exr")
    system.attribute("flip_t", 1)  # v = 0 at the bottom of each tile, as UVs of meshes have it
    how.interpmode = oiio.InterpMode.Bilinear

    def seen(u, v, width):
        return system.texture(name, how, u, v, width, 0.0, 0.0, width, 1)[0]

    for tile, u, v in ((1001, 0, 0), (1012, 1, 1)):  # 1001 + U + 10 V
        for k in (2, 3, 4, 5):
            n = 256 >> k  # texels of level k: a look-up as wide as one of them, in the middle of the tile
            reduced = height_mm[tile].astype(np.float64).reshape(n, 2**k, n, 2**k).mean(axis=(1, 3))
            middle = reduced[n // 2 - 1 : n // 2 + 1, n // 2 - 1 : n // 2 + 1].mean()
            assert seen(u + 0.5, v + 0.5, 1 / n) == pytest.approx(middle, abs=2e-6), (tile, k)
        # beyond the outermost texel centres, the outermost texels; a black border would be half of this
        corner = height_mm[tile][-1, -1], height_mm[tile][0, 0]  # row 0 is v near 1
        assert seen(u + 0.9999, v + 0.0001, 0.0) == pytest.approx(corner[0], abs=1e-6)
        assert seen(u + 0.0001, v + 0.9999, 0.0) == pytest.approx(corner[1], abs=1e-6)
