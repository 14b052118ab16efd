"""What `inspect` says of laid layers."""

import re

import numpy as np
import pytest
from meshes import flat_mesh, two_charts_mesh
from recipes import composed_of, grating, pore_patch, scatter_layer
from scipy.ndimage import gaussian_filter

from poredepth import HeightPatch, carried_ratio, compose, random_skin_points
from poredepth.output import MapMetadata, PatchRecord, fit_calibration, write_map
from poredepth.placement.registered import PatchSizeWarning
from poredepth.view.facts import map_facts, recipe_facts


@pytest.mark.parametrize(
    "keys",
    [{}, {"size": 1.7}, {"along_ratio": 2.0}, {"across_ratio": 0.5, "size": 0.8}],
    ids=lambda keys: "-".join(keys),
)
def test_stretch_is_told_beside_what_was_asked_for(keys):
    region = {"all": {"center": [20, 20, 0], "radius_mm": 25}}
    layers = [
        scatter_layer("pores", 12.0, **keys),
        {"name": "sheet", "patch": "pores", "place": "spread", "region": "all", **keys},
    ]
    made = composed_of(
        flat_mesh(), "mm", {"pores": pore_patch()}, layers, regions=region,
        directions=[{"points": [[5, 5, 0], [35, 5, 0]]}],
    )  # fmt: skip
    told = [value for name, value in recipe_facts(made) if name.startswith("layer ")]
    assert len(told) == 2
    for line in told:
        assert "stretch 1.00 to 1.00 (99 % of what is seen), 0.00 % of it beyond 0.8 to 1.25" in line


def test_stretch_of_a_size_that_varies_is_that_of_the_skin_alone():
    ramp = {"ramp": [{"at": [5, 20, 0], "value": 0.5}, {"at": [35, 20, 0], "value": 2.0}]}
    made = composed_of(flat_mesh(), "mm", {"pores": pore_patch()}, [scatter_layer("pores", 12.0, vary={"size": ramp})])
    assert np.ptp(made.layers[0].prints.zoom) > 1.0
    [told] = [value for name, value in recipe_facts(made) if name.startswith("layer ")]
    assert "stretch 1.00 to 1.00" in told


def test_bands_of_patches_are_told():
    """A wave of 1 mm and 10 um: what 2.5 and 0.8 mm, and 1.0 and 0.5 mm, part it into (2**-((cutoff / length)**2))."""
    sq_um = 10 / np.sqrt(2)
    for keys, told_cutoffs in (({}, (2.5, 0.8)), ({"bands": {"coarse_mm": 1.0, "fine_mm": 0.5}}, (1, 0.5))):
        made = composed_of(flat_mesh(), "mm", {"waves": grating()}, [scatter_layer("waves", 12.0)], **keys)
        [told] = [value for name, value in recipe_facts(made) if name == "  bands of waves"]
        coarse, smooth = (2.0 ** -(cutoff**2) for cutoff in told_cutoffs)
        assert told == (
            f"Sq coarse {coarse * sq_um:.2f} um (above {told_cutoffs[0]:g} mm), middle "
            f"{(smooth - coarse) * sq_um:.2f} um, fine {(1 - smooth) * sq_um:.2f} um (below {told_cutoffs[1]:g} mm)"
        )


def _carried(made) -> list[str]:
    rows = [value for name, value in recipe_facts(made) if name == "detail carried" or not name]
    return [re.sub(" +", " ", row) for row in rows]


def test_detail_that_a_map_carries_is_told_of_each_patch_that_is_laid():
    """On a plate of 40 mm whose texels are all alike: by the closed form for waves, of the layer with the least."""
    waves, share = grating(), {}
    for px in (256, 512, 1024, 2048):
        ratio = 40 / px / 0.02
        variance = max(0.0, ratio**2 / 4 if ratio >= 2 else (ratio**2 - 1) / 3)
        share[px] = np.exp(-2 * np.pi**2 * variance * 0.02**2)
    large = scatter_layer("waves", 15.0, size=4.0)
    layers = [large, scatter_layer("waves", 12.0)]
    both = {"waves": waves, "pores": pore_patch(), "idle": pore_patch()}
    small = {"output": {"size_px": 256}}
    [told] = _carried(composed_of(flat_mesh(), "mm", {"waves": waves}, layers, **small))
    assert told == (
        f"waves: {100 * share[256]:.0f} % of Sq {10 / np.sqrt(2):.1f} um by texels of {40000 / 256:.1f} um "
        f"(median, 256 px); {100 * share[512]:.0f} % at 512 px"
    )
    [alone] = _carried(composed_of(flat_mesh(), "mm", {"waves": waves}, [large], **small))
    assert alone.startswith("waves: 99 % of") and "at 512 px" in alone  # waves of 4 mm lose next to nothing
    made = composed_of(flat_mesh(), "mm", both, [*layers, scatter_layer("pores", 10.0)], output={"size_px": 2048})
    two = _carried(made)
    assert [row.split(":")[0] for row in two] == ["waves", "pores"]
    assert two[0].endswith("(median, 2048 px)") and "100 %" in two[0]


