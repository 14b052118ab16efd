"""Write a map and its sidecar, prove them by reading them back, and only then put them in place."""

from __future__ import annotations

import struct
import zlib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from types import ModuleType

import numpy as np
import tifffile

from poredepth.errors import MapFileError, PoredepthError
from poredepth.files import part_files, put_in_place
from poredepth.output import exr, mipmapped, png, tiff
from poredepth.output.calibration import Calibration, decode
from poredepth.output.channels import ChannelCoding
from poredepth.output.formats import CONTAINERS, FILE_FORMATS, FORMATS, LOSSY, format_of
from poredepth.output.levels import level_shapes
from poredepth.output.metadata import HEIGHT, MapMetadata
from poredepth.output.rows import FEW_ROWS, RowSource, range_mm, row_spans
from poredepth.output.sidecar import read_sidecar, sidecar_path, write_sidecar
from poredepth.output.tiles import tile_indices

CONTAINER_MODULES: dict[str, ModuleType] = {"exr": exr, "tiff": tiff, "png": png}
FORMAT_MODULES: dict[str, ModuleType] = {name: CONTAINER_MODULES[FILE_FORMATS[name].container] for name in FORMATS}

#: Up to this many texels the whole file is read back; beyond, the first, the middle and the last block of rows.
READ_BACK_WHOLE_TEXELS = 2048**2

#: What the libraries raise on a broken file or a full disk.
_FILE_TROUBLE = (
    OSError,
    RuntimeError,
    ValueError,
    EOFError,
    LookupError,
    struct.error,
    zlib.error,
    tifffile.TiffFileError,
)


@dataclass(frozen=True)
class WrittenMap:
    """A map that was written and read back: its path, its sidecar's path, the metadata both carry."""

    path: Path
    sidecar: Path
    metadata: MapMetadata


def write_map(
    path: Path | str,
    height_mm: np.ndarray | Callable[[int, int], np.ndarray],
    calibration: Calibration,
    metadata: MapMetadata,
    *,
    mip_mapped: bool = False,
) -> WrittenMap:
    """Write heights as a calibrated map with its sidecar.

    Parameters
    ----------
    path : the file; its ending must fit ``calibration.format``.  A missing folder is created
    height_mm : float32 (rows, cols), mm, + is outward: array, memory map, or function (first, end) -> rows, which
        needs ``metadata.size_px`` and is asked for each row more than once
    calibration : Calibration
    metadata : MapMetadata; calibration, range and size are filled in from the map itself
    mip_mapped : an OpenEXR file in square tiles with all mip levels, see ``mipmapped``

    Returns
    -------
    WrittenMap, with the metadata as it stands in the files.

    Raises
    ------
    CalibrationError : a height is not finite, or would clip.
    MapFileError : the disk refused, or the file does not read back as it was written.  In every case of error the
        files that were there before are untouched, and nothing half-written is left.

    Notes
    -----
    Read back and compared: the metadata, and the heights to half a code (float: 1e-6 mm, or one float32 step of the
    height).  All rows up to 2048 x 2048 texels, three blocks of 256 rows beyond.

    Source: own derivation.
    """
    source = RowSource.of(height_mm, metadata.size_px)
    low_mm, high_mm, clipped = _checked_range(source, calibration)
    return _write(path, source, calibration, replace(metadata, **clipped), (low_mm, high_mm), mip_mapped)


def write_channels(
    path: Path | str,
    quantity: np.ndarray | Callable[[int, int], np.ndarray],
    coding: ChannelCoding,
    metadata: MapMetadata,
    *,
    mip_mapped: bool = False,
) -> WrittenMap:
    """Write a map that follows from the heights, with its sidecar, as safely as `write_map` does.

    Parameters
    ----------
    path : the file; its ending must fit ``coding.format``
    quantity : float32 (rows, cols), or (rows, cols, channels) if ``metadata.channels`` are several; or a function
    coding : what the values mean
    metadata : with ``kind`` and ``channels``; the coding and the size are filled in
    mip_mapped : see `write_map`

    Raises
    ------
    CalibrationError, MapFileError : see `write_map`
    """
    source = RowSource.of(quantity, metadata.size_px, len(metadata.channels))
    return _write(path, source, coding, metadata, None, mip_mapped)


