"""Writes head.obj, the demo head, in cm, +y up, face along +z: `python demo_data/make/head.py [--landmarks]`.

The left half is a grid of rows (crown to neck) and columns (face midline to back midline) on the form of form.py;
the right half is its exact mirror image. The file is the same bit by bit at every run.
"""

import os
import sys
from pathlib import Path

import numpy as np
from ear import EAR_HALF_MM, EAR_MM, ear_frame, raise_ear
from form import lash_y_mm, mouth_y_mm, settle, shoot, step
from measure import check, landmarks, measures
from scipy.interpolate import PchipInterpolator
from unwrap import flatten, stretches, upright

OUT = Path(__file__).resolve().parents[1] / "head.obj"
ROWS, COLUMNS = 128, 72
NECK_Y_MM = -160.0
LASH_ROW, MOUTH_ROW = 49, 87
# row number -> height in mm where that row meets the midline, front and back of the head
FRONT_ROWS = {
    18: 84,
    30: 49,
    42: 14,
    49: 0,
    56: -13,
    65: -34,
    69: -41,
    73: -47,
    77: -53.5,
    81: -60.5,
    87: -71.5,
    92: -80,
    98: -92.5,
    105: -110,
    116: -121.5,
    128: NECK_Y_MM,
}
BACK_ROWS = {18: 68, 49: 12, 87: -38, 105: -64, 116: -94, 128: NECK_Y_MM}
# chart -> tile offset, lower left corner (u, v) in the tile, UV units per mm, quarter turns anticlockwise
FACE_SCALE, BACK_SCALE = 1 / 260.0, 0.00216
PLACES = {
    "face": (0, 0.10, 0.09, FACE_SCALE, 0),
    "scalp_left": (1, 0.015, 0.29, BACK_SCALE, 0),
    "scalp_right": (1, 0.38, 0.29, BACK_SCALE, 2),
    "ear_left": (1, 0.75, 0.67, BACK_SCALE, 0),
    "ear_right": (1, 0.75, 0.36, BACK_SCALE, 0),
    "neck_front": (1, 0.70, 0.02, BACK_SCALE, 1),
    "neck_back": (1, 0.02, 0.02, BACK_SCALE, 0),
}
# rows below these use every 8th, 4th, 2nd column; columns beyond BACK_COLUMN use every 2nd row
CROWN_STEPS = ((3, 8), (7, 4), (15, 2))
BACK_COLUMN = 61
# skin groups cut along grid lines: row -> columns from the midline
NOSE_COLUMNS = {46: 3, 49: 4, 54: 5, 59: 6, 63: 8, 66: 9, 76: 9}
LIP_COLUMNS = (7, 8, 9, 10, 11, 11, 10, 9, 8, 6)
LIP_ROW = 82


def profile(back):
    """Points (M, 3) along the midline from the crown to the neck base; back=False gives the face side."""
    s = np.linspace(0, 1, 400)
    down = np.linspace(np.pi / 2, -1.0, 900)
    turn = np.concatenate([down, -1.0 * (1 - s[1:])])
    origin = np.zeros((len(turn), 3))
    origin[:, 1] = np.concatenate([np.full(900, 5.0), 5.0 + (NECK_Y_MM - 5.0) * s[1:]])
    origin[:, 2] = -12.0 - 18.0 * np.concatenate([np.zeros(900), s[1:]])
    side = -1.0 if back else 1.0
    ray = np.stack([np.zeros_like(turn), np.sin(turn), side * np.cos(turn)], 1)
    return shoot(origin, ray)


def rows_on(curve, anchors):
    """Points (ROWS + 1, 3) on a midline curve: anchor rows at their heights, smooth spacing between."""
    arc = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(curve, axis=0), axis=1))])
    rows, places = [0], [0.0]
    for row, y in sorted(anchors.items()):
        hit = np.argmax(curve[:, 1] <= y + 1e-9) if (curve[:, 1] <= y + 1e-9).any() else len(curve) - 1
        rows.append(row)
        places.append(arc[hit])
    at = PchipInterpolator(rows, places)(np.arange(ROWS + 1))
    return np.stack([np.interp(at, arc, curve[:, k]) for k in range(3)], 1)


