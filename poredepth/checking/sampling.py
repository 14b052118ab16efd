"""Single texels of a map, and the heights the recipe means there: exactly as a map is made, texel by texel.

Positions are drawn by a fixed seed, so a check says the same every time.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial import cKDTree

from poredepth.mix.combine import Sampling, bands_mm, contributions_mm
from poredepth.parts import SEAMS
from poredepth.pipeline import Composition
from poredepth.raster.reading import by_tile
from poredepth.raster.seams import SeamPoints
from poredepth.raster.texels import SMALL_BLOCK_PX, TileRaster
from poredepth.surface.points import SkinPoints
from poredepth.surface.tiles import column_and_row

#: What a texel is: inside a chart; read at a seam; beyond a chart's border; without skin.
SKIN, SEAM, GUTTER, OUTSIDE = range(4)
#: Texels looked at in each tile: inside charts, and beside seams.
N_SKIN, N_SEAM = 10_000, 5_000
#: Beyond borders, texels are looked at in so many small blocks, so many in each.
N_BLOCKS, N_PER_BLOCK = 120, 40
#: Bilinear reading on a border reaches texels whose centres lie less than this outside a chart.
_SEAM_REACH_PX = 2
#: Texels that are drawn but lie in no chart are drawn anew so often.
_ROUNDS = 6


class NotComparableError(ValueError):
    """The recipe does not say what such a map holds."""


@dataclass(frozen=True)
class TileSample:
    """Texels of one tile, each once.

    Attributes
    ----------
    row_px, col_px : int64 (n,)
    skin : n points, without skin where the map is 0
    kind : uint8 (n,), one of SKIN, SEAM, GUTTER, OUTSIDE
    is_inside : bool (n,), inside a chart
    meant_mm : float32 (n,), height that is meant
    seam_px : float (n,), distance from the nearest seam, px; infinite if there is none
    """

    tile: int
    size_px: int
    row_px: np.ndarray
    col_px: np.ndarray
    skin: SkinPoints
    kind: np.ndarray
    is_inside: np.ndarray
    meant_mm: np.ndarray
    seam_px: np.ndarray

    def __len__(self) -> int:
        return len(self.row_px)

    def part(self, which: np.ndarray) -> TileSample:
        """Some of the texels, bool (n,)."""
        skin = SkinPoints(self.skin.triangle[which], self.skin.barycentric[which])
        rest = {name: getattr(self, name)[which] for name in _PER_TEXEL}
        return replace(self, skin=skin, **rest)

    def joined(self, other: TileSample) -> TileSample:
        """With the texels of another sample of the same tile behind them."""
        skin = SkinPoints(
            np.concatenate([self.skin.triangle, other.skin.triangle]),
            np.concatenate([self.skin.barycentric, other.skin.barycentric]),
        )
        rest = {name: np.concatenate([getattr(self, name), getattr(other, name)]) for name in _PER_TEXEL}
        return replace(self, skin=skin, **rest)

    def places(self) -> list[tuple[np.ndarray, np.ndarray]]:
        """Rows and columns, int64 (n,), of the texels and of all places they may have got to."""
        swapped = [place for _, *place in self.mirrored()]
        return [(self.row_px, self.col_px), *swapped, *(place for _, *place in self.shifted())]

    def mirrored(self) -> list[tuple[str, np.ndarray, np.ndarray]]:
        """(what was done to the picture, rows, columns of the texels in it)."""
        far_row, far_col = self.size_px - 1 - self.row_px, self.size_px - 1 - self.col_px
        return [
            ("rows-flipped", far_row, self.col_px),
            ("columns-flipped", self.row_px, far_col),
            ("turned-half", far_row, far_col),
            ("transposed", self.col_px, self.row_px),
        ]

    def shifted(self) -> list[tuple[tuple[int, int], np.ndarray, np.ndarray]]:
        """((rows, columns) of a shift by one texel, rows, columns of the texels in the picture that was shifted)."""
        return [
            ((down, right), *(np.clip(at, 0, self.size_px - 1) for at in (self.row_px + down, self.col_px + right)))
            for down in (-1, 0, 1)
            for right in (-1, 0, 1)
            if (down, right) != (0, 0)
        ]


_PER_TEXEL = ("row_px", "col_px", "kind", "is_inside", "meant_mm", "seam_px")


@dataclass(frozen=True)
class Intent:
    """What the recipe means a map of one size to hold.

    Attributes
    ----------
    seams : points along all seams
    part : what of the map it is, as its metadata say; None: all of it
    """

    composition: Composition
    raster: TileRaster
    seams: SeamPoints
    part: str | None = None

    def relief_mm(self, points: SkinPoints) -> np.ndarray:
        """Heights at skin points before seams are made even, float32 (n,), mm; 0 where there is no skin.

        Raises NotComparableError for a part that the recipe does not have.
        """
        composition = self.composition
        if self.part is None:
            return composition.height_mm(points, self.raster.size_px)
        if self.part == SEAMS:
            return np.zeros(len(points), np.float32)
        by, _, name = self.part.partition(" ")
        parts = {"layer": contributions_mm, "band": bands_mm}.get(by)
        if parts is not None:
            sampling = Sampling(self.raster.footprint, self.raster.size_px)
            for found, height_mm in parts(composition.layers, composition.ground, sampling, points):
                if found == name:
                    return height_mm
        raise NotComparableError(f"the recipe does not say what the part {self.part!r} holds")

    def texels_mm(self, tile: int, row_px: np.ndarray, col_px: np.ndarray, points: SkinPoints) -> np.ndarray:
        """Heights of texels of a tile, float32 (n,), mm, with what is added along seams."""
        height_mm = self.relief_mm(points).copy()
        correction = self.composition.seam_correction(self.raster.size_px) if self.part in (None, SEAMS) else None
        if correction is None or tile not in correction.changes:
            return height_mm
        changes, n = correction.changes[tile], self.raster.size_px
        known = changes.row_px.astype(np.int64) * n + changes.col_px
        wanted = np.asarray(row_px, np.int64) * n + col_px
        place = np.minimum(np.searchsorted(known, wanted), len(known) - 1)
        changed = known[place] == wanted
        height_mm[changed] += changes.change_mm[place[changed]]
        return height_mm

    def seam_px(self, tile: int, row_px: np.ndarray, col_px: np.ndarray) -> np.ndarray:
        """Distance of texels from the nearest seam in the tile, float64 (n,), px; infinite if there is none."""
        n, gutter_px = self.raster.size_px, self.raster.gutter_px
        local = (self.seams.uv.reshape(-1, 2) - column_and_row(tile)) * n
        near = ((local >= -gutter_px - 2) & (local <= n + gutter_px + 2)).all(axis=1)
        if not near.any():
            return np.full(len(row_px), np.inf)
        return cKDTree(local[near]).query(np.column_stack([col_px + 0.5, n - row_px - 0.5]))[0]


def sample_tile(intent: Intent, tile: int) -> TileSample:
    """Draw texels of a tile and ask the recipe what they hold."""
    raster, rng = intent.raster, np.random.default_rng(tile)
    drawn = [
        _skin_texels(raster, tile, rng),
        _seam_texels(raster, tile, intent.seams, rng),
        *_border_texels(raster, tile, rng),
    ]
    kind = np.concatenate([np.full(len(row), kind, np.uint8) for kind, row, *_ in drawn])
    row, col, triangle, barycentric, inside = (np.concatenate([one[k] for one in drawn]) for k in range(1, 6))
    _, once = np.unique(row * raster.size_px + col, return_index=True)
    points = SkinPoints(triangle[once], barycentric[once])
    return _sample(intent, tile, row[once], col[once], points, inside[once], kind[once])


def texels_of(intent: Intent, tile: int, row_px: np.ndarray, col_px: np.ndarray) -> TileSample:
    """Given texels of a tile, and what the recipe says they hold."""
    raster = intent.raster
    points, inside = raster.skin_points_at(tile, row_px, col_px, raster.gutter_px)
    kind = np.where(inside, SKIN, np.where(points.triangle >= 0, GUTTER, OUTSIDE)).astype(np.uint8)
    return _sample(intent, tile, row_px, col_px, points, inside, kind)


def _sample(
    intent: Intent,
    tile: int,
    row_px: np.ndarray,
    col_px: np.ndarray,
    points: SkinPoints,
    inside: np.ndarray,
    kind: np.ndarray,
) -> TileSample:
    meant_mm = intent.texels_mm(tile, row_px, col_px, points)
    seam_px = intent.seam_px(tile, row_px, col_px)
    return TileSample(tile, intent.raster.size_px, row_px, col_px, points, kind, inside, meant_mm, seam_px)


def _skin_texels(raster: TileRaster, tile: int, rng: np.random.Generator):
    """Texels inside charts, drawn evenly over the tile's charts."""
    found_row, found_col = np.empty(0, np.int64), np.empty(0, np.int64)
    surface, n = raster.surface, raster.size_px
    uv = surface.corner_uv - column_and_row(tile)
    edge = uv[:, 1:] - uv[:, :1]
    area = 0.5 * np.abs(edge[:, 0, 0] * edge[:, 1, 1] - edge[:, 0, 1] * edge[:, 1, 0])
    touches = ((uv.max(axis=1) > 0) & (uv.min(axis=1) < 1)).all(axis=1) & raster.has_texels
    share = np.cumsum(np.where(touches, area, 0.0))
    for _ in range(_ROUNDS if share[-1] > 0 else 0):
        triangle = np.minimum(np.searchsorted(share, rng.random(N_SKIN) * share[-1], side="right"), len(share) - 1)
        root, second = np.sqrt(rng.random(N_SKIN)), rng.random(N_SKIN)
        weight = np.column_stack([1 - root, root * (1 - second), root * second])
        at = np.einsum("nk,nkx->nx", weight, uv[triangle])
        row, col = np.floor((1 - at[:, 1]) * n).astype(np.int64), np.floor(at[:, 0] * n).astype(np.int64)
        in_tile = (row >= 0) & (row < n) & (col >= 0) & (col < n)
        number = np.concatenate([found_row * n + found_col, row[in_tile] * n + col[in_tile]])
        _, first = np.unique(number, return_index=True)
        number = number[np.sort(first)]
        found_row, found_col = np.divmod(number, n)
        if len(number) >= 1.2 * N_SKIN:
            break
    points, inside = raster.skin_points_at(tile, found_row, found_col, 0)
    keep = np.flatnonzero(inside)[:N_SKIN]
    return SKIN, found_row[keep], found_col[keep], points.triangle[keep], points.barycentric[keep], inside[keep]


