from pathlib import Path

import numpy as np
import pytest

from poredepth.errors import PatchError
from poredepth.patch.synthesise import PRESETS, RELIEFS, PoreRelief, preset_table, relief_of, synthesise
from poredepth.patch.synthesise.presets import preset_markdown

DOCS = Path(__file__).resolve().parents[3] / "docs"
EVERY = [(kind, region) for kind, regions in PRESETS.items() for region in regions]


@pytest.mark.parametrize(("kind", "region"), EVERY)
def test_every_preset_makes_relief_that_is_plausible_for_skin(kind, region):
    made = synthesise(kind, region=region, size_mm=6, texel_um=40 if kind == "wrinkles" else 25)
    assert abs(made.height_mm.mean(dtype=float)) < 1e-7
    assert 0.002 < made.sq_mm < 0.06  # wide: Ra of skin in vivo 10 to 35 um (from memory)
    assert np.ptp(made.height_mm) < 0.4
    assert (made.kind, made.region, made.seed) == (kind, region, 1)


def test_the_first_region_is_the_default():
    assert relief_of("pores") == relief_of("pores", "cheek") == PoreRelief()
    assert relief_of("pores", "nose") != PoreRelief()
    assert relief_of("pores", "nose", {"depth_um": 50}).depth_um == (50.0, 50.0)


def test_every_number_has_a_source_and_its_unit_is_the_parameters():
    rows = preset_table()
    for row in rows:
        assert row.source
        assert row.help
    units = {(row.kind, row.parameter): row.unit for row in rows if row.region == next(iter(PRESETS[row.kind]))}
    assert {(row.kind, row.parameter): row.unit for row in rows} == units
    assert {(row.kind, row.region) for row in rows} == set(EVERY)
    assert set(RELIEFS) == set(PRESETS)


def test_the_tables_of_the_docs_are_those_of_the_code():
    assert preset_markdown() in (DOCS / "synthesis.md").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("kind", "region", "message"),
    [
        ("pore", None, r"no kind 'pore'; did you mean 'pores'\? allowed: pores, lines, wrinkles, grain"),
        ("pores", "noze", r"no region of pores 'noze'; did you mean 'nose'\? allowed: cheek, nose, forehead, chin"),
        ("grain", "lips", "no region of grain 'lips'; did you mean 'lip'"),
    ],
)
def test_unknown_names_are_refused(kind, region, message):
    with pytest.raises(PatchError, match=message):
        synthesise(kind, region=region)
