"""What a check found and measured, for programs and for people."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from poredepth.output.tiles import tile_indices


@dataclass(frozen=True)
class Place:
    """A texel, and where on the skin it lies.

    Attributes
    ----------
    tile : number of the UV tile; row_px, col_px : row 0 is the top (v near 1)
    u, v : of the texel's centre, tile included
    at : point of the skin in units of the mesh file, as text; empty where there is none or no recipe was given
    """

    tile: int
    row_px: int
    col_px: int
    u: float
    v: float
    at: str = ""

    @classmethod
    def of(cls, tile: int, row_px: int, col_px: int, shape: tuple[int, int], at: str = "") -> Place:
        """The place of a texel of a tile with ``shape`` (rows, cols)."""
        column, row = tile_indices(tile) if 1001 <= tile <= 1100 else (0, 0)
        u, v = column + (col_px + 0.5) / shape[1], row + 1 - (row_px + 0.5) / shape[0]
        return cls(int(tile), int(row_px), int(col_px), float(u), float(v), at)

    def __str__(self) -> str:
        at = f", {self.at}" if self.at else ""
        return f"tile {self.tile}, row {self.row_px}, col {self.col_px} (u {self.u:.6f}, v {self.v:.6f}){at}"


@dataclass(frozen=True)
class Finding:
    """One thing that is wrong.

    Attributes
    ----------
    name : what it is, in short: a word of docs/checking.md
    text : one sentence with numbers
    hint : likely cause and what to do
    file : the map it is about; None if it is about several
    place : the first or worst texel, if there is one
    """

    name: str
    text: str
    hint: str
    file: Path | None = None
    place: Place | None = None

    def __str__(self) -> str:
        where = "" if self.file is None else f"{self.file}: "
        place = "" if self.place is None else f"; at {self.place}"
        return f"{self.name}: {where}{self.text}{place}; {self.hint}"


@dataclass(frozen=True)
class TexelMeasure:
    """Texels of one file beside the heights the recipe means.

    Attributes
    ----------
    n_skin, n_seam, n_gutter, n_outside : texels looked at inside charts, beside seams, in gutters, and without skin
    n_wrong : of these, farther from what is meant than writing may round
    worst_mm, rms_mm : how far they are from what is meant
    tolerance_mm : what writing may round the texel with the worst error by
    """

    n_skin: int
    n_seam: int
    n_gutter: int
    n_outside: int
    n_wrong: int
    worst_mm: float
    rms_mm: float
    tolerance_mm: float


@dataclass(frozen=True)
class FileMeasure:
    """One file as an independent reader sees it.

    Attributes
    ----------
    path, tile, kind : tile and kind as the metadata say; reader : name and version
    size_px : (width, height); pixel_type, compression, row_order : in the reader's words
    format, formula : as stated; stated_by : ``file and sidecar``, ``file`` or ``sidecar``
    low_mm, high_mm : lowest and highest height found; None if nothing finite is there
    n_levels : different values in the file; None: more than are counted in a float file
    texels : beside the recipe, if one was given
    """

    path: Path
    tile: int
    kind: str
    reader: str
    size_px: tuple[int, int]
    pixel_type: str
    compression: str
    row_order: str
    format: str
    formula: str
    stated_by: str
    low_mm: float | None
    high_mm: float | None
    n_levels: int | None
    texels: TexelMeasure | None = None


@dataclass(frozen=True)
class SkinMeasure:
    """A set of tiles read bilinearly at random points of the skin, beside the relief itself, and along seams.

    Attributes
    ----------
    n_points : skin points that were read
    rms_mm, worst_mm : error of reading; mean_mm, median_mm : of the signed error: does all of the head stand off?
    n_seam_points : 0: no seams
    apart_mm, apart_worst_mm : what the two sides of seams read apart, root mean square and worst
    meant_apart_mm : the same of the heights that are meant, root mean square
    """

    n_points: int
    rms_mm: float
    worst_mm: float
    mean_mm: float
    median_mm: float
    n_seam_points: int
    apart_mm: float
    apart_worst_mm: float
    meant_apart_mm: float


@dataclass(frozen=True)
class SetMeasure:
    """The files of one map, and what was measured over all of them."""

    files: tuple[FileMeasure, ...]
    skin: SkinMeasure | None = None


@dataclass(frozen=True)
class CheckReport:
    """Everything wrong, and everything measured, by set of tiles."""

    findings: tuple[Finding, ...]
    measures: tuple[SetMeasure, ...]

    @property
    def ok(self) -> bool:
        return not self.findings

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the findings, each once, in order."""
        return tuple(dict.fromkeys(one.name for one in self.findings))


def spread(values: np.ndarray) -> tuple[float, float]:
    """Root mean square and largest, of absolute values; zeros of nothing."""
    if len(values) == 0:
        return 0.0, 0.0
    size = np.abs(values.astype(np.float64))
    return float(np.sqrt(np.mean(size**2))), float(size.max())
