"""Pictures as they come out of their files."""

import struct

import numpy as np
import OpenEXR
import pytest
import tifffile
from picture_files import png_chunk, write_png
from PIL import Image

from poredepth.errors import PatchError
from poredepth.patch.intake import read_raw

RNG = np.random.default_rng(5)
CODES = RNG.integers(0, 65536, (7, 9), dtype=np.uint16)
EIGHT = RNG.integers(0, 256, (7, 9), dtype=np.uint8)


def tiff(path, pixels, **options):
    tifffile.imwrite(path, pixels, **options)
    return path


def exr(path, **channels):
    OpenEXR.File({"type": OpenEXR.scanlineimage}, channels).write(str(path))
    return path


def test_codes_are_shares_of_the_largest(tmp_path):
    wide = CODES.astype(np.uint32) * 65537
    for path, codes, bits in (
        (write_png(tmp_path / "a.png", CODES), CODES, 16),
        (write_png(tmp_path / "b.png", EIGHT), EIGHT, 8),
        (tiff(tmp_path / "a.tif", CODES, byteorder=">"), CODES, 16),
        (tiff(tmp_path / "b.tif", EIGHT, compression="zlib"), EIGHT, 8),
        (tiff(tmp_path / "c.tif", wide), wide, 32),
    ):
        raw = read_raw(path)
        assert raw.values.dtype == (np.float64 if bits == 32 else np.float32)
        assert raw.values == pytest.approx(codes / (2**bits - 1), abs=4e-8)
        assert (raw.bits, raw.in_mm, raw.inside, raw.notes) == (bits, False, None, ())
        assert raw.code_step == pytest.approx(1 / (2**bits - 1), rel=1e-12)
        with pytest.raises(ValueError, match="read-only"):
            raw.values[0, 0] = 1


@pytest.mark.parametrize("dtype", [np.float16, np.float32, np.float64])
def test_floats_are_as_stored(tmp_path, dtype):
    given = np.linspace(-3, 40, 63).reshape(7, 9).astype(dtype)
    paths = [tiff(tmp_path / "a.tif", given)]
    if dtype != np.float64:
        paths.append(exr(tmp_path / "a.exr", Y=given))
    for path in paths:
        raw = read_raw(path)
        assert np.array_equal(raw.values, given)
        assert raw.values.dtype == (np.float64 if dtype == np.float64 else np.float32)
        assert raw.code_step is None and raw.bits is None


def test_gaps_are_nan_and_told(tmp_path):
    given = RNG.random((7, 9)).astype(np.float32)
    given[2, 3] = np.nan
    given[0, :2] = np.inf, -np.inf
    for path in (tiff(tmp_path / "a.tif", given), exr(tmp_path / "a.exr", Y=given)):
        raw = read_raw(path)
        assert np.array_equal(np.isnan(raw.values), ~np.isfinite(given))
        assert np.array_equal(raw.values[1], given[1])
        assert raw.notes == ("no data: 3 of 63 pixels, 2 of them infinite",)


def test_alpha_is_where_relief_is(tmp_path):
    alpha = np.where(np.arange(9) < 5, 65535, 0).astype(np.uint16) * np.ones((7, 1), np.uint16)
    alpha[3, 4] = 30000
    two = np.dstack([CODES, alpha])
    share = np.float32(alpha / 65535)
    for path in (
        write_png(tmp_path / "a.png", two),
        tiff(tmp_path / "a.tif", two, photometric="minisblack", planarconfig="contig", extrasamples=[2]),
        exr(tmp_path / "a.exr", Y=np.float32(CODES / 65535), A=share),
    ):
        raw = read_raw(path)
        assert raw.values == pytest.approx(CODES / 65535, abs=1e-7)
        assert raw.inside == pytest.approx(share, abs=1e-7)
        assert not raw.inside.flags.writeable
    assert raw.notes == ("alpha: heights taken as not multiplied by it",)  # the EXR; other kinds say it themselves
    assert read_raw(write_png(tmp_path / "b.png", np.dstack([CODES, np.full_like(CODES, 65535)]))).inside is None
    with pytest.raises(PatchError, match="c.png: alpha or mask leave nothing inside"):
        read_raw(write_png(tmp_path / "c.png", np.dstack([CODES, np.zeros_like(CODES)])))


def test_8_bit_codes_spread_out_have_the_step_of_8_bits(tmp_path):
    spread = np.arange(64, dtype=np.uint16).reshape(8, 8) * 257
    raw = read_raw(write_png(tmp_path / "a.png", spread))
    assert raw.bits == 16 and raw.code_step == pytest.approx(1 / 255)
    assert raw.notes == ("codes: 16-bit codes are 8-bit ones spread out",)


def test_the_first_bytes_decide_not_the_name(tmp_path):
    path = tiff(tmp_path / "a.tif", CODES).rename(tmp_path / "a.x3p")
    assert read_raw(path).values == pytest.approx(CODES / 65535, abs=4e-8)


