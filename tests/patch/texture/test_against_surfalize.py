"""Beside surfalize (GPL-3, for tests only), an independent implementation of ISO 25178-2.  Figures: pytest -s.

It is in micrometres, returns Sdr in percent, takes slopes by differences of neighbours (Sdq) and areas by triangles
(Sdr), lags up to the whole size, and for Std the direction of the spectrum's peak, so across the lay.
"""

from __future__ import annotations

import math
import warnings

import numpy as np
import pytest
from fields import blurred_noise, levelled
from shared_data import height_if_there

from poredepth.patch.texture import texture_parameters


def grooves():
    """Waves of 23 texels, lay 67 degrees, with some noise on them."""
    r, c = np.indices((300, 400))
    wave = np.sin(2 * np.pi * (c * math.cos(0.4) + r * math.sin(0.4)) / 23)
    return 0.01 * wave + 0.02 * blurred_noise((300, 400), (3.0, 3.0), 7)


def surfaces():
    yield "noise", levelled(0.05 * blurred_noise((512, 512), (8.0, 4.0), 7)[:300, :400]), 0.02
    yield "waves", levelled(grooves()), 0.02
    for name in ("conf_768", "groove_616"):
        held = height_if_there(name)
        if held is not None:
            yield name, levelled(held[0]), held[1][0]


#: Relative differences that are explained by how slopes and lags are taken, from the figures in docs/texture.md.
SLOPES = {"noise": 0.02, "waves": 0.02, "conf_768": 0.06, "groove_616": 0.02}


@pytest.mark.parametrize(("name", "height", "texel_mm"), [pytest.param(*s, id=s[0]) for s in surfaces()])
def test_parameters(name, height, texel_mm):
    from surfalize import Surface

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        other = Surface(1000 * height, 1000 * texel_mm, 1000 * texel_mm)
        names = ("Sa", "Sq", "Ssk", "Sku", "Sp", "Sv", "Sz", "Sdq", "Sdr", "Sal")
        want = {key: float(getattr(other, key)()) for key in names}
        want["Str"], its_std = float(other.Str(on_undefined="bound")), float(other.Std(angle_step=0.25))
        is_bound = math.isnan(other.Str())
    found = texture_parameters(height, texel_mm)
    print(f"\n{name:10}  poredepth    surfalize")
    values = {"Sdr": 100 * found.sdr, "Sal": 1000 * found.sal_mm, "Str": found.str_ratio, "Sdq": found.sdq}
    values |= {"Sa": found.sa_um, "Sq": found.sq_um, "Ssk": found.ssk, "Sku": found.sku}
    values |= {"Sp": found.sp_um, "Sv": found.sv_um, "Sz": found.sz_um}
    for key, value in values.items():
        print(f"{key:10} {value:11.6g} {want[key]:11.6g}")
    for key in ("Sa", "Sq", "Ssk", "Sku", "Sp", "Sv", "Sz"):
        assert values[key] == pytest.approx(want[key], rel=1e-9, abs=1e-12), key
    assert values["Sdq"] == pytest.approx(want["Sdq"], rel=SLOPES[name])
    assert values["Sdr"] == pytest.approx(want["Sdr"], rel=2 * SLOPES[name])
    assert values["Sal"] == pytest.approx(want["Sal"], rel=1e-3)
    assert found.str_is_bound == is_bound
    if is_bound:  # it looks twice as far
        assert want["Str"] == pytest.approx(0.5 * values["Str"], rel=0.05)
    else:
        assert values["Str"] == pytest.approx(want["Str"], rel=5e-3)
    print(f"Std        {found.std_deg:11.4f} {its_std:11.4f} + 90")
    assert abs((found.std_deg - its_std) % 180 - 90) < 2.0  # its peak is that of a single wave of the whole picture
