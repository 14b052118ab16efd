"""Ears of the demo head: a plain auricle raised from the side of the left half grid; lengths in mm."""

import numpy as np
from form import settle, step

# centre (y, z) on the side of the head and half axes (up, back)
EAR_MM = (-16.0, -16.0)
EAR_HALF_MM = (27.6, 16.8)


def ear_frame(p):
    """Ear coordinates (up, back), each about -1..1 on the ear, of points p (..., 3) in mm on the side of the head."""
    lean = np.deg2rad(10.0)
    dy, dz = p[..., 1] - EAR_MM[0], EAR_MM[1] - p[..., 2]
    up = (dy * np.cos(lean) + dz * np.sin(lean)) / EAR_HALF_MM[0]
    back = (dz * np.cos(lean) - dy * np.sin(lean)) / EAR_HALF_MM[1]
    narrow = 1.0 - 0.16 * np.clip(-up, -0.6, 1.0)
    return up, back / narrow


def ear_height_mm(up, back):
    """Height of the ear over the side of the head in mm, from ear coordinates."""
    r = np.sqrt(up**2 + back**2) + 1e-9
    plate = 3.0 + 7.5 * (back + 0.9)
    edge = 1.0 - step((r - 0.93) / 0.3)
    lobe = step((-up - 0.35) / 0.4)
    rear = step((back + 0.75) / 0.5)
    helix = 2.6 * np.exp(-(((r - 0.83) / 0.14) ** 2)) * np.maximum(rear, step((up - 0.2) / 0.4)) * (1 - 0.7 * lobe)
    trough = -2.2 * np.exp(-(((r - 0.64) / 0.10) ** 2)) * rear * (1 - lobe)
    inner = np.sqrt(((up + 0.06) / 0.52) ** 2 + ((back + 0.22) / 0.52) ** 2)
    bowl = -7.5 * (1 - step((inner - 0.25) / 0.75))
    ridge = 1.9 * np.exp(-(((inner - 1.05) / 0.17) ** 2)) * step((back + 0.3) / 0.4)
    tragus = 4.2 * np.exp(-(((up + 0.08) / 0.17) ** 2) - ((back + 0.72) / 0.2) ** 2)
    swell = 1.6 * np.exp(-(((up + 0.74) / 0.26) ** 2) - ((back + 0.05) / 0.45) ** 2)
    return (plate + helix + trough + bowl + ridge + tragus + swell) * edge * step((back + 1.25) / 0.5)


def gather_at_rim(grid):
    """Slide the grid along the side of the head towards the ear's rim, where the surface will be longest."""
    up, back = ear_frame(grid)
    r = np.hypot(up, back) + 1e-9
    near = (grid[..., 0] > 40) & (r < 2.2)
    pull = (1.07 - r) * 0.5 * np.exp(-(((r - 1.07) / 0.33) ** 2)) / r * np.where(near, step((back + 0.7) / 0.6), 0.0)
    out = grid.copy()
    out[..., 1] += pull * (grid[..., 1] - EAR_MM[0])
    out[..., 2] += pull * (grid[..., 2] - EAR_MM[1])
    out[near] = settle(out[near], 3)[0]
    return out


def raise_ear(grid, share=1.0):
    """Lift the ear out of the side of the head; share scales its height. Leaves all else unmoved."""
    grid = gather_at_rim(grid)
    out = grid.copy()
    up, back = ear_frame(grid)
    side = (grid[..., 0] > 40) & (np.hypot(up, back) < 1.8)
    h = np.where(side, ear_height_mm(up, back), 0.0) * share
    lean = np.array([0.93, 0.0, -0.36])
    out += h[..., None] * lean
    spread = 0.16 * h / 17.0 * step((back + 0.6) / 0.6)
    out[..., 1] += spread * up * EAR_HALF_MM[0] * 0.6
    out[..., 2] -= spread * back * EAR_HALF_MM[1]
    r = np.hypot(up, back)
    soft = (0.5 * step((r - 0.72) / 0.2) * step((1.75 - r) / 0.4) * step((back + 0.75) / 0.3) * side)[1:-1, 1:-1, None]
    soft = np.maximum(soft, 0.22 * (step((1.6 - r) / 0.4) * side)[1:-1, 1:-1, None])
    for _ in range(9):
        mean = 0.25 * (out[2:, 1:-1] + out[:-2, 1:-1] + out[1:-1, 2:] + out[1:-1, :-2])
        out[1:-1, 1:-1] += soft * (mean - out[1:-1, 1:-1])
    return out
