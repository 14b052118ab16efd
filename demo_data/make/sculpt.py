"""Writes the hand-sculpted base relief of the demo head: `python demo_data/make/sculpt.py` (after head.py).

sculpt.1001.tif and sculpt.1002.tif, 16 bit grey, 1024 px, row 0 at v = 1, texel centres at +0.5. Code 32768 is no
displacement, 65535 codes are 2.0 mm, lighter is outward. The relief is a function of the skin point in mm alone, so
both sides of every UV seam carry the same height. Depths and spacings are own modelling choices.
"""

import os
from pathlib import Path

import numpy as np
import tifffile
from form import bell, lash_y_mm, step
from scipy.ndimage import distance_transform_edt

DATA = Path(__file__).resolve().parents[1]
SIZE_PX, SPAN_MM, MID_CODE, PADDING_PX = 1024, 2.0, 32768, 24
# height at the midline, depth, phase, left and right reach; all mm but the phase
FOREHEAD_LINES = (
    (25.0, 0.24, 0.4, 40, 44),
    (34.5, 0.35, 2.1, 50, 47),
    (45.0, 0.31, 3.9, 46, 50),
    (55.5, 0.18, 5.2, 33, 38),
)
# angle above the horizontal in degrees, reach in mm, depth in mm
CROW_LINES = ((34, 19, 0.20), (13, 25, 0.30), (-9, 24, 0.27), (-31, 18, 0.18))
NECK_RINGS = ((-127.0, 0.34, 0.0), (-143.0, 0.28, 1.7))


def crease(distance_mm, half_width_mm):
    """Cross profile of a worn line, -1 at its floor with a faint raised shoulder on both sides."""
    t = distance_mm / half_width_mm
    return -bell(t) + 0.16 * bell((np.abs(t) - 2.1) / 0.9)


def broken(along_mm, phase):
    """Strength 0.15..1 that breaks a line up along its run."""
    wave = 0.6 + 0.36 * np.sin(along_mm / 6.7 + 3 * phase) + 0.32 * np.sin(along_mm / 3.6 + 5 * phase)
    return np.clip(wave, 0.12, 1.0)


def forehead_mm(p):
    """Four level, slightly wavy lines."""
    x, y, z = p.T
    out = np.zeros(len(p))
    for level, depth, phase, reach_left, reach_right in FOREHEAD_LINES:
        line = level + 0.9 * np.sin(x / 15.0 + phase) + 0.5 * np.sin(x / 6.1 + 2 * phase) - 1.6 * bell(x / 17.0)
        line += 1.2 * np.sin(np.minimum(np.abs(x), 60.0) / 19.0)
        ends = step((reach_left - x) / 14.0) * step((reach_right + x) / 14.0)
        if level == FOREHEAD_LINES[0][0]:
            ends = ends * (1.0 - bell(x / 13.0))  # the lowest line makes room for the upright pair between the brows
        out += depth * ends * broken(x, phase) * crease(y - line, 0.8)
    return out * step((z - 30) / 15)


def crows_feet_mm(p, side):
    """Fan of lines from the outer eye corner; p is folded onto the left, side is +1 left, -1 right."""
    q = p - np.array([45.5, -0.6, 74.9])
    along, up = q @ np.array([0.64, 0.0, -0.77]), q[:, 1]
    out = np.zeros(len(p))
    for k, (angle, reach, depth) in enumerate(CROW_LINES):
        bend = np.deg2rad(angle + 2.5 * side * np.cos(2.0 * k))
        length = reach + 2.0 * side * np.sin(3.0 * k)
        line = along * np.tan(bend) - 0.010 * np.sin(bend) * along**2 + 0.4 * np.sin(along / 4.0 + k + side)
        ends = step((along - 3.0) / 5.0) * step((length - along) / (0.6 * length))
        out += depth * ends * crease((up - line) * np.cos(bend), 0.7)
    return out * step((p[:, 0] - 40) / 5) * step((p[:, 2] - 20) / 10)


def glabella_mm(p, side):
    """Upright pair between the brows."""
    x, y, z = p.T
    line = 6.2 + 0.10 * (y - 12.0) + 0.5 * side + 0.4 * np.sin(y / 4.0 + side)
    ends = step((y - 3.0) / 9.0) * step((26.0 + 3.0 * side - y) / 14.0)
    return (0.24 + 0.06 * side) * ends * crease(x - line, 0.8) * step((z - 70) / 10)


def nasolabial_mm(p, side):
    """Fold line from the nose wing past the mouth corner."""
    x, y, z = p.T
    t = (-38.0 - y) / 34.0
    line = 19.8 + 12.0 * t + 3.0 * t * t + 0.5 * np.sin(y / 7.0 + side)
    ends = step((t + 0.02) / 0.25) * step((1.22 + 0.08 * side - t) / 0.5)
    return (0.50 + 0.06 * side) * ends * crease((x - line) * 0.88, 1.2) * step((z - 50) / 10)


def lower_lid_mm(p, side):
    """Two soft lines under each eye."""
    x, y, z = p.T
    t = (x - 16.5) / 29.0
    arc = np.clip(4 * t * (1 - t), 0, 1)
    near = step((t - 0.05) / 0.3) * step((0.98 - t) / 0.35) * crease(y - lash_y_mm(x) + 5.6 + 1.2 * arc, 0.9)
    far = step((t + 0.02) / 0.3) * step((0.78 - t) / 0.4) * crease(y - lash_y_mm(x) + 8.2 + 4.2 * arc, 1.1)
    return (0.16 * near + (0.20 + 0.03 * side) * far) * step((z - 50) / 10)


