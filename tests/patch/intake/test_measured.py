"""X3P and SDF: files written by the libraries that read them, and one written by hand."""

import sys

import numpy as np
import pytest
import sdfio
import x3pio

from poredepth.errors import PatchError
from poredepth.patch.intake import read_raw, real_size

#: Rows count upwards here, as in the standards: y rises with the row.
SURFACE_M = np.add.outer(1e-6 * np.arange(6), 10e-6 * np.arange(8))
SURFACE_M[1, 2] = np.nan


def x3p(path, heights=SURFACE_M, x=2e-6, y=3e-6, **options):
    x3pio.write(path, heights, x_scale=x, y_scale=y, **options)
    return path


def sdf(path, heights=SURFACE_M, x=2e-6, y=3e-6, **options):
    sdfio.write(path, heights, x_scale=x, y_scale=y, **options)
    return path


def files(folder):
    return [
        (x3p(folder / "a.x3p"), "X3P"),
        (x3p(folder / "b.x3p", revision=x3pio.Revision.ISO5436_2000), "X3P"),
        (sdf(folder / "a.sdf"), "SDF"),
        (sdf(folder / "b.sdf", format=sdfio.FileFormat.ASCII), "SDF"),
        (sdf(folder / "c.sdf", metadata=sdfio.Metadata(revision=sdfio.Revision.ISO_1_0)), "SDF"),
        (sdf(folder / "d.sdf", metadata=sdfio.Metadata(revision=sdfio.Revision.BCR_1_0)), "SDF"),
    ]


def test_heights_are_mm_and_row_0_is_at_the_top(tmp_path):
    """Right-handed coordinates, y rising with the row (ISO 25178-71 and -72): the last row is the top of the picture.
    Columns stay: x is to the right."""
    for path, kind in files(tmp_path):
        raw = read_raw(path)
        assert np.array_equal(np.isnan(raw.values), np.isnan(SURFACE_M[::-1]))
        assert raw.values == pytest.approx(SURFACE_M[::-1] * 1e3, abs=1e-12, nan_ok=True)
        assert raw.pixel_mm == pytest.approx((0.002, 0.003), rel=1e-9)
        assert real_size(raw, "a") == raw.pixel_mm
        assert (raw.pixel_from, raw.in_mm, raw.bits, raw.code_step, raw.inside) == (kind, True, None, None, None)
        assert raw.notes == (
            f"surface: {kind}, heights in mm; rows turned over, as y rises from the first row",
            "no data: 1 of 48 pixels",
        )
        assert not raw.values.flags.writeable


def test_an_sdf_file_by_hand(tmp_path):
    """The text form of ISO 25178-71, profile by profile from y = 0; heights in units of Zscale."""
    rows = ["0 1 2 3", "10 11 12 13", "20 21 22 23", "30 31 BAD 33"]
    header = {
        "ManufacID": "hand", "CreateDate": "010120260000", "ModDate": "010120260000", "NumPoints": 4,
        "NumProfiles": 4, "Xscale": 1e-5, "Yscale": 1e-5, "Zscale": 1e-6, "Zresolution": -1, "Compression": 0,
        "DataType": 7, "CheckType": 0,
    }  # fmt: skip
    lines = ["aISO-1.0", *(f"{key} = {value}" for key, value in header.items()), "*", *rows, "*", "*", ""]
    (tmp_path / "a.sdf").write_bytes("\r\n".join(lines).encode())
    raw = read_raw(tmp_path / "a.sdf")
    assert raw.values[3] * 1e3 == pytest.approx([0, 1, 2, 3])  # um; y = 0 is at the bottom
    assert raw.values[0] * 1e3 == pytest.approx([30, 31, np.nan, 33], nan_ok=True)
    assert raw.pixel_mm == pytest.approx((0.01, 0.01))


def test_whole_number_heights(tmp_path):
    """16-bit steps: within half of one, of the span over 65535."""
    heights = np.random.default_rng(1).random((6, 8)) * 1e-4
    for path in (
        x3p(tmp_path / "a.x3p", heights, z_type=x3pio.DataType.INT16),
        sdf(tmp_path / "a.sdf", heights, metadata=sdfio.Metadata(data_type=sdfio.DataType.INT16)),
    ):
        assert read_raw(path).values == pytest.approx(heights[::-1] * 1e3, abs=0.1 / 32767)


def test_other_shapes_are_refused(tmp_path):
    x3pio.write(tmp_path / "p.x3p", np.zeros(9), x_scale=1e-6)
    x3pio.write_points(tmp_path / "c.x3p", np.zeros((9, 3)))
    x3p(tmp_path / "l.x3p", np.zeros((2, 6, 8)))
    sdf(tmp_path / "p.sdf", np.zeros((1, 9)))
    x3p(tmp_path / "s.x3p", np.zeros((3, 9)))
    y, x = np.mgrid[0:6, 0:8] * 1e-6
    points = np.dstack([x + 0.2 * y, y, np.zeros((6, 8))])
    x3pio.Surface.from_points(points).save(tmp_path / "i.x3p")
    for name, told in {
        "p.x3p": "found X3P with profile; allowed is one surface on a regular grid",
        "c.x3p": "found X3P with pointcloud",
        "l.x3p": "found X3P with 2 layers",
        "i.x3p": "found X3P with points off a regular grid",
        "p.sdf": "found SDF with a single profile",
        "s.x3p": "found 3 x 9 pixels",
    }.items():
        with pytest.raises(PatchError, match=rf"{name}: {told}"):
            read_raw(tmp_path / name)


def test_steps_that_are_no_size_are_refused(tmp_path):
    for x, y in ((0.0, 1e-6), (-1e-6, 1e-6), (1e-6, float("nan"))):
        with pytest.raises(PatchError, match="a.sdf: its steps are .*; allowed are numbers above 0"):
            read_raw(sdf(tmp_path / "a.sdf", x=x, y=y))


def test_nothing_measured(tmp_path):
    with pytest.raises(PatchError, match="a.x3p: no value in it is a finite number"):
        read_raw(x3p(tmp_path / "a.x3p", np.full((5, 5), np.nan)))


def test_damaged_files_are_refused(tmp_path):
    heights = np.random.default_rng(2).random((20, 20)) * 1e-5
    for path in (
        x3p(tmp_path / "a.x3p", heights),
        sdf(tmp_path / "a.sdf", heights),
        sdf(tmp_path / "b.sdf", heights, format=sdfio.FileFormat.ASCII),
    ):
        whole = path.read_bytes()
        for length in (10, 60, len(whole) // 2, len(whole) - 30):
            path.write_bytes(whole[:length])
            with pytest.raises(PatchError, match=f"{path.name}: the file is truncated, corrupt"):
                read_raw(path)
    whole = bytearray(x3p(tmp_path / "a.x3p", heights).read_bytes())
    whole[len(whole) // 3] ^= 0xFF
    (tmp_path / "a.x3p").write_bytes(whole)
    with pytest.raises(PatchError, match="a.x3p: the file is truncated, corrupt"):
        read_raw(tmp_path / "a.x3p")


@pytest.mark.parametrize(("library", "write", "kind"), [("x3pio", x3p, "X3P"), ("sdfio", sdf, "SDF")])
def test_without_the_library_the_message_says_what_to_install(tmp_path, monkeypatch, library, write, kind):
    path = write(tmp_path / "a")
    monkeypatch.setitem(sys.modules, library, None)  # an import of it fails
    with pytest.raises(PatchError) as error:
        read_raw(path)
    assert f"a measured surface ({kind}) needs the library {library}" in str(error.value)
    assert "pip install 'poredepth[metrology]'" in str(error.value)
