import numpy as np
import pytest

from poredepth.errors import PatchError
from poredepth.patch.tiling import decomposition_energy, periodic_plus_smooth, tile_border
from poredepth.patch.tiling.smooth import _smooth_columns


def test_reference_vector():
    """Energies printed in the documentation of sbrisard/moisan2011 (BSD-3), the reference code of Moisan 2011."""
    np.random.seed(20180209)  # noqa: NPY002 (the reference draws from the old generator)
    u = np.random.rand(32, 64)  # noqa: NPY002
    p, s = periodic_plus_smooth(u)
    assert decomposition_energy(u, 0) == 27.27083292498726
    assert decomposition_energy(p, s) == pytest.approx(13.50399440683221, rel=1e-15)


@pytest.mark.parametrize("shape", [(4, 4), (5, 7), (32, 33), (17, 64)])
def test_parts_sum_up_and_no_other_parts_have_less_energy(shape):
    """Closed form: at the minimum of a quadratic form, a change e adds exactly its own energy (mean of e 0)."""
    rng = np.random.default_rng(shape[0])
    u = rng.normal(size=shape).cumsum(axis=0)
    p, s = periodic_plus_smooth(u)
    assert np.abs(p + s - u).max() < 4e-15 * np.abs(u).max()
    assert abs(s.mean()) < 1e-14
    assert np.abs(p[0] - p[-1]).mean() < 0.6 * np.abs(u[0] - u[-1]).mean()
    least = decomposition_energy(p, s)
    for _ in range(3):
        e = rng.normal(size=shape)
        e -= e.mean()
        assert decomposition_energy(p + e, s - e) == pytest.approx(least + decomposition_energy(e, -e), rel=1e-11)


def test_a_picture_whose_borders_agree_is_left_alone():
    u = np.random.default_rng(1).normal(size=(20, 30))
    u[-1], u[:, -1] = u[0], u[:, 0]
    u[-1, -1] = u[0, 0]
    p, s = periodic_plus_smooth(u)
    assert np.abs(s).max() < 1e-14 and np.abs(p - u).max() < 1e-14


def test_large_pictures_in_single_precision():
    """Beside the same sums in double precision."""
    rng = np.random.default_rng(2)
    u = rng.normal(size=(2100, 2050)).astype(np.float32) + np.linspace(0, 3, 2050, dtype=np.float32)
    p, s = periodic_plus_smooth(u)
    want = np.fft.irfft(_smooth_columns(u.astype(float), np.complex128).T, n=2050, axis=1)
    assert p.dtype == s.dtype == np.float32
    assert np.abs(s - want).max() < 2e-6
    assert np.abs(p + s - u).max() < 1e-6
    assert tile_border(p).jump_ratio[1] < 1 < 1.3 < tile_border(u).jump_ratio[1]


def test_what_is_no_picture_is_refused():
    for bad, message in (
        (np.zeros((3, 9)), r"periodic plus smooth: height_mm has shape \(3, 9\); allowed is .* at least 4 texels"),
        (np.zeros(9), r"shape \(9,\)"),
        (np.full((5, 5), np.nan), "periodic plus smooth: 25 value"),
        ([["a"]], "no array of numbers"),
    ):
        with pytest.raises(PatchError, match=message):
            periodic_plus_smooth(bad)
