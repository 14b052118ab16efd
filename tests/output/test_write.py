"""Writing is all or nothing, proven by reading back, and the same bytes each time."""

import errno
import json
import os
import resource
import signal
import tracemalloc

import numpy as np
import pytest
import tifffile

from poredepth.errors import CalibrationError, MapFileError
from poredepth.output import (
    EXTENSION,
    FILE_FORMATS,
    FORMATS,
    MapMetadata,
    fit_calibration,
    read_map,
    read_map_metadata,
    write_map,
    write_sidecar,
)
from poredepth.output.write import FORMAT_MODULES

FORMAT_PARAMS = pytest.mark.parametrize("format", FORMATS)


def heights_mm(seed=0, shape=(70, 90)):
    return np.random.default_rng(seed).uniform(-0.3, 0.3, shape).astype(np.float32)


def put(folder, format, seed=0, **known):
    calibration = fit_calibration(format, "mm", -0.4, 0.4)
    return write_map(folder / f"head{EXTENSION[format]}", heights_mm(seed), calibration, MapMetadata(**known))


def bytes_in(folder):
    return {path.name: path.read_bytes() for path in folder.iterdir()}


@FORMAT_PARAMS
def test_the_same_map_is_the_same_bytes(tmp_path, format):
    for name in ("one", "two"):
        put(tmp_path / name, format, texel_um=54.6, recipe="head.yaml")
    assert bytes_in(tmp_path / "one") == bytes_in(tmp_path / "two")
    assert len(bytes_in(tmp_path / "one")) == 2


@FORMAT_PARAMS
def test_range_calibration_and_size_are_filled_in(tmp_path, format):
    result = put(tmp_path, format, layers=["pores"], tile=1002)
    height_mm = heights_mm()
    assert result.metadata.range_low_mm == float(height_mm.min())
    assert result.metadata.range_high_mm == float(height_mm.max())
    assert result.metadata.size_px == (90, 70) and result.metadata.tile == 1002
    assert result.metadata.scale_mm == 1.0  # 0.4 * 1.05 * 2 = 0.84
    assert result.sidecar == tmp_path / f"head{EXTENSION[format]}.json"
    back_mm, found = read_map(result.path)
    assert found == result.metadata == read_map_metadata(result.path)
    assert back_mm.dtype == np.float32
    limit_mm = {"float": 0.0, "half": 2.0**-13, "u16": 0.5 / 65535 * (1 + 1e-4)}[FILE_FORMATS[format].numbers]
    assert np.abs(back_mm - height_mm).max() <= limit_mm


@FORMAT_PARAMS
@pytest.mark.parametrize("failing_call", [1, 2])
def test_a_disk_error_while_renaming_leaves_the_old_files(tmp_path, monkeypatch, format, failing_call):
    put(tmp_path, format, seed=1)
    before = bytes_in(tmp_path)
    real_replace, calls = os.replace, []

    def replace(source, target):
        calls.append(target)
        if len(calls) == failing_call:
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        real_replace(source, target)

    monkeypatch.setattr(os, "replace", replace)
    with pytest.raises(MapFileError, match="head.*cannot be written: Input/output error") as caught:
        put(tmp_path, format, seed=2)
    assert caught.value.exit_code == 4
    assert bytes_in(tmp_path) == before


@FORMAT_PARAMS
def test_a_disk_error_on_the_first_write_leaves_nothing(tmp_path, monkeypatch, format):
    def replace(source, target):
        if str(target).endswith(".json"):
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        os.rename(source, target)

    monkeypatch.setattr(os, "replace", replace)
    with pytest.raises(MapFileError, match="No space left"):
        put(tmp_path, format)
    assert bytes_in(tmp_path) == {}


@FORMAT_PARAMS
def test_a_full_disk_while_writing_leaves_the_old_files(tmp_path, format):
    put(tmp_path, format, seed=1)
    before = bytes_in(tmp_path)
    # the system's own limit on file size: writes beyond it fail with EFBIG, as a full disk fails with ENOSPC
    old_limit, old_handler = resource.getrlimit(resource.RLIMIT_FSIZE), signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    try:
        resource.setrlimit(resource.RLIMIT_FSIZE, (5000, old_limit[1]))
        with pytest.raises(MapFileError, match="cannot be written"):
            put(tmp_path, format, seed=2)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, old_limit)
        signal.signal(signal.SIGXFSZ, old_handler)
    assert bytes_in(tmp_path) == before