def test_where_little_is_carried_the_size_that_carries_it_is_named():
    """Grain of 30 um: a small map holds next to none, and a size that holds 95 % is named, or the largest there is."""
    grain = gaussian_filter(np.random.default_rng(6).normal(size=(400, 400)), 1.5, mode="wrap")
    patch = HeightPatch("grain", 0.003 * grain / grain.std(), 0.02)
    layers = [scatter_layer("grain", 10.0)]
    [told] = _carried(composed_of(flat_mesh(), "mm", {"grain": patch}, layers, output={"size_px": 256}))
    share = {px: carried_ratio(patch, 40 / px) for px in (256, 512, 1024, 2048)}
    assert share[256] < 0.8 and share[1024] < 0.95 <= share[2048]
    assert told.endswith(f"(median, 256 px); {100 * share[512]:.0f} % at 512 px, 100 % at 2048 px")
    fine = HeightPatch("grain", patch.height_mm, 0.0005)
    [told] = _carried(composed_of(flat_mesh(), "mm", {"grain": fine}, layers, output={"size_px": 256}))
    share = carried_ratio(fine, 40 / 32768)
    assert share < 0.95
    assert told.endswith(f"% at 512 px, {100 * share:.0f} % at 32768 px")


def test_texels_that_differ_over_the_skin_count_by_area():
    """Two halves, one with texels 2.25 times as wide: told is the root mean square share, as points have it."""
    made = composed_of(
        two_charts_mesh(), "mm", {"pores": pore_patch()}, [scatter_layer("pores", 12.0)], output={"size_px": 512}
    )
    [told] = _carried(made)
    points = random_skin_points(made.surface, 60000, np.random.default_rng(3))
    found = made.height_mm(points).std() / made.height_mm(points, 32768).std()
    assert float(told.split()[1]) == pytest.approx(100 * found, abs=1.0)
    assert found < carried_ratio(pore_patch(), 40 / (0.9 * 512)) - 0.03  # the first half's texels alone tell more


def test_a_registered_piece_is_read_in_the_size_found():
    """A piece laid 1.25 times as large as stated, in true place: its share is that of a patch so large."""
    grain = gaussian_filter(np.random.default_rng(8).normal(size=(500, 500)), 3.0)
    patch = HeightPatch("scan", 0.01 * grain / grain.std(), 0.04, periodic=False)
    ties = [
        {"px": [x, y], "at": [7.5 + 0.05 * x, 32.5 - 0.05 * y, 0]}
        for x, y in ((50, 50), (450, 60), (240, 440), (60, 430))
    ]
    layer = {"name": "scan", "patch": "scan", "place": "registered", "tie_points": ties}
    with pytest.warns(PatchSizeWarning):
        made = composed_of(flat_mesh(), "mm", {"scan": patch}, [layer], output={"size_px": 256})
    [told] = _carried(made)
    assert told.startswith(f"scan: {100 * carried_ratio(patch, 40 / 256, 1.25):.0f} % of Sq 10.0 um")
    middle = np.s_[85:171, 85:171]
    found = [compose(made, size_px=px)[1001].height_mm for px in (256, 2048)]
    wide = found[1][8 * 85 : 8 * 171, 8 * 85 : 8 * 171]
    assert float(told.split()[1]) == pytest.approx(100 * found[0][middle].std() / wide.std(), abs=2.0)


def test_what_was_done_to_a_patch_is_told_of_a_map_step_by_step(tmp_path):
    steps = ("read: scan.png", "form taken off: the tilt, at 2, 3 and 4 mm")
    record = PatchRecord("pores", "pores.tif", licence="CC0", history=steps)
    calibration = fit_calibration("exr-float", "mm", 0, 0)
    path = write_map(tmp_path / "a.exr", np.zeros((8, 8)), calibration, MapMetadata(patches=(record,))).path
    rows = map_facts(path)
    at = rows.index(("patch pores", "file pores.tif, licence CC0"))
    assert rows[at + 1 : at + 3] == [("  history", steps[0]), ("", steps[1])]
