"""The opening of pits, told from the form of what is deeper: their upper third is lost in furrows and grain.

Profiles are taken from one family, depth x (1 - r^e)^p with r from 0 in the middle to 1 at the opening: from soft
shoulders (e = 2, p = 2) over the paraboloid (e = 2, p = 1) to flat floors with walls (e = 8, p = 1).  Own derivation.
"""

from __future__ import annotations

import numpy as np

_POWER = np.concatenate([np.linspace(2.0, 1.0, 33), np.ones(32)])
_EXPONENT = np.concatenate([np.full(33, 2.0), np.linspace(2.0, 8.0, 33)[1:]])


def _radius_at(share: float) -> np.ndarray:
    """Radius, in openings, at which a profile of the family is a share of its depth."""
    return (1.0 - share ** (1.0 / _POWER)) ** (1.0 / _EXPONENT)


#: For each profile of the family: radius at half depth by the opening's, depth at half of that radius as a share of the
#: whole, radius at 3/4 of the depth by that at half.  All rise from the first to the last.
_HALF = _radius_at(0.5)
_INNER = (1.0 - (0.5 * _HALF) ** _EXPONENT) ** _POWER
_STEEP = _radius_at(0.75) / _HALF
_PLACE = np.linspace(0.0, 1.0, len(_HALF))


def half_ratio(inner: np.ndarray, steep: np.ndarray) -> float:
    """Radius at half depth by that of the opening, one for all pits: a single pit's form is known too badly.

    Parameters
    ----------
    inner : float (n,), depth at half the radius at half depth, as a share of the whole
    steep : float (n,), radius at 3/4 of the depth by that at half depth

    Returns
    -------
    0.541 (soft shoulders) to 0.917 (walls); 0.7071 for paraboloids, also where there is no pit
    """
    if len(inner) == 0:
        return float(np.sqrt(0.5))
    by_inner = np.interp(np.median(inner), _INNER, _PLACE)
    by_steep = np.interp(np.median(steep), _STEEP, _PLACE)
    return float(np.interp(0.5 * (by_inner + by_steep), _PLACE, _HALF))
