"""The demo head and a second head made from it by a smooth, strong deformation, for tests of landmarks and parts."""

from __future__ import annotations

from functools import cache

import numpy as np

from poredepth.demo import demo_recipe_file
from poredepth.recipe.anatomy import LANDMARKS
from poredepth.surface.obj import PolygonMesh, read_obj

DEMO = demo_recipe_file().parent

#: Landmarks of the demo head in cm, as its recipe gives them.
MARKS_CM = {
    "nose_tip": (0, -4.00, 11.38),
    "nasion": (0, 0.47, 9.05),
    "chin": (0, -11.47, 7.56),
    "hairline": (0, 8.39, 7.77),
    "eye_inner_left": (1.65, -0.30, 7.92),
    "eye_outer_left": (4.55, -0.06, 7.49),
    "mouth_corner_left": (2.55, -7.10, 8.36),
    "nose_wing_left": (2.00, -4.99, 8.86),
    "tragion_left": (7.48, -1.58, -0.41),
    "lip_top": (0, -6.30, 9.47),
    "lip_bottom": (0, -8.15, 9.36),
    "jaw_angle_left": (5.41, -8.12, -0.20),
}
MARKS_CM |= {name.replace("_left", "_right"): (-x, y, z) for name, (x, y, z) in MARKS_CM.items() if "_left" in name}
assert set(MARKS_CM) == set(LANDMARKS)

#: Turn and shift of the second head, whose file is in inches.
TURN = np.linalg.qr(np.random.default_rng(5).normal(size=(3, 3)))[0]
TURN *= np.sign(np.linalg.det(TURN))
SHIFT_INCH = np.array([31.0, -7.5, 12.25])


@cache
def demo_mesh() -> PolygonMesh:
    return read_obj(DEMO / "head.obj")


def _rise(x):
    return 1 / (1 + np.exp(-x))


def second_head(points_cm: np.ndarray) -> np.ndarray:
    """Where points (n, 3) of the demo head, cm, lie on the second head, in inches.

    Its nose stands out 12 mm more and is turned down, its jaw is wider by a fifth, its forehead higher and its lower
    face longer by a fifth, its skull shorter from front to back by an eighth; the whole is larger by a sixth, turned
    and shifted.  Left and right stay alike.
    """
    x, y, z = np.asarray(points_cm, float).reshape(-1, 3).T
    nose = np.exp(-(x**2 + (y + 4) ** 2 + (z - 11) ** 2) / 3.0**2)
    wide = 1 + 0.20 * _rise((-6.0 - y) / 2) * _rise((z - 1) / 3)
    high, low = 0.20 * np.logaddexp(0, y - 1), 0.22 * np.logaddexp(0, -4.5 - y)
    moved = np.column_stack([x * wide, y + high - low - 0.6 * nose, 0.88 * z + 1.2 * nose])
    return 7 / 6 * moved / 2.54 @ TURN.T + SHIFT_INCH


def write_second_head(path) -> None:
    """The second head as OBJ: the demo head's file with other points, without its groups."""
    out = []
    for line in (DEMO / "head.obj").read_text().splitlines():
        if line.startswith("v "):
            line = "v " + " ".join(f"{x:.6f}" for x in second_head([float(x) for x in line.split()[1:]])[0])
        if not line.startswith("g "):
            out.append(line)
    path.write_text("\n".join(out) + "\n")


def second_marks() -> dict[str, list[float]]:
    """Landmarks of the second head, in inches."""
    return {name: second_head(at)[0].tolist() for name, at in MARKS_CM.items()}
