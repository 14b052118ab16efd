"""Clay form of the demo head: a smooth implicit surface in mm, +y up, face along +z, x to the head's left.

All sizes are own modelling choices inside the ranges that head.py checks. The form is exactly even in x.
"""

import numpy as np

MOUTH_Y_MM = -70.5
EYE_MM = (31.2, -3.0, 68.4)

# centre, radii, exponent, blend width; each part is joined to all parts before it
_BLOBS = (
    ((0, 38, -24), (74.5, 77, 76), 2.27, 0),
    ((0, 32, 15), (62, 79, 78), 2.25, 36),
    ((0, -4, -46), (54, 50, 44), 2.0, 30),
    ((0, -20, 20), (58, 64, 65), 2.2, 28),
    ((0, -62, 53), (38, 42, 41), 2.3, 28),
)
# mirrored pairs; x is the left one
_PAIRS = (
    ((38, -23, 52), (20, 17, 22), 2.0, 26),
    ((32.5, -52, 42), (24.5, 38, 34), 2.0, 26),
)
# mirrored tapered rods: end a, end b, radius a, radius b, blend width
_RODS = (
    ((46, -20, 45), (51, -16, 2), 9, 8, 30),
    ((48, -22, 0), (39.5, -69, 15), 12, 10.5, 34),
    ((39.5, -69, 15), (8.5, -98.5, 74), 10.5, 12.5, 28),
    ((8, 17, 82), (40, 18.5, 67), 8, 8, 18),
    ((45, -28, -28), (14, -215, 14), 16, 12, 34),
)


def smooth_min(a, b, width):
    """Cubic smooth minimum (twice differentiable) of two arrays with the same shape; width in the unit of a."""
    if width <= 0:
        return np.minimum(a, b)
    h = np.maximum(width - np.abs(a - b), 0.0) / width
    return np.minimum(a, b) - h * h * h * width / 6.0


def blob(p, centre, radii, power=2.0):
    """Near-distance in mm to a (super)ellipsoid; p (N, 3)."""
    radii = np.asarray(radii, float)
    q = np.abs(p - np.asarray(centre, float)) / radii
    reach = np.sqrt((q * q).sum(1))
    slope = np.sqrt(((q / radii) ** 2).sum(1)) + 1e-9
    level = reach if power == 2.0 else ((q + 1e-9) ** power).sum(1) ** (1.0 / power)
    return reach * (level - 1.0) / slope


def rod(p, a, b, radius_a, radius_b):
    """Near-distance in mm to a tapered round rod from a to b; p (N, 3)."""
    a = np.asarray(a, float)
    d = np.asarray(b, float) - a
    t = np.clip((p - a) @ d / (d @ d), 0.0, 1.0)
    gap = p - a - t[:, None] * d
    return np.sqrt((gap * gap).sum(1)) - (radius_a + (radius_b - radius_a) * t)


def fold(p, soft_mm):
    """Mirror p (N, 3) onto the left side with a rounded fold, so that paired parts meet without a ridge."""
    q = p.copy()
    q[:, 0] = np.sqrt(p[:, 0] ** 2 + soft_mm**2)
    return q


def bell(t):
    """Gaussian exp(-t^2)."""
    return np.exp(-t * t)


def step(t):
    """Smooth step, 0 below 0 and 1 above 1, twice differentiable."""
    t = np.clip(t, 0.0, 1.0)
    return t * t * t * (t * (6.0 * t - 15.0) + 10.0)


def _mass(p, q):
    """Skull, jaw, cheeks and neck."""
    f = blob(p, *_BLOBS[0][:3])
    for centre, radii, power, width in _BLOBS[1:]:
        f = smooth_min(f, blob(p, centre, radii, power), width)
    for centre, radii, power, width in _PAIRS:
        f = smooth_min(f, blob(q, centre, radii, power), width)
    for a, b, ra, rb, width in _RODS:
        f = smooth_min(f, rod(q, a, b, ra, rb), width)
    f = smooth_min(f, blob(p, (0, -98.5, 77), (18, 14, 16.5)), 16)
    neck = rod(p * np.array([1.1, 1.0, 0.96]), (0, -50, -22), (0, -230, -50), 52, 56)
    return smooth_min(f, neck, 34)


def _nose(p, q, f):
    """Add the nose: bridge, side walls, tip, wings, columella."""
    f = smooth_min(f, rod(p, (0, 10, 79), (0, -33, 100.5), 6.0, 8.0), 11)
    f = smooth_min(f, blob(p, (0, -34, 88), (15, 17, 15)), 10)
    f = smooth_min(f, blob(p, (0, -38.3, 104), (10.2, 9.0, 10)), 7.5)
    f = smooth_min(f, blob(q, (11.2, -42.5, 94.0), (6.6, 7.2, 10)), 6)
    f = smooth_min(f, rod(p, (0, -44, 105), (0, -48, 93), 4.0, 4.5), 5)
    hole = blob(q, (7.4, -50.5, 100), (3.4, 4.2, 6.0))
    return -smooth_min(-f, hole, 4.5)


def _eyes(q, f):
    """Hollow the sockets and set the closed lids over the eyeballs."""
    socket = blob(q, (31, -3.5, 95), (21.5, 17, 19.5))
    f = -smooth_min(-f, socket, 18)
    hollow = blob(q, (16.5, 0, 91), (6, 10, 8))
    f = -smooth_min(-f, hollow, 10)
    ball = np.asarray(EYE_MM)
    return smooth_min(f, blob(q, ball, (16.2, 15.0, 14.2)), 10)


