"""Allan deviations against NIST SP 1065 (Riley 2008), section 12.4, and against allantools."""

import numpy as np
import pytest

from weighloop.analysis.settling.steadiness import allan_deviation


def published_set() -> np.ndarray:
    """SP 1065, 12.4: 1000 points of a linear congruential sequence, as fractions."""
    n = [1234567890]
    for _ in range(999):
        n.append(16807 * n[-1] % 2147483647)
    return np.array(n) / 2147483647


def test_the_data_set_is_the_published_one() -> None:
    y = published_set()
    # SP 1065 table: first values, sample standard deviation
    assert y[:3] == pytest.approx([0.57489047, 0.18418297, 0.56317577], abs=5e-9)
    assert y.std(ddof=1) == pytest.approx(0.2884664, abs=5e-8)


@pytest.mark.parametrize(("m", "published"), [(1, 2.922319e-1), (10, 9.159953e-2), (100, 3.241343e-2)])
def test_overlapping_deviation_of_the_1000_points(m: int, published: float) -> None:
    # SP 1065, table 31 (overlapping Allan, tau0 = 1 s)
    assert allan_deviation(published_set(), 1.0, np.array([m]))[0] == pytest.approx(published, rel=1e-6)


def test_overlapping_deviation_of_the_small_set() -> None:
    # NBS Monograph 140 annex 8.E set as in SP 1065, 12.4
    y = np.array([892, 809, 823, 798, 671, 644, 883, 903, 677.0])
    assert allan_deviation(y, 1.0, np.array([1, 2])) == pytest.approx([91.22945, 85.95287], rel=1e-6)


def test_agrees_with_allantools_at_every_factor() -> None:
    import allantools  # a second route

    y = published_set()
    factors = np.array([1, 2, 3, 5, 8, 13, 50, 200, 400])
    _, theirs, *_ = allantools.oadev(y, rate=4.0, data_type="freq", taus=factors / 4.0)
    assert allan_deviation(y, 0.25, factors) == pytest.approx(theirs, rel=1e-10)


def test_a_factor_too_long_is_no_number() -> None:
    values = allan_deviation(np.arange(10.0), 1.0, np.array([5, 6]))
    assert np.isfinite(values[0])
    assert np.isnan(values[1])
