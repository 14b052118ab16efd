"""Height pictures out of PNG, TIFF and EXR files: one channel of codes or floats, or a refusal that says why.

Each decoder takes a path and returns the stored values unscaled, and the alpha channel and colour where they are asked
for; anything it cannot vouch for (a palette, a turned picture, a second part, alpha without a meaning) is refused with
a PatchError instead of being converted silently.
"""

from __future__ import annotations

import logging
import struct
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np

from poredepth.errors import PatchError
from poredepth.files import pictures_of_any_size
from poredepth.patch.png_channels import read_channels

PNG_SIGNATURE = b"\x89PNG\r\n\x1a\n"
TIFF_SIGNATURES = (b"II*\x00", b"MM\x00*", b"II+\x00", b"MM\x00+")
EXR_SIGNATURE = b"\x76\x2f\x31\x01"
ALLOWED = (
    "allowed is one channel of heights: PNG 16-bit grey, TIFF 8/16/32-bit unsigned or float grey, EXR float or half"
)

# a broken TIFF is reported once, by our error: without a handler the decoder's own notes would go to the terminal
logging.getLogger("tifffile").addHandler(logging.NullHandler())

#: PNG colour types (PNG specification, third edition, IHDR); 0 is grey.
_PNG_COLOUR = {2: "RGB colour", 3: "a colour palette", 4: "grey with alpha", 6: "RGB colour with alpha"}
#: TIFF photometric interpretations (TIFF 6.0); 1, black is zero, is the one for heights.
_TIFF_COLOUR = {
    0: "grey with white as zero",
    2: "RGB colour",
    3: "a colour palette",
    5: "CMYK colour",
    6: "YCbCr colour",
}
_TIFF_TYPES = {("u", 1), ("u", 2), ("u", 4), ("f", 2), ("f", 4), ("f", 8)}
#: TIFF extra samples (TIFF 6.0) that may be alpha: unspecified, and alpha that the heights were not multiplied by.
_TIFF_STRAIGHT_ALPHA = (0, 2)
#: Channel names taken for heights when an EXR holds several.
_HEIGHT_CHANNELS = ("y", "z", "height", "displacement")
#: Largest picture read, 32K x 32K; more is a broken header.
_MOST_PX = 2**30


def decode_picture(
    path: Path, head: bytes, with_alpha: bool = False, with_colour: bool = False
) -> tuple[np.ndarray, np.ndarray | None]:
    """Decode by the file's first bytes, never by its name.

    Returns
    -------
    values : (rows, cols), codes or floats as stored; of colour pictures (rows, cols, 3), red, green and blue, if
        ``with_colour`` (else they are refused)
    alpha : (rows, cols), of the same type; None if there is none, or ``with_alpha`` is false (then PNG and TIFF
        pictures with alpha are refused)
    """
    if head.startswith(PNG_SIGNATURE):
        decode = _decode_png
    elif head.startswith(TIFF_SIGNATURES):
        decode = _decode_tiff
    elif head.startswith(EXR_SIGNATURE):
        decode = _decode_exr
    else:
        raise PatchError(f"{path}: found {kind_of(head)}; {ALLOWED}; export the heights anew in one of these")
    with whole_file(path, "for TIFF uncompressed or zlib"):
        return decode(path, with_alpha, with_colour)


@contextmanager
def whole_file(path: Path, allowed: str = "") -> Iterator[None]:
    """Turn what a decoder raises into a PatchError: it raises whatever the broken byte led it to."""
    try:
        yield
    except PatchError:
        raise
    except Exception as error:
        raise PatchError(
            f"{path}: the file is truncated, corrupt or uses a compression that cannot be read here "
            f"({type(error).__name__}: {error}); allowed is a whole file{', ' + allowed if allowed else ''}; "
            "export it anew"
        ) from error


def refuse(path: Path, found: str, fix: str):
    """Raise the refusal of a picture that is no plain height picture."""
    raise PatchError(f"{path}: found {found}; {ALLOWED}; {fix}")


def is_picture(head: bytes) -> bool:
    """Whether a file is a PNG, TIFF or EXR, by its first bytes."""
    return head.startswith((PNG_SIGNATURE, *TIFF_SIGNATURES, EXR_SIGNATURE))


