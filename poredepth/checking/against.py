"""Maps beside their recipe: is every texel the height that is meant, and what does a reading of the skin give?"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from poredepth.checking.diagnose import Case, diagnosed
from poredepth.checking.file_checks import Subject
from poredepth.checking.report import Finding, SkinMeasure, TexelMeasure, spread
from poredepth.checking.sampling import GUTTER, OUTSIDE, SEAM, SKIN, Intent, TileSample, sample_tile
from poredepth.checking.scan import Texels
from poredepth.checking.stated import Decoder
from poredepth.measure import SeamMeasure, measure_seams
from poredepth.mix.seams import MEASURED_PER_TEXEL
from poredepth.pipeline import Composition
from poredepth.raster.reading import Reading, bilinear, by_tile, read_maps
from poredepth.raster.seams import seam_points, seam_texels
from poredepth.surface.points import SkinPoints, random_skin_points
from poredepth.surface.seams import seam_edges

#: Random points of the skin that are read.
N_READ = 10_000
#: Both sides of a seam may read so many times farther apart than is meant, or than reading errs anyway.
MOST_APART_RATIO = 1.1


@dataclass(frozen=True)
class Plan:
    """What is looked at in the tiles of one map, worked out before any file is read.

    Attributes
    ----------
    samples : by tile
    skin, reading, relief_mm : random points of the skin, what is read there, and the
        relief itself
    meant_apart_mm : what the two sides of seams read apart in the heights that are meant, root mean square
    """

    intent: Intent
    samples: Mapping[int, TileSample]
    skin: SkinPoints
    reading: Reading
    relief_mm: np.ndarray
    meant_apart_mm: float

    def wanted(self, tile: int) -> np.ndarray:
        """Texels of a tile that are looked at: int64 (n,), rising, row x size + col."""
        n, raster = self.intent.raster.size_px, self.intent.raster
        read = np.concatenate([self.intent.seams.reading.texel.ravel(), self.reading.texel.ravel()])
        parts = [row * n + col for one, _, row, col in by_tile(raster, read) if one == tile]
        for other, sample in self.samples.items():
            places = sample.places() if other == tile else [(sample.row_px, sample.col_px)]
            parts += [row * n + col for row, col in places]
        return np.unique(np.concatenate(parts)) if parts else np.empty(0, np.int64)


def plan_for(composition: Composition, size_px: int, part: str | None) -> Plan:
    """Draw what is looked at, and ask the recipe for its heights.

    Raises NotComparableError for a part of a map that the recipe does not have.
    """
    raster = composition.raster(size_px)
    intent = Intent(composition, raster, seam_points(raster, seam_edges(composition.surface), MEASURED_PER_TEXEL), part)
    skin = random_skin_points(composition.surface, N_READ, np.random.default_rng(0), raster.has_texels)
    uv = np.einsum("nk,nkx->nx", skin.barycentric.astype(float), composition.surface.corner_uv[skin.triangle])
    relief_mm = intent.relief_mm(skin)
    samples = {tile: sample_tile(intent, tile) for tile in raster.tiles}
    return Plan(intent, samples, skin, bilinear(raster, uv, skin.triangle), relief_mm, _meant_apart_mm(intent))


def _meant_apart_mm(intent: Intent) -> float:
    if intent.part is not None:
        return 0.0
    correction = intent.composition.seam_correction(intent.raster.size_px)
    if correction is not None:
        return correction.rms_after_mm
    texels = seam_texels(intent.raster, MEASURED_PER_TEXEL)
    return spread(texels.points[0].mismatch_mm(intent.relief_mm(texels.skin).astype(float)))[0]


def texel_check(one: Subject, plan: Plan, has_gaps: bool) -> tuple[TexelMeasure, list[Finding]]:
    """The texels of one file beside the heights that are meant; what is wrong is named.

    ``has_gaps`` : texels without skin are to be 0; otherwise they may hold any height
    """
    case = Case.of(one, plan.intent, plan.samples, one.stated.tile, has_gaps)
    kind, looked_at = case.sample.kind, case.is_finite
    error_mm = np.abs(case.found_mm - case.meant_mm)[looked_at]
    rms_mm, worst_mm = spread(error_mm)
    allowed_mm = float(case.allowed_mm[looked_at][np.argmax(error_mm)]) if len(error_mm) else 0.0
    counts = [int((kind == one).sum()) for one in (SKIN, SEAM, GUTTER, OUTSIDE)]
    measure = TexelMeasure(*counts, int(case.is_wrong.sum()), worst_mm, rms_mm, allowed_mm)
    return measure, diagnosed(case)


def skin_check(subjects: Sequence[Subject], plan: Plan) -> tuple[SkinMeasure | None, list[Finding]]:
    """The skin read bilinearly over all tiles, and its seams; None if tiles are missing or hold a part of the map."""
    raster, composition = plan.intent.raster, plan.intent.composition
    maps = {one.stated.tile: _KnownTexels(one.scan.texels, one.decoder, raster.size_px) for one in subjects}
    if plan.intent.part is not None or not set(raster.tiles) <= set(maps):
        return None, []
    texel_mm = read_maps(raster, maps, plan.reading.texel.ravel()).reshape(-1, 4)
    read_mm = (texel_mm.astype(float) * plan.reading.weight).sum(axis=1)
    error_mm = (read_mm - plan.relief_mm)[plan.reading.in_tile]
    error_mm = error_mm[np.isfinite(error_mm)]
    rms_mm, worst_mm = spread(error_mm)
    apart = measure_seams(composition, maps, n_reading_points=0)
    shift = (float(error_mm.mean()), float(np.median(error_mm))) if len(error_mm) else (0.0, 0.0)
    measure = SkinMeasure(
        len(error_mm), rms_mm, worst_mm, *shift, apart.n_points, apart.rms_mm, apart.worst_mm, plan.meant_apart_mm
    )
    return measure, _seam_findings(measure, apart, composition, [one.decoder for one in subjects])


def _seam_findings(
    measure: SkinMeasure, apart: SeamMeasure, composition: Composition, decoders: Sequence[Decoder]
) -> list[Finding]:
    rounding_mm = max(one.scale_mm for one in decoders) / 65535
    most_mm = MOST_APART_RATIO * max(measure.rms_mm, measure.meant_apart_mm) + rounding_mm
    if not np.isfinite(measure.apart_mm) or measure.apart_mm <= most_mm:
        return []
    at = composition.surface.place_text(np.array(apart.worst_at_mm))
    text = (
        f"the two sides of seams read {1000 * measure.apart_mm:.4g} um apart (rms), meant are "
        f"{1000 * measure.meant_apart_mm:.4g} um; worst {1000 * measure.apart_worst_mm:.4g} um at {at}"
    )
    return [Finding("seams-apart", text, "texels beside seams were changed: write the map again")]


class _KnownTexels:
    """A map of which single texels are known, for those who read maps by rows and columns."""

    def __init__(self, texels: Texels, decoder: Decoder, size_px: int):
        self.shape = (size_px, size_px)
        self._texels, self._decoder = texels, decoder

    def __getitem__(self, place: tuple[np.ndarray, np.ndarray]) -> np.ndarray:
        return self._decoder.mm(self._texels.at(*place))
