"""Published or recomputed values for unmixing lines, and for the colours lines have. The source stands beside each value."""

from __future__ import annotations

import math

import numpy as np
import pytest

from nebulakit import steps
from nebulakit.pixels import colour, response, unmix

# Responses at 656 and 501 nm, (R, G, B) each, the largest 1. From open numeric tables; no second source for any of them.
INFRARED_OPEN = ((1.0, 0.1943, 0.1057), (0.0685, 1.0, 0.4879))
"""A small sensor without infrared-cut filter: digitised vendor curve of the IMX219, scivision/raspicam-spectra archive."""
INFRARED_CUT = (
    ((1.0, 0.1169, 0.0447), (0.0446, 1.0, 0.6285)),  # Canon 600D: Jiang et al. 2013, WACV, camspec database
    ((1.0, 0.0794, 0.0000), (0.0646, 1.0, 0.8615)),  # Nikon D7000: spectroscope measurement, butcherg/ssf-data
    ((1.0, 0.0815, 0.0225), (0.0809, 1.0, 0.8829)),  # Nikon D5100: Darrodi et al. 2015, JOSA A 32:381 (NPL)
)


def test_the_open_infrared_response_is_the_published_one() -> None:
    assert np.array_equal(np.asarray(unmix.RESPONSES["infrared-open"]).T, INFRARED_OPEN)  # the table's own digits


def test_the_infrared_cut_response_is_the_mean_of_three() -> None:
    assert np.allclose(np.asarray(unmix.RESPONSES["infrared-cut"]).T, np.mean(INFRARED_CUT, 0), atol=5e-5)  # rounded to 4 digits


def test_the_typical_response_lies_among_the_published_ones() -> None:
    """Typical sensors behind a dual-band filter have no open table; every entry lies within twice its stated deviation."""
    typical = response._theta(np.asarray(unmix.TYPICAL))
    deviation = np.sqrt(np.diag(response._prior_covariance()))
    published = np.log([[h[1], max(h[2], 1e-9), o[2], o[0]] for h, o in INFRARED_CUT])
    middle = np.median(published, 0)
    assert (np.abs(typical - middle) < 2 * deviation).all()


# A worked 3x2 unmix: x = (M^T M)^-1 M^T d, normal equations; recomputed to 1e-9 with numpy's lstsq and with Cramer's rule.
WORKED = np.array([[1, 0.08], [0.19, 1], [0.11, 0.60]])
EVEN = (1.0, 1.0, 1.0)


def test_worked_unmix() -> None:
    assert np.allclose(WORKED @ [300, 120], [309.6, 177.0, 105.0], atol=1e-9)
    assert np.allclose(
        unmix.weights(WORKED, EVEN), [[1.01527669, -0.05789454, -0.03887932], [-0.19111019, 0.74608648, 0.44867056]], atol=5e-9
    )
    assert np.allclose(unmix.weights(WORKED, EVEN) @ [309.6, 177.0, 105.0], [300, 120], atol=1e-9)


def test_worked_unmix_of_light_that_is_not_two_lines() -> None:
    d = np.array([310.0, 175.0, 105.0])
    x = unmix.weights(WORKED, EVEN) @ d
    assert np.allclose(x, [300.52189976, 118.43138296], atol=5e-9)
    assert ((d - WORKED @ x) ** 2).sum() == pytest.approx(1.06252368, abs=5e-9)


def test_worked_unmix_of_pixels() -> None:
    """The same through the step, in float32: 24 bits of 300 are 3e-5."""
    rgb = np.broadcast_to(np.array([310.0, 175.0, 105.0])[:, None, None], (3, 5, 6))
    ha, oiii = steps.unmix_lines(rgb, sensor=tuple(map(tuple, WORKED.tolist())))
    assert np.allclose(ha, 300.52189976, atol=1e-4)
    assert np.allclose(oiii, 118.43138296, atol=1e-4)


def test_noise_gain_of_the_unmix() -> None:
    """Gauss-Markov: sqrt(diag((M^T W M)^-1)); Monte Carlo agreed to 1 %."""
    two = unmix.weights(WORKED, EVEN)
    covariance = two @ two.T
    assert np.allclose(np.sqrt(np.diag(covariance)), [1.017669, 0.891332], atol=5e-7)
    assert covariance[0, 1] / math.sqrt(covariance[0, 0] * covariance[1, 1]) == pytest.approx(-0.280756, abs=5e-7)
    # two green pixels for each red and blue one: their mean has 1/sqrt(2) of the noise
    sigma = np.array([1, 1 / math.sqrt(2), 1])
    two = unmix.weights(WORKED, sigma)
    assert math.sqrt((two[1] ** 2 * sigma**2).sum()) == pytest.approx(0.688227, abs=5e-7)


@pytest.mark.parametrize(
    ("columns", "condition", "rgb", "gains", "naive"),
    [
        (INFRARED_OPEN, 1.3436, (1.020554, 0.494253, 0.252034), (1.0157, 0.9331), (0.0206, 0.648)),
        (INFRARED_CUT[2], 1.3746, (1.024279, 0.381492, 0.287306), (1.0058, 0.7553), (0.0243, 0.272)),
    ],
    ids=["infrared-open", "infrared-cut"],
)
def test_unmix_with_published_responses(columns: object, condition: float, rgb: object, gains: object, naive: object) -> None:
    """Truth (1, 0.3): recovered; and what taking red for H-alpha and green for [O III] would cost. Recomputed to 1e-12;
    digits as rounded in the tables."""
    m = np.array(columns).T
    seen = m @ [1, 0.3]
    assert np.linalg.cond(m) == pytest.approx(condition, abs=1e-4)
    assert np.allclose(seen, rgb, atol=1e-4)  # the responses themselves are rounded to 4 digits
    two = unmix.weights(m, EVEN)
    assert np.allclose(two @ seen, [1, 0.3], atol=1e-12)
    assert np.allclose(np.sqrt((two**2).sum(1)), gains, atol=1e-4)
    assert np.allclose([seen[0] / 1 - 1, seen[1] / 0.3 - 1], naive, atol=5e-4)


@pytest.mark.parametrize(
    ("line", "light", "hue"),
    [
        ("H-alpha 656.28 nm", (1.0000, -0.1015, -0.0076), 21.18),
        ("[O III] 500.68 nm", (-0.9967, 1.0000, 0.3324), 176.02),
        ("H-beta 486.13 nm", (-0.6835, 0.5310, 1.0000), 199.00),
    ],
)
def test_hue_of_the_lines_themselves(line: str, light: tuple[float, float, float], hue: float) -> None:
    """CIE 1931 2-degree colour of a line in linear sRGB (out of gamut), and its OKLab hue: colour-science 0.4.7, MSDS_CMFS,
    linear between 1 nm; tolerance 1 degree, for other interpolations of the table move it by as much."""
    _, a, b = colour.to_lab(np.float32(light).reshape(3, 1, 1)).ravel()
    assert math.degrees(math.atan2(b, a)) % 360 == pytest.approx(hue, abs=1.0), line
