"""Lines that tell what was written."""

from __future__ import annotations

from pathlib import Path

from poredepth.cli.report import calibration_lines
from poredepth.output import MapMetadata, WrittenMap, fit_calibration


def test_the_step_of_halves_is_that_of_the_tile_with_the_largest():
    calibration = fit_calibration("exr-half", "mm", -0.1, 0.3)
    written = [
        WrittenMap(Path("a.exr"), Path("a.exr.json"), MapMetadata(tile=tile).described(calibration, range_mm, (4, 4)))
        for tile, range_mm in ((1001, (-0.01, 0.01)), (1002, (-0.1, 0.3)))
    ]
    [line] = [line for line in calibration_lines(written) if line.startswith("code step")]
    # a half from 0.25 to 0.5 has steps of 2^-12 (Imath, half.h)
    assert line == f"code step       {1000 * 2.0**-12:.6g} um at most, 1/1024 of the height (half)"
