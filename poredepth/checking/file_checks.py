"""What can be told of a map without its recipe: does the file hold what it says of itself?"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from poredepth.checking.level_checks import level_findings
from poredepth.checking.reader import OpenedMap
from poredepth.checking.report import Finding, Place
from poredepth.checking.scan import Extreme, Scan
from poredepth.checking.stated import CODE_MAX, TYPES, Decoder, Stated
from poredepth.output.formats import CONTAINERS, LOSSY
from poredepth.output.tiles import FIRST_TILE
from poredepth.units import MM_PER_UNIT

#: A map with no more levels than this may have been through eight bits.
EIGHT_BIT_LEVELS = 256
#: From so few levels nothing is concluded.
LEAST_LEVELS = 5
#: Evenly spaced levels tell of eight bits only if there are so many, so many steps of the type apart (halves are not
#: evenly spaced themselves).
EVEN_LEVELS, EVEN_STEP, HALF_STEP = 33, 32, 4

_AGAIN = "write the map again with poredepth, and let no program save it anew"


@dataclass(frozen=True)
class Subject:
    """One file: as it was opened, what is stated of it, and what a pass over its values found."""

    opened: OpenedMap
    stated: Stated | None
    scan: Scan

    @property
    def decoder(self) -> Decoder | None:
        """None if the file does not say how its values mean heights."""
        return Decoder.of(self.stated) if self.stated is not None and self.stated.is_usable else None

    def finding(self, name: str, text: str, hint: str, at: tuple[int, int] | None = None) -> Finding:
        return Finding(name, text, hint, self.opened.path, None if at is None else self.place(*at))

    def place(self, row_px: int, col_px: int, at: str = "") -> Place:
        tile = FIRST_TILE if self.stated is None else self.stated.tile
        return Place.of(tile, row_px, col_px, self.opened.shape, at)

    def row_col(self, texel: int) -> tuple[int, int]:
        row, col = divmod(int(texel), self.opened.shape[1])
        return row, col


def file_findings(subject: Subject, wrong_metadata: list[str]) -> list[Finding]:
    """All that is wrong with one file by itself; ``wrong_metadata`` is what reading its text found."""
    stated = subject.stated
    found = [
        subject.finding("metadata-differ", text, "someone edited one of them: delete or restore it, or " + _AGAIN)
        for text in wrong_metadata
    ]
    if stated is None:
        text = "neither the file nor a sidecar says what its values mean"
        return [*found, subject.finding("metadata-lost", text, f"restore the sidecar beside it, or {_AGAIN}")]
    if stated.by == "sidecar":
        text = "the file has lost its metadata; only the sidecar has them"
        found.append(subject.finding("metadata-lost", text, f"a program saved it anew: {_AGAIN}"))
    found += _statement(subject) + _container(subject) + _not_finite(subject)
    if not subject.scan.n_not_finite:
        hint = f"levels were made anew by a program, or not when the map was changed: {_AGAIN}"
        found += [subject.finding("level-differs", text, hint, at) for text, at in level_findings(subject.opened)]
    if subject.decoder is not None and subject.scan.low is not None:
        found += _range(subject)
        if not any(one.name == "pixel-type" for one in found):
            found += _eight_bits(subject)
    return found


def _statement(subject: Subject) -> list[Finding]:
    """Do the parts of the metadata agree with each other?"""
    stated = subject.stated
    if not stated.holds_heights:
        return []
    found = []
    mid, scale_mm, unit = stated.number("mid"), stated.number("scale_mm"), stated["unit"]
    if not stated.is_usable:
        text = f"mid is {stated['mid']!r} and scale_mm {stated['scale_mm']!r}: no heights follow from that"
        return [subject.finding("metadata-differ", text, _AGAIN)]
    kind = "value" if TYPES.get(stated["format"], ("float32",))[0] != "uint16" else f"code / {CODE_MAX}"
    formula = stated.formula_numbers
    if formula != (kind, mid, scale_mm):
        found.append(f"the formula is {stated['formula']!r}, but mid is {mid!r} and scale_mm {scale_mm!r}")
    unit_mm = stated.number("unit_mm") or MM_PER_UNIT.get(unit)
    scale = stated.number("scale")
    if unit_mm is not None and (scale is None or not math.isclose(scale, scale_mm / unit_mm, rel_tol=1e-12)):
        found.append(f"scale is {scale!r} {unit}, but scale_mm {scale_mm!r} is {scale_mm / unit_mm!r} {unit}")
    found += _units(stated, scale_mm)
    code = stated.number("mid_code")
    if kind != "value" and (code is None or not math.isclose(code / CODE_MAX, mid, rel_tol=1e-12)):
        found.append(f"mid is {mid!r}, but mid_code {stated['mid_code']!r}")
    step_um = stated.number("code_step_um")
    if kind != "value" and (step_um is None or not math.isclose(step_um, 1000 * scale_mm / CODE_MAX, rel_tol=1e-9)):
        found.append(f"code_step_um is {step_um!r}, but scale_mm / {CODE_MAX} is {1000 * scale_mm / CODE_MAX!r} um")
    return [subject.finding("metadata-differ", text, f"one of them was edited: {_AGAIN}") for text in found]


def _units(stated: Stated, scale_mm: float) -> list[str]:
    """Do units have their own millimetres, and is the scale in scene units that of the scene's?"""
    found = []
    for name in ("unit", "scene_unit"):
        said_mm, known_mm = stated.number(f"{name}_mm"), MM_PER_UNIT.get(stated[name])
        if said_mm is not None and known_mm is not None and said_mm != known_mm:
            found.append(f"{name} is {stated[name]}, which is {known_mm!r} mm, but {name}_mm {said_mm!r}")
    scene_mm, scale = stated.number("scene_unit_mm"), stated.number("scale_scene")
    if scene_mm and (scale is None or not math.isclose(scale, scale_mm / scene_mm, rel_tol=1e-12)):
        found.append(f"scale_scene is {scale!r}, but scale_mm {scale_mm!r} is {scale_mm / scene_mm!r} scene units")
    return found