@FORMAT_PARAMS
def test_a_file_that_reads_back_wrong_is_not_put_in_place(tmp_path, monkeypatch, format):
    put(tmp_path, format, seed=1)
    before = bytes_in(tmp_path)
    module = FORMAT_MODULES[format]
    real_write = module.write

    def bad_disk(path, rows, calibration, metadata):
        wrong_mm = rows.array.copy()
        wrong_mm[33, 44] += 0.01  # one texel by 10 um
        real_write(path, wrong_mm, calibration, metadata)

    monkeypatch.setattr(module, "write", bad_disk)
    with pytest.raises(MapFileError, match=r"1 texel\(s\).*first at row 33, col 44: off by 0.01 mm"):
        put(tmp_path, format, seed=2)
    assert bytes_in(tmp_path) == before


@FORMAT_PARAMS
def test_metadata_that_read_back_wrong_are_found(tmp_path, monkeypatch, format):
    module = FORMAT_MODULES[format]
    real_write = module.write

    def bad_disk(path, rows, calibration, metadata):
        real_write(path, rows, calibration, MapMetadata().described(calibration, (-0.1, 0.1), rows.size_px))

    monkeypatch.setattr(module, "write", bad_disk)
    with pytest.raises(MapFileError, match="metadata in the file read back differently: range_low_mm, range_high_mm"):
        put(tmp_path, format)
    assert bytes_in(tmp_path) == {}


@FORMAT_PARAMS
def test_clipping_is_refused_before_anything_is_left(tmp_path, format):
    calibration = fit_calibration(format, "mm", -0.1, 0.1)
    height_mm = heights_mm()
    if FILE_FORMATS[format].is_float:
        height_mm[5, 6] = np.inf
    with pytest.raises(CalibrationError, match="first at row"):
        write_map(tmp_path / f"head{EXTENSION[format]}", height_mm, calibration, MapMetadata())
    assert bytes_in(tmp_path) == {}


def test_a_missing_folder_is_created_and_a_file_in_its_place_is_an_error(tmp_path):
    put(tmp_path / "a" / "b", "png-16")
    (tmp_path / "c").write_text("a file")
    with pytest.raises(MapFileError, match="cannot be written") as caught:
        put(tmp_path / "c", "png-16")
    assert caught.value.exit_code == 4


@pytest.mark.parametrize("name", ["head.png", "head", "head.jpg", "head.exr.bak"])
def test_the_ending_must_fit_the_format(tmp_path, name):
    with pytest.raises(MapFileError, match=r"allowed is \.exr for exr-float"):
        write_map(tmp_path / name, heights_mm(), fit_calibration("exr-float", "mm", 0, 0), MapMetadata())


@pytest.mark.parametrize("shape", [(0, 4), (4,), (2, 2, 1)])
def test_shapes_that_are_no_map_are_refused(tmp_path, shape):
    with pytest.raises(MapFileError, match="allowed is \\(rows, cols\\)"):
        write_map(
            tmp_path / "m.exr", np.zeros(shape, np.float32), fit_calibration("exr-float", "mm", 0, 0), MapMetadata()
        )


def test_a_function_that_returns_wrong_rows_is_refused(tmp_path):
    calibration = fit_calibration("exr-float", "mm", 0, 0)
    with pytest.raises(MapFileError, match=r"rows 0 to 20 came with shape \(19, 30\), expected \(20, 30\)"):
        write_map(tmp_path / "m.exr", lambda a, b: np.zeros((19, 30)), calibration, MapMetadata(size_px=(30, 20)))


def test_a_bad_tile_is_refused(tmp_path):
    with pytest.raises(MapFileError, match="1001 to 1100"):
        put(tmp_path, "exr-float", tile=1101)


@FORMAT_PARAMS
def test_the_sidecar_may_be_missing(tmp_path, format):
    result = put(tmp_path, format)
    result.sidecar.unlink()
    assert read_map(result.path)[1] == result.metadata


def test_the_sidecar_stands_in_for_dropped_metadata(tmp_path):
    result = put(tmp_path, "tiff-16")
    tifffile.imwrite(result.path, tifffile.imread(result.path))
    back_mm, found = read_map(result.path)
    assert found == result.metadata
    assert np.abs(back_mm - heights_mm()).max() <= 0.5 / 65535 * (1 + 1e-4)
    result.sidecar.unlink()
    with pytest.raises(MapFileError, match="carries no calibration.*head.tif.json"):
        read_map(result.path)


@FORMAT_PARAMS
def test_a_sidecar_that_contradicts_the_file_is_an_error(tmp_path, format):
    result = put(tmp_path, format)
    plain = json.loads(result.sidecar.read_text("utf-8"))
    plain["seed"] = 99
    write_sidecar(result.sidecar, plain)
    with pytest.raises(MapFileError, match=r"differ in seed \(seed: None in the file, 99 beside it\)"):
        read_map(result.path)
    result.sidecar.write_text("{")
    with pytest.raises(MapFileError, match="sidecar cannot be read"):
        read_map(result.path)


def test_a_resized_picture_no_longer_fits_its_sidecar(tmp_path):
    result = put(tmp_path, "tiff-16")
    tifffile.imwrite(result.path, tifffile.imread(result.path)[::2])
    with pytest.raises(MapFileError, match="90 x 35 px, but its metadata say tiff-16, 90 x 70 px"):
        read_map(result.path)