def _write(  # noqa: PLR0913  (where to, what, and how)
    path: Path | str,
    source: RowSource,
    coding: Calibration | ChannelCoding,
    metadata: MapMetadata,
    range_mm: tuple[float, float] | None,
    mip_mapped: bool,
) -> WrittenMap:
    path = Path(path)
    _container_of(path, coding.format)
    _check_compression(path, coding.format, metadata.compression)
    tile_indices(metadata.tile)
    metadata = replace(
        metadata.described(coding, range_mm, source.size_px),
        levels=len(level_shapes(source.shape)) if mip_mapped else 1,
    )
    module = mipmapped if mip_mapped else FORMAT_MODULES[coding.format]
    sidecar = sidecar_path(path)
    with _trouble(path, "cannot be written"):
        path.parent.mkdir(parents=True, exist_ok=True)
        with part_files(path, sidecar) as (part, sidecar_part):
            module.write(part, source, coding, metadata)
            write_sidecar(sidecar_part, metadata.to_dict())
            _check_read_back(path, module, part, sidecar_part, source, coding, metadata)
            put_in_place([(part, path), (sidecar_part, sidecar)])
    return WrittenMap(path, sidecar, metadata)


def read_map(path: Path | str) -> tuple[np.ndarray, MapMetadata]:
    """Read a map back into heights.

    Parameters
    ----------
    path : a file written by ``write_map``.  Its own metadata counts; the sidecar stands in when a program dropped it

    Returns
    -------
    (height_mm float32 (rows, cols), metadata)

    Raises
    ------
    MapFileError : no such file, a broken one, no calibration in either place, or file and sidecar contradict each
        other.
    """
    path = Path(path)
    container = _container_of(path)
    with _trouble(path, "cannot be read"):
        values, own = CONTAINER_MODULES[container].read(path)
    metadata = _agreed_metadata(path, own)
    _check_holds_heights(path, metadata)
    format = format_of(container, values.dtype)
    if values.ndim != 2 or metadata.format != format or metadata.size_px != values.shape[::-1]:
        raise MapFileError(
            f"{path}: is {format}, {values.shape[1]} x {values.shape[0]} px, but its metadata say {metadata.format}, "
            f"{metadata.size_px[0]} x {metadata.size_px[1]} px; the picture was changed after it was written"
        )
    calibration = metadata.calibration()
    if calibration.is_identity:
        return values, metadata
    height_mm = np.empty(values.shape, np.float32)
    for first, end in row_spans(values.shape[0]):
        height_mm[first:end] = decode(values[first:end], calibration)
    return height_mm, metadata


def read_map_metadata(path: Path | str) -> MapMetadata:
    """The metadata of a map without its pixels; errors as for ``read_map``."""
    path = Path(path)
    module = CONTAINER_MODULES[_container_of(path)]
    with _trouble(path, "cannot be read"):
        own = module.read_metadata(path)
    return _agreed_metadata(path, own)


def _container_of(path: Path, format: str | None = None) -> str:
    found = CONTAINERS.get(path.suffix.lower())
    if found is None or (format is not None and found != FILE_FORMATS[format].container):
        allowed = ", ".join(CONTAINERS) if format is None else f"{FILE_FORMATS[format].suffixes[0]} for {format}"
        raise MapFileError(f"{path}: ends in {path.suffix!r}, allowed is {allowed}")
    return found


def _check_compression(path: Path, format: str, name: str) -> None:
    allowed = FILE_FORMATS[format].compressions
    if name not in allowed:
        why = " (it changes the heights)" if name in LOSSY else ""
        raise MapFileError(f"{path}: compression {name!r}{why}; allowed for {format}: {', '.join(allowed)}")


def _check_holds_heights(path: Path, metadata: MapMetadata) -> None:
    if metadata.kind != HEIGHT:
        raise MapFileError(f"{path}: holds {metadata.kind}, not heights; give the displacement map it was made with")


