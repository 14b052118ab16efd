"""What a mesh, patch, recipe or map is, as rows of (name, value) to print."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np

from poredepth.output import read_map, read_map_metadata
from poredepth.output.metadata import HEIGHT
from poredepth.patch.bands import Cutoffs, band_sq_mm
from poredepth.patch.read import read_picture
from poredepth.patch.types import HeightPatch
from poredepth.pipeline import Composition
from poredepth.placement.prints import stretch, visible_area_mm2
from poredepth.placement.registered import Registration
from poredepth.placement.scatter import ALLOWED_STRETCH
from poredepth.placement.ties import coordinates
from poredepth.raster.texels import TileRaster
from poredepth.recipe.anatomy import LANDMARKS
from poredepth.recipe.model_layers import LayerSpec
from poredepth.surface.metric import is_mirrored, median_texel_mm, singular_values_mm, weighted_quantiles
from poredepth.surface.overlaps import chart_overlap
from poredepth.surface.parts import ON_SKIN_MM
from poredepth.surface.points import SkinPoints
from poredepth.surface.regions import region_weight
from poredepth.surface.size import size_advice
from poredepth.surface.skin import Surface
from poredepth.units import UM_PER_MM
from poredepth.view.carried import carried_rows
from poredepth.view.plate import landmark_rows

Row = tuple[str, str]

#: Tile sizes whose texel on the skin is told.
TOLD_SIZES_PX = (2048, 4096, 8192, 16384)

#: Size of the raster that covered UV area is counted on.
COUNT_SIZE_PX = 1024


def mesh_facts(surface: Surface, unit: str) -> list[Row]:
    """Real size, topology, charts, seams, texel size, stretch and overlaps of a mesh."""
    adjacency = surface.adjacency
    open_edges = int((adjacency.triangle < 0).sum())
    seam = int((surface.is_chart_border & (adjacency.triangle >= 0)).sum()) // 2
    chart = surface.tri_chart[surface.has_uv]
    mirrored = np.unique(surface.tri_chart[is_mirrored(surface)])
    raster = TileRaster(surface, COUNT_SIZE_PX, 0)
    size = " x ".join(f"{x:.1f}" for x in np.ptp(surface.position_mm, axis=0))
    rows = [
        ("mesh", surface.label),
        ("size", f"{size} mm (unit {unit})"),
        ("skin area", f"{surface.area_mm2.sum() / 100:.1f} cm2"),
        ("triangles", f"{surface.n_triangles:,} on {surface.n_vertices:,} points"),
        ("groups", ", ".join(_group_areas(surface))),
        ("open borders", f"{open_edges} edges"),
        ("joined seams", f"{surface.n_joined_edges} edges that were cut apart in the file"),
        ("charts", f"{len(np.unique(chart))}, of which {len(mirrored)} mirrored; {seam} seam edges"),
        ("UV tiles", ", ".join(map(str, raster.tiles))),
        ("UV area used", "; ".join(f"{tile}: {used}" for tile, used in _uv_use(raster))),
        ("UV overlap", _overlap(surface)),
        ("texel on skin", "; ".join(f"{n}: {UM_PER_MM * median_texel_mm(surface, n):.1f} um" for n in TOLD_SIZES_PX)),
        ("UV stretch", _uv_stretch(surface)),
    ]
    rows += [("advice", line) for line in size_advice(surface.position_mm / surface.mm_per_unit, unit)]
    return rows


def _group_areas(surface: Surface) -> list[str]:
    area = np.bincount(surface.tri_group, surface.area_mm2, len(surface.group_names))
    return [f"{name} {mm2 / 100:.1f} cm2" for name, mm2 in zip(surface.group_names, area, strict=True)]


def _uv_use(raster: TileRaster) -> list[tuple[int, str]]:
    """Share of each tile that is covered."""
    covered = ((t, float((raster.skin_points(t, raster.whole()).triangle >= 0).mean())) for t in raster.tiles)
    return [(tile, f"{100 * share:.1f} %") for tile, share in covered]


def _overlap(surface: Surface) -> str:
    found = chart_overlap(surface)
    if found is None:
        return "none"
    share = f"{100 * found.uv_ratio:.2g} % of the charts' area"
    return f"{found.lost_mm2:.3g} mm2 of skin under other skin, {share} ({found.kind})"


def _uv_stretch(surface: Surface) -> str:
    """Area-weighted percentiles of how uneven UVs are: between the two axes, and in density."""
    values = singular_values_mm(surface)
    ok = np.isfinite(values).all(axis=1) & (values[:, 1] > 0)
    area = surface.area_mm2[ok]
    ratio, density = values[ok, 0] / values[ok, 1], np.sqrt(np.prod(values[ok], axis=1))
    low, high = weighted_quantiles(density, area, (0.05, 0.95))
    [uneven] = weighted_quantiles(ratio, area, (0.95,))
    return f"{uneven:.2f} between the axes (95 %), {high / low:.2f} in density (5 to 95 %)"


def landmark_facts(surface: Surface, landmarks: Mapping[str, Sequence[float]]) -> list[Row]:
    """Where landmarks, [x, y, z] in the mesh file's unit, lie and how far from the skin."""
    rows = []
    for name, row in landmark_rows(surface, landmarks).items():
        term = f" ({LANDMARKS[name].term})" if name in LANDMARKS else ""
        told = f", more than {ON_SKIN_MM:g} mm: check it" if row.is_off else ""
        rows.append((f"landmark {name}", f"{[float(x) for x in row.at]}{term}, {row.off_mm:.2f} mm off the skin{told}"))
    return rows


