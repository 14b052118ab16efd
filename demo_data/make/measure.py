"""Body measures and landmark points of the demo head, from its left half grid; lengths in mm.

The allowed ranges are the 1-99 % spans of women and men together in Gordon et al. 2014, NATICK/TR-15/007, computed
from the public copies of its raw data. The measures follow its definitions as far as a closed-lid clay head has them.
"""

import numpy as np
from form import EYE_MM, lash_y_mm, mouth_y_mm
from scipy.spatial import ConvexHull

RANGES_MM = {
    "head breadth": (136, 168),
    "head length": (171, 215),
    "head circumference": (521, 614),
    "bizygomatic breadth": (122, 158),
    "menton-sellion length": (100, 138),
    "interpupillary breadth": (53.5, 72.5),
    "tragion to top of head": (110, 145),
    "ear length": (50, 75),
    "neck circumference": (291, 467),
}


def section_round_mm(points, y_front, y_back):
    """Length in mm of a tape around points (rows, columns, 3) of the left half at the plane y_front to y_back."""
    z0, z1 = points[..., 2].min(), points[..., 2].max()
    level = points[..., 1] - (y_back + (y_front - y_back) * (points[..., 2] - z0) / (z1 - z0))
    a, b = level[:-1], level[1:]
    hit = (a >= 0) & (b < 0)
    t = (a / np.where(hit, a - b, 1.0))[hit][:, None]
    ring = points[:-1][hit] * (1 - t) + points[1:][hit] * t
    both = np.concatenate([ring, ring * np.array([-1.0, 1.0, 1.0])])[:, [0, 2]]
    return float(ConvexHull(both).area)


def landmarks(bare, eared, ear_frame):
    """Named points {name: (3,)} in mm; bare and eared are the left grids before and after the ear is raised."""
    middle = bare[:, 0]
    front = middle[middle[:, 2] > 40]

    def on_face(x, y):
        part = bare[30:106, :34].reshape(-1, 3)
        near = np.argsort(np.hypot(part[:, 0] - x, part[:, 1] - y))[:3]
        weight = 1.0 / (np.hypot(*(part[near, :2] - [x, y]).T) + 0.05)
        return np.array([x, y, (part[near, 2] * weight).sum() / weight.sum()])

    root = front[(front[:, 1] > -4) & (front[:, 1] < 14)]
    up, back = ear_frame(bare)
    tragus = np.argmin(np.where(bare[..., 0] > 40, np.hypot(up + 0.08, back + 0.78), 9.0))
    side = bare[30:106, :34].reshape(-1, 3)
    wing = side[(side[:, 1] > -50) & (side[:, 1] < -36) & (side[:, 2] > 88)]
    left = {
        "eye_inner": on_face(16.5, lash_y_mm(16.5)),
        "eye_outer": on_face(45.5, lash_y_mm(45.5)),
        "pupil": on_face(EYE_MM[0], lash_y_mm(EYE_MM[0]) + 4.0),
        "mouth_corner": on_face(25.5, mouth_y_mm(25.5)),
        "nose_wing": wing[np.argmax(wing[:, 0])],
        "tragion": eared.reshape(-1, 3)[tragus],
        "cheek": on_face(40.0, -30.0),
    }
    points = {
        "nose_tip": front[np.argmax(front[:, 2])],
        "nasion": root[np.argmin(root[:, 2])],
        "chin_menton": front[np.argmin(np.where(front[:, 2] > 62, front[:, 1], 0.0))],
        "hairline_centre": middle[18],
        "forehead_centre": middle[31],
        "crown": middle[0],
    }
    for name, p in left.items():
        points[name + "_left"], points[name + "_right"] = p, p * np.array([-1.0, 1.0, 1.0])
    return points


def measures(bare, eared, ear_frame, ear_half_mm):
    """Measures {name: mm} of the head; arguments as for landmarks, ear_half_mm the two ear half axes."""
    spot = landmarks(bare, eared, ear_frame)
    cheek = bare[(bare[..., 1] > -32) & (bare[..., 1] < -4) & (bare[..., 2] > 8)]
    up, back = ear_frame(eared)
    ear = (eared[..., 0] - bare[..., 0] > 2.5) & (np.hypot(up, back) < 1.7)
    return {
        "head breadth": 2 * bare[..., 0].max(),
        "head length": bare[(bare[..., 1] > 15) & (bare[..., 1] < 30), 2].max() - bare[..., 2].min(),
        "head circumference": section_round_mm(bare[:60], 26.0, 30.0),
        "bizygomatic breadth": 2 * cheek[:, 0].max(),
        "menton-sellion length": np.linalg.norm(spot["chin_menton"] - spot["nasion"]),
        "interpupillary breadth": 2 * spot["pupil_left"][0],
        "tragion to top of head": spot["crown"][1] - spot["tragion_left"][1],
        "ear length": np.ptp(up[ear]) * ear_half_mm[0],
        "neck circumference": section_round_mm(bare[110:], -138.0, -132.0),
    }


def check(found):
    """Lines of text, one per measure; raises ValueError if a measure lies outside its range."""
    lines, bad = [], []
    for name, (low, high) in RANGES_MM.items():
        lines.append(f"{name:24s} {found[name]:7.1f} mm   allowed {low} to {high}")
        if not low <= found[name] <= high:
            bad.append(lines[-1])
    if bad:
        raise ValueError("head.py: measures outside the 1-99 % range, change form.py:\n" + "\n".join(bad))
    return lines
