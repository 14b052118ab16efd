"""Split: what a subdivided mesh can carry as displacement, the rest as a normal map.

Edges of length e sample a wave of length L = k e every e, and show straight lines between the samples.  Of a wave of
height 1 the lines show 1 at best at its crests and are off by up to 1 - cos(pi / k) between them; as a wave of the same
length they hold (sin(pi / k) / (pi / k))^2, the rest is in kinks; off by a root mean square of
sqrt(1 - 2 sinc^2 + (2 + cos(2 pi / k)) / 3) of the wave's.  Waves below k = 2 come out as others.  The Gaussian of a
cutoff of m e lets 2^-((m / k)^2) of them pass: with m = 4, 1/16 at k = 2 and
one half at k = 4; what the mesh shows wrongly is then at most 0.111 of any wave (docs/split.md).

Source: linear interpolation of samples of a sine, own derivation; the Gaussian is that of ISO 16610-61.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from poredepth.derived.heights import MapHeights
from poredepth.derived.low_pass import SkinLowPass, low_passed
from poredepth.patch.types import check_positive
from poredepth.raster.window import Window

#: The cutoff in edges: of no wave the mesh then shows more than 0.111 wrongly (root mean square).
EDGES_PER_CUTOFF = 4.0


@dataclass(frozen=True)
class Split:
    """A composed map in two parts that add up to it; blocks may be asked in any order, by several threads.

    Attributes
    ----------
    heights : the composed map
    edge_mm : edges of the subdivided mesh, mm
    low_pass : the coarse part
    """

    heights: MapHeights
    edge_mm: float
    low_pass: SkinLowPass

    @property
    def cutoff_mm(self) -> float:
        return self.low_pass.cutoff_mm

    def coarse(self, tile: int, window: Window) -> np.ndarray:
        """What is displaced, float32 (rows, cols), mm."""
        return self.low_pass.block(tile, window)

    def fine(self, tile: int, window: Window) -> np.ndarray:
        """What is left for the normal map, float32 (rows, cols), mm: added to `coarse` it is the composed map."""
        return self.heights.block(tile, window) - self.coarse(tile, window)


def split(
    heights: MapHeights, edge_mm: float, *, edges_per_cutoff: float = EDGES_PER_CUTOFF, n_threads: int = 2
) -> Split:
    """Split a composed map by what a mesh can show.

    Parameters
    ----------
    heights : the composed map
    edge_mm : float, mm, length of the edges of the mesh once it is subdivided
    edges_per_cutoff : the cutoff of the low pass in edges; less keeps more as displacement and shows more of it wrongly
    n_threads : see `low_passed`

    Raises
    ------
    PatchError : an edge or a number of edges that is not above 0; MapFileError : see `low_passed`
    """
    check_positive("split", "edge_mm", edge_mm, " (mm)")
    check_positive("split", "edges_per_cutoff", edges_per_cutoff)
    return Split(heights, float(edge_mm), low_passed(heights, edges_per_cutoff * float(edge_mm), n_threads))


@dataclass(frozen=True)
class ShownWave:
    """A wave, as a share of its height, after a low pass and on a mesh; see `shown_wave`."""

    passed: float
    kept: float
    worst_error: float
    rms_error: float


def shown_wave(wave_edges: float, edges_per_cutoff: float = EDGES_PER_CUTOFF) -> ShownWave:
    """What becomes of a wave of so many edges.

    Parameters
    ----------
    wave_edges : wavelength in edges of the mesh, above 0
    edges_per_cutoff : see `split`

    Returns
    -------
    ShownWave : passed, by the low pass; kept, as the same wave by the mesh; worst_error, between the mesh and the
        coarse part, of the wave's height; rms_error, the same as root mean square, of the wave's own root mean square

    Examples
    --------
    >>> wave = shown_wave(4.0)
    >>> round(wave.passed, 3), round(wave.kept, 3), round(wave.worst_error, 3), round(wave.rms_error, 3)
    (0.5, 0.405, 0.146, 0.107)
    """
    check_positive("shown wave", "wave_edges", wave_edges)
    passed = float(2.0 ** -((edges_per_cutoff / wave_edges) ** 2))
    gain = float(np.sinc(1.0 / wave_edges) ** 2)
    # below one edge a wave, a crest may stand where the mesh shows a trough
    worst = 1.0 - np.cos(np.pi / wave_edges) if wave_edges >= 1 else 2.0
    square = 1.0 - 2.0 * gain + (2.0 + np.cos(2 * np.pi / wave_edges)) / 3.0
    return ShownWave(passed, passed * gain, passed * float(worst), passed * float(np.sqrt(max(square, 0.0))))