def recipe_facts(composition: Composition) -> list[Row]:
    """Landmarks, regions with their area, patches with their bands, and for each layer how it lies on the skin."""
    surface, ground = composition.surface, composition.ground
    centre = SkinPoints(
        np.arange(surface.n_triangles, dtype=np.int32), np.full((surface.n_triangles, 3), 1 / 3, np.float32)
    )
    rows = landmark_facts(surface, composition.recipe.landmarks)
    cutoffs = Cutoffs(composition.recipe.bands.coarse_mm, composition.recipe.bands.fine_mm)
    for name, field in ground.regions.items():
        weight = region_weight(surface, field, centre.triangle, centre.barycentric)
        rows.append((f"region {name}", f"{(weight * surface.area_mm2).sum() / 100:.1f} cm2"))
    for name, patch in composition.patches.items():
        rows += [(f"patch {name}", _patch_line(patch)), (f"  bands of {name}", _bands_line(patch, cutoffs))]
    for layer, spec in zip(composition.layers, composition.recipe.layers, strict=True):
        rows.append((f"layer {layer.name}", f"{_joined(spec)}, {_laid(layer, spec, surface)}"))
        if layer.registration is not None:
            rows += _tie_rows(layer.registration)
    size_px = composition.recipe.output.size_px
    rows.append(("output", f"{size_px} px, {UM_PER_MM * median_texel_mm(surface, size_px):.1f} um a texel (median)"))
    return rows + carried_rows(composition)


def _joined(spec: LayerSpec) -> str:
    """Where a layer is, with what gains, and how it joins those below."""
    gains = spec.band_gain
    even = len(set(gains.values())) == 1
    gain = f"{gains['fine']:g}" if even else ", ".join(f"{band} {value:g}" for band, value in gains.items())
    rule = "" if spec.combine == "add" else f", {spec.combine}"
    return f"{spec.region or 'whole skin'}, gain {gain}{rule}"


def _laid(layer, spec, surface: Surface) -> str:
    if layer.in_uv:
        return "a map in the mesh's UVs"
    prints = layer.prints
    if len(prints.print_id) == 0:
        return "no print: its region is empty"
    # beside what was asked for: size, and more one way than the other
    asked = min(spec.along_ratio, spec.across_ratio) / max(spec.along_ratio, spec.across_ratio)
    values = stretch(prints, surface.flat_mm) / (prints.zoom[:, None] * [1.0, asked])
    area = visible_area_mm2(prints, surface.area_mm2)
    low, high = weighted_quantiles(values[:, 1], area, (0.005,))[0], weighted_quantiles(values[:, 0], area, (0.995,))[0]
    stretched = f"stretch {low:.2f} to {high:.2f} (99 % of what is seen)"
    if layer.registration is not None:
        found = layer.registration
        return (
            f"registered by {len(found.ties)} tie points, {UM_PER_MM * found.texel_mm:.1f} um a pixel (stated "
            f"{UM_PER_MM * found.stated_texel_mm:g} um, {100 * (found.size_ratio - 1):+.1f} %), {stretched}"
        )
    outside = (values[:, 1] < ALLOWED_STRETCH[0]) | (values[:, 0] > ALLOWED_STRETCH[1])
    share = 100 * area[outside].sum() / max(area.sum(), 1e-12)
    beyond = f"{share:.2f} % of it beyond {ALLOWED_STRETCH[0]:g} to {ALLOWED_STRETCH[1]:g}"
    return f"{prints.n_prints} prints, {stretched}, {beyond}"


