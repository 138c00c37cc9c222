"""Boxes of what lies in the picture, against polygons cut off corner by corner."""

import numpy as np

from synth.truth import _ends_inside, clipped

_SIZE = (120, 90)


def test_ends_of_cut_off_polygons() -> None:
    rng = np.random.default_rng(9)
    angle = np.linspace(0, 2 * np.pi, 9)[:-1]
    circle = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    middle = rng.uniform([-30, -30], [150, 120], (400, 1, 2))
    rings = middle + circle * rng.uniform(5, 40, (400, 1, 2))
    rings[0] = rings[1, :1]  # all corners in one place
    rings[2:9, 4:] = rings[2:9, 3:4]  # filled up with the last corner, as shorter outlines are
    rings[10] = [[-20, 30], [50, 30], [50, 30], [50, 60], [50, 60], [-20, 60], [-20, 45], [-20, 45]]  # along x and y
    least, most = _ends_inside(rings, *_SIZE)
    empty = 0
    for k, ring in enumerate(rings):
        wanted = clipped(ring, *_SIZE)
        if k == 0 or len(wanted) == 0:
            empty += k > 0
            assert k == 0 or (np.isinf(least[k]).all() and np.isinf(most[k]).all())
            continue
        np.testing.assert_allclose(least[k], wanted.min(axis=0), atol=1e-9)
        np.testing.assert_allclose(most[k], wanted.max(axis=0), atol=1e-9)
    assert 20 < empty < 200
    assert least[10].tolist() == [0, 30] and most[10].tolist() == [50, 60]
