"""What was measured of a displaced mesh: named figures, and the lines that tell them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from poredepth.units import UM_PER_MM


@dataclass(frozen=True)
class Spread:
    """How large errors are, mm.

    Attributes
    ----------
    rms_mm, p99_mm, worst_mm : root mean square, 99 % of them, the largest
    rms_error_mm : standard error of the root mean square, as so many points know it
    worst_at : where the largest is, in units of the mesh file
    """

    rms_mm: float
    rms_error_mm: float
    p99_mm: float
    worst_mm: float
    worst_at: tuple[float, float, float] | None

    @classmethod
    def of(cls, off_mm: np.ndarray, position: np.ndarray | None) -> Spread:
        """Of errors float (n,), mm, at positions (n, 3) in units of the mesh file; zeros of nothing."""
        if len(off_mm) == 0:
            return cls(0.0, 0.0, 0.0, 0.0, None)
        size_mm = np.abs(off_mm)
        worst = int(np.argmax(size_mm))
        at = None if position is None else tuple(float(x) for x in position[worst])
        square = size_mm**2
        rms_mm = float(np.sqrt(square.mean()))
        error_mm = float(square.std() / np.sqrt(len(square))) / (2 * rms_mm) if rms_mm > 0 else 0.0
        return cls(rms_mm, error_mm, float(np.percentile(size_mm, 99)), float(size_mm[worst]), at)


@dataclass(frozen=True)
class Fit:
    """Heights obtained as a line over the relief: its slope, and the correlation, both about the means."""

    gain: float
    correlation: float

    @classmethod
    def of(cls, obtained_mm: np.ndarray, meant_mm: np.ndarray) -> Fit:
        """Least squares; 1 and 1 where the relief has no height to compare (below 1e-9 mm)."""
        if len(meant_mm) < 2 or meant_mm.std() < 1e-9:
            return cls(1.0, 1.0)
        obtained, meant = obtained_mm - obtained_mm.mean(), meant_mm - meant_mm.mean()
        together, spread = float((obtained * meant).sum()), float((meant**2).sum())
        size = float(np.sqrt((obtained**2).sum() * spread))
        return cls(together / spread, together / size if size > 0 else 0.0)


@dataclass(frozen=True)
class DisplaceMeasure:
    """A mesh displaced by map files, measured.  Lengths are mm of the skin the recipe means, if one was given.

    Attributes
    ----------
    edge_mm : longest edge of the small triangles, mm by the scene's unit
    n_small : small triangles of the whole mesh; n_looked_at : of them, those looked at for folds
    n_points : points looked at along their normals; n_missed : of them, those whose normal met nothing
    n_faces_without_uv : they stay where they are
    n_cut_edges : edges that are cut open in the mesh file, and were joined
    unread_ratio : share of the vertices that lie in a tile of which there is no map, and stay
    zero_mm : the farthest a map of zero height moves a vertex; must be 0
    float32_step_mm : distance of neighbouring 32-bit coordinates at the mesh's farthest corner
    n_seam_points, seams, seam_worst_uv : width of the cracks along seams, and (u, v) on both sides of the widest
    neighbours_rms_mm : difference of readings one texel apart, root mean square
    n_folded, folded_at : small triangles turned by more than 90 degrees; where the first lies, as the mesh counts
    between : heights measured along normals at points between vertices, less what the map says there: what the
        tessellation loses
    n_vertices, vertices : heights obtained at vertices, less the relief
    mean_shift_mm, mean_shift_error_mm : their mean, + outward, and its standard error
    gain, correlation : heights obtained at vertices as a line over the relief, by what reading of true texels gives
        (below 1, as it flattens what is as fine as texels), and their correlation
    rays : heights measured along normals, less the relief
    reading : error of bilinear reading of this relief at this size, from texels made anew: the yardstick
    relief_rms_mm : root mean square of the relief about its mean
    apart_rms_mm : how far the points displaced lie from the recipe's skin of the same UVs
    area_ratio : area of the surface displaced, of the recipe's skin
    unit, subdivide, texel_mm : of the scene, Catmull-Clark steps, and the map's texel on the surface displaced
    findings : what is wrong, a sentence each

    Figures that need a relief are None without a composition.
    """

    edge_mm: float
    n_small: int
    n_looked_at: int
    n_points: int
    n_missed: int
    n_faces_without_uv: int
    n_cut_edges: int
    unread_ratio: float
    zero_mm: float
    float32_step_mm: float
    n_seam_points: int
    seams: Spread
    seam_worst_uv: tuple[tuple[float, float], tuple[float, float]] | None
    neighbours_rms_mm: float
    n_folded: int
    folded_at: tuple[float, float, float] | None
    between: Spread
    n_vertices: int = 0
    vertices: Spread | None = None
    mean_shift_mm: float | None = None
    mean_shift_error_mm: float | None = None
    gain: float | None = None
    correlation: float | None = None
    rays: Spread | None = None
    reading: Spread | None = None
    relief_rms_mm: float | None = None
    apart_rms_mm: float | None = None
    area_ratio: float | None = None
    unit: str = "mm"
    subdivide: int = 0
    texel_mm: float = 0.0
    findings: tuple[str, ...] = ()


def displace_lines(measure: DisplaceMeasure) -> list[str]:
    """A measure as lines of text, figures in um; findings last."""
    m = measure
    lines = [
        f"displaced: {m.n_small:,} triangles of edges up to {um_text(m.edge_mm)} um, {m.subdivide} Catmull-Clark "
        f"{'step' if m.subdivide == 1 else 'steps'}, texels of {um_text(m.texel_mm)} um",
    ]
    if m.vertices is not None:
        lines += [
            f"relief: {um_text(m.relief_rms_mm)} um rms; a map of this size can be read to {_told(m.reading)}",
            f"heights at {m.n_vertices:,} vertices: off by {_told(m.vertices)}{_at(m.vertices)}",
            f"mean shift: {UM_PER_MM * m.mean_shift_mm:+.3f} um, known to {UM_PER_MM * m.mean_shift_error_mm:.3f} um; "
            f"{m.gain:.4g} times as high as meant",
            f"heights along {m.n_points:,} normals: off by {_told(m.rays)}{_at(m.rays)}",
        ]
    lines.append(f"lost between vertices: {_told(m.between)}{_at(m.between)}")
    if m.n_missed:
        lines.append(f"normals that met nothing: {m.n_missed} of {m.n_points}")
    if m.n_seam_points:
        lines.append(f"cracks at {m.n_seam_points:,} points of seams: {_told(m.seams)}{_at(m.seams)}")
    lines.append(f"folded over: {m.n_folded} of {m.n_looked_at:,} triangles looked at")
    lines.append(f"a map of zero height moves nothing: {'yes' if m.zero_mm == 0 else f'no, {um_text(m.zero_mm)} um'}")
    lines.append(f"32-bit coordinates: steps of {um_text(m.float32_step_mm)} um")
    if m.n_faces_without_uv:
        lines.append(f"faces without UVs: {m.n_faces_without_uv} stay where they are")
    if m.n_cut_edges:
        lines.append(f"edges cut open in the mesh file: {m.n_cut_edges}, joined here; join them in the renderer too")
    return [*lines, *(f"finding: {one}" for one in m.findings)]


def place_text(at: tuple[float, float, float]) -> str:
    """A place as the mesh file counts."""
    return "[" + ", ".join(f"{x:.4g}" for x in at) + "]"


def um_text(length_mm: float) -> str:
    """A length in um, three digits or all before the point, without the unit."""
    length_um = UM_PER_MM * length_mm
    return f"{length_um:.0f}" if abs(length_um) >= 1000 else f"{length_um:.3g}"


def _told(spread: Spread) -> str:
    return f"{um_text(spread.rms_mm)} um rms, 99 % {um_text(spread.p99_mm)}, worst {um_text(spread.worst_mm)}"


def _at(spread: Spread) -> str:
    return f" at {place_text(spread.worst_at)}" if spread.worst_at is not None else ""
