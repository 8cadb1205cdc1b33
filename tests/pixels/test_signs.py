"""Signs of what was done to a stack before: what is told, and what is not."""

import numpy as np

from nebulakit.pixels import signs


def test_where_few_frames_lie_noise_is_no_hot_pixel() -> None:
    rng = np.random.default_rng(3)
    plane = rng.normal(100, 1, (400, 500)).astype(np.float32)
    plane[:150, :200] = rng.normal(100, 5, (150, 200))  # a corner with a twenty-fifth of the frames
    assert signs.lone_points(plane[None], (1.0,)) <= 3  # 30000 maxima and minima of 9 pixels of 5 sigma: hundreds
    hot = plane.copy()
    hot[np.arange(160, 390, 10), 300] += 40
    hot[np.arange(10, 140, 10), 50] += 200
    assert signs.lone_points(hot[None], (1.0,)) >= 34  # of 36
