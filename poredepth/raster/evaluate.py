"""A compiled layer: its prints and its pictures, evaluated at skin points by one kernel."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from poredepth.memory import large_array
from poredepth.patch.levels import Level, mixing
from poredepth.placement.prints import Prints
from poredepth.raster import kernels
from poredepth.surface.metric import Footprint
from poredepth.surface.points import SkinPoints

#: Length, way along it and slopes for texels that are square and small beside what they look at.
_SQUARE = np.empty(0, np.float32), np.empty((0, 3), np.float32), np.empty((0, 3, 2), np.float32)

#: Columns of `Pictures.levels`.
LEVEL_COLUMNS = 13


@dataclass(frozen=True)
class Pictures:
    """All pictures of a layer, all levels, packed for the kernel (see `kernels.add_prints`)."""

    first_level: np.ndarray
    levels: np.ndarray
    coefficients: np.ndarray
    mean_mm: np.ndarray


def pack_pictures(
    stacks: Sequence[Sequence[Level]], periodic: bool, mean_mm: Sequence[float] | None = None
) -> Pictures:
    """Pack pyramids (one per picture, finest level first) into flat arrays.

    ``mean_mm``, one per picture (default: 0), was taken off the heights, and is added again after prints have met:
    keeping the contrast is a rule for heights about 0.
    """
    rows, parts, offset = [], [], 0
    for stack in stacks:
        for level, coarser in zip(stack, [*stack[1:], None], strict=True):
            rows.append(level_row(level, coarser, offset, max(stack[0].texel_x_mm, stack[0].texel_y_mm), periodic))
            parts.append(level.coefficients.ravel())
            offset += level.coefficients.size
    first = np.concatenate([[0], np.cumsum([len(stack) for stack in stacks])]).astype(np.int32)
    flat = large_array(max(offset, 1), np.float32)
    np.concatenate(parts or [np.zeros(1, np.float32)], out=flat)
    mean = np.zeros(len(stacks)) if mean_mm is None else np.asarray(mean_mm)
    return Pictures(first, np.array(rows, float).reshape(-1, LEVEL_COLUMNS), flat, mean.astype(np.float32))


def level_row(
    level: Level, coarser: Level | None, offset: int, first_texel_mm: float, periodic: bool
) -> tuple[float, ...]:
    """A level's row in `Pictures.levels`; ``coarser`` is the next level, ``offset`` where its coefficients begin."""
    if level.pad != 2:
        raise AssertionError("the kernel takes levels with a margin of 2 texels")
    return (
        offset,
        level.coefficients.shape[1],
        level.rows,
        level.cols,
        1.0 / level.texel_x_mm,
        1.0 / level.texel_y_mm,
        float(periodic),
        first_texel_mm,
        1.0 / level.cols,
        1.0 / level.rows,
        level.variance_px2,
        *((0.0, 0.0) if coarser is None else mixing(level.variance_px2, coarser.variance_px2)),
    )


def add_prints(
    points: SkinPoints,
    mask: np.ndarray,
    gain: float,
    footprint: Footprint | np.ndarray,
    prints: Prints,
    pictures: Pictures,
    height_mm: np.ndarray,
) -> None:
    """Add gain x mask x the layer's height to ``height_mm`` (float32 (n,)) in place.

    Parameters
    ----------
    points : n skin points; mask : float32 (n,)
    footprint : of texels on the skin; or their size alone, in the layer's measure, float32 (n_triangles, 3)
    """
    if isinstance(footprint, Footprint):
        size, form = footprint.size_mm, (footprint.length_mm, footprint.along_per_mm, footprint.slope_per_mm)
    else:
        size, form = footprint, _SQUARE
    kernels.add_prints(
        points.triangle,
        points.barycentric,
        mask,
        np.float32(gain),
        size,
        *form,
        prints.start,
        prints.picture,
        prints.corner_mm,
        prints.corner_weight,
        prints.zoom,
        prints.pair_start,
        prints.likeness,
        prints.sharpness,
        prints.keep_contrast,
        pictures.first_level,
        pictures.levels,
        pictures.coefficients,
        pictures.mean_mm,
        height_mm,
    )
