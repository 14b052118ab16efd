"""Pieces of a picture."""

import numpy as np
import pytest

from poredepth.errors import PatchError
from poredepth.patch.intake import RawPicture, crop_px

VALUES = np.arange(60.0, dtype=np.float32).reshape(6, 10)
RAW = RawPicture(VALUES.copy(), 1 / 65535, 16, (0.02, 0.03), "pHYs", False, VALUES / 60, ("a",), 1.5)


def test_a_piece_counts_from_the_top_left_corner():
    piece = crop_px(RAW, (2, 1, 5, 4), "a.png")
    assert np.array_equal(piece.values, VALUES[1:5, 2:7])
    assert np.array_equal(piece.inside, VALUES[1:5, 2:7] / 60)
    assert piece.notes == ("a", "crop: 5 x 4 pixels from x 2, y 1 of 10 x 6")
    assert (piece.pixel_mm, piece.bits, piece.pixel_aspect) == ((0.02, 0.03), 16, 1.5)
    assert not piece.values.flags.writeable and piece.values.base is None
    assert np.array_equal(crop_px(RAW, (0, 0, 10, 6), "a").values, VALUES)


@pytest.mark.parametrize(
    ("box", "told"),
    [
        ((7, 1, 4, 4), r"a.png: crop reaches from x 7 to 11 and from y 1 to 5; the picture has 10 x 6 pixels"),
        ((0, 3, 4, 4), "from y 3 to 7; the picture has 10 x 6"),
        ((-1, 0, 4, 4), "from x -1 to 3"),
        ((0, 0, 3, 6), "crop is 3 x 6 pixels; allowed is at least 4 x 4; crop is x, y, width, height, not a second"),
        ((4, 4, 2, -2), "crop is 2 x -2 pixels"),
        ((0, 0, 4.5, 4), "allowed are four whole numbers of pixels"),
        ((0, 0, 4), "allowed are four whole numbers of pixels"),
        ((0, 0, float("nan"), 4), "allowed are four whole numbers of pixels"),
        (("a", 0, 4, 4), "allowed are four whole numbers of pixels"),
    ],
)
def test_pieces_that_are_not_there(box, told):
    with pytest.raises(PatchError, match=told):
        crop_px(RAW, box, "a.png")
