"""Relaxed skin tension lines of the face, as guide lines on any head whose landmarks are known.

Skin is pulled along these lines when it is at rest: they run across the muscles under it.  The table holds them, as
points in centimetres, on one head (the demo's) together with that head's landmarks; a smooth map from those landmarks
to another head's carries the lines there.

Sources: Borges & Alexander 1962 and Borges 1984 for forehead, glabella, crow's feet, lips and neck, after descriptions
in words; cheeks, nose, chin, lids, temples, jaw and scalp from memory.  No figure was traced: every point was set by
hand on the demo head.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from poredepth.recipe.presets import TENSION_LANDMARKS

#: Landmarks of the head on which the lines are written down, cm; those of SIDES are mirrored to the right side.
_LANDMARKS_MIDDLE = {
    "nose_tip": (0.0, -4.0, 11.38),
    "nasion": (0.0, 0.47, 9.05),
    "chin": (0.0, -11.47, 7.56),
    "hairline": (0.0, 8.39, 7.77),
}
_LANDMARKS_SIDES = {
    "eye_inner": (1.65, -0.30, 7.92),
    "eye_outer": (4.55, -0.06, 7.49),
    "mouth_corner": (2.55, -7.10, 8.36),
    "nose_wing": (2.00, -4.99, 8.86),
    "tragion": (7.48, -1.58, -0.41),
}

# fmt: off
_MIDDLE = {
    "forehead_0": [
        (-4.80, 2.87, 7.13), (-3.20, 2.92, 8.54), (-1.60, 2.89, 9.19), (0.00, 2.80, 9.36), (1.60, 2.89, 9.19),
        (3.20, 2.92, 8.54), (4.80, 2.87, 7.13),
    ],
    "forehead_1": [
        (-4.80, 4.57, 6.84), (-3.20, 4.62, 8.49), (-1.60, 4.59, 9.13), (0.00, 4.50, 9.25), (1.60, 4.59, 9.13),
        (3.20, 4.62, 8.49), (4.80, 4.57, 6.84),
    ],
    "forehead_2": [
        (-4.80, 6.27, 6.30), (-3.20, 6.32, 8.04), (-1.60, 6.29, 8.74), (0.00, 6.20, 8.90), (1.60, 6.29, 8.74),
        (3.20, 6.32, 8.04), (4.80, 6.27, 6.30),
    ],
    "forehead_3": [
        (-4.80, 7.67, 5.25), (-3.20, 7.72, 7.21), (-1.60, 7.69, 8.04), (0.00, 7.60, 8.29), (1.60, 7.69, 8.04),
        (3.20, 7.72, 7.21), (4.80, 7.67, 5.25),
    ],
    "nose_bridge_0": [
        (-1.10, -0.60, 8.32), (-0.50, -0.40, 9.15), (0.00, -0.40, 9.32), (0.50, -0.40, 9.15), (1.10, -0.60, 8.32),
    ],
    "nose_bridge_1": [
        (-1.30, -2.20, 8.94), (-0.60, -2.00, 10.01), (0.00, -1.90, 10.22), (0.60, -2.00, 10.01),
        (1.30, -2.20, 8.94),
    ],
    "nose_tip": [
        (-1.10, -3.70, 10.33), (-0.50, -3.65, 11.25), (0.00, -3.60, 11.37), (0.50, -3.65, 11.25),
        (1.10, -3.70, 10.33),
    ],
    "upper_lip_0": [
        (0.00, -5.45, 9.31), (0.00, -6.10, 9.39), (0.00, -6.70, 9.71),
    ],
    "lower_lip_0": [
        (0.00, -7.40, 9.71), (0.00, -7.90, 9.61), (0.00, -8.40, 9.15),
    ],
    "chin_0": [
        (-2.20, -9.30, 8.37), (-1.20, -8.95, 8.93), (0.00, -8.85, 9.03), (1.20, -8.95, 8.93), (2.20, -9.30, 8.37),
    ],
    "chin_1": [
        (-2.00, -10.60, 8.08), (-1.00, -10.25, 9.19), (0.00, -10.15, 9.40), (1.00, -10.25, 9.19),
        (2.00, -10.60, 8.08),
    ],
    "neck_0": [
        (-4.94, -11.66, -3.37), (-4.97, -12.01, -1.17), (-4.00, -12.34, 0.86), (-2.05, -12.50, 1.90),
        (0.00, -12.59, 2.42), (2.05, -12.50, 1.90), (4.00, -12.34, 0.86), (4.97, -12.01, -1.17),
        (4.94, -11.66, -3.37),
    ],
    "neck_1": [
        (-4.91, -13.36, -3.37), (-4.77, -13.70, -1.22), (-3.97, -14.03, 0.83), (-2.05, -14.20, 1.89),
        (0.00, -14.33, 2.71), (2.05, -14.20, 1.89), (3.97, -14.03, 0.83), (4.77, -13.70, -1.22),
        (4.91, -13.36, -3.37),
    ],
    "neck_back": [
        (4.81, -11.00, -4.25), (3.98, -11.00, -6.48), (2.12, -11.00, -8.34), (0.00, -11.00, -8.90),
        (-2.12, -11.00, -8.34), (-3.98, -11.00, -6.48), (-4.81, -11.00, -4.25),
    ],
}

_SIDES = {
    "glabella": [
        (0.60, 0.80, 9.02), (0.65, 1.60, 9.39), (0.80, 2.60, 9.37),
    ],
    "crow_0": [
        (4.80, 0.35, 7.10), (5.18, 0.80, 6.30), (5.49, 1.30, 5.50), (5.83, 1.80, 4.60),
    ],
    "crow_1": [
        (4.79, 0.05, 7.20), (5.19, 0.25, 6.30), (5.58, 0.40, 5.40), (5.87, 0.50, 4.50),
    ],
    "crow_2": [
        (4.89, -0.30, 7.10), (5.46, -0.65, 6.30), (6.04, -1.00, 5.40), (6.30, -1.30, 4.60),
    ],
    "lower_lid": [
        (1.80, -0.80, 8.00), (2.50, -1.15, 8.02), (3.20, -1.25, 8.02), (3.90, -1.10, 7.91), (4.40, -0.70, 7.72),
    ],
    "upper_lid": [
        (1.80, 0.30, 7.98), (2.50, 0.55, 7.90), (3.20, 0.65, 7.88), (3.90, 0.50, 7.81), (4.40, 0.25, 7.68),
    ],
    "nasolabial": [
        (2.04, -3.97, 8.62), (2.44, -4.99, 8.63), (2.89, -6.01, 8.33), (3.39, -7.03, 7.72), (3.85, -7.88, 7.09),
    ],
    "cheek_0": [
        (2.60, -2.20, 8.27), (3.10, -3.20, 8.43), (3.60, -4.40, 8.36), (4.00, -5.70, 7.93), (4.20, -7.00, 7.27),
    ],
    "cheek_1": [
        (3.70, -2.20, 7.97), (4.30, -3.30, 7.81), (4.70, -4.60, 7.40), (4.80, -6.00, 7.05), (4.70, -7.40, 6.43),
    ],
    "cheek_2": [
        (6.42, -2.20, 4.80), (6.22, -3.60, 4.00), (5.99, -5.00, 3.50), (5.81, -6.40, 3.30), (5.42, -7.80, 3.20),
    ],
    "upper_lip_1": [
        (0.74, -5.45, 9.40), (0.85, -6.10, 9.43), (0.95, -6.70, 9.65),
    ],
    "upper_lip_2": [
        (1.48, -5.45, 9.22), (1.71, -6.10, 9.15), (1.89, -6.70, 9.23),
    ],
    "lower_lip_1": [
        (0.90, -7.40, 9.75), (0.85, -7.90, 9.38), (0.76, -8.40, 9.08),
    ],
    "lower_lip_2": [
        (1.70, -7.40, 9.41), (1.61, -7.90, 9.04), (1.44, -8.40, 8.92),
    ],
    "temple": [
        (5.38, 1.20, 5.80), (5.78, 2.20, 4.80), (6.29, 3.10, 3.60), (6.85, 3.80, 2.20),
    ],
    "scalp_side_0": [
        (6.33, 6.20, 3.00), (7.34, 5.20, 0.00), (7.48, 4.40, -3.00), (6.82, 3.40, -6.00),
    ],
    "scalp_side_1": [
        (5.37, 9.00, 2.00), (6.54, 8.20, -1.00), (6.92, 7.00, -4.00), (6.33, 5.20, -6.80),
    ],
    "jaw": [
        (5.97, -6.00, 1.00), (5.71, -7.40, 2.20), (4.85, -8.60, 3.80), (3.58, -9.60, 5.40),
    ],
}
# fmt: on
Points = list[tuple[float, float, float]]


def lines_cm() -> dict[str, Points]:
    """Every line by name, both sides, on the head they are written down for; +x is that head's left."""
    out = dict(_MIDDLE)
    for name, points in _SIDES.items():
        out[f"{name}_left"] = points
        out[f"{name}_right"] = [(-x, y, z) for x, y, z in points]
    return out


