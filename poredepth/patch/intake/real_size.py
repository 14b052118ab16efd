"""The real size of a pixel: what a person states against what the file says."""

from __future__ import annotations

from poredepth.errors import PatchError
from poredepth.patch.intake.raw import RawPicture
from poredepth.patch.types import check_positive
from poredepth.units import UM_PER_MM

#: Sizes further apart than this contradict each other, ratio: own choice, above the rounding of any tag or ruler.
AGREE_WITHIN_RATIO = 0.005


def real_size(
    raw: RawPicture, where: str, *, texel_um: float | None = None, width_mm: float | None = None
) -> tuple[float, float]:
    """Real size of a pixel, x and y, mm.

    Parameters
    ----------
    raw : RawPicture, not cropped yet
    where : what errors begin with
    texel_um : float, um, width of a pixel, as a person states it
    width_mm : float, mm, width of the whole picture, likewise

    Returns
    -------
    (x, y), mm: of what is stated the first of texel_um, width_mm and the file's tag; y is x by the file's aspect

    Raises
    ------
    PatchError : a number that is not above 0; two that differ by more than 0.5 %; nothing known of the size
    """
    found: list[tuple[str, float]] = []
    if texel_um is not None:
        check_positive(where, "texel_um", texel_um, "; it is the width of a pixel on the skin in micrometres")
        found.append((f"texel_um {texel_um:g}", texel_um / UM_PER_MM))
    if width_mm is not None:
        check_positive(where, "width_mm", width_mm, "; it is the width of the whole picture on the skin in mm")
        cols = raw.values.shape[1]
        found.append((f"width_mm {width_mm:g} over {cols} pixels", width_mm / cols))
    if raw.pixel_mm is not None:
        found.append((f"the file's own size ({raw.pixel_from})", raw.pixel_mm[0]))
    if not found:
        raise PatchError(_unknown(raw, where))
    (first, x_mm), *others = found
    for other, other_mm in others:
        _check_agreement(where, (first, x_mm), (other, other_mm))
    aspect = raw.pixel_aspect if raw.pixel_mm is None else raw.pixel_mm[1] / raw.pixel_mm[0]
    return x_mm, x_mm * aspect


def _check_agreement(where: str, one: tuple[str, float], other: tuple[str, float]) -> None:
    (first, first_mm), (second, second_mm) = one, other
    if abs(first_mm / second_mm - 1) <= AGREE_WITHIN_RATIO:
        return
    raise PatchError(
        f"{where}: {first} makes a pixel {first_mm * UM_PER_MM:.5g} um wide, {second} {second_mm * UM_PER_MM:.5g} um; "
        f"allowed is a difference of {AGREE_WITHIN_RATIO:.1%}; leave out the one that is wrong, or, if that is the "
        "file's, export the picture anew without a size or with the right one"
    )


def _unknown(raw: RawPicture, where: str) -> str:
    doubted = "".join(f" ({note})" for note in raw.notes if note.startswith("size tag: "))
    return (
        f"{where}: the real size of a pixel is not known{doubted}; allowed is one of texel_um, the width of a pixel on "
        "the skin in micrometres, and width_mm, the width of the whole picture on the skin in mm; measure a coin or "
        "ruler that lies in the picture (its width in mm x 1000 / its width in pixels is texel_um), or measure the "
        "piece on the skin itself"
    )
