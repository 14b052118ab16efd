import dataclasses

import numpy as np
import pytest

from poredepth.errors import PatchError
from poredepth.patch.synthesise import RELIEFS, GrainRelief, LineRelief, PoreRelief, with_overrides
from poredepth.patch.synthesise.parameters import check_texel, drawn, ranked_like


@pytest.mark.parametrize("kind", RELIEFS)
def test_every_parameter_says_what_it_is_and_its_default_is_allowed(kind):
    for field in dataclasses.fields(RELIEFS[kind]):
        meta = field.metadata
        assert len(meta["help"]) > 10
        assert meta["source"]
        if meta["choices"]:
            assert field.default in meta["choices"]
            continue
        for value in field.default if isinstance(field.default, tuple) else (field.default,):
            assert meta["least"] <= value <= meta["most"]
        if meta["unit"] in ("um", "mm", "deg", "per_cm2", "ratio"):
            assert field.name.endswith("_" + meta["unit"])


def test_overrides_change_what_they_name():
    relief = with_overrides(PoreRelief(), {"density_per_cm2": 100, "diameter_um": 250, "depth_um": [30, 60]})
    assert relief == PoreRelief(density_per_cm2=100.0, diameter_um=(250.0, 250.0), depth_um=(30.0, 60.0))
    assert with_overrides(LineRelief(), None) == LineRelief()


@pytest.mark.parametrize(
    ("overrides", "message"),
    [
        (
            {"diamter_um": 1},
            r"pores: no parameter 'diamter_um'; did you mean 'diameter_um'\? allowed: dens",
        ),
        ({"xyz": 1}, "no parameter 'xyz'; allowed: density_per_cm2, diameter_um"),
        ({"depth_um": 5000}, "synthesis of pores: depth_um is 5000; allowed: 0 to 500 um"),
        ({"depth_um": (90, 40)}, "depth_um is 90 to 40; allowed: the least first; exchange the two"),
        ({"depth_um": (1, 2, 3)}, "allowed: one number, or two, the least and the most"),
        ({"depth_um": "deep"}, "depth_um is 'deep'; allowed: 0 to 500 um"),
        ({"density_per_cm2": float("nan")}, "density_per_cm2 is nan; allowed: 0 to 2000 per_cm2"),
        ({"density_per_cm2": True}, "density_per_cm2 is True; allowed"),
        ({"density_per_cm2": (1, 2)}, r"density_per_cm2 is \(1, 2\); allowed"),
        ({"profile": "cone"}, "profile is 'cone'; allowed: rounded, paraboloid"),
    ],
)
def test_wrong_overrides_are_refused(overrides, message):
    with pytest.raises(PatchError, match=message):
        with_overrides(PoreRelief(), overrides)


def test_grain_whose_ends_are_exchanged_is_refused():
    with pytest.raises(PatchError, match="finest_um is 300 and coarsest_um 250; allowed is finest_um below"):
        GrainRelief(finest_um=300)


def test_texels_too_large_for_the_detail_are_refused():
    check_texel("pores", 0.055, "furrow_width_um", 110.0)
    with pytest.raises(PatchError, match="texels of 56 um cannot carry .* of 110 um; allowed: at most 55 um"):
        check_texel("pores", 0.056, "furrow_width_um", 110.0)


@pytest.mark.parametrize("count", [1, 2, 7, 240])
def test_drawn_numbers_have_the_middle_as_their_mean(count):
    values = drawn((40.0, 90.0), count, np.random.default_rng(1))
    assert values.shape == (count,)
    assert values.mean() == pytest.approx(65.0)
    assert np.median(values) == pytest.approx(65.0)
    assert values.min() >= 40.0
    assert values.max() <= 90.0
    if count == 240:
        # variance of the beta distribution (2, 2) is 1/20 (closed form)
        assert values.std() == pytest.approx(50 * np.sqrt(0.05), rel=0.01)


def test_ranking_keeps_the_values():
    assert ranked_like(np.array([3.0, 1.0, 2.0]), np.array([10.0, 30.0, 20.0])).tolist() == [1.0, 3.0, 2.0]
