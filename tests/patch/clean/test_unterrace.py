"""Smoothed terraces against the truth before it was rounded, and the bound of half a step. Figures: pytest -s."""

from __future__ import annotations

import itertools
from pathlib import Path

import numpy as np
import pytest
import scipy.fft
from scipy import ndimage

from poredepth import PatchError, read_patch
from poredepth.patch.clean import Terraces, find_terraces, smooth_terraces
from poredepth.patch.clean.bending import least_bending
from poredepth.patch.clean.unterrace import _BINS, _SQUARE_PX, _squares
from poredepth.patch.synthesise import lines, pores

CHEEK = Path(__file__).resolve().parents[3] / "demo_data" / "patches" / "cheek_pores.tif"


def rms(values):
    return float(np.sqrt(np.mean(np.square(values, dtype=float))))


def left(truth, step):
    """Share of the rounding error that is left, once no texel was moved by more than half a step."""
    stored = (np.round(truth / step) * step).astype(np.float32)
    found = find_terraces(stored) or Terraces(step, 0.0, 0, 0, 0.0, True)
    assert found.step == pytest.approx(step, rel=1e-5)
    out = smooth_terraces(stored, found)
    assert out.dtype == np.float32 and np.abs(out.astype(float) - stored).max() <= 0.5 * step * (1 + 1e-6)
    return rms(out - truth) / rms(stored - truth)


def waves(size, length_px):
    """Three waves of sum 1, across each other."""
    y, x = np.indices((size, size))
    turned = ((0.3, 1.0), (1.7, 0.7), (2.6, 1.6))
    return sum(np.sin(2 * np.pi * (np.cos(a) * x + np.sin(a) * y) / (length_px * m) + 7 * a) for a, m in turned) / 3


@pytest.mark.parametrize(("texels_a_step", "most"), [(3, 0.01), (10, 0.01), (40, 0.05), (100, 0.3)])
def test_slow_ramps(texels_a_step, most):
    y, x = np.indices((256, 256))
    share = left(0.0007 * (0.93 * x + 0.37 * y) / texels_a_step, 0.0007)
    print(f"\nramp of {texels_a_step} texels a step: {share:.4f} of the error left")
    assert share < most


@pytest.mark.parametrize(
    ("steps", "length_px", "most"), [(3, 400, 0.5), (10, 300, 0.3), (30, 200, 0.2), (120, 150, 0.25), (100, 40, 0.4)]
)
def test_waves(steps, length_px, most):
    share = left(0.0007 * steps * waves(256, length_px), 0.0007)
    print(f"\nwaves of {steps} steps, {length_px} texels long: {share:.3f} of the error left")
    assert share < most


def demo_cheek_um(side=300):
    return 1000 * read_patch(CHEEK).height_mm[:side, :side].astype(float)


def best_share_left(truth, step):
    """What a Wiener filter leaves that is told the power of the truth, where the method has to guess it.

    Closed form: the mean of P N / (P + N), over N; the power P is that of the truth in the same squares, smoothed over
    neighbouring waves by the same Gaussian, and N = 1 / 12 that of even rounding.
    """
    by_square = []
    for top, left_ in itertools.product(*(_squares(side)[0] for side in truth.shape)):
        square = truth[top : top + _SQUARE_PX, left_ : left_ + _SQUARE_PX] / step
        waves = scipy.fft.dctn(square - square.mean(), norm="ortho")
        power = ndimage.gaussian_filter(waves * waves, _BINS)
        by_square.append(np.mean(power / (power + 1 / 12)))
    return float(np.sqrt(np.mean(by_square)))


def test_demo_skin():
    """8 bits over 180 um, steps of 0.71 um; at the demo's texels of 20 um, and with three times as many."""
    coarse, fine = demo_cheek_um(), ndimage.zoom(demo_cheek_um(150), 3, order=3, mode="nearest")
    shares = left(coarse, 180 / 255), left(fine, 180 / 255)
    print(f"\ncheek, 8 bits over 180 um: {shares[0]:.3f} at 20 um, {shares[1]:.3f} at 7 um left of 0.204 um")
    best = best_share_left(coarse, 180 / 255), best_share_left(fine, 180 / 255)
    print(f"    by a filter that knows the relief's power: {best[0]:.3f}, {best[1]:.3f}")
    # 0.752 beside 0.761, 0.319 beside 0.328: at 20 um furrows and pores have waves down to a texel above a step
    assert shares[0] < best[0] < 0.8 and shares[1] < best[1] < 0.35