def edge_target_mm(p):
    """Wanted column spacing in mm at p (..., 3): fine at eyes, mouth and ears, coarse behind."""
    x, y, z = p[..., 0], p[..., 1], p[..., 2]
    h = 3.0 + 3.4 * step((-28.0 - z) / 40.0)
    eye = np.exp(-(((x - 31) / 17) ** 2) - (y / 16) ** 2) * step((z - 40) / 20)
    mouth = np.exp(-((x / 26) ** 2) - ((y + 68) / 14) ** 2) * step((z - 40) / 20)
    nose = np.exp(-((x / 18) ** 2) - ((y + 42) / 12) ** 2) * step((z - 60) / 20)
    ear = np.exp(-(((y - EAR_MM[0]) / 34) ** 4) - ((z - EAR_MM[1]) / 24) ** 4)
    return h * (1 - 0.38 * eye - 0.26 * mouth - 0.2 * nose - 0.45 * ear)


def starting_grid():
    """Grid (ROWS + 1, COLUMNS + 1, 3) on the left half: row 0 is the crown, column 0 the face midline."""
    front, back = rows_on(profile(False), FRONT_ROWS), rows_on(profile(True), BACK_ROWS)
    turn = np.linspace(0, np.pi, 181)
    grid = np.empty((ROWS + 1, COLUMNS + 1, 3))
    grid[0] = front[0]
    mid = 0.5 * (front + back)
    along = (front - back) / np.maximum(np.linalg.norm(front - back, axis=1), 1e-9)[:, None]
    ray = np.cos(turn)[None, :, None] * along[1:, None] + np.sin(turn)[None, :, None] * np.array([1.0, 0, 0])
    origin = np.repeat(mid[1:, None], len(turn), 1)
    rings = shoot(origin.reshape(-1, 3), ray.reshape(-1, 3)).reshape(ROWS, len(turn), 3)
    rings[:, 0], rings[:, -1] = front[1:], back[1:]
    for i, ring in enumerate(rings):
        length = np.linalg.norm(np.diff(ring, axis=0), axis=1)
        cost = np.concatenate([[0.0], np.cumsum(length / edge_target_mm(0.5 * (ring[1:] + ring[:-1])))])
        at = np.linspace(0, cost[-1], COLUMNS + 1)
        grid[i + 1] = np.stack([np.interp(at, cost, ring[:, k]) for k in range(3)], 1)
    return grid


def pin(grid):
    """Put the grid's fixed lines back: midline, crown, neck base, closed lid line and lip parting line."""
    grid[:, 0, 0] = grid[:, -1, 0] = 0.0
    grid[-1, :, 1] = NECK_Y_MM
    for row, curve, near, far in ((LASH_ROW, lash_y_mm, 15.0, 46.0), (MOUTH_ROW, mouth_y_mm, -1.0, 27.0)):
        x = grid[row, :, 0]
        hold = step((x - near) / 4.0) * step((far + 4.0 - x) / 4.0) if near > 0 else step((far + 4.0 - x) / 4.0)
        hold = hold * (np.arange(COLUMNS + 1) < 40)
        grid[row, :, 1] += hold * (curve(x) - grid[row, :, 1])
    return grid


def row_target_mm(grid):
    """Wanted row spacing (ROWS, COLUMNS + 1) in mm: coarse over the crown and down the neck."""
    row = np.arange(ROWS)[:, None]
    plain = 2.9 + 3.1 * step((24.0 - row) / 12.0) + 1.3 * step((row - 108.0) / 12.0)
    middle = 0.5 * (grid[1:] + grid[:-1])
    return plain * np.minimum(edge_target_mm(middle) / 3.0, 1.0)


def relax(grid, rounds=110):
    """Even out the grid (rows, columns, 3) along the surface: springs pull towards the wanted spacings."""
    crown, normal = grid[0].copy(), None
    for k in range(rounds):
        if k % 20 == 0:
            pull_u = 1.0 / edge_target_mm(0.5 * (grid[:, 1:] + grid[:, :-1]))[..., None]
            pull_v = 1.0 / row_target_mm(grid)[..., None]
        force, weight = np.zeros_like(grid), np.zeros(grid.shape[:2] + (1,))
        for pull, a, b in ((pull_u, np.s_[:, :-1], np.s_[:, 1:]), (pull_v, np.s_[:-1], np.s_[1:])):
            tension = pull * (grid[b] - grid[a])
            force[a] += tension
            force[b] -= tension
            weight[a] += pull
            weight[b] += pull
        move = 0.7 * force / weight
        if normal is not None:
            move -= (move * normal).sum(2, keepdims=True) * normal
        flat, slope = settle(pin(grid + move).reshape(-1, 3), 1)
        grid, normal = flat.reshape(grid.shape), slope.reshape(grid.shape)
        normal /= np.linalg.norm(normal, axis=2, keepdims=True)
        grid[0] = crown
        grid[:, 0, 0] = grid[:, -1, 0] = 0.0
        grid[-1, :, 1] = NECK_Y_MM
    return grid


