"""Written maps changed as careless programs change them: the picture is rewritten by general libraries, the metadata
stay as they are, unless a fault is one of metadata."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import numpy as np
import OpenEXR
import tifffile
from PIL import Image
from PIL.PngImagePlugin import PngInfo
from scipy.spatial import cKDTree

from poredepth.output import MapMetadata, read_map_metadata, sidecar_path
from poredepth.output.write import FORMAT_MODULES


def values_of(path: Path) -> np.ndarray:
    """The numbers in a file: float32, float16 or uint16 (rows, cols)."""
    return FORMAT_MODULES[read_map_metadata(path).format].read(path)[0].copy()


def rewrite(path: Path, values: np.ndarray) -> None:
    """Put other numbers in a file; its text stays."""
    values = np.ascontiguousarray(values)
    if path.suffix == ".exr":
        with OpenEXR.File(str(path)) as file:
            header = {key: value for key, value in file.header().items() if key != "channels"}
        OpenEXR.File(header, {"Y": values}).write(str(path))
    elif path.suffix == ".tif":
        with tifffile.TiffFile(path) as file:
            text = file.pages[0].description
        tifffile.imwrite(path, values, compression="zlib", description=text, metadata=None)
    else:
        with Image.open(path) as image:
            texts = dict(image.text)
        info = PngInfo()
        info.add(b"gAMA", (100_000).to_bytes(4, "big"))
        for key, text in texts.items():
            info.add_itxt(key, text)
        Image.fromarray(values).save(path, pnginfo=info, compress_level=1)


def change(path: Path, fault: Callable[[np.ndarray], np.ndarray]) -> None:
    """Change the numbers of a file."""
    before = values_of(path)
    after = fault(before)
    rewrite(path, after if before.dtype.kind == "f" else np.clip(np.rint(after), 0, 65535).astype(before.dtype))


def restate(path: Path, **fields) -> None:
    """Change metadata in the file and beside it alike; whatever follows from mid and scale is kept right."""
    values, before = values_of(path), read_map_metadata(path)
    plain = before.to_dict() | fields
    mid, scale_mm = plain["mid"], plain["scale_mm"]
    value = "code / 65535" if values.dtype.kind == "u" else "value"
    plain["formula"] = f"height_mm = ({value} - {mid!r}) * {scale_mm!r}"
    plain["scale"] = scale_mm / before.unit_mm
    if before.scene_unit_mm is not None:
        plain["scale_scene"] = scale_mm / before.scene_unit_mm
    if values.dtype.kind == "u":
        plain["code_step_um"] = 1000 * scale_mm / 65535
    plain.pop("exact")
    after = MapMetadata.from_dict(plain)

    class AsTheyAre:
        """Writers ask for the numbers block by block, and get those of the file."""

        dtype, is_identity = values.dtype, False

        def encode(self, block, first_row=0):
            return block.astype(values.dtype)

    FORMAT_MODULES[before.format].write(path, values.astype(np.float32), AsTheyAre(), after)
    write_beside(path, after.to_dict())


def write_beside(path: Path, plain: dict) -> None:
    sidecar_path(path).write_text(json.dumps(plain, sort_keys=True, indent=2) + "\n", encoding="utf-8")


def srgb(values: np.ndarray) -> np.ndarray:
    """The curve of IEC 61966-2-1 applied to the numbers, 0 to 1; what is below 0 stays on its straight part."""
    full = 1.0 if values.dtype.kind == "f" else 65535.0
    x = values.astype(float) / full
    bent = np.where(x <= 0.0031308, 12.92 * x, 1.055 * np.maximum(x, 0.0031308) ** (1 / 2.4) - 0.055)
    return (bent * full).astype(values.dtype if values.dtype.kind == "f" else float)


def eight_bits(values: np.ndarray) -> np.ndarray:
    """16 bits kept as 8; floats put between their extremes, kept as 8 bits, and put back."""
    if values.dtype.kind == "u":
        return np.rint(values / 257.0) * 257
    low, high = float(values.min()), float(values.max())
    share = np.rint((values.astype(float) - low) / (high - low) * 255) / 255
    return (low + share * (high - low)).astype(values.dtype)


def about_mid(path: Path, factor: float) -> Callable[[np.ndarray], np.ndarray]:
    """Heights multiplied."""
    mid = read_map_metadata(path).mid

    def fault(values: np.ndarray) -> np.ndarray:
        full = 1.0 if values.dtype.kind == "f" else 65535.0
        x = (values.astype(float) / full - mid) * factor + mid
        return (x * full).astype(values.dtype if values.dtype.kind == "f" else float)

    return fault


def shifted_beside_seams(raster, tile: int, edges_uv: np.ndarray, reach_px: float = 3.0):
    """Texels within a few px of seams, edges_uv (n, 2, 2) of one side in the tile, moved down by one."""
    n = raster.size_px
    at = np.linspace(0, 1, 65)[:, None, None]
    uv = (edges_uv[:, 0] + at * (edges_uv[:, 1] - edges_uv[:, 0])).reshape(-1, 2)
    y, x = np.indices((n, n)) + 0.5
    away_px = cKDTree(np.column_stack([uv[:, 0] * n, (1 - uv[:, 1]) * n])).query(
        np.column_stack([x.ravel(), y.ravel()]), distance_upper_bound=reach_px
    )[0]
    near = np.isfinite(away_px).reshape(n, n)

    def fault(values: np.ndarray) -> np.ndarray:
        return np.where(near, np.roll(values, 1, axis=0), values)

    return fault


def without_gutter(raster, tile: int, zero):
    """Nothing beyond the borders of charts."""
    whole = raster.whole()
    row, col = (one.ravel() for one in np.indices(whole.shape))
    _, inside = raster.skin_points_at(tile, row, col, 0)
    return lambda values: np.where(inside.reshape(whole.shape), values, values.dtype.type(zero))
