"""The JSON file beside a map."""

import json

import pytest

from poredepth.errors import MapFileError
from poredepth.output import MapMetadata, read_sidecar, sidecar_path, write_sidecar


def test_the_name_is_the_map_file_name_and_json(tmp_path):
    assert sidecar_path(tmp_path / "head.1001.exr") == tmp_path / "head.1001.exr.json"


def test_sorted_keys_two_spaces_and_a_newline_at_the_end(tmp_path):
    plain = MapMetadata(recipe="gesicht-ä.yaml", layers=["pores"]).to_dict()
    write_sidecar(tmp_path / "a.json", plain)
    raw = (tmp_path / "a.json").read_bytes()
    text = raw.decode("utf-8")
    assert text == json.dumps(plain, sort_keys=True, indent=2, ensure_ascii=False) + "\n"
    assert b"\r" not in raw and "gesicht-ä.yaml" in text
    assert read_sidecar(tmp_path / "a.json") == plain


def test_no_sidecar_is_an_empty_dict_and_a_broken_one_an_error(tmp_path):
    assert read_sidecar(tmp_path / "none.json") == {}
    for text in ("{", "[1]", "\xff"):
        (tmp_path / "b.json").write_text(text, "latin-1")
        with pytest.raises(MapFileError, match="b.json: the sidecar"):
            read_sidecar(tmp_path / "b.json")
