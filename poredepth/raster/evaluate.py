"""A compiled layer: its prints and its pictures, evaluated at skin points by one kernel."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from poredepth.patch.levels import Level
from poredepth.placement.prints import Prints
from poredepth.raster import kernels
from poredepth.surface.points import SkinPoints


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
        for level in stack:
            rows.append(level_row(level, offset, max(stack[0].texel_x_mm, stack[0].texel_y_mm), periodic))
            parts.append(level.coefficients.ravel())
            offset += level.coefficients.size
    first = np.concatenate([[0], np.cumsum([len(stack) for stack in stacks])]).astype(np.int32)
    flat = np.concatenate(parts) if parts else np.zeros(1, np.float32)
    mean = np.zeros(len(stacks)) if mean_mm is None else np.asarray(mean_mm)
    return Pictures(first, np.array(rows, float).reshape(-1, 10), flat, mean.astype(np.float32))


def level_row(level: Level, offset: int, first_texel_mm: float, periodic: bool) -> tuple[float, ...]:
    """A level's row in `Pictures.levels`; ``offset`` is where its coefficients begin, ``first_texel_mm`` the texel of
    its pyramid's level 0."""
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
        first_texel_mm * level.coarseness,
        1.0 / level.cols,
        1.0 / level.rows,
    )


def add_prints(
    points: SkinPoints,
    mask: np.ndarray,
    gain: float,
    footprint_mm: np.ndarray,
    prints: Prints,
    pictures: Pictures,
    height_mm: np.ndarray,
) -> None:
    """Add gain x mask x the layer's height to ``height_mm`` (float32 (n,)) in place.

    Parameters
    ----------
    points : n skin points; mask : float32 (n,), 0 to 1; footprint_mm : float32 (n_triangles, 3)
    """
    kernels.add_prints(
        points.triangle,
        points.barycentric,
        mask,
        np.float32(gain),
        footprint_mm,
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