def palette(folder):
    Image.fromarray(EIGHT).convert("P").save(folder / "f.png")


def one_bit(folder):
    Image.fromarray(EIGHT).convert("1").save(folder / "f.png")


def transparent_colour(folder):
    write_png(folder / "f.png", np.dstack([CODES] * 3), (b"tRNS", bytes(6)))


def jpeg(folder):
    Image.fromarray(EIGHT).save(folder / "f.jpg")


def empty(folder):
    (folder / "f.png").write_bytes(b"")


def numpy_array(folder):
    np.save(folder / "f.npy", EIGHT)


def a_folder(folder):
    (folder / "f.png").mkdir()


def pages(folder):
    tiff(folder / "f.tif", np.stack([CODES] * 2), photometric="minisblack")


def all_nan(folder):
    tiff(folder / "f.tif", np.full((5, 5), np.nan, np.float32))


def one_pixel(folder):
    write_png(folder / "f.png", CODES[:1, :1])


def one_row(folder):
    write_png(folder / "f.png", np.zeros((1, 65536), np.uint16))


def one_column(folder):
    tiff(folder / "f.tif", np.zeros((65536, 1), np.float32))


@pytest.mark.parametrize(
    ("write", "told"),
    [
        (palette, "found a colour palette, .*export one channel as grey"),
        (one_bit, r"found grey with 1 bit\(s\).*export it with 16 bits"),
        (transparent_colour, "a colour counts as transparent; export it without transparency"),
        (
            jpeg,
            r"found a JPEG picture, whose compression changes heights \(saving it as another kind does not bring them "
            r"back\); allowed are PNG, TIFF or EXR pictures and X3P or SDF surfaces; export the heights anew, from ",
        ),
        (empty, "found an empty file; allowed are"),
        (numpy_array, "found a NumPy array; allowed are"),
        (a_folder, "cannot be read .*allowed is a readable file, not a folder"),
        (pages, "found 2 pages"),
        (all_nan, "no value in it is a finite number"),
        (one_pixel, r"found 1 x 1 pixels \(rows x cols\); allowed is at least 4 x 4"),
        (one_row, r"found 1 x 65536 pixels \(rows x cols\); allowed is at least 4 x 4"),
        (one_column, r"found 65536 x 1 pixels \(rows x cols\); allowed is at least 4 x 4"),
    ],
)
def test_what_is_refused(tmp_path, write, told):
    write(tmp_path)
    (path,) = tmp_path.iterdir()
    with pytest.raises(PatchError, match=told) as error:
        read_raw(path)
    assert str(path) in str(error.value)


def test_no_such_file(tmp_path):
    with pytest.raises(PatchError, match="none.png: no such file"):
        read_raw(tmp_path / "none.png")


def test_truncated_files_are_refused_at_any_length(tmp_path):
    share = np.float32(CODES / 65535)
    colour = np.dstack([CODES, CODES, CODES])
    for path in (
        write_png(tmp_path / "a.png", CODES),
        write_png(tmp_path / "b.png", colour),
        write_png(tmp_path / "c.png", np.dstack([colour, np.full_like(CODES, 65535)])),
        tiff(tmp_path / "a.tif", CODES, compression="zlib"),
        tiff(tmp_path / "b.tif", colour, photometric="rgb"),
        exr(tmp_path / "a.exr", Y=share),
        exr(tmp_path / "b.exr", R=share, G=share, B=share),
    ):
        whole = path.read_bytes()
        for length in (9, 20, 60, len(whole) // 2, len(whole) - 30):
            path.write_bytes(whole[:length])
            with pytest.raises(PatchError, match=path.name):
                read_raw(path)


def test_flipped_bytes_never_raise_anything_else(tmp_path):
    rng = np.random.default_rng(11)
    share = np.float32(CODES / 65535)
    for path in (
        write_png(tmp_path / "b.png", np.dstack([CODES] * 4), (b"pHYs", struct.pack(">IIB", 9, 9, 1))),
        tiff(tmp_path / "b.tif", CODES, resolution=(500, 500), resolutionunit=3, iccprofile=bytes(200)),
        exr(tmp_path / "b.exr", R=share, G=share, B=share),
    ):
        whole = path.read_bytes()
        for place in rng.integers(4, min(len(whole), 500), 40):
            broken = bytearray(whole)
            broken[place] ^= 0xFF
            path.write_bytes(broken)
            try:
                assert read_raw(path, colour="linear").values.ndim == 2
            except PatchError as error:
                assert str(path) in str(error)


def test_a_png_of_absurd_size_is_refused_before_it_is_decoded(tmp_path):
    ihdr = struct.pack(">IIBBBBB", 2**20, 2**20, 16, 2, 0, 0, 0)
    (tmp_path / "a.png").write_bytes(b"\x89PNG\r\n\x1a\n" + png_chunk(b"IHDR", ihdr))
    with pytest.raises(PatchError, match="found a size of 1048576 x 1048576 texels"):
        read_raw(tmp_path / "a.png")