def column_step(row):
    """Every how many columns row keeps its vertices."""
    return next((every for below, every in CROWN_STEPS if row < below), 1)


def is_used(i, j):
    """Whether grid place (i, j) carries a vertex."""
    if i == 0:
        return j == 0
    thin = j > BACK_COLUMN and 16 < i < 116 and i % 2 == 1
    return j % column_step(i) == 0 and not thin


def cells():
    """Faces of the left half as rings of grid places, anticlockwise from outside, each with its first place (i, j)."""
    out = []
    for i in range(ROWS):
        wide = column_step(max(i, 1))
        for j in range(0, COLUMNS, wide):
            thin = j >= BACK_COLUMN and 16 <= i < 116
            if thin and i % 2 == 1:
                continue
            tall = 2 if thin else 1
            ring = [(i + k, j) for k in range(tall + 1)] + [(i + tall, j + k) for k in range(1, wide + 1)]
            ring += [(i + tall - k, j + wide) for k in range(1, tall + 1)] + [(i, j + wide - k) for k in range(1, wide)]
            if i == 0:
                ring = [(0, 0)] + [place for place in ring if place[0] == 1]
            ring = [place for place in ring if is_used(*place)]
            # a pentagon starts at the corner in the middle of its long side, so that its triangle fan has no sliver
            first = next((k for k, (a, b) in enumerate(ring) if a == i + tall / 2 or b == j + wide / 2), 0)
            out.append(((i, j), ring[first:] + ring[:first]))
    return out


def chart_of(i, j, left):
    """Name of the UV chart of the face that starts at grid place (i, j)."""
    side = "left" if left else "right"
    if i >= 104:
        return "neck_front" if j < 40 else "neck_back"
    if i >= 18 and j < 32:
        return "face"
    if i >= 36 and 32 <= j < 62:
        return "ear_" + side
    return "scalp_" + side


def group_of(p, i, j, left):
    """Name of the skin group of a face with centre p (3,) in mm on the left half."""
    x, y, z = p
    up, back = ear_frame(p)
    if x > 55 and np.hypot(up, back) < 1.28 + 0.24 * step(2 * back):
        return "ears"
    if ((j - 12.2) / 7.4) ** 2 + ((i - 48.2) / 7.0) ** 2 < 1:
        return "eyes"
    if 0 <= i - LIP_ROW < len(LIP_COLUMNS) and j < LIP_COLUMNS[i - LIP_ROW]:
        return "lips"
    if 46 <= i < 76 and j < int(np.interp(i, list(NOSE_COLUMNS), list(NOSE_COLUMNS.values()))):
        return "nose"
    if i >= 104 or (y < -66 and z < -14 - 0.4 * (y + 66)) and z < 40:
        return "neck"
    hairline = np.interp(y, [-70, -40, -12, 6, 24, 45, 62, 78, 86], [-40, -30, 2, 20, 33, 40, 50, 68, 96])
    if i < 18 or z < hairline:
        return "scalp"
    if y > np.interp(x, [0, 10, 40, 60], [6, 14, 15, 4]):
        return "forehead"
    if y < -84 + 0.25 * x and x < 26 and z > 40:
        return "chin"
    return "cheek_left" if left else "cheek_right"


