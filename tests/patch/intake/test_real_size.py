"""The real size: what is asked for against what the file says."""

import numpy as np
import pytest

from poredepth.errors import PatchError
from poredepth.patch.intake import RawPicture, real_size


def raw(pixel_mm=None, aspect=1.0):
    return RawPicture(
        np.zeros((50, 200), np.float32), None, None, pixel_mm, "pHYs" if pixel_mm else "", False, None, (), aspect
    )


def test_the_files_own_size():
    assert real_size(raw((0.02, 0.03)), "a") == (0.02, 0.03)


def test_stated_sizes():
    assert real_size(raw(), "a", texel_um=20) == (0.02, 0.02)
    assert real_size(raw(), "a", width_mm=4) == (0.02, 0.02)  # 4 mm over 200 pixels
    assert real_size(raw(), "a", width_mm=4.015, texel_um=20) == (0.02, 0.02)  # 0.4 % apart
    assert real_size(raw((0.02, 0.03)), "a", texel_um=20.05) == pytest.approx((0.02005, 0.030075))
    assert real_size(raw(aspect=1.5), "a", width_mm=4) == pytest.approx((0.02, 0.03))


@pytest.mark.parametrize(
    ("pixel_mm", "keys", "told"),
    [
        (
            (0.02, 0.02),
            {"texel_um": 20.2},
            r"a: texel_um 20.2 makes a pixel 20.2 um wide, the file's own size \(pHYs\) 20 um; allowed is a difference "
            "of 0.5%; leave out the one that is wrong",
        ),
        ((0.02, 0.02), {"width_mm": 3}, r"width_mm 3 over 200 pixels makes a pixel 15 um wide, the file's own size"),
        (None, {"width_mm": 4.1, "texel_um": 20}, "texel_um 20 makes a pixel 20 um wide, width_mm 4.1 over .* 20.5 um"),
        ((0.02, 0.02), {"texel_um": 20, "width_mm": 40}, "texel_um 20 .*, width_mm 40 over 200 pixels 200 um"),
    ],
)
def test_sizes_that_contradict_each_other_are_refused(pixel_mm, keys, told):
    with pytest.raises(PatchError, match=told):
        real_size(raw(pixel_mm), "a", **keys)


def test_no_size_at_all_says_how_to_measure():
    with pytest.raises(PatchError, match="a: the real size of a pixel is not known; .* measure a coin or ruler"):
        real_size(raw(), "a")


@pytest.mark.parametrize("keys", [{"texel_um": 0}, {"width_mm": -1}, {"texel_um": float("nan")}, {"width_mm": "wide"}])
def test_bad_numbers(keys):
    with pytest.raises(PatchError, match=f"a: {next(iter(keys))} is "):
        real_size(raw(), "a", **keys)
