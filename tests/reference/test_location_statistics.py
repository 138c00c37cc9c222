"""Statistics of horizontal error against closed forms quoted in mapping standards.

FGDC-STD-007.3-1998 (NSSDA), appendix 3-A: RMSE_r = sqrt(RMSE_x^2 + RMSE_y^2). On circular normal errors with standard
deviation s per axis: CE90 = sqrt(-2 ln 0.1) s = 2.1460 s = 1.5174 RMSE_r (closed form; 2.1460 as in general mapping code).
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import rayleigh

from eval.location import ce90_m, ce90_upper_m, ellipse_shares, nssda95_m, rmse_m


def circular_normal(sigma_m: float, count: int) -> np.ndarray:
    """Errors [n, 2] whose radii are the exact quantiles of the radial error, in turning directions."""
    radius = rayleigh.ppf((np.arange(count) + 0.5) / count, scale=sigma_m)
    angle = np.arange(count) * 2.399963  # the golden angle spreads directions evenly
    return np.stack([radius * np.cos(angle), radius * np.sin(angle)], axis=1)


@pytest.mark.parametrize("sigma_m", [0.63, 2.5, 10.0])
def test_ce90_on_circular_normal_errors(sigma_m: float) -> None:
    errors = circular_normal(sigma_m, 20_000)
    assert ce90_m(errors) == pytest.approx(2.1460 * sigma_m, rel=1e-3)
    assert ce90_m(errors) == pytest.approx(1.5174 * rmse_m(errors), rel=1e-3)


# ASPRS Positional Accuracy Standards (2014): RMSE_r = RMSE_x * sqrt(2); the class of 0.63 cm is printed as 0.9 cm.
@pytest.mark.parametrize(("rmse_x_cm", "rmse_r_cm"), [(0.63, 0.8910), (2.50, 3.5355), (10.0, 14.1421)])
def test_radial_rmse_of_equal_axes_asprs2014(rmse_x_cm: float, rmse_r_cm: float) -> None:
    errors = np.array([[1, 1], [-1, 1], [1, -1], [-1, -1]]) * rmse_x_cm
    assert rmse_m(errors) == pytest.approx(rmse_r_cm, abs=5e-5)


def test_ninetieth_percentile_is_numpys() -> None:
    errors = np.stack([np.arange(1.0, 12.0), np.zeros(11)], axis=1)
    assert ce90_m(errors) == 10.0 == np.percentile(np.arange(1.0, 12.0), 90)


@pytest.mark.parametrize("sigma_m", [0.63, 2.5, 10.0])
def test_nssda_accuracy_fgdc1998(sigma_m: float) -> None:
    # FGDC-STD-007.3-1998: 2.4477 * 0.5 * (RMSE_x + RMSE_y) = 1.7308 RMSE_r on circular errors; it holds 95 % of them.
    errors = circular_normal(sigma_m, 20_000)
    assert nssda95_m(errors) == pytest.approx(2.4477 * sigma_m, rel=1e-3)
    assert nssda95_m(errors) == pytest.approx(1.7308 * rmse_m(errors), rel=1e-4)
    assert (np.linalg.norm(errors, axis=1) <= nssda95_m(errors)).mean() == pytest.approx(0.95, abs=2e-3)


def test_nssda_is_withheld_where_the_axes_differ_too_much() -> None:
    assert np.isnan(nssda95_m(np.array([[1.0, 0.5], [-1.0, -0.5]])))


@pytest.mark.parametrize(("count", "known"), [(35, False), (36, True)])
def test_upper_bound_of_the_ninetieth_percentile_needs_36_errors(count: int, known: bool) -> None:
    # Order statistics: 1 - 0.9^35 = 0.97497 falls short of 0.975, 1 - 0.9^36 = 0.97747 does not (closed form).
    errors = np.stack([np.arange(1.0, count + 1), np.zeros(count)], axis=1)
    assert (ce90_upper_m(errors) == count) == known


def test_claimed_ellipses_hold_what_they_claim() -> None:
    # 1 sigma of a circular normal holds 1 - e^-0.5, DRMS 1 - e^-1 = 0.6321 and 2 DRMS 1 - e^-4 = 0.9817 (closed forms).
    claim = np.broadcast_to(np.eye(2) * 4.0, (3, 2, 2))
    errors = np.array([[2.0, 0.0], [0.0, np.sqrt(8.0)], [-2 * np.sqrt(8.0), 0.0]])
    assert ellipse_shares(errors, claim) == pytest.approx([1 - np.exp(-0.5), 0.6321205588, 0.9816843611])
    assert np.isnan(ellipse_shares(errors[:1], np.full((1, 2, 2), np.nan))).all()
