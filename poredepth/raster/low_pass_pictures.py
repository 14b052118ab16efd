"""The pictures of a low-passed map: one array that blocks of work fill, and the prints that show it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from poredepth.patch.levels import PAD, build_levels
from poredepth.placement.prints import STRONGEST_ONLY, Prints
from poredepth.raster.evaluate import LEVEL_COLUMNS, Pictures, add_prints, level_row
from poredepth.raster.low_pass_grids import GridPicture, Grids
from poredepth.surface.points import SkinPoints
from poredepth.surface.skin import Surface

#: Side of the picture of a piece without area in UV.
FLAT_PX = 4


def flat_pieces(surface: Surface, prints: Prints, pictures: Pictures, grids: Grids) -> dict[int, float]:
    """Pieces without area in UV, which no texel shows: the mean of what is read there, mm."""
    with_pictures = np.unique([one.piece for one in grids.pictures]).astype(np.int64)
    lost = np.flatnonzero((grids.piece >= 0) & ~np.isin(grids.piece, with_pictures))
    height_mm = np.zeros(len(lost), np.float32)
    points = SkinPoints(lost.astype(np.int32), np.full((len(lost), 3), 1 / 3, np.float32))
    footprint = np.zeros((surface.n_triangles, 3), np.float32)
    add_prints(points, np.ones(len(lost), np.float32), 1.0, footprint, prints, pictures, height_mm)
    piece, area = grids.piece[lost], np.maximum(surface.area_mm2[lost], 1e-20)
    return {int(p): float(np.average(height_mm[piece == p], weights=area[piece == p])) for p in np.unique(piece)}


@dataclass(frozen=True)
class PackedGrids:
    """All pictures of the result in one array, which blocks of work fill.

    Attributes
    ----------
    offset : where each picture's coefficients begin; flat : heights of pieces without area in UV, after the others
    """

    planned: tuple[GridPicture, ...]
    step_uv: np.ndarray
    offset: np.ndarray
    first_level: np.ndarray
    levels: np.ndarray
    coefficients: np.ndarray
    flat: dict[int, float]

    @classmethod
    def for_grids(cls, grids: Grids, flat: dict[int, float]) -> PackedGrids:
        shapes = [one.level_shapes for one in grids.pictures] + [[(FLAT_PX, FLAT_PX)]] * len(flat)
        size = [sum((r + 2 * PAD) * (c + 2 * PAD) for r, c in one) for one in shapes]
        offset = np.concatenate([[0], np.cumsum(size)]).astype(np.int64)
        first = np.concatenate([[0], np.cumsum([len(one) for one in shapes])]).astype(np.int32)
        step = grids.step_uv[np.array([one.piece for one in grids.pictures], int)]
        coefficients = np.empty(max(offset[-1], 1), np.float32)
        out = cls(grids.pictures, step, offset, first, np.zeros((first[-1], LEVEL_COLUMNS)), coefficients, flat)
        for i, height_mm in enumerate(flat.values(), len(grids.pictures)):
            out._put(i, np.full((FLAT_PX, FLAT_PX), height_mm, np.float32), 1.0, 1)
        return out

    def put(self, i: int, height_mm: np.ndarray) -> None:
        """Fill picture i."""
        self._put(i, height_mm, self.step_uv[i], self.planned[i].max_levels)

    def _put(self, i: int, height_mm: np.ndarray, texel_uv: float, max_levels: int) -> None:
        at = int(self.offset[i])
        levels = build_levels(height_mm, texel_uv, False, max_levels)
        for k, (level, coarser) in enumerate(zip(levels, [*levels[1:], None], strict=True)):
            self.levels[self.first_level[i] + k] = level_row(level, coarser, at, texel_uv, False)
            self.coefficients[at : at + level.coefficients.size] = level.coefficients.ravel()
            at += level.coefficients.size

    def pictures(self) -> Pictures:
        return Pictures(
            self.first_level, self.levels, self.coefficients, np.zeros(len(self.first_level) - 1, np.float32)
        )

    def prints(self, grids: Grids) -> Prints:
        n = len(grids.piece)
        picture, corner = np.full(n, -1, np.int32), np.zeros((n, 3, 2))
        for i, one in enumerate(self.planned):
            picture[one.triangles] = i
            px, window = grids.corner_px[one.triangles], one.window
            from_left, up = px[..., 0] - window.col_px, window.row_px + window.n_rows - px[..., 1]
            corner[one.triangles] = np.stack([from_left, up], axis=2) * self.step_uv[i]
        for i, piece in enumerate(self.flat, len(self.planned)):
            picture[grids.piece == piece] = i
            corner[grids.piece == piece] = FLAT_PX / 2
        shown = np.flatnonzero(picture >= 0)
        start = np.zeros(n + 1, np.int64)
        np.cumsum(picture >= 0, out=start[1:])
        return Prints(
            start=start,
            print_id=np.zeros(len(shown), np.int32),
            picture=picture[shown],
            corner_mm=corner[shown].astype(np.float32),
            corner_weight=np.ones((len(shown), 3), np.float32),
            zoom=np.ones(len(shown), np.float32),
            pair_start=np.zeros(n + 1, np.int64),
            likeness=np.empty(0, np.float32),
            sharpness=STRONGEST_ONLY,
        )
