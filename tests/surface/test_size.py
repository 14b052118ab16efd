"""Unit advice.  Head measures: ANSUR II, Gordon et al. 2014, NATICK/TR-15/007."""

import numpy as np
import pytest

from poredepth.errors import MeshError
from poredepth.surface.size import ADULT_HEAD_LENGTH_MM, size_advice

# mean of the survey's men: breadth 154.33, length 199.50; height to the chin about 230 (common practice, no source)
HEAD_MM = np.array([154.33, 230.0, 199.5])
FACE_MASK_MM = np.array([140.0, 150.0, 110.0])
BUST_MM = np.array([500.0, 430.0, 280.0])
ADULT = "an adult head is 168 to 225 mm: "
PER_MM = {"um": 1000.0, "mm": 1.0, "cm": 0.1, "m": 1e-3, "in": 1 / 25.4}


def box(sides, offset=0.0):
    """The eight corners of a box."""
    corners = np.array(np.meshgrid([0, 1], [0, 1], [0, 1], indexing="ij"), float).reshape(3, -1).T
    return corners * sides + offset


@pytest.mark.parametrize("unit", PER_MM)
@pytest.mark.parametrize("sides_mm", [HEAD_MM, FACE_MASK_MM, BUST_MM], ids=["head", "face mask", "bust"])
def test_the_right_unit_needs_no_advice(unit, sides_mm):
    for turned in (sides_mm, sides_mm[[1, 2, 0]], sides_mm[[2, 0, 1]]):
        assert size_advice(box(turned * PER_MM[unit], offset=-40.0 * PER_MM[unit]), unit) == []


@pytest.mark.parametrize("length_mm", [131.0, 168.0, 180.0, 225.0, 80.0, 600.0])
def test_survey_extremes_and_limits_need_no_advice(length_mm):
    assert size_advice(box([length_mm, 60.0, 70.0]), "mm") == []


@pytest.mark.parametrize(
    ("longest", "unit", "advice"),
    [
        (19.5, "mm", f"the mesh is 19.5 mm long; {ADULT}is unit 'cm' meant (would be 195 mm) "
                     "or 'in' meant (would be 495 mm)?"),
        (0.195, "cm", f"the mesh is 1.95 mm long; {ADULT}is unit 'm' meant (would be 195 mm)?"),
        (195.0, "cm", f"the mesh is 1950 mm long; {ADULT}is unit 'mm' meant (would be 195 mm)?"),
        (195.0, "m", f"the mesh is 195000 mm long; {ADULT}is unit 'mm' meant (would be 195 mm)?"),
        (195.0, "um", f"the mesh is 0.195 mm long; {ADULT}is unit 'mm' meant (would be 195 mm)?"),
        (195000.0, "mm", f"the mesh is 195000 mm long; {ADULT}is unit 'um' meant (would be 195 mm)?"),
        (7.7, "mm", f"the mesh is 7.7 mm long; {ADULT}is unit 'in' meant (would be 196 mm)?"),
        (7.7, "cm", f"the mesh is 77 mm long; {ADULT}is unit 'in' meant (would be 196 mm)?"),
        (9.0, "m", f"the mesh is 9000 mm long; {ADULT}is unit 'in' meant (would be 229 mm) "
                   "or 'cm' meant (would be 90 mm)?"),
        (15.0, "mm", f"the mesh is 15 mm long; {ADULT}is unit 'cm' meant (would be 150 mm) "
                     "or 'in' meant (would be 381 mm)?"),
        (1.0, "mm", f"the mesh is 1 mm long; {ADULT}no unit makes it a head (allowed: um mm cm m in); "
                    "is it scaled, or more than a head?"),
        (1754.3, "mm", f"the mesh is 1750 mm long; {ADULT}no unit makes it a head (allowed: um mm cm m in); "
                       "is it scaled, or more than a head?"),
    ],
)  # fmt: skip
def test_advice(longest, unit, advice):
    assert size_advice(box([longest * 0.7, longest, longest * 0.8], offset=1000.0 * longest), unit) == [advice]


@pytest.mark.parametrize("position", [np.zeros((0, 3)), np.zeros((1, 3)), np.ones((5, 3))])
def test_a_mesh_without_extent(position):
    advice = "the mesh has no extent: all of its positions are in one place; is this the right file?"
    assert size_advice(position, "mm") == [advice]


def test_unknown_unit():
    with pytest.raises(MeshError) as caught:
        size_advice(box(HEAD_MM), "km")
    assert str(caught.value) == "mesh unit 'km'; allowed: um mm cm m in; write the unit of the file's numbers"


def test_head_length_is_that_of_the_survey():
    """ANSUR II head length, all men and women: smallest 168 mm, largest 225 mm."""
    assert ADULT_HEAD_LENGTH_MM == (168.0, 225.0)