def _container(subject: Subject) -> list[Finding]:
    """Type, compression, size, channels and tags, as the reader sees them."""
    opened, stated = subject.opened, subject.stated
    found = []
    expected = TYPES.get(stated["format"])
    seen = opened.pixel_type, CONTAINERS.get(opened.path.suffix.lower())
    if expected is None or seen != expected:
        allowed = f"{stated['format']!r}" + ("" if expected is None else f", which is {expected[0]} in {expected[1]}")
        text = f"the file holds {seen[0]} in {seen[1]}, but says {allowed}"
        found.append(("pixel-type", text, f"a program saved it in another type: {_AGAIN}"))
    if opened.compression.lower().split(":")[0] in LOSSY:
        text = f"the file is packed by {opened.compression}, which changes heights"
        found.append(("lossy-compression", text, f"{_AGAIN}; allowed: zip and other lossless ones"))
    if stated.size_px is not None and stated.size_px != opened.shape[::-1]:
        (width, height), (rows, cols) = stated.size_px, opened.shape
        text = f"the picture is {cols} x {rows} px, stated are {width} x {height}"
        found.append(("size-differs", text, f"it was scaled or cropped: {_AGAIN}"))
    channels = stated["channels"] if isinstance(stated["channels"], list) else ["Y"]
    if len(opened.channels) != len(channels):
        text = f"the file has channels {', '.join(opened.channels)}, stated are {', '.join(map(str, channels))}"
        found.append(("channels-differ", text, f"a program saved it anew: {_AGAIN}"))
    n_levels = int(stated.number("levels") or 1)
    if opened.n_levels is not None and opened.n_levels != n_levels:
        text = f"the file has {opened.n_levels} mip levels (1: none), stated are {n_levels}"
        found.append(("levels-differ", text, f"a program saved it anew: {_AGAIN}"))
    if "srgb" in opened.colour.lower():
        text = f"the file says its values are {opened.colour}: a reader that manages colour bends the heights"
        found.append(("colour-tag", text, f"a program saved it anew: {_AGAIN}"))
    if not (opened.upright and opened.fills_frame):
        text = "the header says that the picture is turned, or part of a larger frame: readers differ in what they do"
        found.append(("frame-differs", text, f"a program saved it anew: {_AGAIN}"))
    return [subject.finding(*one) for one in found]


def _not_finite(subject: Subject) -> list[Finding]:
    scan = subject.scan
    if scan.n_not_finite == 0:
        return []
    text = f"{_texels(scan.n_not_finite)} not a finite number (NaN or infinite)"
    hint = "a renderer shows holes or black specks there; a program divided by nothing: write the map again"
    return [subject.finding("not-a-number", text, hint, scan.first_not_finite)]