def test_a_missing_file_is_named(tmp_path):
    for format in FORMATS:
        with pytest.raises(MapFileError, match=f"nothing{EXTENSION[format]}: cannot be read"):
            read_map(tmp_path / f"nothing{EXTENSION[format]}")


@FORMAT_PARAMS
def test_memory_stays_at_a_few_blocks_of_rows(tmp_path, format):
    # 4096 x 2048 float32 is 33.6 MB; a block of 256 rows is 2.1 MB, 4.2 MB in float64
    shape = (4096, 2048)
    np.resize(heights_mm(), shape).tofile(tmp_path / "h.f32")
    mapped = np.memmap(tmp_path / "h.f32", np.float32, mode="r", shape=shape)
    calibration = fit_calibration(format, "cm", -0.4, 0.4)
    tracemalloc.start()
    try:
        write_map(tmp_path / f"head{EXTENSION[format]}", mapped, calibration, MapMetadata())
        peak_bytes = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert peak_bytes < 20e6


@FORMAT_PARAMS
def test_large_maps_are_checked_at_top_middle_and_bottom(tmp_path, monkeypatch, format):
    height_mm = np.resize(heights_mm(), (2200, 2048))
    module = FORMAT_MODULES[format]
    real_write = module.write
    calibration = fit_calibration(format, "mm", -0.4, 0.4)
    for row in (0, 1100, 2199):

        def bad_disk(path, rows, calibration, metadata, row=row):
            wrong_mm = rows.array.copy()
            wrong_mm[row, 7] = -wrong_mm[row, 7] + 0.05
            real_write(path, wrong_mm, calibration, metadata)

        monkeypatch.setattr(module, "write", bad_disk)
        with pytest.raises(MapFileError, match=f"row {row}, col 7"):
            write_map(tmp_path / f"head{EXTENSION[format]}", height_mm, calibration, MapMetadata())


@pytest.mark.parametrize("format", ["tiff-16", "png-16", "exr-half"])
def test_allowed_clipping_is_counted_and_located(tmp_path, format):
    height_mm = heights_mm()
    height_mm[11, 22], height_mm[44, 55] = 0.41, -0.45
    scale_mm = {"exr-half": 0.35 / 65504}.get(format, 0.7)
    calibration = fit_calibration(format, "mm", -0.5, 0.5, scale_mm=scale_mm, clips=True)
    result = write_map(tmp_path / f"head{EXTENSION[format]}", height_mm, calibration, MapMetadata())
    assert result.metadata.clipped_texels == 2 and result.metadata.clipped_at_px == (44, 55)
    assert result.metadata.clipped_mm == pytest.approx(0.1, abs=2e-5)
    back_mm, found = read_map(result.path)
    assert found == result.metadata
    assert back_mm[11, 22] == pytest.approx(0.35, abs=2e-5) and back_mm[44, 55] == pytest.approx(-0.35, abs=2e-5)
    assert result.metadata.range_low_mm == pytest.approx(-0.35, abs=2e-5)


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_the_range_of_a_map_that_lies_all_beyond_the_reach(tmp_path, sign):
    calibration = fit_calibration("png-16", "mm", -6.0, 6.0, scale_mm=2.0, clips=True)
    height_mm = sign * np.linspace(5.0, 6.0, 20 * 20).reshape(20, 20)
    m = write_map(tmp_path / "head.png", height_mm, calibration, MapMetadata()).metadata
    back_mm, _ = read_map(tmp_path / "head.png")
    assert m.range_low_mm == m.range_high_mm == pytest.approx(sign * 1.0, abs=2.0 / 65535)
    assert m.range_low_mm == pytest.approx(float(back_mm.min()), abs=1e-6) and m.clipped_texels == 400


@pytest.mark.parametrize(
    "format, name", [("exr-float", "dwaa"), ("exr-half", "b44"), ("tiff-16", "jpeg"), ("png-16", "piz")]
)
def test_a_lossy_or_unfit_compression_is_refused(tmp_path, format, name):
    why = "it changes the heights" if name != "piz" else "'piz'; allowed for png-16: zip"
    with pytest.raises(MapFileError, match=why):
        put(tmp_path, format, compression=name)
    assert bytes_in(tmp_path) == {}


@pytest.mark.parametrize("name", ["none", "rle", "zips", "zip", "piz"])
@pytest.mark.parametrize("format", ["exr-float", "exr-half"])
def test_every_compression_keeps_every_bit(tmp_path, format, name):
    plain, packed = put(tmp_path / "a", format, compression="none"), put(tmp_path / "b", format, compression=name)
    np.testing.assert_array_equal(read_map(plain.path)[0], read_map(packed.path)[0])
