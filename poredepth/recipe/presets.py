"""Ready-made directions of a recipe, and the landmarks they are made from."""

from __future__ import annotations

#: Landmarks of ``preset: tension_lines``; left and right are the head's own.
TENSION_LANDMARKS = (
    "nose_tip",
    "nasion",
    "chin",
    "hairline",
    "eye_inner_left",
    "eye_inner_right",
    "eye_outer_left",
    "eye_outer_right",
    "mouth_corner_left",
    "mouth_corner_right",
    "nose_wing_left",
    "nose_wing_right",
    "tragion_left",
    "tragion_right",
)

PRESET_LANDMARKS = {"tension_lines": TENSION_LANDMARKS}