def kind_of(head: bytes) -> str:
    """Name a file that is none of ours by its first bytes."""
    if not head:
        return "an empty file"
    if head.startswith(b"\xff\xd8"):
        return "a JPEG picture, whose compression changes heights (saving it as another kind does not bring them back)"
    if head.startswith(b"\x93NUMPY"):
        return "a NumPy array"
    return "neither PNG, TIFF nor EXR"


def _decode_png(path: Path, with_alpha: bool, with_colour: bool) -> tuple[np.ndarray, np.ndarray | None]:
    from PIL import Image

    with open(path, "rb") as file:
        ihdr = file.read(26)
    width, height, bits, colour = struct.unpack(">IIBB", ihdr[16:26])
    has_alpha, has_colour = colour in (4, 6), colour in (2, 6)
    is_asked_for = (with_alpha or not has_alpha) and (with_colour or not has_colour)
    if (has_alpha or has_colour) and bits in (8, 16) and is_asked_for:
        _check_size(path, width, height)
        return _parted(read_channels(path), has_alpha)
    if colour != 0:
        refuse(path, f"{_PNG_COLOUR.get(colour, f'PNG colour type {colour}')}, {bits} bits a channel", _fix_colour())
    if bits not in (8, 16):
        refuse(path, f"grey with {bits} bit(s)", "export it with 16 bits")
    _check_size(path, width, height)
    with pictures_of_any_size(), Image.open(path, formats=["PNG"]) as picture:
        picture.load()
        if "transparency" in picture.info:
            refuse(path, "grey with a transparent value", "export it without transparency")
        codes = np.array(picture)
    return codes.astype(np.uint8 if bits == 8 else np.uint16), None


def _parted(codes: np.ndarray, has_alpha: bool) -> tuple[np.ndarray, np.ndarray | None]:
    """Channels (rows, cols, n) as values, (rows, cols) or (rows, cols, 3), and alpha; no copies."""
    values = codes[..., :-1] if has_alpha else codes
    return (values[..., 0] if values.shape[2] == 1 else values), (codes[..., -1] if has_alpha else None)


def _decode_tiff(path: Path, with_alpha: bool, with_colour: bool) -> tuple[np.ndarray, np.ndarray | None]:
    import tifffile

    with tifffile.TiffFile(path) as file:
        if len(file.pages) != 1:
            refuse(path, f"{len(file.pages)} pages", "export the one height picture alone")
        page = file.pages[0]
        has_colour = with_colour and int(page.photometric) == 2
        n_colours = 3 if has_colour else 1
        has_alpha = with_alpha and _tiff_has_alpha(path, page, n_colours)
        _check_tiff_layout(path, page, n_colours + has_alpha, has_colour)
        size = path.stat().st_size
        for offset, count in zip(page.dataoffsets, page.databytecounts, strict=True):
            if count == 0 or offset + count > size:  # the decoder would fill such a piece with zeros
                raise PatchError(
                    f"{path}: the file is truncated: picture data at byte {offset} of length {count}, "
                    f"file length {size}; allowed is a whole file; export it anew"
                )
        codes = page.asarray()
        if codes.ndim == 2:
            return codes, None
        return _parted(np.moveaxis(codes, 0, 2) if page.planarconfig == 2 else codes, has_alpha)


def _tiff_has_alpha(path: Path, page, n_colours: int) -> bool:
    """Whether a page of so many colours has alpha; alpha that is multiplied in already is refused."""
    is_grey_or_rgb = int(page.photometric) == (1 if n_colours == 1 else 2)
    if not is_grey_or_rgb or page.samplesperpixel != n_colours + 1 or not page.extrasamples:
        return False
    if int(page.extrasamples[0]) not in _TIFF_STRAIGHT_ALPHA:
        what = "grey that is" if n_colours == 1 else "colours that are"
        refuse(path, f"{what} multiplied by its alpha already", "export it with straight (unassociated) alpha")
    return True


