"""The parts of the face, drawn once on a model head: outlines in its front and side view.

The model head is that of `recipe.anatomy`: x to its own left, y up, z forward, mm, with the landmarks in their
standard places.  Outlines are painted in order, each on what those before it left free, so that the parts cover
everything once.

Where borders run follows surface anatomy: hairline, eyebrow ridge, rim of the eye socket, temporal crest, cheekbone
arch, groove of the nose wing, fold from nose to mouth, edge of the red of the lips, lower edge of the jaw.  The drawing
is the project's own.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np
from scipy.interpolate import CubicSpline

from poredepth.recipe.anatomy import PARTS
from poredepth.surface import kernels

#: Far beyond any head, mm.
FAR = 400.0

#: Corners laid on each piece of a smooth outline.
STEPS = 8


@dataclass(frozen=True)
class Outline:
    """One part in one view.

    Attributes
    ----------
    part : its name, without ``_left`` and ``_right`` if it is one of a pair
    view : ``front`` looks at (x, y), ``side`` at (z, y); both sides of the head are drawn alike
    beyond_mm : the part lies farther to the front (front view) or to the side (side view) than this
    points : corners on the left half; a part on the midline goes on with their mirror images
    smooth : a curve through the points, not straight lines
    """

    part: str
    view: Literal["front", "side"]
    beyond_mm: float
    points: tuple[tuple[float, float], ...]
    smooth: bool = True

    @property
    def is_paired(self) -> bool:
        return self.part not in PARTS

    @cached_property
    def corners(self) -> np.ndarray:
        """Closed outline, float64 (m, 2), mm."""
        points = np.array(self.points, float)
        if self.view == "front" and not self.is_paired:
            mirrored = points[::-1] * [-1, 1]
            points = np.vstack([points, mirrored[mirrored[:, 0] < 0]])
        return _curve(points) if self.smooth else points

    def depth_mm(self, at_mm: np.ndarray) -> np.ndarray:
        """How deep points (n, 3) of the model head lie inside, float64 (n,), below 0 outside; either side alike."""
        side = np.abs(at_mm[:, 0])
        across, beyond = (side, at_mm[:, 2]) if self.view == "front" else (at_mm[:, 2], side)
        out = np.empty(len(at_mm))
        kernels.outline_depth(np.ascontiguousarray(across), np.ascontiguousarray(at_mm[:, 1]), self.corners, out)
        return np.minimum(out, beyond - self.beyond_mm)


def _curve(points: np.ndarray) -> np.ndarray:
    """Closed cubic spline through the points, by the square root of their distances (Lee 1989)."""
    closed = np.vstack([points, points[:1]])
    at = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(closed, axis=0), axis=1) ** 0.5)])
    share = np.arange(STEPS) / STEPS
    return CubicSpline(at, closed, bc_type="periodic")((at[:-1, None] + share * np.diff(at)[:, None]).ravel())


# fmt: off
#: In the order they are painted.
OUTLINES = (
    Outline("ear", "side", 40, (
        (1, -14), (0, 0), (-8, 13), (-22, 21), (-36, 17), (-43, 2), (-42, -16), (-35, -33), (-26, -47), (-15, -55),
        (-6, -48), (-1, -32),
    )),
    Outline("neck", "side", -FAR, (
        (FAR, -122), (95, -122), (78, -116.5), (68, -110), (58, -104), (40, -97), (20, -90), (0, -83), (-9, -75),
        (-14, -65), (-19, -58), (-28, -58), (-40, -62), (-80, -66), (-FAR, -68), (-FAR, -FAR), (FAR, -FAR),
    ), smooth=False),
    Outline("scalp", "side", -FAR, (
        (FAR, 86), (90, 85), (77.7, 83.9), (66, 77.5), (53, 65), (43, 48), (37, 28), (29, 12), (15, 0), (5, -8),
        (-10, -14), (-20, -50), (-25, -75), (-FAR, -80), (-FAR, FAR), (FAR, FAR),
    ), smooth=False),
    Outline("lips", "front", 20, (
        (0, -63), (6, -61.5), (14, -63.5), (21, -67.5), (26.5, -71.2), (21, -76), (13, -80), (0, -81.5),
    )),
    Outline("nose_tip", "front", 20, ((0, -29), (8, -31.5), (11.5, -39), (11, -47), (7, -54), (0, -56))),
    Outline("nose_wing", "front", 20, (
        (9, -36), (14.5, -33.5), (18.5, -36.5), (22, -43.5), (22.6, -50), (17, -53.8), (9, -54.5), (0, -50),
    )),
    Outline("nose_bridge", "front", 20, (
        (0, 7), (7, 5.5), (9.5, -3), (11, -14), (14, -26), (17, -35), (14, -44), (0, -46),
    )),
    Outline("temple", "side", 30, (
        (60, 15), (58, 28), (50, 47), (40, 60), (-30, 60), (-30, -11), (0, -11), (40, -9), (60, -9), (66, -6), (66, 4),
    ), smooth=False),
    Outline("glabella", "front", 20, ((0, 26), (8, 25), (13, 20), (13.5, 13), (10, 5), (0, 3))),
    Outline("forehead", "front", 20, (
        (0, 8), (12, 13), (25, 17.5), (40, 17.5), (50, 13), (58, 5), (FAR, 0), (FAR, FAR),
    ), smooth=False),
    Outline("eyelids", "front", 20, (
        (9, 10), (11, -6), (20, -14), (31, -17), (43, -14.5), (52, -6), (56, 6), (50, 20), (31, 25), (15, 20),
    )),
    Outline("upper_lip", "front", 20, (
        (0, -45), (19, -47), (23, -53), (27, -61), (29.5, -68), (29, -73), (24, -76), (0, -76),
    )),
    Outline("chin", "front", 20, (
        (0, -70), (25, -70.5), (29, -73), (29, -82), (26, -97), (22.5, -110), (19, -125), (0, -130),
    )),
    Outline("jaw", "side", -FAR, (
        (FAR, -77), (80, -76), (60, -71.5), (30, -64), (0, -58), (-10, -54), (-40, -45), (-40, -FAR), (FAR, -FAR),
    ), smooth=False),
)
# fmt: on

#: What no outline takes is cheek, left or right of the midline.
REMAINDER = "cheek"