def _tie_rows(found: Registration) -> list[Row]:
    """One row for each tie point; its distances are on the skin."""
    mirrored = f", mirrored in {found.mirror} = 0" if found.mirror is not None else ""
    return [
        (
            f"  tie_points[{fit.number}]",
            f"px {coordinates(fit.px)} at {coordinates(fit.at)}{mirrored}: snapped {fit.snapped_mm:.2f} mm"
            + (f", more than {ON_SKIN_MM:g} mm: check it" if fit.snapped_mm > ON_SKIN_MM else "")
            + f", residual {fit.residual_mm:.3f} mm, without it {fit.left_out_mm:.2f} mm",
        )
        for fit in found.ties
    ]


def _patch_line(patch: HeightPatch) -> str:
    h = patch.height_mm.astype(float)
    h -= h.mean()
    sq = np.sqrt((h**2).mean())
    terms = ", ".join(x for x in (patch.provenance.source, patch.provenance.licence, patch.provenance.consent) if x)
    return (
        f"{patch.width_mm:g} x {patch.height_extent_mm:g} mm, {UM_PER_MM * patch.texel_mm:g} um a texel, "
        f"Sq {UM_PER_MM * sq:.2f} um, Ssk {(h**3).mean() / max(sq, 1e-30) ** 3:.2f}, "
        f"Sku {(h**4).mean() / max(sq, 1e-30) ** 4:.2f}" + (f" ({terms})" if terms else "")
    )


def _bands_line(patch: HeightPatch, cutoffs: Cutoffs) -> str:
    """Sq of each band, of the patch as it is, not drawn out by a layer."""
    sq = {name: f"{UM_PER_MM * mm:.2f} um" for name, mm in band_sq_mm(patch, cutoffs).items()}
    return (
        f"Sq coarse {sq['coarse']} (above {cutoffs.coarse_mm:g} mm), middle {sq['middle']}, "
        f"fine {sq['fine']} (below {cutoffs.fine_mm:g} mm)"
    )


def map_facts(path: Path) -> list[Row]:
    """Everything a written map says about itself, and the roughness of one that holds heights."""
    metadata = read_map_metadata(path)
    rows = [("map", str(path))]
    for name, value in metadata.to_dict().items():
        if name == "exact":
            continue
        if name == "patches":
            for patch in value:
                apart = ("name", "history")
                rows.append(
                    (f"patch {patch['name']}", ", ".join(f"{k} {v}" for k, v in patch.items() if v and k not in apart))
                )
                rows += [("  history" if n == 0 else "", step) for n, step in enumerate(patch["history"])]
        else:
            rows.append((name, _map_value_text(value)))
    if metadata.kind == HEIGHT:
        height_mm, _ = read_map(path)
        rms_um = UM_PER_MM * float(np.sqrt((height_mm.astype(float) ** 2).mean()))
        rows.append(("height rms", f"{rms_um:.3f} um over all texels"))
    return rows


def _map_value_text(value) -> str:
    if isinstance(value, dict):
        value = [f"{name} {number:g}" for name, number in value.items()]
    if isinstance(value, list):
        return ", ".join(map(str, value)) or "none"
    return "-" if value is None else str(value)


def picture_facts(path: Path) -> list[Row]:
    """Size and values of a picture that carries no calibration."""
    values = read_picture(path)
    return [
        ("picture", str(path)),
        ("pixels", f"{values.shape[1]} x {values.shape[0]}"),
        ("values", f"{values.min():.6g} to {values.max():.6g}, mean {values.mean():.6g}"),
        (
            "advice",
            "no calibration: make a patch of it (poredepth patch prepare), or give texel_um, height_um and zero where "
            "a recipe uses it; with --texel-um and --height-um its relief is measured",
        ),
    ]