def neck_mm(p):
    """Two rings, rising towards the back and fading out behind."""
    x, y, z = p.T
    out = np.zeros(len(p))
    for level, depth, phase in NECK_RINGS:
        line = level + 0.16 * (25.0 - z) + 1.3 * np.sin(x / 19.0 + phase) + 0.4 * np.sin(x / 7.0 + phase)
        out += depth * (0.6 + 0.4 * broken(x, phase)) * crease(y - line, 1.1)
    return out * step((z + 45) / 35) * step((-112.0 - y) / 6)


def bumps_mm(p):
    """Broad soft unevenness, 12 mm wavelength, on the skin of face and neck; fades out at hair and ears."""
    rng = np.random.default_rng(12)
    x, y, z = p.T
    out = np.zeros(len(p))
    for _ in range(14):
        way = rng.normal(size=3)
        out += np.cos(p @ (way / np.linalg.norm(way)) * 2 * np.pi / rng.uniform(10.5, 13.5) + rng.uniform(0, 2 * np.pi))
    face = step((z - 22 - 0.35 * np.maximum(y, 0)) / 25) * step((88 - y) / 20)
    neck = step((-95 - y) / 20) * step((z + 40) / 40)
    return 0.1 * np.clip(out / 6.5, -1, 1) * np.maximum(face, neck)


def relief_mm(p):
    """Height (N,) in mm of the sculpted relief at skin points p (N, 3) in mm."""
    side = np.sign(p[:, 0])
    left = np.stack([np.abs(p[:, 0]), p[:, 1], p[:, 2]], 1)
    out = forehead_mm(p) + neck_mm(p) + bumps_mm(p)
    for part in (crows_feet_mm, glabella_mm, nasolabial_mm, lower_lid_mm):
        out += part(left, side)
    return np.clip(out, -0.62, 0.4)


def read_obj(path):
    """Positions (N, 3) in mm, UVs (M, 2) and triangles as (T, 3) position and UV numbers of an OBJ in cm."""
    points, uv, corners, uv_corners = [], [], [], []
    for line in path.read_text(encoding="ascii").splitlines():
        word = line.split()
        if not word:
            continue
        if word[0] == "v":
            points.append([10 * float(w) for w in word[1:4]])
        elif word[0] == "vt":
            uv.append([float(w) for w in word[1:3]])
        elif word[0] == "f":
            pair = [[int(k) - 1 for k in w.split("/")[:2]] for w in word[1:]]
            for k in range(1, len(pair) - 1):
                corners.append([pair[0][0], pair[k][0], pair[k + 1][0]])
                uv_corners.append([pair[0][1], pair[k][1], pair[k + 1][1]])
    return np.array(points), np.array(uv), np.array(corners), np.array(uv_corners)


def skin_points(points, uv, corners, uv_corners, tile):
    """Skin point (SIZE_PX, SIZE_PX, 3) in mm under each texel centre of a tile (0 for 1001), nan off the charts."""
    out = np.full((SIZE_PX, SIZE_PX, 3), np.nan)
    own = uv_corners[np.floor(uv[uv_corners].mean(1)[:, 0]) == tile]
    place = np.stack([(uv[own][..., 0] - tile) * SIZE_PX, (1 - uv[own][..., 1]) * SIZE_PX], 2)
    skin = points[corners[np.floor(uv[uv_corners].mean(1)[:, 0]) == tile]]
    for (a, b, c), xyz in zip(place, skin, strict=True):
        low = np.ceil(np.minimum(np.minimum(a, b), c) - 0.5).astype(int)
        high = np.floor(np.maximum(np.maximum(a, b), c) - 0.5).astype(int) + 1
        col, row = np.meshgrid(np.arange(low[0], high[0]), np.arange(low[1], high[1]))
        d = np.stack([col + 0.5, row + 0.5], 2) - a
        e, f = b - a, c - a
        area = e[0] * f[1] - e[1] * f[0]
        s, t = (d[..., 0] * f[1] - d[..., 1] * f[0]) / area, (e[0] * d[..., 1] - e[1] * d[..., 0]) / area
        hit = (s >= -1e-9) & (t >= -1e-9) & (s + t <= 1 + 1e-9)
        s, t = s[hit][:, None], t[hit][:, None]
        out[row[hit], col[hit]] = xyz[0] + s * (xyz[1] - xyz[0]) + t * (xyz[2] - xyz[0])
    return out


def bake(skin):
    """Codes (SIZE_PX, SIZE_PX) uint16 of one tile; charts grown by PADDING_PX with their nearest value, mid beyond."""
    inside = np.isfinite(skin[..., 0])
    height = np.zeros(skin.shape[:2])
    height[inside] = relief_mm(skin[inside])
    far, near = distance_transform_edt(~inside, return_indices=True)
    height = np.where(far <= PADDING_PX, height[near[0], near[1]], 0.0)
    step_codes = 4
    return (MID_CODE + step_codes * np.rint(height / SPAN_MM * 65535 / step_codes)).astype(np.uint16)


def main():
    """Bake and write both tiles."""
    mesh = read_obj(DATA / "head.obj")
    for tile in (0, 1):
        codes = bake(skin_points(*mesh, tile))
        path = DATA / f"sculpt.{1001 + tile}.tif"
        temporary = path.with_suffix(".tif.part")
        tifffile.imwrite(temporary, codes, compression="zlib", photometric="minisblack", metadata=None, software=False)
        os.replace(temporary, path)
        low, high = ((int(k) - MID_CODE) / 65535 * SPAN_MM for k in (codes.min(), codes.max()))
        print(f"{path.name}: {SIZE_PX} px, {low:+.3f} to {high:+.3f} mm, {path.stat().st_size / 1e6:.2f} MB")


if __name__ == "__main__":
    main()
