"""The rules by which a layer joins the mix: add, replace, deepest, highest.

The mix is held in tracks: one for each band that some layer replaces, deepens or heightens, and one for all others
together.  What a rule does to one track leaves the bits of the others alone.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

#: Called with an array float32 (n,), mm: adds a layer's heights to it, times its weight.
AddTo = Callable[[np.ndarray], None]


@dataclass(frozen=True)
class Rule:
    """How a layer joins those below.

    Attributes
    ----------
    kind : ``add``, ``replace``, ``deepest`` or ``highest``
    smooth_mm : over this much beyond the mix, a deeper or higher layer is eased in
    """

    kind: str = "add"
    smooth_mm: float = 0.0


@dataclass(frozen=True)
class Share:
    """What a layer brings to a track.

    Attributes
    ----------
    presence : float32 (n,), 0 to 1: region, thinning, and a registered layer's own fade
    add_to : adds presence x gain x height; None where the gain is 0
    level_mm : mean height of presence x gain x height, float or float32 (n,), mm: what of it is no texture
    sq_mm : root mean square of presence x gain x height about that, float or float32 (n,), mm; 0 for forms, whose
        heights mean one place
    """

    presence: np.ndarray
    add_to: AddTo | None
    level_mm: np.ndarray | float = 0.0
    sq_mm: np.ndarray | float = 0.0


class Track:
    """Heights of one band or several at n points, float32 mm: what is form, and what is texture.

    Texture is relief whose places mean nothing, such as pores: where two textures fade into each other, the sum keeps
    their root mean square height, which a plain cross-fade loses (the rule of Heitz & Neyret 2018, "High-performance
    by-example noise using a histogram-preserving blending operator", brought to a root mean square that changes evenly
    from one to the other: own derivation).

    Attributes
    ----------
    bands : numbers of its bands
    mixes : whether anything but sums is to be expected; if not, only one height is kept
    """

    def __init__(self, bands: tuple[int, ...], n: int, mixes: bool):
        self.bands, self.mixes = bands, mixes
        self._form_mm = np.zeros(n, np.float32)
        self._texture_mm = np.zeros(n, np.float32) if mixes else None
        self._sq_mm = np.zeros(n, np.float32) if mixes else None
        self._cover: _Cover | None = None

    def height_mm(self) -> np.ndarray:
        """All there is so far, float32 (n,); not to be written into."""
        if not self.mixes:
            return self._form_mm
        form_mm, texture_mm, _ = self._joined()
        return form_mm + texture_mm

    def add(self, share: Share) -> None:
        """height + presence x gain x height of the layer."""
        if share.add_to is None:
            return
        if not self.mixes:
            share.add_to(self._form_mm)
            return
        self._join()
        _bring(share, self._form_mm, self._texture_mm)
        self._sq_mm = np.sqrt(self._sq_mm**2 + np.square(share.sq_mm, dtype=np.float32))

    def replace(self, share: Share) -> None:
        """(1 - presence) x height + presence x gain x height of the layer.

        Layers that replace one after another share the skin: each takes what it asks for first from what lay there
        before all of them, then from the others, so that two regions that fade into each other leave nothing of it.
        """
        if self._cover is None:
            self._cover = _Cover(len(self._form_mm))
        self._cover.lay(share)

    def extreme(self, share: Share, rule: Rule) -> None:
        """height + presence x (extreme(height, gain x height of the layer) - height); ``share`` is of presence 1."""
        self._join()
        theirs_mm = np.zeros_like(self._form_mm)
        if share.add_to is not None:
            share.add_to(theirs_mm)
        mine_mm = self.height_mm()
        chosen_mm = extreme_mm(mine_mm, theirs_mm, rule)
        self._form_mm = self._form_mm + share.presence * (chosen_mm - mine_mm)

    def _joined(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Form, texture and root mean square of the texture, with what replaces them."""
        if self._cover is None:
            return self._form_mm, self._texture_mm, self._sq_mm
        return self._cover.over(self._form_mm, self._texture_mm, self._sq_mm)

    def _join(self) -> None:
        if self._cover is not None:
            self._form_mm, self._texture_mm, self._sq_mm = self._joined()
            self._cover = None


class _Cover:
    """What a run of replacing layers has laid over a track: shares of the skin, forms, textures."""

    def __init__(self, n: int):
        self.share, self.form_mm, self.texture_mm, self.sum_sq_mm, self.sum_sq_mm2 = np.zeros((5, n), np.float32)

    def lay(self, share: Share) -> None:
        free = 1 - self.share
        from_free = np.minimum(share.presence, free)
        from_others = share.presence - from_free
        left = 1 - np.divide(from_others, self.share, out=np.zeros_like(free), where=from_others > 0)
        for one in (self.form_mm, self.texture_mm, self.sum_sq_mm):
            one *= left
        self.sum_sq_mm2 *= left * left
        self.share += from_free
        if share.add_to is not None:
            _bring(share, self.form_mm, self.texture_mm)
            self.sum_sq_mm += share.sq_mm
            self.sum_sq_mm2 += np.square(share.sq_mm, dtype=np.float32)

    def over(self, form_mm: np.ndarray, texture_mm: np.ndarray, sq_mm: np.ndarray):
        """Form, texture and its root mean square once the shares below are taken away and this is laid over them."""
        free = 1 - self.share
        wanted_mm = free * sq_mm + self.sum_sq_mm
        found_mm = np.sqrt(np.square(free * sq_mm) + self.sum_sq_mm2)
        # 1 where only one of them shows, bit for bit
        ratio = np.divide(wanted_mm, found_mm, out=np.ones_like(free), where=found_mm > 0)
        return free * form_mm + self.form_mm, ratio * (free * texture_mm + self.texture_mm), wanted_mm


def _bring(share: Share, form_mm: np.ndarray, texture_mm: np.ndarray) -> None:
    if np.ndim(share.sq_mm) == 0 and share.sq_mm == 0.0:
        share.add_to(form_mm)
        return
    share.add_to(texture_mm)
    texture_mm -= share.level_mm
    form_mm += share.level_mm


def extreme_mm(mine_mm: np.ndarray, theirs_mm: np.ndarray, rule: Rule) -> np.ndarray:
    """The lower (``deepest``) or the higher (``highest``) of the mix and a layer, eased over ``smooth_mm``.

    deepest = a - r(a - b) with r(x) = 0 for x <= 0, x for x >= s, and x^2 (2 s - x) / s^2 between, which has no kink at
    either end: what is not lower changes nothing, what is lower by s or more is taken whole.  A mean of both ends, as
    smooth minima have it, would lower skin that is equal in both.  highest is the same upside down (own derivation).
    """
    sign = np.float32(1 if rule.kind == "deepest" else -1)
    beyond = sign * (mine_mm - theirs_mm)
    if rule.smooth_mm > 0:
        s = np.float32(rule.smooth_mm)
        x = np.clip(beyond, 0, s)
        taken = np.where(beyond < s, x * x * (2 * s - x) / (s * s), beyond)
    else:
        taken = np.maximum(beyond, 0)
    return mine_mm - sign * taken
