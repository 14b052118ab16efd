"""The table of kinds: shapes, stored values, what neutral codes mean, and blocks on threads."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest
from meshes import two_charts_mesh
from relief_maps import map_of, positions_mm

from poredepth.derived.context import Deriving
from poredepth.derived.kinds import KINDS
from poredepth.raster.window import Window, row_blocks
from poredepth.surface.skin import surface_from_mesh


def _context(size_px=128, **how):
    surface = surface_from_mesh(two_charts_mesh(), "mm")
    return Deriving(map_of(surface, lambda p: 0.1 * np.sin(p @ [2.0, 1.1, 0]), size_px), **how)


def test_the_kinds():
    assert {"normal", "normal-object", "curvature", "slopes", "added-roughness"} <= set(KINDS)
    for name, kind in KINDS.items():
        assert kind.name == name and kind.meaning and len(kind.neutral) == len(kind.channels)
        assert len(set(kind.channels)) == len(kind.channels)
    assert KINDS["slopes"].channels == ("bx", "by", "bxx", "byy", "bxy")
    assert KINDS["curvature"].unit == "1/mm"


@pytest.mark.parametrize("name", ["normal", "normal-object", "curvature", "slopes", "added-roughness"])
def test_each_kind_fills_blocks_alike_on_any_thread(name):
    context, kind = _context(size_px_low=32), KINDS[name]
    size = kind.size_px(context)
    assert size == (32 if name == "added-roughness" else 128)
    whole_window = Window(0, 0, size, size)
    whole = kind.quantity(context, 1001, whole_window)
    assert whole.shape == (size, size, len(kind.channels)) and whole.dtype == np.float32
    assert np.isfinite(whole).all()
    fresh = _context(size_px_low=32).prepare()
    with ThreadPoolExecutor(4) as pool:
        blocks = list(pool.map(lambda w: kind.quantity(fresh, 1001, w), row_blocks(whole_window, size * 9)))
    assert np.array_equal(np.concatenate(blocks), whole)
    if not kind.is_low:
        bare = np.isnan(positions_mm(context.heights)[..., 0])
        assert bare.any()
        assert np.array_equal(whole[bare], np.broadcast_to(np.float32(kind.neutral), whole[bare].shape))
    if not kind.is_signed:
        assert whole.min() >= 0


def test_stored_values_and_what_neutral_codes_mean():
    """(127.5, 127.5, 255) is no 8-bit code; 128, 128, 255 leans by 0.22 degrees along each axis."""
    kind = KINDS["normal"]
    assert kind.stored(np.array([0, 0, 1.0])).tolist() == [0.5, 0.5, 1.0]
    assert kind.stored(np.array([-1.0, 1.0, 0])).tolist() == [0.0, 1.0, 0.5]

    def lean_deg(top):
        code = np.floor(kind.stored(np.array([0, 0, 1.0])) * top + 0.5)
        x, y, z = (code / top - kind.mid) * kind.scale
        return code.tolist(), np.degrees(np.arctan2(x, z)), np.degrees(np.arctan2(y, z))

    code, x, y = lean_deg(255)
    assert code == [128, 128, 255]
    assert (x, y) == (pytest.approx(0.2247, abs=1e-4), pytest.approx(0.2247, abs=1e-4))
    code, x, y = lean_deg(65535)
    assert code == [32768, 32768, 65535]
    assert x == pytest.approx(0.2247 / 257, rel=1e-3)  # 65535 = 257 x 255
    assert KINDS["curvature"].stored(np.float32([-0.25])).tolist() == [-0.25]


def test_green_may_point_down():
    up, down = _context(), _context(green_down=True)
    window = Window(0, 0, 128, 128)
    a, b = KINDS["normal"].quantity(up, 1001, window), KINDS["normal"].quantity(down, 1001, window)
    assert np.array_equal(a * [1, -1, 1], b) and np.abs(a[..., 1]).max() > 0.1


def test_the_smaller_map_is_a_quarter_by_default():
    assert _context().low_px == 32
