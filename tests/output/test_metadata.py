"""One table for files, sidecar and documentation."""

import json
from dataclasses import fields
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from poredepth.errors import MapFileError
from poredepth.output import FIELDS, MapMetadata, PatchRecord, fit_calibration
from poredepth.output.metadata import from_strings, to_json, to_strings
from poredepth.version import __version__

DOCS = Path(__file__).parents[2] / "docs" / "metadata.md"


def full():
    known = MapMetadata(
        recipe="head.yaml",
        recipe_hash="0f" * 32,
        seed=7,
        tile=1011,
        texel_um=54.6,
        gutter_px=16,
        patches=[PatchRecord("pores", licence="CC0"), {"name": "lines", "consent": "given"}],
        layers=["sculpt", "pores"],
    )
    return known.described(fit_calibration("png-16", "cm", -0.2, 0.3), (-0.2, 0.3), (64, 48))


def test_the_documented_table_is_the_table_in_use():
    table = DOCS.read_text("utf-8").split("## The table")[1].split("## ")[0]
    lines = [line for line in table.splitlines() if line.startswith("| `")]
    documented = [tuple(cell.strip() for cell in line.strip("|").split("|")) for line in lines]
    assert documented == [(f"`{f.name}`", f.type, f.unit or "-", f.meaning) for f in FIELDS]
    assert [f.name for f in FIELDS] == [f.name for f in fields(MapMetadata)]


def test_the_documented_examples_run(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    names = {}
    for block in DOCS.read_text("utf-8").split("```python\n")[1:]:
        exec(block.split("```")[0], names)
    printed = capsys.readouterr().out.splitlines()
    assert [line.split()[0] for line in printed] == ["skin.png", "skin.exr"]
    for line in printed:
        # half of the step of a 0.2 mm span is 1.5e-6 mm
        np.testing.assert_allclose([float(part) for part in line.split()[-2:]], [-0.08, 0.05], atol=1.6e-6)


def test_calibration_fields():
    plain = full().to_dict()
    assert plain["version"] == __version__ and plain["format"] == "png-16"
    assert plain["mid"] == 32768 / 65535 and plain["mid_code"] == 32768
    assert plain["scale_mm"] == 0.8 and plain["scale"] == 0.08 and plain["unit"] == "cm"  # 0.3 * 1.05 * 2 = 0.63
    assert plain["code_step_um"] == pytest.approx(800 / 65535, rel=1e-15)
    assert plain["size_px"] == [64, 48] and (plain["range_low_mm"], plain["range_high_mm"]) == (-0.2, 0.3)
    assert plain["patches"][0] == dict(
        name="pores", file="", sha256="", source="", licence="CC0", consent="", history=[]
    )
    assert plain["exact"]["mid"] == "0.5000076295109483" and float(plain["exact"]["mid"]) == 32768 / 65535
    assert not {"created", "date", "time"} & plain.keys()


def test_dict_and_json_round_trip():
    assert MapMetadata.from_dict(full().to_dict()) == full()
    assert MapMetadata.from_dict(json.loads(to_json(full().to_dict()))) == full()
    assert to_json(full().to_dict()).isascii()
    assert full().calibration().mid_code == 32768


@settings(max_examples=100, deadline=None)
@given(
    low_mm=st.floats(-10, 0),
    texel_um=st.floats(1, 1e4),
    recipe=st.text(st.characters(codec="utf-8")),
    seed=st.integers(),
)
def test_any_numbers_and_names_survive_the_strings_of_a_file(low_mm, texel_um, recipe, seed):
    known = MapMetadata(range_low_mm=low_mm, texel_um=texel_um, recipe=recipe, seed=seed)
    plain = known.to_dict()
    strings = to_strings(plain) | {"poredepth": to_json(plain)}
    assert MapMetadata.from_dict(from_strings(strings)) == known
    assert float(strings["poredepth:texel_um"]) == texel_um


def test_exact_strings_win_over_numbers_that_went_through_float32():
    plain = full().to_dict()
    plain["mid"] = float(np.float32(plain["mid"]))
    assert MapMetadata.from_dict(plain) == full()


def test_numpy_numbers_print_as_plain_ones():
    known = MapMetadata(seed=np.int64(3), texel_um=np.float32(0.5), size_px=np.int32(64), range_low_mm=np.float64(-0.1))
    assert known.size_px == (64, 64)
    assert to_strings(known.to_dict())["poredepth:range_low_mm"] == "-0.1"
    assert json.loads(to_json(known.to_dict()))["seed"] == 3


@pytest.mark.parametrize(
    "changes, match",
    [
        (dict(exact={"mid": "0.4"}), "mid.*exact string says 0.4"),
        (dict(exact={"mid": "abc"}), "wrong type"),
        (dict(seed="seven"), "wrong type"),
        (dict(patches=[{"colour": "red"}]), "wrong type"),
        (dict(scale_mm=float("nan"), exact={}), "scale_mm"),
    ],
)
def test_broken_tables_are_refused(changes, match):
    with pytest.raises(MapFileError, match=match):
        MapMetadata.from_dict(full().to_dict() | changes)


@pytest.mark.parametrize("name", [f.name for f in FIELDS])
def test_a_missing_field_is_named(name):
    plain = full().to_dict()
    del plain[name]
    with pytest.raises(MapFileError, match=f"metadata: {name} missing"):
        MapMetadata.from_dict(plain)


@pytest.mark.parametrize(
    "changes, match",
    [
        (dict(mid_code=32767), "mid_code: got 32767.*32768"),
        (dict(scale=0.8), "scale: got 0.8.*0.08"),
        (dict(mid=0.5), "no 16-bit code"),
        (dict(unit="ft"), "unit"),
        (dict(scale_mm=-1.0), "scale_mm"),
    ],
)
def test_calibration_parts_that_contradict_each_other_are_refused(changes, match):
    plain = full().to_dict() | changes
    plain["exact"] = {}
    with pytest.raises(MapFileError, match=match):
        MapMetadata.from_dict(plain).calibration()


def test_a_table_from_before_fields_were_added_is_completed():
    """A table that lacks only some of them was cut."""
    later = {
        "kind", "encoding", "compression", "levels", "channels", "unit_mm", "scene_unit", "scene_unit_mm",
        "scale_scene", "clipped_mm", "clipped_at_px", "convention", "settings",
    }  # fmt: skip
    older = {name: found for name, found in full().to_dict().items() if name not in later}
    found = MapMetadata.from_dict(older)
    assert (found.kind, found.encoding, found.unit_mm, found.levels) == ("height", "u16-mid", 10.0, 1)
    assert found.channels == ("Y",) and found.scene_unit_mm is None
    assert found.calibration() == full().calibration()
    with pytest.raises(MapFileError, match="kind, "):
        MapMetadata.from_dict(older | {"levels": 1})


def test_a_single_string_that_was_edited_is_an_error():
    plain = full().to_dict()
    strings = to_strings(plain) | {"poredepth": to_json(plain), "poredepth:scale_mm": "1.5"}
    with pytest.raises(MapFileError, match="poredepth:scale_mm says '1.5', the JSON beside it says '0.8'"):
        from_strings(strings)
    with pytest.raises(MapFileError, match="does not parse"):
        from_strings({"poredepth": "{"})
    with pytest.raises(MapFileError, match="not an object"):
        from_strings({"poredepth": "[]"})
    assert from_strings({}) == {}
