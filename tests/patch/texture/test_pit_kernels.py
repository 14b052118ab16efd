"""Basins beside a slow twin, rays beside scipy's splines."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import ndimage

from poredepth.patch.texture.pit_kernels import deep_basins, read_rays


def slow_basins(height, periodic, least):
    """The same by flooding level after level and labelling what is wet; the deeper of two basins goes on."""
    found = []
    basins = {}  # lowest texel -> its height, of basins that are wet and have not run over
    for level in np.unique(height):
        wet = height <= level
        around = np.pad(wet, 1, mode="wrap") if periodic else wet
        labels, _ = ndimage.label(around, np.ones((3, 3)))
        if periodic:  # copies of a texel are one; until nothing changes
            grid = np.pad(np.arange(height.size).reshape(height.shape), 1, mode="wrap")
            changed = True
            while changed:
                changed = False
                for texel in np.unique(grid[wet.ravel()[grid]]):
                    own = np.unique(labels[grid == texel])
                    if len(own) > 1:
                        labels[np.isin(labels, own)] = own[0]
                        changed = True
            labels = labels[1:-1, 1:-1]
        groups = {}
        for texel in basins:
            groups.setdefault(labels.ravel()[texel], []).append(texel)
        for own in groups.values():
            own.sort(key=lambda texel: height.ravel()[texel])
            for texel in own[1:]:
                found.append((texel, level - basins.pop(texel)))
        for label in set(np.unique(labels[wet])) - set(groups):
            texel = int(np.flatnonzero((labels == label).ravel() & wet.ravel())[0])
            basins[texel] = height.ravel()[texel]
    found += [(texel, height.max() - low) for texel, low in basins.items()]
    return sorted((texel, fill) for texel, fill in found if fill >= least)


@pytest.mark.parametrize("periodic", [True, False])
@pytest.mark.parametrize("seed", range(4))
def test_basins_are_those_of_flooding_level_by_level(periodic, seed):
    rng = np.random.default_rng(seed)
    height = rng.permutation(7 * 9).reshape(7, 9).astype(np.float32)  # no two alike
    parent = np.full(height.size, -1, np.int32)
    lowest, fill = np.empty(60, np.int64), np.empty(60, np.float32)
    n = deep_basins(height, np.argsort(height, axis=None), periodic, 9.0, parent, lowest, fill)
    found = sorted(zip(lowest[:n].tolist(), fill[:n].tolist(), strict=True))
    assert found == slow_basins(height, periodic, 9.0) and n > 1


def test_more_basins_than_room_are_counted():
    height = np.random.default_rng(0).normal(size=(40, 40)).astype(np.float32)
    order = np.argsort(height, axis=None)
    counts = [
        deep_basins(
            height, order, True, 0.1, np.full(1600, -1, np.int32), np.empty(m, np.int64), np.empty(m, np.float32)
        )
        for m in (3, 500)
    ]
    assert counts[0] == counts[1] > 3


@pytest.mark.parametrize("mode", ["grid-wrap", "mirror"])
def test_rays_are_read_as_scipy_reads_them(mode):
    """scipy.ndimage.map_coordinates, order 3; beyond a border the border's height goes on."""
    height = np.random.default_rng(1).normal(size=(20, 27)).astype(np.float32)
    spline = ndimage.spline_filter(height, order=3, mode=mode, output=np.float32)
    middle, far = np.array([[9.3, 12.8], [1.2, 25.5]]), np.array([[0.0, 1.5, 4.2], [0.0, 3.0, 7.7]])
    turn = np.radians([0.0, 70.0, 200.0, 315.0])
    out = np.empty((2, 4, 3), np.float32)
    read_rays(spline, mode == "grid-wrap", middle, far, np.cos(turn), np.sin(turn), out)
    rows = middle[:, 0, None, None] - np.sin(turn)[:, None] * far[:, None, :]
    cols = middle[:, 1, None, None] + np.cos(turn)[:, None] * far[:, None, :]
    if mode == "mirror":
        rows, cols = np.clip(rows, 0, 19), np.clip(cols, 0, 26)
    want = ndimage.map_coordinates(spline, [rows, cols], order=3, mode=mode, prefilter=False)
    assert np.abs(out - want).max() < 1e-5
    assert out[0, 0, 0] == out[0, 3, 0]