def _checked_range(source: RowSource, calibration: Calibration) -> tuple[float, float, dict]:
    """Lowest and highest height, mm, as the file will hold them; and what the metadata say of what is clipped."""
    low_mm, high_mm = range_mm(source)
    if not (np.isfinite(low_mm) and np.isfinite(high_mm)):
        for first, block in source.blocks():
            calibration.encode(block, first)  # raises and says where
    least_mm, most_mm = calibration.holds_mm
    if not calibration.clips or (low_mm >= least_mm and high_mm <= most_mm):
        return low_mm, high_mm, {}
    reach_mm = calibration.reach_mm
    n_clipped, beyond_mm, at_px = 0, 0.0, (0, 0)
    for first, block in source.blocks():
        n_clipped += int(np.count_nonzero((block < least_mm) | (block > most_mm)))
        over_mm = np.maximum(block - reach_mm[1], reach_mm[0] - block)
        worst = np.unravel_index(int(np.argmax(over_mm)), block.shape)
        if over_mm[worst] > beyond_mm:
            beyond_mm, at_px = float(over_mm[worst]), (first + int(worst[0]), int(worst[1]))
    clipped = {"clipped_texels": n_clipped, "clipped_mm": beyond_mm, "clipped_at_px": at_px}
    # both ends at both: all of a map may lie beyond one
    low_mm, high_mm = (min(max(one_mm, reach_mm[0]), reach_mm[1]) for one_mm in (low_mm, high_mm))
    return low_mm, high_mm, clipped


def _agreed_metadata(path: Path, own: dict) -> MapMetadata:
    beside = read_sidecar(sidecar_path(path))
    if not own and not beside:
        raise MapFileError(
            f"{path}: carries no calibration and has no {sidecar_path(path).name} beside it, so its values have no "
            f"meaning in mm; restore the sidecar, or treat the picture as a patch with a stated height"
        )
    if own and beside and own != beside:
        names = sorted(name for name in own.keys() | beside.keys() if own.get(name) != beside.get(name))
        first = names[0]
        raise MapFileError(
            f"{path}: its metadata and {sidecar_path(path).name} differ in {', '.join(names)} ({first}: "
            f"{own.get(first)!r} in the file, {beside.get(first)!r} beside it); "
            f"one belongs to another map, delete that one"
        )
    try:
        return MapMetadata.from_dict(own or beside)
    except MapFileError as error:
        raise MapFileError(f"{path}: {error}") from error


def _check_read_back(  # noqa: PLR0913  (what was meant, and what the disk holds)
    path: Path,
    module: ModuleType,
    part: Path,
    sidecar_part: Path,
    source: RowSource,
    coding: Calibration | ChannelCoding,
    metadata: MapMetadata,
) -> None:
    """Compare what the disk holds with what was meant; raises MapFileError on a difference."""
    expected = metadata.to_dict()
    for where, found in (("file", module.read_metadata(part)), ("sidecar", read_sidecar(sidecar_part))):
        if found != expected:
            names = [name for name in expected if found.get(name) != expected[name]]
            raise MapFileError(f"{path}: the metadata in the {where} read back differently: {', '.join(names)}")
    for first, values in module.read_blocks(part, _spans_to_check(source.shape)):
        meant = coding.meant(source.block(first, first + len(values)))
        wrong = np.empty(values.shape, bool)
        for few in (slice(*span) for span in row_spans(len(values), FEW_ROWS)):
            wrong[few] = ~(np.abs(coding.decode(values[few]) - meant[few]) <= coding.tolerance(meant[few]))
        if wrong.any():
            place = np.unravel_index(int(np.argmax(wrong)), wrong.shape)
            row = slice(place[0], place[0] + 1)
            error = np.abs(coding.decode(values[row]) - meant[row])[(0, *place[1:])]
            raise MapFileError(
                f"{path}: {np.count_nonzero(wrong)} texel(s) of rows {first} to {first + len(values) - 1} read back "
                f"differently, first at row {first + place[0]}, col {place[1]}: off by {error:.3g} "
                f"{coding.quantity_unit}"
            )


def _spans_to_check(shape: tuple[int, ...]) -> list[tuple[int, int]]:
    spans = row_spans(shape[0])
    if shape[0] * shape[1] <= READ_BACK_WHOLE_TEXELS or len(spans) < 4:
        return spans
    return [spans[0], spans[len(spans) // 2], spans[-1]]


@contextmanager
def _trouble(path: Path, what: str) -> Iterator[None]:
    """Whatever the libraries raise becomes a MapFileError that names the file; our own errors pass."""
    try:
        yield
    except PoredepthError as error:
        if isinstance(error, MapFileError) and str(path) not in str(error):
            raise MapFileError(f"{path}: {what}: {error}") from error
        raise
    except _FILE_TROUBLE as error:
        reason = getattr(error, "strerror", None) or str(error) or type(error).__name__
        raise MapFileError(f"{path}: {what}: {reason}") from error
