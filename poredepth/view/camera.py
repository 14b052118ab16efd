"""Where the viewer of a picture of the head stands."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from poredepth.errors import PoredepthError
from poredepth.surface.skin import Surface

#: Samples of a pixel along each side.
SUPERSAMPLES = 2
#: Free ground around the head, as a share of its size.
MARGIN_SHARE = 0.06


@dataclass(frozen=True, eq=False)
class View:
    """Where the viewer stands: skin (mm) -> axes right, up, towards the viewer -> pixels."""

    rotation: np.ndarray
    centre: np.ndarray
    mm_per_px: float
    n_px: int

    def seen(self, vectors: np.ndarray) -> np.ndarray:
        return vectors @ self.rotation.T

    def pixels(self, seen_mm: np.ndarray) -> np.ndarray:
        """x right, y down, z towards the viewer, all in pixels."""
        middle = self.n_px / 2
        out = (seen_mm - [*self.centre, 0.0]) / self.mm_per_px
        return out * [1.0, -1.0, 1.0] + [middle, middle, 0.0]

    def position_mm(self, index: np.ndarray, depth: np.ndarray) -> np.ndarray:
        """Where pixels (n,) of a picture of depths lie in the viewer's frame, float32 (n, 3)."""
        row, col = np.divmod(index, depth.shape[1])
        middle = self.n_px / 2
        seen_px = np.stack([col + 0.5 - middle, middle - row - 0.5, depth.ravel()[index]], axis=1)
        return (seen_px * self.mm_per_px + [*self.centre, 0.0]).astype(np.float32)


def head_view(
    surface: Surface,
    size_px: int,
    turn_deg: tuple[float, float],
    crop: tuple[Sequence[float], float] | None = None,
    shown: np.ndarray | None = None,
) -> View:
    """The viewer of a square orthographic picture of a head; +y is up and the face looks along +z.

    Parameters
    ----------
    size_px : rows and columns; each pixel has SUPERSAMPLES^2 samples
    turn_deg : turn about +y, above 0 the face turns to the picture's right; then about the picture's x, above 0 it
        looks down
    crop : (x, y, z) in the mesh file's unit, put in the picture's middle, and the width of the picture in mm
    shown : bool (n_vertices,), what the picture is to hold; default: all.  Not with crop

    Raises
    ------
    PoredepthError : a picture without pixels or width
    """
    if size_px < 1:
        raise PoredepthError(f"head picture: size_px is {size_px}; allowed: 1 or more; 1200 suits a page")
    yaw, pitch = np.radians(turn_deg)
    about_y = np.array([[np.cos(yaw), 0, np.sin(yaw)], [0, 1, 0], [-np.sin(yaw), 0, np.cos(yaw)]])
    about_x = np.array([[1, 0, 0], [0, np.cos(pitch), -np.sin(pitch)], [0, np.sin(pitch), np.cos(pitch)]])
    rotation = about_x @ about_y
    if crop is not None:
        centre = rotation @ (np.asarray(crop[0], float) * surface.mm_per_unit)
        width_mm = float(crop[1])
    else:
        seen = (surface.position_mm if shown is None else surface.position_mm[shown]) @ rotation.T
        low, high = seen.min(axis=0), seen.max(axis=0)
        centre = 0.5 * (low + high)
        width_mm = float((high - low)[:2].max()) * (1 + 2 * MARGIN_SHARE)
    if not width_mm > 0:
        raise PoredepthError(f"head picture: the width is {width_mm:g} mm; allowed: above 0; a head is about 250 mm")
    n_px = size_px * SUPERSAMPLES
    return View(rotation, centre[:2], width_mm / n_px, n_px)


def interpolated(values: np.ndarray, vertex: np.ndarray, barycentric: np.ndarray) -> np.ndarray:
    """Vertex values (n_vertices, m) at skin points whose triangles have corners ``vertex`` (n, 3); float32 (n, m)."""
    values = values.astype(np.float32)
    out = values[vertex[:, 0]] * barycentric[:, :1]
    out += values[vertex[:, 1]] * barycentric[:, 1:2]
    out += values[vertex[:, 2]] * barycentric[:, 2:]
    return out