def landmarks_cm() -> dict[str, tuple[float, float, float]]:
    """Landmarks of the head the lines are written down for, by name."""
    out = dict(_LANDMARKS_MIDDLE)
    for name, (x, y, z) in _LANDMARKS_SIDES.items():
        out |= {f"{name}_left": (x, y, z), f"{name}_right": (-x, y, z)}
    return {name: out[name] for name in TENSION_LANDMARKS}


def tension_lines_mm(landmarks_mm: Mapping[str, np.ndarray]) -> dict[str, np.ndarray]:
    """Relaxed skin tension lines on another head.

    Parameters
    ----------
    landmarks_mm : points (3,) by name, mm, at least those of `TENSION_LANDMARKS`

    Returns
    -------
    polylines (n, 3) by name, mm, on or near that head's skin; they follow its landmarks, wherever it stands
    """
    source = np.array(list(landmarks_cm().values()))
    target = np.array([landmarks_mm[name] for name in TENSION_LANDMARKS], float)
    return {name: carried_points(source, target, np.array(line)) for name, line in lines_cm().items()}


def carried_points(source: np.ndarray, target: np.ndarray, points: np.ndarray) -> np.ndarray:
    """Points carried by the smoothest map of space that takes each source point to its target.

    Parameters
    ----------
    source, target : float64 (n, 3), n >= 4, the source points not all in a plane
    points : float64 (m, 3), near the sources

    Returns
    -------
    float64 (m, 3).  An affine map of the sources is followed exactly; so the lines of a head that was moved, turned or
    scaled move, turn and scale with it.

    Source: thin-plate spline in three dimensions, kernel |r| with a linear part; Bookstein 1989, Duchon 1977.
    """
    n = len(source)
    system = np.zeros((n + 4, n + 4))
    system[:n, :n] = _distances(source, source)
    system[:n, n], system[:n, n + 1 :] = 1.0, source
    system[n:, :n] = system[:n, n:].T
    middle = target.mean(axis=0)  # far from the origin, digits would be lost
    solved = np.linalg.solve(system, np.vstack([target - middle, np.zeros((4, 3))]))
    bent = _distances(points, source) @ solved[:n]
    return bent + solved[n] + points @ solved[n + 1 :] + middle


def _distances(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    return np.linalg.norm(a[:, None] - b[None], axis=2)
