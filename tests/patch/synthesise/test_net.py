import numpy as np
from scipy.spatial import cKDTree

from poredepth.patch.synthesise.net import NetSpec, furrow_strokes
from poredepth.patch.synthesise.periodic import blue_noise, make_tile
from poredepth.patch.synthesise.strokes import StrokeRows

TILE = make_tile(10, 0.02)
SPEC = NetSpec(0.55, 1.15, (0.03, 0.03), (0.012, 0.012), 0.11)


def test_the_net_has_fields_as_large_as_asked():
    strokes = furrow_strokes(TILE, SPEC, np.empty((0, 2)), np.random.default_rng(1))
    # one field for cell^2 * sqrt(3) / 2 (hexagonal packing), three borders a field (Euler on a torus)
    assert len(strokes) == 3 * round(100 / (0.55**2 * np.sqrt(0.75)))


def test_furrows_meet_in_the_pores():
    rng = np.random.default_rng(2)
    pores = blue_noise(TILE, 60, rng) % 10
    strokes = furrow_strokes(TILE, SPEC, pores, rng)
    ends = np.concatenate([s.points_mm[[0, -1]] for s in strokes]) % 10
    tree = cKDTree(np.where(ends >= 10, 0, ends), boxsize=10)
    meeting = np.array([len(tree.query_ball_point(pore, 1e-6)) for pore in pores])
    assert np.count_nonzero(meeting >= 3) >= 54  # the others lie too far from any junction, or near one taken
    assert np.count_nonzero(meeting > 3) >= 10
    # and the way to the next pore leads along furrows: none is left with an end that is no junction
    assert np.array([len(tree.query_ball_point(end, 1e-6)) for end in ends[:400] % 10]).min() >= 3


def test_primary_furrows_are_deeper_and_as_deep_as_asked():
    strokes = furrow_strokes(TILE, SPEC, np.empty((0, 2)), np.random.default_rng(3))
    deepest = np.array([s.depth_mm.mean() for s in strokes])
    primary = deepest > 0.02
    assert 0.3 < primary.mean() < 0.7
    assert np.mean(deepest[primary]) == np.clip(np.mean(deepest[primary]), 0.028, 0.033)
    depth = StrokeRows(TILE, strokes).rows(0, TILE.count)
    assert 0.03 < depth.max() < 0.07