def test_synthesised_skin_over_its_own_range():
    """Relief with finer texels than its grain has: the rounding is white, what lies beyond the relief's waves goes."""
    for name, made_mm in (("pores", pores(4.0, 0.01, 3)), ("lines", lines(4.0, 0.01, 3))):
        h = made_mm.astype(float)
        step = float(np.ptp(h)) / 255
        share = left(h, step)
        best = best_share_left(h, step)
        print(f"\n{name} at 10 um, 8 bits over {1e3 * np.ptp(h):.0f} um, steps {1e3 * step:.2f} um: {share:.3f} left")
        # pores 0.536 beside 0.546, lines 0.616 beside 0.667
        assert share < best < 0.68


def self_affine(size, exponent, steps):
    f = np.hypot(np.fft.fftfreq(size)[:, None], np.fft.rfftfreq(size)[None])
    f[0, 0] = 1.0
    noise = np.random.default_rng(3).normal(size=(size, size))
    out = np.fft.irfft2(np.fft.rfft2(noise) * f ** -(exponent + 1), s=(size, size))
    return out / out.std() * steps


def test_error_never_grows():
    """Relief with a wave for every texel, from rough to smooth: little or nothing to gain, nothing to lose."""
    cases = {"white": 20 * np.random.default_rng(1).normal(size=(256, 256))}
    cases |= {f"self-affine {e}, {s} steps": self_affine(256, e, s) for e in (0.3, 0.8, 1.5) for s in (1.5, 5, 40)}
    cases["half and half"] = np.hstack([cases["white"][:, :128], 10 * waves(256, 300)[:, :128]])
    for name, truth in cases.items():
        share = left(truth, 1.0)
        print(f"\n{name}: {share:.3f}", end="")
        assert share < 1.001


def test_what_bends_is_left_to_waves():
    assert least_bending(np.round(20 * np.random.default_rng(1).normal(size=(256, 256))).astype(np.float32)) is None


def test_steps_do_not_show_in_the_slope():
    """Flat terraces and cliffs of a slow wave become slopes like the wave's own."""
    truth = 3 * np.sin(np.indices((300, 300))[1] / 60) * np.sin(np.indices((300, 300))[0] / 83 + 1)
    out = smooth_terraces(np.round(truth), Terraces(1.0, 0.0, 7, 7, 0.9, True))
    off = rms(np.diff(out, axis=1) - np.diff(truth, axis=1)) / rms(np.diff(truth, axis=1))
    stored = rms(np.diff(np.round(truth), axis=1) - np.diff(truth, axis=1)) / rms(np.diff(truth, axis=1))
    print(f"\nerror of the slope: {off:.2f} of it, before {stored:.2f}")
    assert off < 0.5 < 3 < stored


def test_odd_small_and_twice():
    for shape in ((4, 4), (5, 70), (257, 40), (300, 259)):
        stored = np.round(5 * np.sin(np.arange(shape[0] * shape[1]).reshape(shape) / 77)).astype(np.float32)
        step = Terraces(1.0, 0.0, 11, 11, 0.9, True)
        first, told = smooth_terraces(stored, step), []
        again = smooth_terraces(stored, step, on_progress=lambda done, total, told=told: told.append((done, total)))
        assert np.array_equal(first, again) and told == [(1, 3), (2, 3), (3, 3)]
        assert np.abs(first - stored).max() <= 0.5


def test_refused():
    step = Terraces(1.0, 0.0, 11, 11, 0.9, True)
    with pytest.raises(PatchError, match="NaN or infinite"):
        smooth_terraces(np.full((9, 9), np.nan), step)
    with pytest.raises(PatchError, match="shape"):
        smooth_terraces(np.zeros((3, 9)), step)
