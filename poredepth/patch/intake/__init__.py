"""From a file to raw heights: what a picture or a measured surface holds, and what it says of itself."""

from poredepth.patch.intake.blocks import find_compression_blocks
from poredepth.patch.intake.polarity import check_polarity
from poredepth.patch.intake.raw import RawPicture, crop_px
from poredepth.patch.intake.read import read_raw
from poredepth.patch.intake.real_size import real_size
from poredepth.patch.intake.square import are_square, resample_square

__all__ = [
    "RawPicture",
    "are_square",
    "check_polarity",
    "crop_px",
    "find_compression_blocks",
    "read_raw",
    "real_size",
    "resample_square",
]
