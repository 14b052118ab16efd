"""A patch on disk: a height picture, and the patch file beside it that says what it is."""

from __future__ import annotations

import io
import json
import math
import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from poredepth.errors import MapFileError, PatchError, RecipeError
from poredepth.files import part_files, put_in_place
from poredepth.patch.decode import decode_picture
from poredepth.patch.read import head_of, load_patch, sha256_of
from poredepth.patch.types import HeightPatch
from poredepth.recipe.patchfile import SUFFIX, VERSION, own_patch_file, patch_file_of, read_patch_file
from poredepth.units import UM_PER_MM

#: Formats a patch is written in, and the endings they go with.
FORMATS = {"tiff-float": (".tif", ".tiff"), "exr-float": (".exr",), "tiff-16": (".tif", ".tiff")}
#: Range that 16-bit heights are spread over is a round number of this or that step, um: own choice.
_ROUND_UM = ((5, 50), (10, 100), (20, 300), (50, math.inf))
_LARGEST_CODE = 65535
_ROWS_A_STRIP = 256
_UM_PER_CM, _UM_PER_INCH = 1e4, 25400.0


@dataclass(frozen=True)
class WrittenPatch:
    """A patch that was written and read back.

    ``path``, ``patch_file``; ``format``; ``height_um``, ``zero``: height_um = (value - zero) * height_um.
    """

    path: Path
    patch_file: Path
    format: str
    height_um: float
    zero: float


def write_patch(
    path: str | os.PathLike,
    patch: HeightPatch,
    *,
    format: str | None = None,
    texture: Mapping[str, float] | None = None,
) -> WrittenPatch:
    """Write a patch's heights and its patch file (``NAME.patch.yaml``).

    Parameters
    ----------
    path : picture, ending in .tif, .tiff or .exr
    patch : HeightPatch; its provenance and history go into the patch file
    format : one of ``FORMATS``; default: float by the ending.  Floats are the heights in mm (height_um 1000, zero 0);
        16-bit codes have zero 0.5 and a round height_um
    texture : texture parameters by name, put in the patch file for the reader

    Returns
    -------
    WrittenPatch

    Raises
    ------
    PatchError : an ending that does not go with the format; a name whose patch file is another picture's; a patch with
        a mask; terms that are no text
    MapFileError : the disk refused, or the picture does not read back as written; files that were there before are
        untouched, and nothing half-written is left
    """
    path = Path(path)
    format = check_target(path, format)
    if patch.inside is not None:
        raise PatchError(
            f"patch '{patch.name}': has a mask; allowed to be written: one without; cut it to what is inside"
        )
    stored, height_um, zero = _stored(patch.height_mm, format)
    beside = patch_file_of(path)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with part_files(path, beside) as (part, beside_part):
            facts = _facts(path, patch, height_um, zero)
            (_write_exr if path.suffix.lower() == ".exr" else _write_tiff)(part, stored, patch.texel_mm, facts)
            if not np.array_equal(decode_picture(part, head_of(part))[0], stored):
                raise MapFileError(
                    f"{path}: the heights read back differently from what was written; is the disk sound?"
                )
            facts = {"poredepth_patch": VERSION, "file": path.name, "sha256": sha256_of(part), **facts}
            beside_part.write_text(_yaml(facts, texture), encoding="utf-8", newline="\n")
            _check_patch_file(path, beside_part, beside)
            put_in_place([(part, path), (beside_part, beside)])
    except (OSError, RuntimeError) as error:  # RuntimeError is what the EXR library raises on a full disk
        if isinstance(error, MapFileError):
            raise
        why = getattr(error, "strerror", None) or error
        raise MapFileError(
            f"{path}: cannot be written ({why}); allowed: a file in a folder you may write to; "
            "check the path and the space on the disk"
        ) from error
    return WrittenPatch(path, beside, format, height_um, zero)


def read_patch(path: str | os.PathLike, name: str | None = None) -> HeightPatch:
    """Read a picture that has a patch file beside it.

    Parameters
    ----------
    path : the picture, or its patch file
    name : what the patch is called; default: the file's name without its ending

    Raises
    ------
    PatchError : no patch file, a wrong one, or one of another picture; and what ``load_patch`` raises
    """
    path = Path(path)
    beside = path if path.name.endswith(SUFFIX) else patch_file_of(path)
    if not beside.is_file():
        raise PatchError(
            f"{path}: has no {beside.name} beside it, so its values have no meaning in mm; allowed: a patch as "
            "poredepth patch makes; give its size and height, or prepare it"
        )
    try:
        found = read_patch_file(beside)
    except RecipeError as error:
        raise PatchError(str(error)) from error
    if path == beside:
        path = beside.with_name(found.file)
    elif found.file != path.name:
        raise PatchError(f"{path}: {beside.name} is that of {found.file}; allowed: its own; rename one of the two")
    keys = ("texel_um", "height_um", "zero", "lay_deg", "periodic", "source", "licence", "consent", "history", "sha256")
    return load_patch(name or path.name.split(".")[0], path, **{key: getattr(found, key) for key in keys})


