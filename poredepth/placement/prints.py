"""`Prints`: the one table that every way of laying a patch compiles into."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from poredepth.surface.points import barycentric_lattice

#: A sharpness beyond all: prints do not overlap at all.
STRONGEST_ONLY = 0


@dataclass(frozen=True)
class Prints:
    """For a triangle and a print: where the triangle's corners fall in the patch, and the print's weight there.

    Corner data belongs to a (welded vertex, print) pair, so what it says is continuous over every edge and every seam.
    A print's weight is linear inside a triangle; it counts where it is above 0, and it is 0 or less on the rim of the
    triangles that hold the print.

    Attributes
    ----------
    start : int64 (n_triangles + 1,), the rows of triangle t are start[t] to start[t + 1], in order of print
    print_id : int32 (n_rows,)
    picture : int32 (n_rows,), which picture of the layer the print shows (always 0 for one patch), -1 for none: flat
    corner_mm : float32 (n_rows, 3, 2), patch coordinates of the corners, mm: x to the right, y upwards
    corner_weight : float32 (n_rows, 3)
    zoom : float32 (n_rows,), mm of the patch in one mm of skin, the finer way: what a texel's size is multiplied by
        before it is filtered for; one value for all rows of a print
    pair_start : int64 (n_triangles + 1,), likeness : float32 (n_pairs,), correlation of the heights of two prints
        where they meet, for the pairs of rows of triangle t in the order (0, 1), (0, 2), ... (1, 2), ...
    sharpness : int, the weight's power when prints meet: the larger, the narrower the overlap; or
        ``STRONGEST_ONLY``, the first of the strongest prints of a point is the only one
    keep_contrast : prints meet so that the variance of unrelated ones is kept; else as a plain average
    centre_triangle, centre_barycentric : int32 (n_prints,), float64 (n_prints, 3), empty for whole-skin placements
    """

    start: np.ndarray
    print_id: np.ndarray
    picture: np.ndarray
    corner_mm: np.ndarray
    corner_weight: np.ndarray
    zoom: np.ndarray
    pair_start: np.ndarray
    likeness: np.ndarray
    sharpness: int = 1
    keep_contrast: bool = True
    centre_triangle: np.ndarray = field(default_factory=lambda: np.empty(0, np.int32))
    centre_barycentric: np.ndarray = field(default_factory=lambda: np.empty((0, 3)))

    @property
    def n_prints(self) -> int:
        return int(self.print_id.max(initial=-1)) + 1

    @property
    def row_triangle(self) -> np.ndarray:
        """int64 (n_rows,): the triangle of each row."""
        return np.repeat(np.arange(len(self.start) - 1), np.diff(self.start))


def sharpness_for(print_mm: float, overlap_mm: float) -> int:
    """Power that makes two prints of ``print_mm`` cross-fade from 10 to 90 % within about ``overlap_mm``.

    Weights fall linearly from 1 at a print's centre to 0 at its rim; half-way between two centres both are near 1/2,
    and the log of their ratio changes by 4 / radius per mm, so that ln(81) = 4.4 is passed within 1.1 radius / power
    (own derivation).
    """
    return int(np.clip(round(0.55 * print_mm / overlap_mm), 1, 64))


#: Barycentrics of a lattice in a triangle, its corners included.
LATTICE = barycentric_lattice(4)


def visible_area_mm2(prints: Prints, area_mm2: np.ndarray) -> np.ndarray:
    """How much of the skin each row shows: its share where prints meet, over a lattice in its triangle.

    Parameters
    ----------
    area_mm2 : float (n_triangles,)

    Returns
    -------
    float64 (n_rows,), mm2; the rows of a triangle add up to its area, where it has a print at all
    """
    triangle = prints.row_triangle
    at = 0.97 * LATTICE + 0.01  # corners lie on the rims of prints
    weight = np.maximum(prints.corner_weight.astype(float) @ at.T, 0.0)
    most, total = np.zeros((2, len(area_mm2), len(at)))
    np.maximum.at(most, triangle, weight)
    part = np.divide(weight, most[triangle], out=np.zeros_like(weight), where=weight > 0) ** prints.sharpness
    np.add.at(total, triangle, part)
    share = np.divide(part, total[triangle], out=np.zeros_like(part), where=part > 0)
    return share.mean(axis=1) * area_mm2[triangle]


def stretch(prints: Prints, flat_mm: np.ndarray) -> np.ndarray:
    """Singular values of the map skin -> patch of every row, float64 (n_rows, 2), larger first; 1 is true to size."""
    flat = flat_mm[prints.row_triangle]
    on_skin = np.stack([flat[:, 1] - flat[:, 0], flat[:, 2] - flat[:, 0]], axis=2)
    in_patch = np.stack(
        [prints.corner_mm[:, 1] - prints.corner_mm[:, 0], prints.corner_mm[:, 2] - prints.corner_mm[:, 0]], axis=2
    ).astype(float)
    det = np.linalg.det(on_skin)
    on_skin[np.abs(det) < 1e-12] = np.eye(2)
    return np.linalg.svd(in_patch @ np.linalg.inv(on_skin), compute_uv=False)
