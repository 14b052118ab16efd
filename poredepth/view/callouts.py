"""Names on leader lines: marks on a picture, their names in a column beside it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from PIL import ImageDraw
from scipy.optimize import isotonic_regression

#: Inks, sRGB: lines and names; marks; marks that want a second look.
INK, MARK, ODD = (52, 56, 64), (24, 66, 126), (196, 84, 0)
LEADER = (120, 124, 130)


@dataclass(frozen=True)
class Callout:
    """A mark at (x, y), pixels, with its name; ``is_odd`` marks it for a second look."""

    x: float
    y: float
    text: str
    is_odd: bool = False


@dataclass(frozen=True)
class Column:
    """Where names stand.

    Attributes
    ----------
    edge_x : its edge towards the picture, pixels; side : -1 if it stands to the left of the picture, 1 to the right
    reach : from that edge to the picture, pixels
    top, bottom : rows the names may take, pixels
    """

    edge_x: float
    side: int
    reach: float
    top: float
    bottom: float


def spaced(wanted: np.ndarray, step: float, low: float, high: float) -> np.ndarray:
    """Places at least ``step`` apart, in the order given, as near to the wanted ones as they can be (least squares).

    Parameters
    ----------
    wanted : float (n,), rising; low, high : bounds; if there is too little room the places run on beyond ``high``

    Source: isotonic regression after taking off the steps (own derivation; Barlow et al. 1972 for the regression).
    """
    steps = step * np.arange(len(wanted))
    if len(wanted) == 0:
        return np.empty(0)
    free = isotonic_regression(np.asarray(wanted, float) - steps).x
    return np.maximum(np.minimum(free, high - steps[-1]), low) + steps


def draw_callouts(draw: ImageDraw.ImageDraw, callouts: list[Callout], left: Column, right: Column, font) -> None:
    """Draw marks, leader lines and names.

    A name goes to the column on its mark's side of the picture, names of the midline to the column with fewer of them.
    """
    inner, outer = left.edge_x + left.reach, right.edge_x - right.reach
    middle, near = 0.5 * (inner + outer), 0.02 * (outer - inner)
    taken: tuple[list[Callout], list[Callout]] = [], []
    sided = [c for c in callouts if abs(c.x - middle) >= near]
    for callout in sided:
        taken[int(callout.x > middle)].append(callout)
    for callout in callouts:
        if callout not in sided:
            taken[int(len(taken[1]) < len(taken[0]))].append(callout)
    for column, own in zip((left, right), taken, strict=True):
        own.sort(key=lambda c: (c.y, c.x))
        places = spaced(np.array([c.y for c in own]), 1.3 * font.size, column.top, column.bottom)
        for callout, y in zip(own, places, strict=True):
            _draw_one(draw, callout, column, y, font)


def _draw_one(draw: ImageDraw.ImageDraw, callout: Callout, column: Column, y: float, font) -> None:
    scale = max(1, round(font.size / 15))
    elbow, start = column.edge_x, column.edge_x + column.side * 12 * scale
    draw.line([(callout.x, callout.y), (elbow, y), (start, y)], fill=LEADER, width=scale)
    anchor = "lm" if column.side > 0 else "rm"
    ink = ODD if callout.is_odd else INK
    draw.text((start + column.side * 5 * scale, y), callout.text, fill=ink, font=font, anchor=anchor)
    r = (6 if callout.is_odd else 4) * scale
    if callout.is_odd:
        corners = [(callout.x, callout.y - r), (callout.x + r, callout.y), (callout.x, callout.y + r)]
        draw.polygon([*corners, (callout.x - r, callout.y)], outline=ODD, width=2 * scale)
    else:
        draw.ellipse((callout.x - r, callout.y - r, callout.x + r, callout.y + r), outline=MARK, width=2 * scale)
