"""The measure of seams itself in closed form, and the seams of a map on a real face."""

from __future__ import annotations

import numpy as np
import pytest
from meshes import flat_mesh, sphere_mesh
from meshes_seams import LEFT, RIGHT, mirrored_square, place_mm, square_in_two_tiles
from recipes import composed_of, pore_patch, scatter_layer
from shared_data import read_if_there

from poredepth import MapFileError, compose, measure_seams
from poredepth.mix.seams import EQUALISING, seam_correction
from poredepth.output import fit_calibration

FACE_GUIDES = [
    {"points": [[-4, 5, 4], [0, 6, 6], [4, 5, 4]]},
    {"points": [[3, 0, 4.5], [5, -2, 3]]},
    {"points": [[-3, 0, 4.5], [-5, -2, 3]]},
]


def _bare(mesh, size_px=200, unit="mm"):
    return composed_of(mesh, unit, {}, [], output={"size_px": size_px, "seams": "untouched"})


def _by_chart(n, left, right):
    """A map of the mirrored square from functions of x and y in mm, one for each chart; float32 (n, n)."""
    row, col = np.indices((n, n))
    u, v = (col + 0.5) / n, 1 - (row + 0.5) / n
    return np.where(u > 0.55, right(*place_mm(u, v, *RIGHT)), left(*place_mm(u, v, *LEFT))).astype(np.float32)


def test_mismatch_of_known_heights():
    """The left side reads 0, the right one 0.01 mm x y / 40 along the cut, y from 0 to 40 mm: bilinear reading is exact
    for it.  rms 0.01 / sqrt(3), 99 % at 0.0099, worst 0.01 at the upper end."""
    c = _bare(mirrored_square())
    found = measure_seams(c, {1001: _by_chart(200, lambda x, y: 0 * x, lambda x, y: 0.01 * y / 40)})
    # 40 mm of 90 mm a tile of 200 texels, on the denser, right side; ten edges
    assert found.n_points == pytest.approx(2 * 200 * 40 / 90, abs=10)
    assert found.rms_mm == pytest.approx(0.01 / np.sqrt(3), rel=1e-3)
    assert found.p99_mm == pytest.approx(0.0099, rel=5e-3)
    assert found.worst_mm == pytest.approx(0.01, rel=5e-3)
    assert found.worst_at_mm == pytest.approx((20, 40, 0), abs=0.3)
    sides = {tuple(np.round(place_mm(*uv, *chart), 6)) for uv, chart in zip(sorted(found.worst_uv), (LEFT, RIGHT),
                                                                            strict=True)}  # fmt: skip
    assert len(sides) == 1
    assert sides.pop() == pytest.approx(found.worst_at_mm[:2], abs=1e-6)


def test_worst_place_in_units_of_the_mesh_and_error_of_reading():
    """The same as if in centimetres.  The relief of the recipe is 0, so every height is an error of reading."""
    c = _bare(mirrored_square(), unit="cm")
    found = measure_seams(c, {1001: _by_chart(200, lambda x, y: 0 * x, lambda x, y: 0.01 * y / 40)})
    assert found.worst_at_mm == pytest.approx((200, 400, 0), abs=3)
    assert found.worst_at == pytest.approx(tuple(x / 10 for x in found.worst_at_mm), rel=1e-12)
    # half of the skin reads 0, the other half up to 0.01: rms 0.01 / sqrt(3) / sqrt(2)
    assert found.reading_rms_mm == pytest.approx(0.01 / np.sqrt(6), rel=0.02)
    assert found.reading_p99_mm == pytest.approx(0.0098, rel=0.01)
    assert found.reading_worst_mm == pytest.approx(0.01, rel=0.01)


def test_a_plane_reads_alike():
    c = _bare(mirrored_square())
    found = measure_seams(c, {1001: _by_chart(200, *[lambda x, y: 0.001 * x - 0.002 * y] * 2)})
    assert found.worst_mm < 1e-7