def _check_tiff_layout(path: Path, page, n_channels: int, has_colour: bool) -> None:
    """Refuse every TIFF page that is not flat, the right way up, of a type whose codes have one meaning."""
    photometric = int(page.photometric)
    if photometric != (2 if has_colour else 1):
        found = _TIFF_COLOUR.get(photometric, f"photometric interpretation {photometric}")
        refuse(path, found, "export it as grey, black as zero" if photometric == 0 else _fix_colour())
    if page.samplesperpixel != n_channels:
        what = "grey with alpha" if page.extrasamples else f"{page.samplesperpixel} channels"
        refuse(path, what, _fix_colour())
    if len(page.shape) != (3 if n_channels > 1 else 2):
        refuse(path, f"a picture of shape {page.shape}", "export a single flat picture")
    _check_size(path, page.imagewidth, page.imagelength)
    dtype = page.dtype
    kind = None if dtype is None else (dtype.kind, dtype.itemsize)
    if kind not in _TIFF_TYPES or page.bitspersample != dtype.itemsize * 8:
        sample = {1: "unsigned", 2: "signed", 3: "float"}.get(int(page.sampleformat), "unknown")
        refuse(path, f"{page.bitspersample}-bit {sample} values", "export it as 16-bit unsigned or 32-bit float")
    orientation = page.tags.get("Orientation")
    if orientation is not None and int(orientation.value) != 1:
        refuse(path, f"a turned picture (orientation tag {int(orientation.value)})", "export it the right way up")


def _decode_exr(path: Path, with_alpha: bool, with_colour: bool) -> tuple[np.ndarray, np.ndarray | None]:
    import OpenEXR

    with OpenEXR.File(str(path), separate_channels=True, header_only=True) as file:
        headers = [dict(part.header) for part in file.parts]
    if len(headers) > 1:
        refuse(path, f"{len(headers)} parts", "export the one height picture alone")
    header = headers[0]
    names = [channel.name for channel in header["channels"]]
    chosen = list("RGB") if with_colour and set(names) - {"A"} == set("RGB") else [_height_channel(path, names)]
    _check_exr_window(path, header)
    with OpenEXR.File(str(path), separate_channels=True) as file:
        channels = file.channels()
        planes = [_exr_values(path, name, channels[name]) for name in chosen]
        alpha = _exr_values(path, "A", channels["A"]) if with_alpha and "A" in names else None
    return planes[0] if len(planes) == 1 else np.stack(planes, axis=2), alpha


def _exr_values(path: Path, name: str, channel) -> np.ndarray:
    values = np.array(channel.pixels)
    if (channel.xSampling, channel.ySampling) != (1, 1):
        refuse(path, f"channel {name} stored at a lower resolution", "export it without subsampling")
    if values.dtype.kind != "f" or values.ndim != 2:
        refuse(path, f"channel {name} of type {values.dtype}", "export it as float or half")
    return values


def _check_exr_window(path: Path, header: dict) -> None:
    """Refuse a picture whose stored window is not the shown one: its size in texels would be anyone's guess."""
    data, display = (
        [[int(number) for number in corner] for corner in header[key]] for key in ("dataWindow", "displayWindow")
    )
    _check_size(path, data[1][0] - data[0][0] + 1, data[1][1] - data[0][1] + 1)
    if data != display:
        refuse(path, f"a data window {data} that differs from the display window {display}", "export it uncropped")


def _height_channel(path: Path, names: list[str]) -> str:
    """Choose the channel that holds heights: the only one, or the only one named for it."""
    if len(names) == 1 and names[0].upper() != "A":
        return names[0]
    likely = [name for name in names if name.rsplit(".", 1)[-1].lower() in _HEIGHT_CHANNELS]
    if len(likely) == 1:
        return likely[0]
    return refuse(
        path,
        f"channels {', '.join(sorted(names))}",
        "export one channel, or name exactly one of them Y, Z, height or displacement",
    )


def _check_size(path: Path, width: int, height: int) -> None:
    if width < 1 or height < 1 or width * height > _MOST_PX:
        refuse(path, f"a size of {width} x {height} texels", f"the file is corrupt or beyond {_MOST_PX} texels")


def _fix_colour() -> str:
    return "heights are one number a texel: export one channel as grey, without colour management"