def _check_patch_file(path: Path, part: Path, beside: Path) -> None:
    """Terms and history may be texts that a patch file cannot hold: nothing, or bytes that are no text."""
    try:
        read_patch_file(part)
    except RecipeError as error:
        raise PatchError(f"{path}: cannot be described: {str(error).replace(str(part), beside.name)}") from error


def round_height_um(least_um: float) -> int:
    """Smallest round number of micrometres that is not below ``least_um``: in steps of 5, 10, 20 or 50."""
    step = next(step for step, most in _ROUND_UM if least_um <= most)
    return max(step, math.ceil(least_um / step - 1e-9) * step)


def check_target(path: Path, format: str | None = None) -> str:
    """The format a picture of this name will have; PatchError if its ending or the format is none of ours, or its patch
    file would take the place of another picture's.

    To be asked before long work.
    """
    if os.path.isdir(path):
        raise PatchError(f"{path}: is a folder; allowed: a file name in it that ends in .tif, .tiff or .exr")
    suffix = path.suffix.lower()
    fits = [name for name, suffixes in FORMATS.items() if suffix in suffixes]
    if not fits:
        raise PatchError(f"{path}: ends in '{path.suffix}'; allowed for a patch: .tif, .tiff, .exr")
    beside = patch_file_of(path)
    if os.path.isfile(beside) and own_patch_file(path) is None:
        raise PatchError(
            f"{path}: {beside.name} is the patch file of another picture in this folder, which would lose its size and "
            "terms; allowed: a name that differs before the ending too"
        )
    if format is None:
        return fits[0]
    if format not in FORMATS:
        raise PatchError(f"{path}: format '{format}'; allowed: {', '.join(FORMATS)}")
    if format not in fits:
        raise PatchError(f"{path}: ends in '{path.suffix}'; allowed for {format}: {', '.join(FORMATS[format])}")
    return format


def _stored(height_mm: np.ndarray, format: str) -> tuple[np.ndarray, float, float]:
    """What the file holds, and height_um and zero."""
    if format != "tiff-16":
        return height_mm, UM_PER_MM, 0.0
    full_um = float(round_height_um(2.0 * UM_PER_MM * float(np.abs(height_mm).max())))
    codes = np.empty(height_mm.shape, np.uint16)
    for top in range(0, len(codes), _ROWS_A_STRIP):
        rows = slice(top, top + _ROWS_A_STRIP)
        codes[rows] = np.round((height_mm[rows].astype(float) * UM_PER_MM / full_um + 0.5) * _LARGEST_CODE)
    return codes, full_um, 0.5


def _facts(path: Path, patch: HeightPatch, height_um: float, zero: float) -> dict:
    origin = patch.provenance
    known = {"source": origin.source, "licence": origin.licence, "consent": origin.consent}
    return {
        "texel_um": _number(UM_PER_MM * patch.texel_mm),
        "height_um": _number(height_um),
        "zero": _number(zero),
        "lay_deg": _number(patch.lay_deg),
        "periodic": bool(patch.periodic),
        **{key: value for key, value in known.items() if value is not None},
        "history": list(origin.history),
    }


def _number(value: float) -> float | int:
    """Without noise of the last bits (0.02 * 1000 is 20), exact enough for everything after."""
    value = float(f"{value:.12g}")
    return int(value) if value.is_integer() and abs(value) < 1e15 else value


def _write_tiff(path: Path, stored: np.ndarray, texel_mm: float, facts: dict) -> None:
    import tifffile

    per_cm = _UM_PER_CM / (UM_PER_MM * texel_mm)
    tifffile.imwrite(
        path,
        stored,
        photometric="minisblack",
        compression="zlib",
        compressionargs={"level": 9 if stored.size <= 2048**2 else 1},  # large ones take longer, and are hardly smaller
        rowsperstrip=min(_ROWS_A_STRIP, len(stored)),
        maxworkers=2,
        metadata=None,
        software=False,
        description=json.dumps({"poredepth patch": facts}, ensure_ascii=True, sort_keys=True),
        resolution=(per_cm, per_cm),
        resolutionunit="CENTIMETER",
    )


def _write_exr(path: Path, stored: np.ndarray, texel_mm: float, facts: dict) -> None:
    import OpenEXR

    header = {
        "compression": OpenEXR.ZIP_COMPRESSION,
        "type": OpenEXR.scanlineimage,
        "xDensity": float(_UM_PER_INCH / (UM_PER_MM * texel_mm)),
        "poredepth patch": json.dumps(facts, ensure_ascii=True, sort_keys=True),
    }
    # the library writes arrays that are not contiguous wrongly, without a word
    OpenEXR.File(header, {"Y": OpenEXR.Channel(np.ascontiguousarray(stored))}).write(str(path))


def _yaml(facts: Mapping, texture: Mapping[str, float] | None) -> str:
    from ruamel.yaml import YAML

    yaml = YAML()
    yaml.width = 4096
    yaml.default_flow_style = False
    plain = dict(facts)
    finite = {key: _number(float(f"{value:.6g}")) for key, value in (texture or {}).items() if math.isfinite(value)}
    if finite:
        plain["texture"] = finite
    out = io.StringIO()
    yaml.dump(plain, out)
    return out.getvalue()
