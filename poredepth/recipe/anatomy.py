"""Standard landmarks of the face, the parts of the face found from them, and whether landmarks can be a face at all.

Names and definitions of the points follow Farkas 1994, "Anthropometry of the Head and Face" (from memory).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from difflib import get_close_matches
from itertools import combinations
from typing import Any, Literal, get_args

import numpy as np

from poredepth.recipe.words import Finding, names_text, suggest

Part = Literal[
    "forehead",
    "glabella",
    "temple_left",
    "temple_right",
    "eyelids_left",
    "eyelids_right",
    "nose_bridge",
    "nose_tip",
    "nose_wing_left",
    "nose_wing_right",
    "cheek_left",
    "cheek_right",
    "upper_lip",
    "lips",
    "chin",
    "jaw_left",
    "jaw_right",
    "neck",
    "ear_left",
    "ear_right",
    "scalp",
    "rest",
]
PARTS: tuple[str, ...] = get_args(Part)


@dataclass(frozen=True)
class Landmark:
    """One standard landmark.

    Attributes
    ----------
    term : its name in anthropometry
    meaning : where it lies
    at_mm : its place on the model head: x to the head's own left, y up, z forward, mm
    is_needed : whether parts of the face cannot be found without it; the others make them truer
    """

    term: str
    meaning: str
    at_mm: tuple[float, float, float]
    is_needed: bool = True


#: Landmarks of the midline and of the left side.  The places are those of the demo head, whose measures lie within the
#: 1-99 % spans of ANSUR II (demo_data/make/measure.py).
_LEFT_HALF = {
    "nose_tip": Landmark("pronasale", "most forward point of the nose", (0.0, -40.0, 113.8)),
    "nasion": Landmark("nasion", "midline of the root of the nose, at its deepest", (0.0, 4.7, 90.5)),
    "chin": Landmark("gnathion", "lowest point of the chin on the midline, seen from the front", (0.0, -114.7, 75.6)),
    "hairline": Landmark("trichion", "hairline on the midline of the forehead", (0.0, 83.9, 77.7)),
    "eye_inner_left": Landmark("endocanthion", "inner corner of the eye", (16.5, -3.0, 79.2)),
    "eye_outer_left": Landmark("exocanthion", "outer corner of the eye", (45.5, -0.6, 74.9)),
    "mouth_corner_left": Landmark("cheilion", "corner of the mouth", (25.5, -71.0, 83.6)),
    "nose_wing_left": Landmark("alare", "point of the nose wing farthest to the side", (20.0, -49.9, 88.6)),
    "tragion_left": Landmark("tragion", "notch above the small flap in front of the ear hole", (74.8, -15.8, -4.1)),
    "lip_top": Landmark("labiale superius", "upper edge of the red of the lips, midline", (0.0, -63.0, 94.7), False),
    "lip_bottom": Landmark("labiale inferius", "lower edge of the red of the lips, midline", (0.0, -81.5, 93.6), False),
    "jaw_angle_left": Landmark("gonion", "corner of the jaw below the ear", (54.1, -81.2, -2.0), False),
}


def _both_sides() -> dict[str, Landmark]:
    out = {}
    for name, mark in _LEFT_HALF.items():
        out[name] = mark
        if name.endswith("_left"):
            x, y, z = mark.at_mm
            out[name.removesuffix("_left") + "_right"] = replace(mark, at_mm=(-x, y, z))
    return out


#: The standard landmarks by name.
LANDMARKS: dict[str, Landmark] = _both_sides()
NEEDED = tuple(name for name, mark in LANDMARKS.items() if mark.is_needed)
#: From nasion to chin on the model head, mm: the yardstick for everything that is too near or too far.
FACE_MM = float(np.linalg.norm(np.subtract(LANDMARKS["nasion"].at_mm, LANDMARKS["chin"].at_mm)))

#: Two landmarks closer than this share of the face are one point.
SAME_RATIO = 0.01
#: Names are taken for exchanged if exchanging them leaves less than this share of the misfit to the model head.
EXCHANGED_SHARE = 0.5
#: A misfit (rms) below this share of the face is told as no mistake.
PLAUSIBLE_MISFIT = 0.05
#: A landmark farther off than this share of the face is no landmark of a face.  Own choice: a nose twice as long, or a
#: jaw half as long again, passes.
FAR_RATIO = 0.6


#: A name as like a standard one as this (difflib ratio) is that one, misspelt.
SAME_WORD = 0.8


def spelt_right(data: Mapping[str, Any]) -> tuple[Mapping[str, Any], list[Finding]]:
    """The recipe's plain data with misspelt names of standard landmarks put right, and a finding for each of them."""
    landmarks = data.get("landmarks")
    if not isinstance(landmarks, Mapping):
        return data, []
    lacking, findings, out = [name for name in LANDMARKS if name not in landmarks], [], {}
    for name, point in landmarks.items():
        close = (
            get_close_matches(name, lacking, 1, SAME_WORD) if isinstance(name, str) and name not in LANDMARKS else []
        )
        if close:
            allowed = "a standard landmark, or a name unlike theirs"
            findings.append(Finding(("landmarks", name), "found a name that nearly is one", allowed, close[0], "key"))
        out[close[0] if close else name] = point
    return ({**data, "landmarks": out}, findings) if findings else (data, [])


