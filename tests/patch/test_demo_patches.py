import importlib.util
import sys
from pathlib import Path

import numpy as np
import pytest
import tifffile

from poredepth.patch.store import read_patch
from poredepth.recipe.patchfile import patch_file_of, read_patch_file

DEMO = Path(__file__).resolve().parents[2] / "demo_data"


@pytest.fixture(scope="module")
def maker():
    spec = importlib.util.spec_from_file_location("demo_patches_maker", DEMO / "make" / "patches.py")
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module  # its dataclass looks itself up there
    spec.loader.exec_module(module)
    yield module
    del sys.modules[spec.name]


def rows_of_the_readme():
    lines = (DEMO / "patches" / "README.md").read_text(encoding="utf-8").splitlines()
    cells = [[cell.strip() for cell in line.strip("|").split("|")] for line in lines if ".tif |" in line]
    return {row[0]: row for row in cells}


def test_shipped_patches_are_what_their_readme_says():
    rows = rows_of_the_readme()
    files = sorted((DEMO / "patches").glob("*.tif"))
    assert sorted(rows) == [file.name for file in files]
    assert sum(file.stat().st_size for file in files) < 7e6
    for file in files:
        _, _, size, texels, texel_um, height_um, sq_um, ssk, *_ = rows[file.name]
        patch = read_patch(file)  # no warning: the picture is the one its patch file was written for
        assert patch.texel_mm * 1e3 == pytest.approx(float(texel_um))
        facts = read_patch_file(patch_file_of(file))
        assert facts.height_um == float(height_um)
        assert (facts.licence, facts.consent) == ("MIT", "synthetic, no person")
        assert facts.history[0].startswith("synthesised: ") and facts.texture["sq_um"] == pytest.approx(
            float(sq_um), abs=0.006
        )
        height = patch.height_mm.astype(np.float64)
        assert f"{patch.width_mm:g} x {patch.height_extent_mm:g}" == size
        assert f"{height.shape[1]} x {height.shape[0]}" == texels
        assert patch.sq_mm * 1e3 == pytest.approx(float(sq_um), abs=0.006)
        assert (height**3).mean() / patch.sq_mm**3 == pytest.approx(float(ssk), abs=0.02)
        assert abs(height.mean()) < 0.01 * patch.sq_mm
        assert np.ptp(height) > 0.5 * float(height_um) / 1e3  # less than half of the range is unused


def test_the_maker_writes_the_shipped_heights_again(maker, tmp_path):
    for patch in maker.PATCHES:
        if patch.name in ("nose_pores", "grain"):
            maker.make_patch(patch, tmp_path)
            again_facts, shipped_facts = (
                read_patch_file(folder / f"{patch.name}.patch.yaml") for folder in (tmp_path, DEMO / "patches")
            )
            assert again_facts.history == shipped_facts.history
            again = tifffile.imread(tmp_path / f"{patch.name}.tif").astype(int)
            shipped = tifffile.imread(DEMO / "patches" / f"{patch.name}.tif").astype(int)
            assert np.abs(again - shipped).max() <= 1  # other processors may round the last bit the other way
            first = (tmp_path / f"{patch.name}.tif").read_bytes()
            maker.make_patch(patch, tmp_path)
            assert (tmp_path / f"{patch.name}.tif").read_bytes() == first