def _texels(n: int) -> str:
    return "1 texel is" if n == 1 else f"{n} texels are"


def _range(subject: Subject) -> list[Finding]:
    """Is the range of heights that is found the one that is stated?"""
    stated, decoder, scan = subject.stated, subject.decoder, subject.scan
    found = []
    for word, extreme, other in (("lowest", scan.low, scan.high), ("highest", scan.high, scan.low)):
        said_mm = stated.number("range_low_mm" if word == "lowest" else "range_high_mm")
        if said_mm is None:
            found.append(subject.finding("metadata-differ", f"no {word} height is stated", _AGAIN))
            continue
        found_mm = float(decoder.mm(np.array([extreme.value], scan.dtype))[0])
        allowed_mm = float(decoder.rounding_mm(np.array([said_mm]), scan.dtype)[0])
        beyond_mm = (said_mm - found_mm) if word == "lowest" else (found_mm - said_mm)
        if abs(beyond_mm) > allowed_mm:
            found.append(
                _range_finding(subject, word, extreme, found_mm, said_mm, beyond_mm > 0, extreme.value != other.value)
            )
    return found


def _range_finding(
    subject: Subject, word: str, extreme: Extreme, found_mm: float, said_mm: float, is_beyond: bool, is_relief: bool
) -> Finding:
    at = subject.row_col(extreme.texel[0])
    numbers = f"the {word} height is {found_mm:.6f} mm, stated is {said_mm:.6f} mm"
    code = "" if subject.scan.dtype.kind == "f" else f" (code {int(extreme.value)})"
    if is_beyond:
        text = f"{numbers}: {_texels(extreme.n)} at {found_mm:.6f} mm{code}, beyond all that was written"
        hint = "single texels: a program damaged them; many: the values or the metadata were scaled"
        return subject.finding("outside-range", text, hint, at)
    if extreme.n >= 3 and is_relief:
        text = f"{numbers}: {extreme.n} texels lie at exactly {found_mm:.6f} mm{code}, as if cut off there"
        return subject.finding("clipped", text, "heights were limited after they were written: write the map again", at)
    hint = "the values or the metadata were changed: write the map again"
    return subject.finding("range-differs", numbers, hint, at)


def _eight_bits(subject: Subject) -> list[Finding]:
    """Values on a grid of eight bits where the file could hold, and by its range should, many more."""
    scan, decoder = subject.scan, subject.decoder
    levels = scan.levels
    if levels is None or not LEAST_LEVELS <= len(levels) <= EIGHT_BIT_LEVELS:
        return []
    if scan.dtype.kind == "u":
        top, step = float(np.iinfo(scan.dtype).max), 1.0
    else:
        top, step = 1.0, float(np.spacing(np.abs(levels).max().astype(scan.dtype)))
    # eight bits spread over the whole type, shifted up into it, or over the used range
    share = levels * 255 / top
    # values far below one step of that grid, as heights in metres are, all lie beside its 0
    on_grid = np.abs(share - np.rint(share)).max() < 1e-3 and np.diff(share).min() > 0.5
    shifted = scan.dtype.kind == "u" and not (levels % 256).any()
    gap = _even_gap(levels, step)
    even = len(levels) >= EVEN_LEVELS and gap > (HALF_STEP if scan.dtype == np.float16 else EVEN_STEP) * step
    if not (on_grid or shifted or even):
        return []
    gap_um = 1000 * float(np.diff(levels).min()) * decoder.scale_mm / (CODE_MAX if scan.dtype.kind == "u" else 1)
    text = f"the file holds only {len(levels)} different values, {gap_um:.4g} um apart, all on a grid of eight bits"
    hint = "a program saved it with 8 bits in between, which shows as terraces; " + _AGAIN
    return [subject.finding("eight-bit", text, hint)]


def _even_gap(levels: np.ndarray, step: float) -> float:
    """The distance of neighbouring levels if they lie on an even grid, some left out; 0 if they do not.

    ``step`` : what the levels may be rounded to
    """
    gaps = np.diff(levels)
    place = np.cumsum(np.rint(gaps / np.median(gaps)))
    gap = float((place * (levels[1:] - levels[0])).sum() / (place**2).sum())
    off = np.abs(levels[1:] - levels[0] - place * gap).max()
    return gap if off <= 0.02 * gap + step else 0.0