def part_findings(data: Mapping[str, Any]) -> Iterator[Finding]:
    """What is wrong with the landmarks of a recipe's plain data, if a region asks for a part of the face."""
    regions, landmarks = data.get("regions"), data.get("landmarks", {})
    asked = [
        (("regions", name, "part"), region["part"])
        for name, region in (regions.items() if isinstance(regions, Mapping) else ())
        if isinstance(region, Mapping) and region.get("part") in PARTS
    ]
    if not asked or not isinstance(landmarks, Mapping):
        return
    missing = [name for name in NEEDED if name not in landmarks]
    if missing:
        loc, part = asked[0]
        other = [name for name in landmarks if isinstance(name, str) and name not in LANDMARKS]
        alike = [(name, found) for name in missing if (found := suggest(name, other)) is not None]
        instead = f", but {alike[0][1]!r}" if alike else ""
        yield Finding(
            loc,
            f"found {part!r} without the landmarks {', '.join(missing)}{instead}",
            f"beside landmarks: {names_text(NEEDED, '')}",
            alike[0][0] if alike else None,
        )
        return
    given = standard(landmarks)
    if all(_is_point(landmarks[name]) for name in given):
        yield from _arrangement(given, np.array([landmarks[name] for name in given], float))


def standard(landmarks: Mapping[str, Any]) -> tuple[str, ...]:
    """Names of the standard landmarks among those given, in the order of ``LANDMARKS``."""
    return tuple(name for name in LANDMARKS if name in landmarks)


def model_mm(names: tuple[str, ...]) -> np.ndarray:
    """Places of landmarks on the model head, float64 (n, 3), mm."""
    return np.array([LANDMARKS[name].at_mm for name in names])


def _is_point(value: Any) -> bool:
    if not isinstance(value, list | tuple) or len(value) != 3:
        return False
    return all(isinstance(x, int | float) and not isinstance(x, bool) and abs(x) < 1e9 for x in value)


def _arrangement(names: tuple[str, ...], at: np.ndarray) -> Iterator[Finding]:
    """Landmarks (n, 3) that cannot be a face: the first mistake found."""
    face = float(np.linalg.norm(at[names.index("nasion")] - at[names.index("chin")]))
    for i, j in combinations(range(len(at)), 2):
        if np.linalg.norm(at[i] - at[j]) <= SAME_RATIO * face:
            yield Finding(("landmarks", names[j]), f"found in the place of {names[i]}", "a place of its own")
            return
    model = model_mm(names)
    misfit = (_off_model_mm(at, model) ** 2).sum()
    if misfit <= len(at) * (PLAUSIBLE_MISFIT * FACE_MM) ** 2:
        return
    orders = _exchanges(names)
    best = min(orders, key=lambda order: (_off_model_mm(at[order], model) ** 2).sum())
    if (_off_model_mm(at[best], model) ** 2).sum() < EXCHANGED_SHARE * misfit:
        a, b = np.flatnonzero(best != np.arange(len(at)))[:2]
        if best is orders[0]:
            found = "found left and right exchanged in all landmarks"
            allowed = "left and right as the head itself has them (seen from the front, its left is on the right)"
        else:
            found, allowed = f"found where {names[b]} belongs, and the other way round", _place_text(names[a])
        yield Finding(("landmarks", names[a]), found, allowed, names[b])
        return
    far_mm = [_off_model_mm(at, model, without=k)[k] for k in range(len(at))]
    worst = int(np.argmax(far_mm))
    if far_mm[worst] > FAR_RATIO * FACE_MM:
        yield Finding(
            ("landmarks", names[worst]),
            f"found {far_mm[worst]:.0f} mm (on a head of usual size) from where the other landmarks put it",
            _place_text(names[worst]),
        )


def _place_text(name: str) -> str:
    return f"the {LANDMARKS[name].term}: {LANDMARKS[name].meaning}"


def _exchanges(names: tuple[str, ...]) -> list[np.ndarray]:
    """Orders of the landmarks with all sides exchanged (first), and with two names exchanged."""
    mirror = {name: name.replace("_left", "_#").replace("_right", "_left").replace("_#", "_right") for name in names}
    every = np.arange(len(names))
    out = [np.array([names.index(mirror[name]) if mirror[name] in names else k for k, name in enumerate(names)])]
    for i, j in combinations(range(len(names)), 2):
        order = every.copy()
        order[[i, j]] = j, i
        out.append(order)
    return out


def _off_model_mm(at: np.ndarray, model: np.ndarray, without: int = -1) -> np.ndarray:
    """How far landmarks (n, 3) lie from those of the model head after the best turn, shift and scale, mm on the model.

    ``without`` : a landmark that does not count in the fit.

    Source: Umeyama 1991, least-squares similarity between two point sets, without reflection.
    """
    counts = np.arange(len(at)) != without
    a, b = at - at[counts].mean(axis=0), model - model[counts].mean(axis=0)
    u, s, vt = np.linalg.svd(b[counts].T @ a[counts])
    keep = np.array([1.0, 1.0, np.sign(np.linalg.det(u @ vt)) or 1.0])
    scale = (s * keep).sum() / (a[counts] ** 2).sum()
    return np.linalg.norm(scale * a @ ((u * keep) @ vt).T - b, axis=1)
