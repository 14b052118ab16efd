"""Alpha channels and masks of patches."""

import struct
import warnings
import zlib

import numpy as np
import OpenEXR
import OpenImageIO
import pytest
import tifffile

from poredepth.errors import PatchError
from poredepth.patch.read import load_patch

RNG = np.random.default_rng(7)
HEIGHT = RNG.integers(0, 65536, (9, 14), dtype=np.uint16)
ALPHA = np.where(np.arange(14) < 8, 65535, 0).astype(np.uint16) * np.ones((9, 1), np.uint16)
ALPHA[4, 7] = 40000
TWO = np.stack([HEIGHT, ALPHA], axis=2)


def _loaded(path, **keys):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # noise has a mean
        return load_patch("p", path, texel_um=20, height_um=100, **keys)


def _holds(patch, height=HEIGHT, alpha=ALPHA, largest=65535):
    assert patch.height_mm == pytest.approx((height / largest - 0.5) * 0.1, abs=1e-7)
    assert patch.inside == pytest.approx(alpha / largest, abs=1e-7)
    assert not patch.periodic


def _png(path, codes, filters=(0, 1, 2, 3, 4), interlace=0):
    """A PNG of grey with alpha, each row filtered as the specification says, by the filters in turn."""
    bits = 8 * codes.dtype.itemsize
    step = 2 * codes.dtype.itemsize
    raw = np.ascontiguousarray(codes, f">u{codes.dtype.itemsize}").view(np.uint8).reshape(len(codes), -1).astype(int)
    out = bytearray()
    for r, row in enumerate(raw):
        kind = filters[r % len(filters)]
        up = raw[r - 1] if r else np.zeros_like(row)
        left, corner = (np.r_[np.zeros(step, int), line[:-step]] for line in (row, up))
        guess = left + up - corner
        near = np.abs(np.stack([guess - left, guess - up, guess - corner]))
        paeth = np.choose(near.argmin(axis=0), [left, up, corner])
        out += (
            bytes([kind])
            + ((row - [0 * row, left, up, (left + up) // 2, paeth][kind]) % 256).astype(np.uint8).tobytes()
        )
    header = struct.pack(">IIBBBBB", codes.shape[1], codes.shape[0], bits, 4, 0, 0, interlace)
    packed = zlib.compress(bytes(out))
    data = b"\x89PNG\r\n\x1a\n"
    for kind, body in ((b"IHDR", header), (b"IDAT", packed[:20]), (b"IDAT", packed[20:]), (b"IEND", b"")):
        data += struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))
    path.write_bytes(data)
    return path


@pytest.mark.parametrize("kind", range(5))
def test_png_16_bit_with_alpha_by_every_row_filter(tmp_path, kind):
    _holds(_loaded(_png(tmp_path / "a.png", TWO, (kind,))))


def test_png_with_alpha_written_by_another_program(tmp_path):
    """OpenImageIO (libpng), which chooses a filter for each row."""
    spec = OpenImageIO.ImageSpec(14, 9, 2, "uint16")
    spec.channelnames, spec.alpha_channel = ("Y", "A"), 1
    spec.attribute("oiio:UnassociatedAlpha", 1)
    out = OpenImageIO.ImageOutput.create("png")
    assert out.open(str(tmp_path / "a.png"), spec)
    assert out.write_image(TWO)
    out.close()
    _holds(_loaded(tmp_path / "a.png"))


def test_png_8_bit_with_alpha(tmp_path):
    codes = (TWO // 257).astype(np.uint8)
    _holds(_loaded(_png(tmp_path / "a.png", codes)), codes[..., 0], codes[..., 1], 255)


@pytest.mark.parametrize("planar", ["contig", "separate"])
@pytest.mark.parametrize("kind", [0, 2])
def test_tiff_with_alpha(tmp_path, planar, kind):
    codes = TWO if planar == "contig" else np.moveaxis(TWO, 2, 0)
    tifffile.imwrite(
        tmp_path / "a.tif",
        codes,
        photometric="minisblack",
        planarconfig=planar,
        extrasamples=[kind],
        compression="zlib",
    )
    _holds(_loaded(tmp_path / "a.tif"))


def test_tiff_multiplied_by_its_alpha_is_refused(tmp_path):
    tifffile.imwrite(tmp_path / "a.tif", TWO, photometric="minisblack", planarconfig="contig", extrasamples=[1])
    with pytest.raises(PatchError, match=r"grey that is multiplied by its alpha .* straight \(unassociated\) alpha"):
        _loaded(tmp_path / "a.tif")


def test_exr_with_alpha(tmp_path):
    channels = {"Y": np.float32(HEIGHT / 65535), "A": np.float32(ALPHA / 65535)}
    OpenEXR.File({"type": OpenEXR.scanlineimage}, channels).write(str(tmp_path / "a.exr"))
    _holds(_loaded(tmp_path / "a.exr"))


def test_alpha_that_is_whole_everywhere_counts_as_none(tmp_path):
    whole = np.stack([HEIGHT, np.full_like(HEIGHT, 65535)], axis=2)
    patch = _loaded(_png(tmp_path / "a.png", whole))
    assert patch.inside is None and patch.periodic


def test_a_mask_and_alpha_together(tmp_path):
    path = _png(tmp_path / "a.png", TWO)
    mask = np.full((9, 14), 255, np.uint8)
    mask[:3] = 51
    tifffile.imwrite(tmp_path / "m.tif", mask)
    assert _loaded(path, mask=tmp_path / "m.tif").inside == pytest.approx(
        np.minimum(ALPHA / 65535, mask / 255), abs=1e-6
    )
    tifffile.imwrite(tmp_path / "h.tif", HEIGHT)
    masked = _loaded(tmp_path / "h.tif", mask=tmp_path / "m.tif")
    assert masked.inside == pytest.approx(mask / 255, abs=1e-7) and not masked.periodic


def test_the_mean_is_that_of_the_inside(tmp_path):
    """Heights outside, black in most scans, do not count when a patch's mean is looked at."""
    height = np.where(ALPHA > 0, 32768 + RNG.integers(-3000, 3000, ALPHA.shape), 0).astype(np.uint16)
    path = _png(tmp_path / "a.png", np.stack([height, ALPHA], axis=2))
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        load_patch("p", path, texel_um=20, height_um=100)


def test_masks_that_do_not_fit_are_refused(tmp_path):
    tifffile.imwrite(tmp_path / "h.tif", HEIGHT)
    tifffile.imwrite(tmp_path / "small.tif", np.full((9, 13), 255, np.uint8))
    tifffile.imwrite(tmp_path / "black.tif", np.zeros((9, 14), np.uint8))
    tifffile.imwrite(tmp_path / "high.tif", np.full((9, 14), 3.5, np.float32))
    for name, message in {
        "small": "mask .*small.tif has 13 x 9 pixels; allowed: those of the picture, 14 x 9; export it",
        "black": "leave nothing inside",
        "high": r"runs from 3.5 to 3.5; allowed: 0 \(outside\) to 1 \(inside\); is this a height map\?",
        "none": "none.tif: no such file",
    }.items():
        with pytest.raises(PatchError, match=message):
            _loaded(tmp_path / "h.tif", mask=tmp_path / f"{name}.tif")


def test_damaged_pictures_with_alpha_are_refused(tmp_path):
    whole = _png(tmp_path / "a.png", TWO).read_bytes()
    for data, said in (
        (whole[:-20], "cut off"),
        (whole[: len(whole) // 2], "cut off"),
        (whole[:60] + bytes([whole[60] ^ 255]) + whole[61:], "is damaged"),
    ):
        (tmp_path / "a.png").write_bytes(data)
        with pytest.raises(PatchError, match=said):
            _loaded(tmp_path / "a.png")
    with pytest.raises(PatchError, match="interlaced; export it without interlace"):
        _loaded(_png(tmp_path / "a.png", TWO, interlace=1))
    with pytest.raises(PatchError, match="unknown filter in row 3"):
        data = bytearray(zlib.compress(b"\x00" * 57 * 3 + b"\x07" + b"\x00" * 56 + b"\x00" * 57 * 5))
        header = struct.pack(">IIBBBBB", 14, 9, 16, 4, 0, 0, 0)
        out = b"\x89PNG\r\n\x1a\n"
        for kind, body in ((b"IHDR", header), (b"IDAT", bytes(data)), (b"IEND", b"")):
            out += struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))
        (tmp_path / "a.png").write_bytes(out)
        _loaded(tmp_path / "a.png")
