"""What may have been done to a map, one function for each mistake, the most specific first.

Errors are counted in what writing may round a texel by, so that a map of any format leaves about 0.6 (root mean square)
when a hypothesis is right, and 0.8 when its values were rounded twice.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from poredepth.checking.diagnose import Case, meant_by
from poredepth.checking.report import Finding
from poredepth.checking.stated import CODE_MAX

#: What may be left unexplained, in roundings, if it is so much less than what is wrong; or as a share of that.
LEFT_ROUNDINGS, LEFT_RATIO, LEFT_SHARE = 1.4, 0.7, 0.02
#: Share of texels that may be off in any case: single texels are another matter.
_TRIMMED = 0.01
#: As far as this from a seam, px, counts as beside it.
BESIDE_PX = 8.0
#: A shift by one texel must explain such a share of the texels that are wrong: at the edge of what moved it cannot.
SHIFTED_SHARE = 0.7
#: So few of the texels looked at are single ones.
SINGLE_SHARE = 0.02

_AGAIN = "write the map again"


def left(found: np.ndarray, meant: np.ndarray, unit: np.ndarray | float = 1.0) -> float:
    """Root mean square error in units, such as what writing may round each texel by; the worst hundredth left out."""
    error = np.abs(found - meant) / unit
    error = np.sort(error[np.isfinite(error)])
    error = error[: len(error) - int(_TRIMMED * len(error))]
    return float(np.sqrt(np.mean(error**2))) if len(error) else np.inf


def explains(case: Case, found_mm: np.ndarray, meant_mm: np.ndarray, allowed_mm: np.ndarray) -> bool:
    """Whether heights, with a mistake undone, are those that are meant: to rounding, or but for a small share of what
    is wrong."""
    now_mm, now_roundings = left(case.found_mm, case.meant_mm), left(case.found_mm, case.meant_mm, case.allowed_mm)
    if now_mm == 0:
        return False
    roundings = left(found_mm, meant_mm, allowed_mm)
    is_rounding = roundings <= min(LEFT_ROUNDINGS, LEFT_RATIO * now_roundings)
    return is_rounding or left(found_mm, meant_mm) <= LEFT_SHARE * now_mm


def turned(case: Case) -> Finding | None:
    """Rows or columns in the wrong order."""
    said = {
        "rows-flipped": "rows stand upside down: the texel meant for row r is in row n - 1 - r",
        "columns-flipped": "columns are mirrored: the texel meant for column c is in column n - 1 - c",
        "turned-half": "the picture is turned by half",
        "transposed": "rows and columns are exchanged",
    }
    drawn = len(case.drawn)
    for name, row, col in case.drawn.mirrored():
        found_mm = case.decoder.mm(case.subject.scan.texels.at(row, col))
        if explains(case, found_mm, case.meant_mm[:drawn], case.allowed_mm[:drawn]):
            hint = "a program counts rows from the other side, or turned the picture: give it the map as it was written"
            return case.finding(name, said[name], hint)
    return None


def swapped(case: Case) -> Finding | None:
    """The picture of another tile."""
    for tile, other in case.others.items():
        found_mm = case.decoder.mm(case.subject.scan.texels.at(other.row_px, other.col_px))
        meant_mm = meant_by(case.subject, other.meant_mm)
        allowed_mm = case.decoder.rounding_mm(meant_mm, case.subject.scan.dtype)
        if np.ptp(meant_mm) > 0 and explains(case, found_mm, meant_mm, allowed_mm):
            text = f"the file of tile {case.sample.tile} holds the picture of tile {tile}"
            return case.finding("tile-swapped", text, "files were exchanged: " + _AGAIN)
    return None


def curved(case: Case) -> Finding | None:
    """Values bent by a colour curve: of those that explain what is found, the one that leaves least."""
    found, value = case.decoder.value_of(case.found_mm), case.decoder.value_of(case.meant_mm)
    rounding = case.allowed_mm / case.decoder.scale_mm
    now, best = left(found, value), (np.inf, "")
    for text, curve in _CURVES.items():
        low, mean, high = (_held(case, curve(one)) for one in (value - rounding, value, value + rounding))
        # what was rounded before is bent with the rest
        allowed = np.maximum(np.abs(high - mean), np.abs(mean - low)) + rounding
        left_over = left(found, mean)
        fits = left_over <= LEFT_SHARE * now or left(found, mean, allowed) <= LEFT_ROUNDINGS
        if fits and left_over <= LEFT_RATIO * now:
            best = min(best, (left_over, text))
    if now == 0 or not best[1]:
        return None
    hint = "a program took heights for colours: read and save the file as raw data, and write the map again"
    return case.finding("srgb-curve", f"values are bent: {best[1]}", hint)


def _held(case: Case, value: np.ndarray) -> np.ndarray:
    return np.clip(value, 0, 1) if case.is_codes else value


def _to_srgb(value: np.ndarray) -> np.ndarray:
    high = 1.055 * np.power(np.maximum(value, 0.0031308), 1 / 2.4) - 0.055
    return np.where(value <= 0.0031308, 12.92 * value, high)


def _from_srgb(value: np.ndarray) -> np.ndarray:
    high = np.power((np.maximum(value, 0.04045) + 0.055) / 1.055, 2.4)
    return np.where(value <= 0.04045, value / 12.92, high)


def _both_signs(curve: Callable[[np.ndarray], np.ndarray]) -> Callable[[np.ndarray], np.ndarray]:
    return lambda value: np.sign(value) * curve(np.abs(value))


def _above_zero(curve: Callable[[np.ndarray], np.ndarray]) -> Callable[[np.ndarray], np.ndarray]:
    return lambda value: curve(np.maximum(value, 0.0))


#: The curve of IEC 61966-2-1 and a plain power, both ways; programs differ in what they do to negative values.
_CURVES = {
    f"{text}{sign}": extend(curve)
    for text, curve in (
        ("the sRGB curve was applied, as if heights were light", _to_srgb),
        ("the sRGB curve was taken off, as if heights were sRGB", _from_srgb),
        ("a power of 1/2.2 was applied", lambda value: np.power(np.maximum(value, 0), 1 / 2.2)),
        ("a power of 2.2 was applied", lambda value: np.power(np.maximum(value, 0), 2.2)),
    )
    for sign, extend in (
        ("", lambda curve: curve),
        (" (to both signs)", _both_signs),
        (" (nothing is left below 0)", _above_zero),
    )
}


def eight_bits(case: Case) -> Finding | None:
    """Only as many levels as eight bits have."""
    n_found = len(np.unique(case.found_mm[case.is_finite]))
    n_meant = len(np.unique(np.rint(case.meant_mm / (case.allowed_mm.max() * 2))))
    if n_found > 256 or n_meant < 2 * n_found:
        return None
    level_mm = np.unique(case.found_mm[case.is_finite])
    step_mm = float(np.median(np.diff(level_mm))) if len(level_mm) > 1 else 0.0
    error_mm = np.abs(case.error_mm[case.is_finite])
    # cut to a level or rounded to one; values that eight bits could not hold were limited
    if np.quantile(error_mm, 0.5) > 1.1 * step_mm:
        return None
    text = (
        f"the texels looked at hold only {n_found} different heights, {1000 * step_mm:.4g} um apart, where {n_meant} "
        f"are meant: the map went through 8 bits"
    )
    hint = (
        "a program saved it with 8 bits in between, which shows as terraces: keep 16 bits or float, and write it again"
    )
    return case.finding("eight-bit", text, hint)


def half_rounded(case: Case) -> Finding | None:
    """Values that went through half floats."""
    if case.subject.scan.dtype == np.float16:
        return None
    with np.errstate(over="ignore"):
        half = case.decoder.value_of(case.meant_mm).astype(np.float16).astype(float)
    as_half_mm = (half - case.decoder.mid) * case.decoder.scale_mm
    if not explains(case, case.found_mm, as_half_mm, case.allowed_mm):
        return None
    worst_um = 1000 * float(np.abs(case.error_mm[case.is_wrong]).max())
    text = f"heights are rounded to half floats, by up to {worst_um:.4g} um"
    return case.finding("half-rounded", text, "a program saved it with 16-bit floats in between: " + _AGAIN)


def mid_or_scale(case: Case) -> Finding | None:
    """Heights moved as a whole, or multiplied, or both."""
    ok = case.is_finite
    found, meant, allowed = case.found_mm[ok], case.meant_mm[ok], case.allowed_mm[ok]
    # where rounding is finest a shift shows best
    shift_mm = float(np.median((found - meant)[allowed <= np.quantile(allowed, 0.2)]))
    if explains(case, found - shift_mm, meant, allowed):
        return _shifted(case, shift_mm)
    if np.abs(meant).max() <= allowed.max():
        return None
    # halves are finest about 0: there a change by little shows; one by much is seen better by all alike
    for unit in (allowed, np.ones_like(allowed)):
        factor, _ = _fit(found, meant, unit, False)
        if factor > 0 and explains(case, found / factor, meant, allowed):
            return _scaled(case, factor)
        factor, shift_mm = _fit(found, meant, unit, True)
        if factor != 0 and explains(case, (found - shift_mm) / factor, meant, allowed):
            text = f"heights are {factor:.5g} times what is meant, and {1000 * shift_mm:+.4g} um beside it"
            hint = "mid and scale belong to another map, or a program normalised the values: write the map again"
            return case.finding("scale-and-mid-off", text, hint)
    return None


def _shifted(case: Case, shift_mm: float) -> Finding:
    how_far = f"{1000 * abs(shift_mm):.3g} um"
    if case.is_codes:
        codes = shift_mm * CODE_MAX / case.decoder.scale_mm
        count = f"{abs(codes):.3g}" if abs(codes) < 100 else f"{abs(codes):.0f}"
        how_far = f"{count} code{'' if count == '1' else 's'} ({how_far})"
    text = f"all heights are {how_far} too {'high' if shift_mm > 0 else 'low'}; mid is stated as {case.decoder.mid!r}"
    hint = "the values were moved, or mid was edited or rounded (0.5 is no code): write the map again"
    return case.finding("mid-shifted", text, hint)


def _scaled(case: Case, factor: float) -> Finding:
    scale_mm = case.decoder.scale_mm
    text = (
        f"heights are {factor:.5g} times what is meant ({100 * (factor - 1):+.2g} %); scale_mm is stated as "
        f"{scale_mm!r}, {scale_mm / factor:.4g} would fit"
    )
    hint = "scale_mm was edited, is in another unit, or the values were multiplied: write the map again"
    return case.finding("scale-off", text, hint)


def _fit(found: np.ndarray, meant: np.ndarray, unit: np.ndarray, with_shift: bool) -> tuple[float, float]:
    """Factor and shift (0 if not asked for) of found = factor x meant + shift: least squares, each texel in its unit,
    fitted three times, each time without the fiftieth that fitted worst before."""
    columns = np.column_stack([meant, np.ones_like(meant)])[:, : 2 if with_shift else 1] / unit[:, None]
    target, kept = found / unit, np.ones(len(found), bool)
    for _ in range(3):
        fit = np.linalg.lstsq(columns[kept], target[kept], rcond=None)[0]
        error = np.abs(columns @ fit - target)
        kept = error <= np.quantile(error, 1 - 2 * _TRIMMED)
    return float(fit[0]), float(fit[1]) if with_shift else 0.0


def clipped(case: Case) -> Finding | None:
    """Heights beyond a limit were cut off."""
    scan, decoder = case.subject.scan, case.decoder
    low_mm, high_mm = (float(decoder.mm(np.array([one.value], scan.dtype))[0]) for one in (scan.low, scan.high))
    at_top = (case.found_mm >= high_mm) & (case.meant_mm > high_mm)
    at_bottom = (case.found_mm <= low_mm) & (case.meant_mm < low_mm)
    if (case.is_wrong & ~at_top & ~at_bottom).any():
        return None
    parts = []
    for which, limit_mm, extreme in ((at_top, high_mm, scan.high), (at_bottom, low_mm, scan.low)):
        which = which & case.is_wrong
        if which.any():
            meant_mm = case.meant_mm[which]
            farthest = meant_mm[np.argmax(np.abs(meant_mm - limit_mm))]
            word = "above" if limit_mm == high_mm else "below"
            count = f"{extreme.n} texel{'' if extreme.n == 1 else 's'}"
            parts.append(f"heights {word} {limit_mm:.6f} mm are cut off in {count}; {farthest:.6f} mm is missing")
    hint = "scale_mm is too small for the heights, or a program limited the values: write the map again"
    return case.finding("clipped", "; ".join(parts), hint)


def in_gutter(case: Case) -> Finding | None:
    """Only texels beyond the borders of charts."""
    if (case.is_wrong & case.sample.is_inside).any():
        return None
    wrong = case.is_wrong
    zero = np.abs(case.found_mm) <= case.allowed_mm
    if case.is_codes:
        zero |= case.decoder.value_of(case.found_mm) < 0.5 / CODE_MAX
    n, gutter_px = int(wrong.sum()), case.intent.raster.gutter_px
    has_skin = wrong & (case.sample.skin.triangle >= 0)
    if not has_skin.any():
        text = f"{n} of the texels looked at have no skin, but hold heights; what is meant there is 0"
        hint = "a program filled the space between charts; renderers do not read it"
        return case.finding("filled-outside", text, hint)
    if zero[has_skin].mean() >= 1 - _TRIMMED:
        text = f"the gutter of {gutter_px} px around charts is gone: {n} of the texels looked at hold no height"
        hint = "a program cut the picture to the charts; seams will show: write the map again"
        return case.finding("gutter-removed", text, hint)
    text = f"only texels beyond the borders of charts are not what is meant: {n} of those looked at"
    return case.finding("gutter-differs", text, "a program filled the gutter anew; seams may show: " + _AGAIN)


def beside_seams(case: Case) -> Finding | None:
    """Only texels beside seams."""
    wrong = case.is_wrong
    if not (case.sample.seam_px[wrong] <= BESIDE_PX).all():
        return None
    n = int(wrong.sum())
    rms_um = 1000 * float(np.sqrt(np.mean(case.error_mm[wrong] ** 2)))
    drawn = np.flatnonzero(wrong[: len(case.drawn)])
    numbers = (
        f"{n} of the texels looked at within {BESIDE_PX:g} px of a seam are not what is meant, by {rms_um:.4g} um (rms)"
    )
    best, shift = _best_shift(case, drawn)
    if best >= SHIFTED_SHARE:
        text = f"{numbers}; they are moved by one texel ({_steps(*shift)})"
        return case.finding("seam-shifted", text, "a chart was moved in the picture, or in UV: " + _AGAIN)
    return case.finding("seam-differs", numbers, "a program painted over seams: " + _AGAIN)


def _best_shift(case: Case, wrong: np.ndarray) -> tuple[float, tuple[int, int]]:
    """The shift by one texel, (rows, columns), that explains most of the wrong texels, and what share of them."""
    shares = []
    for shift, row, col in case.drawn.shifted():
        moved_mm = case.decoder.mm(case.subject.scan.texels.at(row[wrong], col[wrong]))
        right = np.abs(moved_mm - case.meant_mm[wrong]) <= 2 * case.allowed_mm[wrong]
        shares.append((float(right.mean()) if len(wrong) else 0.0, shift))
    return max(shares)


def _steps(down: int, right: int) -> str:
    words = [("down" if down > 0 else "up") if down else "", ("right" if right > 0 else "left") if right else ""]
    return " and ".join(word for word in words if word)


def single_texels(case: Case) -> Finding | None:
    """Few texels, here and there."""
    n, looked_at = int(case.is_wrong.sum()), int(case.is_finite.sum())
    if n > SINGLE_SHARE * looked_at:
        return None
    worst_um = 1000 * float(np.abs(case.error_mm[case.is_wrong]).max())
    count = "1 of the texels looked at is" if n == 1 else f"{n} of the texels looked at are"
    text = f"{count} not what the recipe means, all others are; worst {worst_um:.4g} um, the first"
    return case.finding("texels-differ", text, "a program damaged or painted them: " + _AGAIN, case.first)


#: In the order they are tried.
HYPOTHESES = (
    turned,
    swapped,
    curved,
    half_rounded,
    mid_or_scale,
    eight_bits,
    clipped,
    in_gutter,
    beside_seams,
    single_texels,
)