def test_a_mesh_without_seams_has_no_worst_place():
    c = _bare(flat_mesh(), 64)
    found = measure_seams(c, compose(c))
    assert (found.n_points, found.rms_mm, found.worst_at, found.worst_uv) == (0, 0.0, None, None)


def test_maps_that_do_not_fit_are_refused():
    c = _bare(square_in_two_tiles(), 64)
    flat = np.zeros((64, 64), np.float32)
    with pytest.raises(MapFileError, match="maps: found no tile 1012; allowed: all of 1001, 1012"):
        measure_seams(c, {1001: flat})
    with pytest.raises(MapFileError, match=r"maps: found 1001: \(64, 64\), 1012: \(64, 32\); allowed: square maps"):
        measure_seams(c, {1001: flat, 1012: flat[:, :32]})
    with pytest.raises(MapFileError, match="maps: found none; allowed: square maps of one size, by tile"):
        measure_seams(c, {})


def test_seams_of_a_face_before_and_after():
    """Untouched, the two sides of seams differ no more than 1.1 times the error of reading inside charts.  Eased, by
    less than half of that (rms and 99 %) at points in between as well, the worst to about 0.6 (0.579 on the
    face), with the skin no less true.  Closed, by no more than one 16-bit step of the map's fitted calibration.

    A real mesh: a face in nine charts, five of them mirrored (see tests/shared_data.py), where it is there; else a
    sphere in six charts.  Between charts of very different density both sides differ by what the coarser one cannot
    carry.
    """
    mesh, unit, size_px, guides = read_if_there("face_nine_charts_cm.obj"), "cm", 4096, FACE_GUIDES
    is_face = mesh is not None
    if not is_face:
        mesh, unit, size_px, guides = sphere_mesh(), "mm", 2048, []
    c = composed_of(mesh, unit, {"pores": pore_patch()}, [scatter_layer("pores", 12.0)], directions=guides,
                    output={"size_px": size_px, "seams": "untouched"})  # fmt: skip
    raster, plain_mm = c.raster(), compose(c)[1001].height_mm
    before = measure_seams(c, {1001: plain_mm})
    step_um = fit_calibration("tiff-16", "mm", float(plain_mm.min()), float(plain_mm.max())).code_step_um
    print(f"untouched: {_um(before)}; inside {1000 * before.reading_rms_mm:.4f} um; 16-bit step {step_um:.4f} um")
    assert before.rms_mm > 1e-4
    assert before.rms_mm <= 1.1 * before.reading_rms_mm
    after = {}
    for seams, how in EQUALISING.items():
        correction = seam_correction(raster, c.height_mm, how)
        even_mm = plain_mm.copy()
        correction.add_to(1001, raster.whole(), even_mm)
        after[seams] = measure_seams(c, {1001: even_mm})
        between = measure_seams(c, {1001: even_mm}, points_per_texel=7.3, n_reading_points=1)
        print(f"{seams}: {_um(after[seams])}; between {_um(between)}; {correction.n_texels} texels changed, by up to "
              f"{1000 * correction.largest_change_mm:.3f} um")  # fmt: skip
        assert after[seams].rms_mm == pytest.approx(correction.rms_after_mm, rel=1e-6)
        if seams == "eased":
            assert max(after[seams].rms_mm, between.rms_mm) < 0.5 * before.rms_mm
            assert max(after[seams].p99_mm, between.p99_mm) < 0.5 * before.p99_mm
            assert after[seams].worst_mm < (0.62 if is_face else 1.0) * before.worst_mm
            # 1.23 times on the face; closed, which gives up fine relief, 14 times
            assert correction.largest_change_mm < 1.4 * before.worst_mm
            assert after[seams].reading_rms_mm < 1.002 * before.reading_rms_mm
    assert after["closed"].rms_mm <= 1e-3 * step_um


def _um(found) -> str:
    return f"{1000 * found.rms_mm:.4f} um rms, 99 % {1000 * found.p99_mm:.3f}, worst {1000 * found.worst_mm:.2f}"
