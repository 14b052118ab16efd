"""Traces of JPEG compression: real JPEGs, written by Pillow and read back."""

import io
from pathlib import Path

import numpy as np
import pytest
import tifffile
from PIL import Image
from scipy import ndimage
from shared_data import FOLDER

from poredepth.patch.intake import find_compression_blocks, read_raw
from poredepth.patch.synthesise import grain

DEMO = Path(__file__).resolve().parents[3] / "demo_data" / "patches"


def eight_bit(height):
    return np.rint((height - height.min()) / np.ptp(height) * 255).astype(np.uint8)


def through_jpeg(height, quality):
    packed = io.BytesIO()
    Image.fromarray(eight_bit(height)).save(packed, "JPEG", quality=quality)
    return np.asarray(Image.open(packed))


@pytest.mark.parametrize("quality", [50, 75, 85, 90, 95])
def test_skin_that_was_a_jpeg_is_found(skin, tmp_path, quality):
    for name, height in skin.items():
        codes = through_jpeg(height, quality)
        Image.fromarray(codes).save(tmp_path / "a.png")
        found = find_compression_blocks(read_raw(tmp_path / "a.png").values)
        assert found is not None and found > 1.1, name
        # a crop begins its grid elsewhere; turned, mirrored, inverted and stretched it is the same
        for other in (codes[3:, 5:], codes[:, ::-1].T, 0.3 - 0.002 * codes.astype(np.float64)):
            assert find_compression_blocks(np.float32(other)) == pytest.approx(found, rel=0.05), name


def test_the_worse_the_quality_the_more(skin):
    found = [find_compression_blocks(through_jpeg(skin["pores"], q).astype(np.float32)) for q in (50, 75, 90, 95)]
    assert found == sorted(found, reverse=True)


def test_a_small_piece_and_gaps(skin):
    codes = through_jpeg(skin["pores"], 85).astype(np.float32)
    assert find_compression_blocks(codes[:120, :130]) > 1.2
    gappy = codes.copy()
    gappy[np.random.default_rng(0).random(codes.shape) < 0.02] = np.nan
    gappy[100:140] = np.nan
    assert find_compression_blocks(gappy) > 1.2


def test_relief_that_was_never_compressed(skin):
    for path in DEMO.glob("*.tif"):
        assert find_compression_blocks(tifffile.imread(path) / np.float32(65535)) is None, path.stem
    for name, height in skin.items():
        assert find_compression_blocks(height) is None, name
        assert find_compression_blocks(eight_bit(height).astype(np.float32)) is None, name
        assert find_compression_blocks(np.float32(np.float16(height))) is None, name
    assert find_compression_blocks(grain(5.0, 0.02, 1)) is None


def test_measured_surfaces():
    """A groove with an edge and a strong lay, where they are there."""
    for name in ("groove_616", "conf_768"):
        path = FOLDER / f"{name}.npy"
        if path.is_file():
            assert find_compression_blocks(np.load(path)) is None, name


def test_noise_steps_waves_and_enlarged_pictures():
    rng = np.random.default_rng(1)
    for seed in range(20):
        noise = np.random.default_rng(seed).standard_normal((150 + 7 * seed, 140))
        assert find_compression_blocks(noise) is None
        assert find_compression_blocks(ndimage.gaussian_filter(noise, 0.5 + 0.3 * seed)) is None
    at = np.arange(400)
    others = [
        np.floor(np.add.outer(at, at) / 7.0),  # stairs
        np.add.outer(np.sin(2 * np.pi * at / 8), np.sin(2 * np.pi * at / 8)),  # waves as long as a block
        np.kron(rng.random((100, 100)), np.ones((4, 4))),  # enlarged, by repeating
        ndimage.zoom(rng.random((100, 100)), 4, order=1),  # and between neighbours
        ndimage.zoom(rng.random((200, 200)), 2, order=1),
        np.zeros((300, 300)),
        rng.random((40, 400)),
        np.full((100, 100), np.nan),
    ]
    for k, picture in enumerate(others):
        assert find_compression_blocks(picture) is None, k
