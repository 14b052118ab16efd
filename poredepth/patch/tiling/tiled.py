"""Level relief made to tile, by the method that does it best."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from poredepth.errors import PatchError
from poredepth.patch.tiling.checks import checked_picture
from poredepth.patch.tiling.cut import Seam, can_be_cut, check_can_be_cut, cut_seams
from poredepth.patch.tiling.measure import MOST_BLOTCH_RATIO, MOST_BORDER_RATIO, MOST_STRUCTURE_RATIO
from poredepth.patch.tiling.quality import (
    MOST_CONTRAST_RATIO,
    TileQuality,
    quality_as_it_is,
    quality_of_cut,
    quality_of_smooth,
)
from poredepth.patch.tiling.smooth import periodic_plus_smooth
from poredepth.patch.types import check_positive

#: What `make_tileable` takes, and what it may end with.
METHODS = ("best", "smooth", "cut", "none")
#: Above this the tile begins at another line: own choice, below ``MOST_BORDER_RATIO``.
_MOVED_FROM_RATIO = 1.1
#: Lines that the border is chosen with, at most.
_MOST_LINES = 1024


@dataclass(frozen=True, eq=False)
class Tiled:
    """Relief that tiles.

    Attributes
    ----------
    height_mm : (rows, cols), mm
    method : "none" (tiled already or left as it was), "smooth" or "cut"
    quality : method -> `TileQuality`, of each that was tried
    overlap_px : (rows, cols) texels that margins were laid over each other; (0, 0) unless cut
    notes : sentences for the person who prepares the patch, ``advice`` among them
    advice : those of them that tell what is above the bounds
    """

    height_mm: np.ndarray
    method: str
    quality: dict[str, TileQuality]
    overlap_px: tuple[int, int]
    notes: tuple[str, ...]
    advice: tuple[str, ...] = ()


def make_tileable(
    height_mm: np.ndarray,
    texel_mm: float,
    method: str = "best",
    on_progress: Callable[[int, int], None] | None = None,
) -> Tiled:
    """Make level relief continue over its borders.

    Parameters
    ----------
    height_mm : float (rows, cols), mm, form taken off, lay turned
    texel_mm : float, mm
    method : "smooth" takes a smooth part off (`periodic_plus_smooth`) and keeps the size; "cut" lays the margins over
        each other (`overlap_cut`) and is smaller; "none" only measures; "best" leaves alone what tiles already and
        otherwise takes the better of the two
    on_progress : called with (steps done, steps in all)

    Returns
    -------
    Tiled

    Raises
    ------
    PatchError : heights that are no finite (rows, cols), a texel that is not above 0, another method

    Notes
    -----
    Better is: first, that the border does not show; then, that the seam does not; then, the lesser cost
    (`TileQuality.rank`).  Both are made only where the picture does not tile already (`TileBorder.continues`).
    """
    heights = checked_picture("tiling", height_mm)
    check_positive("tiling", "texel_mm", texel_mm)
    if method not in METHODS:
        raise PatchError(f"tiling: method is {method!r}; allowed are {', '.join(METHODS)}")
    if method == "cut":
        check_can_be_cut(heights.shape)
    told = _Told(on_progress, 1 + {"best": 2, "none": 0}.get(method, 1))
    quality = {"none": quality_as_it_is(heights, texel_mm)}
    told.step()
    if method == "none" or (method == "best" and quality["none"].border.continues):
        told.end()
        return _as_it_is(heights, quality)
    if method == "best" and not can_be_cut(heights.shape):
        method = "smooth"
    made = {}
    if method in ("best", "cut"):
        made["cut"], quality["cut"] = _cut(heights, texel_mm)
        told.step()
    if method in ("best", "smooth"):
        level = _level_borders(heights)
        periodic, _ = periodic_plus_smooth(level)
        quality["smooth"] = quality_of_smooth(level, periodic, texel_mm)
        made["smooth"] = periodic, (0, 0), ("a smooth part was taken off, so that the borders meet",)
        del level
        told.step()
    told.end()
    best = min(made, key=lambda name: quality[name].rank)
    tile, overlap, notes = made[best]
    advice = _advice(quality[best])
    return Tiled(tile, best, quality, overlap, (*notes, *advice), advice)


class _Told:
    """Counts steps for a listener."""

    def __init__(self, listener: Callable[[int, int], None] | None, total: int):
        self.listener, self.total, self.done = listener, total, 0

    def step(self) -> None:
        self.done += 1
        if self.listener is not None:
            self.listener(self.done, self.total)

    def end(self) -> None:
        while self.done < self.total:
            self.step()


def _as_it_is(heights: np.ndarray, quality: dict[str, TileQuality]) -> Tiled:
    found = quality["none"]
    said = "it tiles already: left as it is" if found.border.continues else "left as it is: it does not tile"
    advice = _advice(found, shows=not found.border.continues)
    return Tiled(heights.copy(), "none", quality, (0, 0), (said, *advice), advice)


def _level_borders(heights: np.ndarray) -> np.ndarray:
    """Heights less the tilt between opposite borders, the mean kept."""
    rows, cols = heights.shape
    down = float(np.mean(heights[-1], dtype=np.float64) - np.mean(heights[0], dtype=np.float64)) / (rows - 1)
    right = float(np.mean(heights[:, -1], dtype=np.float64) - np.mean(heights[:, 0], dtype=np.float64)) / (cols - 1)
    level = heights - (down * (np.arange(rows) - (rows - 1) / 2)).astype(heights.dtype)[:, None]
    level -= (right * (np.arange(cols) - (cols - 1) / 2)).astype(heights.dtype)
    return level


def _cut(heights: np.ndarray, texel_mm: float) -> tuple[tuple, TileQuality]:
    """The tile with its overlap and notes, and its quality."""
    seams = cut_seams(heights)
    tile = np.ascontiguousarray(seams[1].picture.T)
    quality = quality_of_cut(tile, seams, heights.shape, texel_mm)
    notes = _notes_of_cut(seams, heights.shape, tile.shape)
    if quality.border.worst_ratio > _MOVED_FROM_RATIO:
        tile = _begun_where_quiet(tile)
        quality = quality_of_cut(tile, seams, heights.shape, texel_mm)
    overlap = seams[1].period.overlap_px, seams[0].period.overlap_px
    return (tile, overlap, notes), quality


def _notes_of_cut(seams: tuple[Seam, Seam], shape: tuple[int, int], tile: tuple[int, int]) -> tuple[str, ...]:
    across, down = (seam.period for seam in seams)
    notes = [
        f"cut to {tile[0]} x {tile[1]} of {shape[0]} x {shape[1]} texels (rows x cols), margins of {down.overlap_px} "
        f"and {across.overlap_px} texels laid over each other"
    ]
    turned = [math.degrees(math.atan2(abs(period.slip_px), period.period_px)) for period in (across, down)]
    if max(turned) > 0:
        notes.append(f"sheared by {turned[0]:.1f} degrees along rows, {turned[1]:.1f} along columns, so that it fits")
    return tuple(notes)


def _begun_where_quiet(tile: np.ndarray) -> np.ndarray:
    """The same tile, rolled so that its borders lie where steps and kinks are least: any line is as good a border."""
    for axis in (0, 1):
        lines = tile.T if axis == 0 else tile
        some = lines[:: -(-len(lines) // _MOST_LINES)]
        steps = some - np.roll(some, 1, axis=1)
        kinks = np.roll(steps, -1, axis=1) - steps
        jump, kink = (np.einsum("ij,ij->j", part, part, dtype=np.float64) for part in (steps, kinks))
        kink = kink + np.roll(kink, 1)
        noise = np.maximum(jump / (jump.mean() or 1.0), kink / (kink.mean() or 1.0))
        tile = np.roll(tile, -int(noise.argmin()), axis=axis)
    return tile


def _advice(quality: TileQuality, shows: bool = True) -> tuple[str, ...]:
    """What a person can do about what is above the bounds."""
    said = []
    worst, seam, contrast = quality.border.worst_ratio, quality.seam_ratio, quality.contrast_ratio
    if shows and worst > MOST_BORDER_RATIO:
        said.append(
            f"the border may show: steps and kinks over it are {worst:.2f} times those inside (advised: at most "
            f"{MOST_BORDER_RATIO:g}); give a larger or more even piece"
        )
    elif shows and seam > MOST_STRUCTURE_RATIO:
        said.append(
            f"the seam may show: steps and kinks over it are {seam:.2f} times those beside it (advised: at most "
            f"{MOST_STRUCTURE_RATIO:g}); give a larger or more even piece"
        )
    if abs(math.log(contrast)) > math.log(MOST_CONTRAST_RATIO):
        said.append(
            f"fine relief along the seam is {contrast:.2f} times as high as in the picture (advised: 1 / "
            f"{MOST_CONTRAST_RATIO:g} to {MOST_CONTRAST_RATIO:g}); look at the tile"
        )
    if quality.blotch_ratio > MOST_BLOTCH_RATIO:
        said.append(
            f"{100 * quality.blotch_ratio:.3g} % of Sq lies in waves longer than a third of the tile (advised: at most "
            f"{100 * MOST_BLOTCH_RATIO:.0f} %): repeats will show; take form off with a shorter cutoff"
        )
    return tuple(said)