def _seam_texels(raster: TileRaster, tile: int, seams: SeamPoints, rng: np.random.Generator):
    """Texels that are read at points along seams, on either side."""
    number = np.empty(0, np.int64)
    for _, here, row, col in (one for one in by_tile(raster, seams.reading.texel.ravel()) if one[0] == tile):
        if len(here) > N_SEAM:
            some = rng.choice(len(here), N_SEAM, replace=False)
            row, col = row[some], col[some]
        number = np.unique(row * raster.size_px + col)
    row, col = np.divmod(number, raster.size_px)
    points, inside = raster.skin_points_at(tile, row, col, _SEAM_REACH_PX)
    return SEAM, row, col, points.triangle, points.barycentric, inside


def _border_texels(raster: TileRaster, tile: int, rng: np.random.Generator):
    """Texels in small blocks along borders of charts: in gutters, and beyond them."""
    surface, n = raster.surface, raster.size_px
    t, k = np.nonzero(surface.is_chart_border & raster.has_texels[:, None])
    uv = surface.corner_uv[t] - column_and_row(tile)
    ends = np.stack([uv[np.arange(len(t)), (k + 1) % 3], uv[np.arange(len(t)), (k + 2) % 3]], axis=1)
    length = np.linalg.norm(ends[:, 1] - ends[:, 0], axis=1)
    middle = ends.mean(axis=1)
    share = np.cumsum(np.where(((middle >= 0) & (middle <= 1)).all(axis=1), length, 0.0))
    row, col = np.empty(0, np.int64), np.empty(0, np.int64)
    if len(share) and share[-1] > 0:
        edge = np.minimum(np.searchsorted(share, rng.random(N_BLOCKS) * share[-1]), len(share) - 1)
        at = ends[edge, 0] + rng.random((N_BLOCKS, 1)) * (ends[edge, 1] - ends[edge, 0])
        # half of the blocks at the border itself, half anywhere as far as the gutter reaches
        away = rng.uniform(-1, 1, (N_BLOCKS, 2)) * (raster.gutter_px + 8) * (np.arange(N_BLOCKS) % 2)[:, None]
        middle = np.column_stack([(1 - at[:, 1]) * n, at[:, 0] * n]) + away
        corner = np.floor(middle / SMALL_BLOCK_PX).astype(np.int64) * SMALL_BLOCK_PX
        place = corner[:, None] + rng.integers(0, SMALL_BLOCK_PX, (N_BLOCKS, N_PER_BLOCK, 2))
        row, col = place.reshape(-1, 2).T
        in_tile = (row >= 0) & (row < n) & (col >= 0) & (col < n)
        row, col = row[in_tile], col[in_tile]
    points, inside = raster.skin_points_at(tile, row, col, raster.gutter_px)
    for kind, which in (
        (SKIN, inside),
        (GUTTER, ~inside & (points.triangle >= 0)),
        (OUTSIDE, points.triangle < 0),
    ):
        yield kind, row[which], col[which], points.triangle[which], points.barycentric[which], inside[which]