def build(grid):
    """Vertices (N, 3) in mm, faces (lists of vertex numbers), chart names and group names of the whole head."""
    number, points = {}, []
    for left in (True, False):
        for i in range(ROWS + 1):
            for j in range(COLUMNS + 1):
                middle = j in (0, COLUMNS) or i == 0
                if is_used(i, j) and (left or not middle):
                    number[i, j, left] = len(points)
                    points.append(grid[i, j] * (1.0 if left else np.array([-1.0, 1.0, 1.0])))
                elif middle:
                    number[i, j, left] = number.get((i, j, True))
    faces, charts, groups = [], [], []
    for left in (True, False):
        for (i, j), ring in cells():
            centre = np.mean([grid[place] for place in ring], axis=0)
            face = [number[a, b, left] for a, b in ring]
            faces.append(face if left else face[:1] + face[:0:-1])
            charts.append(chart_of(i, j, left))
            groups.append(group_of(centre, i, j, left))
    return np.array(points), faces, np.array(charts), np.array(groups)


def fan(face):
    """Triangles of one face, as tuples of vertex numbers."""
    return [(face[0], face[k], face[k + 1]) for k in range(1, len(face) - 1)]


def flatten_chart(name, points, soft_points, faces, charts):
    """Plane map {vertex: (u, v)} in mm of one chart; soft_points carries a half-raised ear, so that it opens flat."""
    triangles = np.array([t for face, c in zip(faces, charts, strict=True) if c == name for t in fan(face)])
    ids, local = np.unique(triangles, return_inverse=True)
    local = local.reshape(triangles.shape)
    shape = soft_points[ids] if name.startswith("ear") else points[ids]
    flat = upright(flatten(shape, local), points[ids, 1])
    if (stretches(points[ids], local, flat)[1] <= 0).any():
        raise ValueError(f"head.py: chart {name} has turned triangles, allowed are none; cut the chart smaller")
    return ids, flat


def unwrap_head(points, soft_points, faces, charts):
    """UV per chart: {chart: {vertex: (u, v)}}. Right ear and scalp copy the left ones, so they are mirrored."""
    twin = {tuple(p): k for k, p in enumerate(points * np.array([-1.0, 1.0, 1.0]) + 0.0)}
    out = {}
    for name, (tile, u, v, scale, turns) in PLACES.items():
        mirrored = name.endswith("_right")
        source = name.replace("_right", "_left")
        ids, flat = flatten_chart(source, points, soft_points, faces, charts)
        if mirrored:
            ids, flat = [twin[tuple(p + 0.0)] for p in points[ids]], flat
        for _ in range(turns):
            flat = np.stack([-flat[:, 1], flat[:, 0]], 1)
        flat = (flat - flat.min(0)) * scale + np.array([tile + u, v])
        out[name] = dict(zip(ids, flat, strict=True))
    return out


def write_obj(path, points, faces, charts, groups, uv):
    """Write points (mm, as cm), faces, groups and UVs; a temporary file first, then one replace."""
    lines = ["# poredepth demo head, made by demo_data/make/head.py; unit cm, +y up, face along +z"]
    lines += [f"v {x:.5f} {y:.5f} {z:.5f}" for x, y, z in points / 10.0 + 0.0]
    corner = {}
    for name in PLACES:
        for vertex, (u, v) in sorted(uv[name].items()):
            corner[name, vertex] = len(corner) + 1
            lines.append(f"vt {u:.6f} {v:.6f}")
    for group in sorted(set(groups.tolist())):
        lines.append(f"g {group}")
        for face, chart, own in zip(faces, charts, groups, strict=True):
            if own == group:
                lines.append("f " + " ".join(f"{k + 1}/{corner[chart, k]}" for k in face))
    temporary = path.with_suffix(".obj.part")
    temporary.write_text("\n".join(lines) + "\n", encoding="ascii", newline="\n")
    os.replace(temporary, path)


def main(arguments):
    """Build, check and write the head; with --landmarks also print named points in cm."""
    grid = relax(starting_grid())
    eared = raise_ear(grid)
    points, faces, charts, groups = build(eared)
    uv = unwrap_head(points, build(raise_ear(grid, 0.45))[0], faces, charts)
    for line in check(measures(grid, eared, ear_frame, EAR_HALF_MM)):
        print(line)
    write_obj(OUT, points, faces, charts, groups, uv)
    print(f"{OUT.name}: {len(points)} vertices, {len(faces)} faces, {len(PLACES)} UV charts in 2 tiles")
    if "--landmarks" in arguments:
        for name, (x, y, z) in landmarks(grid, eared, ear_frame).items():
            print(f"{name}: [{x / 10 + 0:.2f}, {y / 10:.2f}, {z / 10:.2f}]")


if __name__ == "__main__":
    main(sys.argv[1:])
