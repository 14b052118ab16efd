"""The formats a map can be written in: a container, and numbers in it, named by their type and by what zero is.

Lossless only.  Half floats are offered zero-centred only: they are finest about 0, and coarse about a mid-grey of 0.5,
where one step is 2^-12 below and 2^-11 above (Imath, half.h): 0.49 and 0.98 um for a map that spans 2 mm, 16 times what
the same half gives a height of 50 um when it holds the height itself.
"""

from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType

import numpy as np


@dataclass(frozen=True)
class FileFormat:
    """One way to keep a map in a file.

    Attributes
    ----------
    name : as recipes and files say it
    container : exr, tiff or png; suffixes : file name endings, the usual one first
    numbers : float, half or u16; dtype : of the values in memory
    compressions : names of what the container may be packed by, all lossless, the default first
    """

    name: str
    container: str
    suffixes: tuple[str, ...]
    numbers: str
    compressions: tuple[str, ...]

    @property
    def dtype(self) -> np.dtype:
        return np.dtype({"float": np.float32, "half": np.float16, "u16": np.uint16}[self.numbers])

    @property
    def is_float(self) -> bool:
        """True when the file holds floats of either size, False for 16-bit codes."""
        return self.numbers != "u16"

    @property
    def encoding(self) -> str:
        """Type and zero: float-zero, half-zero or u16-mid."""
        return encoding_name(self.name, 0.0 if self.is_float else 0.5)


_EXR = ("zip", "zips", "piz", "rle", "none")
_TIFF = ("zip", "none")

FILE_FORMATS: MappingProxyType[str, FileFormat] = MappingProxyType(
    {
        one.name: one
        for one in (
            FileFormat("exr-float", "exr", (".exr",), "float", _EXR),
            FileFormat("exr-half", "exr", (".exr",), "half", _EXR),
            FileFormat("tiff-float", "tiff", (".tif", ".tiff"), "float", _TIFF),
            FileFormat("tiff-16", "tiff", (".tif", ".tiff"), "u16", _TIFF),
            FileFormat("png-16", "png", (".png",), "u16", ("zip",)),
        )
    }
)
FORMATS: tuple[str, ...] = tuple(FILE_FORMATS)

#: File name ending of each format.
EXTENSION: dict[str, str] = {name: one.suffixes[0] for name, one in FILE_FORMATS.items()}

#: Container by file name ending.
CONTAINERS: dict[str, str] = {suffix: one.container for one in FILE_FORMATS.values() for suffix in one.suffixes}

#: Formats of each encoding, the usual one first.
ENCODINGS: dict[str, tuple[str, ...]] = {
    encoding: tuple(name for name, one in FILE_FORMATS.items() if f"{one.numbers}-{zero}" == encoding)
    for encoding, zero in (("float-zero", "zero"), ("half-zero", "zero"), ("u16-mid", "mid"))
}

#: Compressions that change the numbers, and so never hold heights (OpenEXR, Standard Attributes; TIFF 6.0, section 22).
LOSSY = ("pxr24", "b44", "b44a", "dwaa", "dwab", "jpeg", "lossy")


def encoding_name(format: str, mid: float) -> str:
    """Type and zero of the values: float-zero, half-zero, u16-mid; float-mid for floats about a mid that is not 0."""
    return f"{FILE_FORMATS[format].numbers}-{'zero' if mid == 0.0 else 'mid'}"


def format_of(container: str, dtype: np.dtype) -> str | None:
    """Name of the format with such a container and such values; None if there is none."""
    for name, one in FILE_FORMATS.items():
        if one.container == container and one.dtype == dtype:
            return name
    return None
