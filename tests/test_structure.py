"""The house rules that a program can check."""

from __future__ import annotations

import ast
import inspect
import re
from pathlib import Path

import numpy as np
import pytest

import poredepth

PACKAGE = Path(poredepth.__file__).parent
TOP = PACKAGE.parent

#: The flow, upstream first: a stage imports only from those before it.
FLOW = ["recipe", "patch", "surface", "placement", "raster", "mix", "derived", "output", "view"]
BESIDE = {"errors", "files", "memory", "units", "version", "compiled"}
#: What stands on top of the stages, in order.
ABOVE = [
    "sources",
    "ground",
    "laying",
    "pipeline",
    "maps",
    "parts",
    "deriving",
    "exporting",
    "measure",
    "checking",
    "demo",
    "cli",
]


def _imports(path: Path) -> set[str]:
    """Parts of poredepth that a file imports: 'surface', 'errors', ..."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        names = []
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom) and node.module and node.level == 0:
            names = [node.module] if node.module != "poredepth" else [f"poredepth.{a.name}" for a in node.names]
        found |= {name.split(".")[1] for name in names if name.startswith("poredepth.")}
    return found


def _files():
    return sorted(PACKAGE.rglob("*.py"))


def test_imports_only_go_upstream():
    wrong = []
    for path in _files():
        part = path.relative_to(PACKAGE).parts[0].removesuffix(".py")
        if part not in FLOW:
            continue
        # the view stage may look at the whole composition
        allowed = set(FLOW[: FLOW.index(part) + 1]) | BESIDE | ({"pipeline", "maps"} if part == "view" else set())
        wrong += [f"{path.relative_to(PACKAGE)} imports {name}" for name in _imports(path) - allowed]
    assert wrong == []


def test_pipeline_imports_nothing_above_it():
    for name in ("sources", "ground", "laying", "pipeline", "maps", "parts"):
        above = set(ABOVE[ABOVE.index(name) + 1 :]) | {"view"}
        assert not _imports(PACKAGE / f"{name}.py") & above


def test_checking_stands_above_the_library_and_decodes_by_itself():
    """It may use all that makes maps, to know what is meant; but not what turns heights into values and back."""
    coders = "encode|decode|Calibration|ChannelCoding|fit_calibration|read_map|write_map|exr|png|tiff|mipmapped"
    for path in sorted((PACKAGE / "checking").glob("*.py")):
        assert not _imports(path) & {"view", "demo", "cli"}, path
        assert not re.search(rf"from poredepth\.output\S* import .*\b({coders})\b", path.read_text("utf-8")), path


def test_numba_only_in_kernel_files():
    for path in _files():
        if "numba" in path.read_text(encoding="utf-8") and not path.name.endswith("kernels.py"):
            tree = ast.parse(path.read_text(encoding="utf-8"))
            modules = {a.name for n in ast.walk(tree) if isinstance(n, ast.Import) for a in n.names}
            modules |= {n.module for n in ast.walk(tree) if isinstance(n, ast.ImportFrom)}
            assert "numba" not in modules, path


def test_no_file_is_longer_than_one_can_hold_in_mind():
    assert [str(p) for p in _files() if len(p.read_text(encoding="utf-8").splitlines()) > 400] == []


def test_the_table_of_contents_is_short():
    from poredepth.pipeline import prepare

    body = ast.parse(inspect.getsource(prepare)).body[0].body[1:]
    assert body[-1].end_lineno - body[0].lineno < 40


def test_public_surface_is_sorted_complete_and_importable():
    assert poredepth.__all__ == sorted(poredepth.__all__)
    assert set(poredepth.__all__) - {"__version__"} == set(poredepth._HOME)
    for name in poredepth.__all__:
        assert getattr(poredepth, name) is not None
    with pytest.raises(AttributeError, match="no attribute 'missing'"):
        poredepth.missing  # noqa: B018
    assert (PACKAGE / "py.typed").is_file()


@pytest.mark.parametrize("name", [n for n in poredepth.__all__ if inspect.isfunction(getattr(poredepth, n))])
def test_public_functions_say_what_they_take(name):
    """Every parameter of a public function is named in its docstring or plain from its type."""
    function = getattr(poredepth, name)
    text = inspect.getdoc(function) or ""
    assert len(text) > 40
    hints = inspect.get_annotations(function)
    assert set(inspect.signature(function).parameters) <= set(hints), name


def test_no_todo_and_no_print_in_the_library():
    for path in _files():
        text = path.read_text(encoding="utf-8")
        assert not re.search(r"\b(TODO|FIXME|XXX)\b", text), path
        if path.relative_to(PACKAGE).parts[0] != "cli":
            assert not re.search(r"^\s*print\(", text, re.M), path


def test_top_level_holds_what_it_should():
    allowed = {
        "README.md", "DEVELOPERS.md", "pyproject.toml", "poredepth", "tests", "demo_data", "docs", ".ci", ".gitignore",
        "LICENSE",
    }  # fmt: skip
    import subprocess

    listed = subprocess.run(["git", "ls-files"], cwd=TOP, capture_output=True, text=True).stdout.splitlines()
    assert {name.split("/")[0] for name in listed} <= allowed


def test_demo_data_is_small():
    assert sum(p.stat().st_size for p in (TOP / "demo_data").rglob("*") if p.is_file()) < 12e6


def test_arrays_are_row_col_with_the_top_row_at_high_v():
    """The convention page, in code: row 0 is v near 1, column 0 is u near 0."""
    from meshes import flat_surface

    from poredepth.raster.texels import TileRaster
    from poredepth.raster.window import Window

    s = flat_surface(40, 40, 4)
    points = TileRaster(s, 100, 0).skin_points(1001, Window(0, 0, 1, 1))
    at = s.points_mm(points.triangle, points.barycentric.astype(float))[0]
    assert at == pytest.approx([0.2, 39.8, 0.0], abs=1e-5)
    assert np.isclose(s.normal[:, 2], 1).all()