def lash_y_mm(x):
    """Height of the closed lid line at |x| in mm: low in the middle, outer corner a little above the inner."""
    t = (np.abs(x) - 16.5) / 29.0
    sag = np.clip(t, 0.0, 1.0)
    return -3.0 + 2.4 * np.clip(t, 0.0, 1.3) - 15.0 * (sag * (1.0 - sag)) ** 1.5 * 1.6


def mouth_y_mm(x):
    """Height of the lip parting line at x in mm."""
    t = x / 25.5
    return MOUTH_Y_MM - 1.0 * bell(t / 0.28) - 0.6 * t * t + 1.1 * bell((np.abs(t) - 0.5) / 0.3)


def _lips(p):
    """Outward height in mm of lips, parting line, philtrum and mentolabial hollow."""
    x, y = p[:, 0], p[:, 1]
    t = x / 26.0
    reach = step((1.12 - np.abs(t)) / 0.75)
    line = mouth_y_mm(x)
    bow = 8.6 * (1 - 0.6 * t * t) - 1.2 * bell(x / 3.2)
    up, down = (y - line) / bow, (line - y) / (9.6 * (1 - 0.5 * t * t))
    upper = 3.2 * bell((up - 0.5) / 0.48)
    lower = 4.6 * bell((down - 0.5) / 0.5)
    groove = -1.3 * bell((y - line) / 1.5) * step((1.1 - np.abs(t)) / 0.35)
    corner = -1.6 * bell((np.abs(x) - 26.5) / 4.0) * bell((y - line) / 4.5)
    gutter = -1.3 * bell(x / 3.4) * bell((y + 55.5) / 5.0) + 0.5 * bell((np.abs(x) - 5.6) / 2.6) * bell((y + 57) / 5.0)
    hollow = -2.2 * bell(x / 19.0) * bell((y + 89.0) / 5.6)
    return (upper + lower) * reach + groove + corner + gutter + hollow


def _lids(p):
    """Outward height in mm of the lash line, the fold of the upper lid and the soft edge below the lower lid."""
    x, y = np.abs(p[:, 0]), p[:, 1]
    t = (x - 16.5) / 29.0
    reach = step((t + 0.12) / 0.25) * step((1.12 - t) / 0.25)
    lash = lash_y_mm(x)
    arc = np.clip(4.0 * t * (1 - t), 0, 1)
    crease = lash + 3.4 + 8.4 * arc
    out = -1.45 * bell((y - lash) / 1.4) + 0.55 * bell((y - lash - 2.8) / 1.8) + 0.55 * bell((y - lash + 2.5) / 1.7)
    out += -1.5 * bell((y - crease) / 2.3) * (0.25 + 0.75 * arc) + 0.7 * bell((y - crease - 4.4) / 3.0)
    return out * reach


def _cheek_planes(p):
    """Outward height in mm of nasolabial valley, alar groove, temple hollow, larynx and forehead planes."""
    x, y, z = np.sqrt(p[:, 0] ** 2 + 16.0), p[:, 1], p[:, 2]
    t = np.clip((-38.0 - y) / 34.0, -0.4, 1.5)
    valley_x = 19.5 + 12.0 * t + 3.0 * t * t
    valley = -1.7 * bell((x - valley_x) / 5.5) * step((t + 0.25) / 0.4) * step((1.35 - t) / 0.5)
    pad = 1.6 * bell((x - valley_x - 12.0) / 9.0) * bell((y + 44.0) / 15.0)
    temple = -2.0 * bell((y - 16) / 24.0) * bell((z - 42) / 22.0)
    boss = 1.2 * bell((x - 27) / 17.0) * bell((y - 52) / 17.0)
    root = -2.0 * bell(x / 11.0) * bell((y - 4.0) / 10.0)
    alar = -1.2 * bell((x - 18.6) / 2.6) * bell((y + 42.0) / 7.0)
    return (valley + pad + boss + alar + root) * step((z - 45) / 20.0) + temple


def form(p):
    """Signed near-distance in mm of points p (N, 3) to the head without ears; negative inside."""
    q, near = fold(p, 2.0), fold(p, 1.2)
    front = step((p[:, 2] - 52.0) / 16.0)
    f = _eyes(q, _mass(p, fold(p, 4.0)))
    f = _nose(p, near, f)
    f = f - front * (_lips(p) + _lids(p)) - _cheek_planes(p)
    return smooth_min(f, blob(p, (0, -141, 11), (10, 15, 15)), 20)


def gradient(p, h=0.05):
    """Gradient (N, 3) of form at p (N, 3), central differences with step h in mm."""
    out = np.empty_like(p)
    for k in range(3):
        d = np.zeros(3)
        d[k] = h
        out[:, k] = (form(p + d) - form(p - d)) / (2 * h)
    return out


def settle(p, rounds=3):
    """Points p (N, 3) moved onto the surface along the gradient, at most 2 mm each round, and the last gradient."""
    g = gradient(p)
    for k in range(rounds):
        g = gradient(p) if k else g
        move = form(p) / np.maximum((g * g).sum(1), 0.05)
        length = np.abs(move) * np.sqrt((g * g).sum(1))
        p = p - g * (move * np.minimum(1.0, 2.0 / np.maximum(length, 1e-12)))[:, None]
    return p, g


def shoot(origin, direction, rounds=70):
    """First crossing (N, 3) of rays that start inside the head; origin and unit direction (N, 3)."""
    t = np.zeros(len(origin))
    for _ in range(rounds):
        t = t + np.maximum(-0.7 * form(origin + t[:, None] * direction), 0.0)
    return origin + t[:, None] * direction
