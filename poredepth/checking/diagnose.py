"""Texels that are not what is meant: what was done to the file?

Each hypothesis is what one mistake would make of the heights that are meant.  The most specific one that leaves no more
than rounding unexplained gives the finding its name.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from poredepth.checking.file_checks import Subject
from poredepth.checking.report import Finding, Place, spread
from poredepth.checking.sampling import Intent, TileSample, texels_of
from poredepth.checking.stated import Decoder


@dataclass(frozen=True)
class Case:
    """Texels of one file, found and meant.

    Attributes
    ----------
    drawn : texels drawn; sample : these, with the texels of the lowest and highest value behind them
    found_mm, meant_mm, allowed_mm : float64 (n,): in the file, by the recipe, and what writing may round
    is_finite, is_wrong : bool (n,)
    others : what was drawn in the other tiles of the map
    """

    subject: Subject
    intent: Intent
    drawn: TileSample
    sample: TileSample
    found_mm: np.ndarray
    meant_mm: np.ndarray
    allowed_mm: np.ndarray
    is_finite: np.ndarray
    is_wrong: np.ndarray
    others: Mapping[int, TileSample]

    @classmethod
    def of(cls, subject: Subject, intent: Intent, samples: Mapping[int, TileSample], tile: int, has_gaps: bool) -> Case:
        """The texels of a tile; without ``has_gaps`` texels without skin may hold any height, and are left out."""
        if not has_gaps:
            samples = {other: one.part(one.skin.triangle >= 0) for other, one in samples.items()}
        drawn, scan, decoder = samples[tile], subject.scan, subject.decoder
        sample, extreme_raw = _with_extremes(drawn, subject, intent, has_gaps)
        raw = np.concatenate([scan.texels.at(drawn.row_px, drawn.col_px), extreme_raw])
        found_mm = decoder.mm(raw)
        meant_mm = meant_by(subject, sample.meant_mm)
        allowed_mm = decoder.rounding_mm(meant_mm, scan.dtype)
        is_finite = np.isfinite(found_mm)
        with np.errstate(invalid="ignore"):
            is_wrong = is_finite & (np.abs(found_mm - meant_mm) > allowed_mm)
        others = {other: one for other, one in samples.items() if other != tile}
        return cls(
            subject, intent, drawn, sample, found_mm, meant_mm, allowed_mm, is_finite, is_wrong, others
        )  # fmt: skip

    @property
    def decoder(self) -> Decoder:
        return self.subject.decoder

    @property
    def error_mm(self) -> np.ndarray:
        return self.found_mm - self.meant_mm

    @property
    def is_codes(self) -> bool:
        return self.subject.scan.dtype.kind == "u"

    def place(self, number: int) -> Place:
        """The place of a texel of the sample, with its point of the skin."""
        sample, surface = self.sample, self.intent.raster.surface
        triangle = sample.skin.triangle[number : number + 1]
        at = ""
        if triangle[0] >= 0:
            barycentric = sample.skin.barycentric[number : number + 1].astype(float)
            at = surface.place_text(surface.points_mm(triangle, barycentric)[0])
        return self.subject.place(int(sample.row_px[number]), int(sample.col_px[number]), at)

    @property
    def first(self) -> int:
        """The topmost wrong texel."""
        wrong = np.flatnonzero(self.is_wrong)
        return int(wrong[np.lexsort((self.sample.col_px[wrong], self.sample.row_px[wrong]))[0]])

    @property
    def worst(self) -> int:
        """The wrong texel that is farthest off."""
        return int(np.argmax(np.where(self.is_wrong, np.abs(self.error_mm), -1.0)))

    def finding(self, name: str, text: str, hint: str, number: int | None = None) -> Finding:
        return Finding(name, text, hint, self.subject.opened.path, self.place(self.worst if number is None else number))


def meant_by(subject: Subject, height_mm: np.ndarray) -> np.ndarray:
    """Heights as the file is to hold them, float64: limited to its reach if it says that some were."""
    if not subject.stated.number("clipped_texels"):
        return height_mm.astype(np.float64)
    return np.clip(height_mm.astype(np.float64), *subject.decoder.reach_mm(subject.scan.dtype))


def _with_extremes(
    drawn: TileSample, subject: Subject, intent: Intent, has_gaps: bool
) -> tuple[TileSample, np.ndarray]:
    """The sample with the texels that hold the lowest and the highest value; and those values as they are stored."""
    scan = subject.scan
    ends = [end for end in (scan.low, scan.high) if end is not None]
    if not ends:
        return drawn, np.empty(0, scan.dtype)
    row, col = np.divmod(np.concatenate([end.texel for end in ends]), drawn.size_px)
    raw = np.concatenate([np.full(len(end.texel), end.value) for end in ends]).astype(scan.dtype)
    added = texels_of(intent, drawn.tile, row, col)
    kept = np.ones(len(row), bool) if has_gaps else added.skin.triangle >= 0
    return drawn.joined(added.part(kept)), raw[kept]


def diagnosed(case: Case) -> list[Finding]:
    """One finding for what is wrong with the texels of a file; none if all are what is meant."""
    if not case.is_wrong.any():
        return []
    from poredepth.checking.hypotheses import HYPOTHESES

    for hypothesis in HYPOTHESES:
        found = hypothesis(case)
        if found is not None:
            return [found]
    return [_differs(case)]


def _differs(case: Case) -> Finding:
    n, wrong = int(case.is_finite.sum()), int(case.is_wrong.sum())
    error_mm = case.error_mm[case.is_finite]
    meant, found = case.meant_mm[case.is_finite], case.found_mm[case.is_finite]
    alike = np.corrcoef(meant, found)[0, 1] if meant.std() > 0 and found.std() > 0 else 0.0
    rms_um, worst_um = (1000 * one for one in spread(error_mm))
    text = (
        f"{wrong} of {n} texels looked at are not what the recipe means: off by {rms_um:.4g} um (rms), worst "
        f"{worst_um:.4g} um; correlation with what is meant {alike:.3f}"
    )
    hint = "of another recipe or an older state of it, or changed by a filter: compose it again"
    return case.finding("heights-differ", text, hint)
