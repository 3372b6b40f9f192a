"""Critical values and adjusted p-values of comparisons that share one residual variance."""

import numpy as np
import pytest
from scipy import integrate, stats

from trialkit.numerics import simultaneous
from trialkit.numerics.simultaneous import exceedance_error, simultaneous_p, simultaneous_quantile


def equal_correlation(count, rho=0.5):
    return np.full((count, count), rho) + (1.0 - rho) * np.eye(count)


def all_pairs_correlation(treatments):
    rows = []
    for later in range(treatments):
        for earlier in range(later):
            row = np.zeros(treatments)
            row[later], row[earlier] = np.sqrt(0.5), -np.sqrt(0.5)
            rows.append(row)
    contrasts = np.array(rows)
    return contrasts @ contrasts.T


# Critical values of Dunnett's tables (Dunnett 1955, JASA 50:1096, one-sided; 1964, Biometrics 20:482,
# two-sided; both print two decimals), to four decimals as recomputed by quadrature. Half a unit of the last
# decimal is the tolerance.
DUNNETT = [
    (2, 6, 2.3368, 2.8628),
    (2, 9, 2.1798, 2.6139),
    (2, 12, 2.1081, 2.5024),
    (2, 27, 1.9974, 2.3334),
    (3, 8, 2.4165, 2.8797),
    (3, 12, 2.2873, 2.6829),
    (3, 20, 2.1923, 2.5403),
    (4, 15, 2.3561, 2.7273),
    (4, 16, 2.3430, 2.7079),
    (6, 21, 2.4478, 2.7897),
]


@pytest.mark.parametrize(("comparisons", "df", "one_sided", "two_sided"), DUNNETT)
def test_tables_of_comparisons_with_a_control(comparisons, df, one_sided, two_sided):
    rho = equal_correlation(comparisons)
    assert simultaneous_quantile(0.95, df, rho, sides=1) == pytest.approx(one_sided, abs=5.1e-5)
    assert simultaneous_quantile(0.95, df, rho) == pytest.approx(two_sided, abs=5.1e-5)


@pytest.mark.parametrize("df", [1, 2.5, 8, 40, np.inf])
@pytest.mark.parametrize("sides", [1, 2])
def test_one_comparison_is_plain_t(df, sides):
    assert simultaneous_quantile(0.95, df, [[1.0]], sides=sides) == pytest.approx(
        stats.t.ppf(1 - 0.05 / sides, df), rel=1e-12
    )
    assert simultaneous_p([1.7], df, [[1.0]], sides=sides)[0] == pytest.approx(sides * stats.t.sf(1.7, df), rel=1e-12)


def test_independent_normals_by_hand():
    # P(max of 4 independent |Z| <= q) = (2 Phi(q) - 1)^4.
    q = stats.norm.ppf(0.5 + 0.5 * 0.95**0.25)
    assert simultaneous_quantile(0.95, np.inf, np.eye(4)) == pytest.approx(q, abs=1e-9)
    assert simultaneous_p(np.full(4, q), np.inf, np.eye(4)) == pytest.approx(np.full(4, 0.05), abs=1e-9)


@pytest.mark.parametrize("sides", [1, 2])
@pytest.mark.parametrize("df", [1.0, 1.5, 3.0, 7.3, 50.0, np.inf])
@pytest.mark.parametrize("rho", [-0.9, -0.3, 0.0, 0.5, 0.95, 0.999])
def test_two_methods_agree_for_two_comparisons(sides, df, rho):
    correlation = np.array([[1.0, rho], [rho, 1.0]])
    size = np.sqrt(abs(rho))
    product = simultaneous._ProductRule(np.array([size, np.sign(rho) * size]), sides)
    plane = simultaneous._plane_rule(simultaneous._root(correlation), sides)
    for q in (-3.0, -0.7, 0.5, 2.0, 5.0, 20.0):
        if q > 0 or sides == 1:
            assert plane.exceedance(q, df) == pytest.approx(product.exceedance(q, df), abs=1e-8)


@pytest.mark.parametrize("sides", [1, 2])
def test_gauss_legendre_on_the_definition_agrees_with_unequal_products(sides):
    # An independent route: Gauss-Legendre in z and in S itself, with the densities of scipy.
    loadings = np.array([0.9, 0.3, -0.5, 0.0])
    rho = np.outer(loadings, loadings)
    np.fill_diagonal(rho, 1.0)
    df, q = 5.0, 2.4
    node, weight = np.polynomial.legendre.leggauss(120)
    s, z = (2.5 + 2.5 * node)[:, None, None], (9.0 * node)[None, :, None]
    width = np.sqrt(1 - loadings**2)
    upper = stats.norm.cdf((q * s - loadings * z) / width)
    lower = stats.norm.cdf((-q * s - loadings * z) / width) if sides == 2 else np.zeros(1)
    inside = np.prod(upper - lower, axis=2)
    density_s = 2.5 * weight * stats.chi.pdf(np.sqrt(df) * s.ravel(), df) * np.sqrt(df)
    density_z = 9.0 * weight * stats.norm.pdf(z.ravel())
    probability = density_s @ inside @ density_z
    found = simultaneous_p(np.full(4, q), df, rho, sides=sides)
    assert found == pytest.approx(np.full(4, 1 - probability), abs=1e-8)


# scipy's own accuracy for the studentised range is about 1e-10; the tolerance is what this module promises.
@pytest.mark.parametrize("df", [3, 10, 60])
@pytest.mark.parametrize(("treatments", "tolerance"), [(3, 1e-7), (4, 2e-5), (5, 2e-4), (6, 2e-4)])
def test_all_pairs_agree_with_the_studentised_range(treatments, tolerance, df):
    expected = stats.studentized_range.ppf(0.95, treatments, df) / np.sqrt(2)
    found = simultaneous_quantile(0.95, df, all_pairs_correlation(treatments))
    assert found == pytest.approx(expected, abs=tolerance)


def test_stated_error_covers_the_true_one():
    for treatments in (4, 6, 8):
        rho = all_pairs_correlation(treatments)
        q = 3.0
        true = stats.studentized_range.sf(q * np.sqrt(2), treatments, 12)
        found = simultaneous_p(np.full(rho.shape[0], q), 12, rho)[0]
        assert abs(found - true) <= exceedance_error(q, 12, rho) < 2e-4


# scipy.stats.dunnett integrates with a randomised rule: its p-values move by about 1e-3 between seeds.
def test_published_unequal_groups_agree_with_an_independent_library():
    # Blood counts, the data of the SciPy documentation of Dunnett's test.
    control = [7.40, 8.50, 7.20, 8.24, 9.84, 8.32]
    first = [9.76, 8.80, 7.68, 9.36]
    second = [12.80, 9.68, 12.16, 9.20, 10.55]
    sizes = np.array([4.0, 5.0])
    loadings = np.sqrt(sizes / (sizes + 6.0))
    rho = np.outer(loadings, loadings)
    np.fill_diagonal(rho, 1.0)
    found = simultaneous_p([0.857032, 3.693752], 12, rho)
    # Printed there as 0.6200 and 0.0059, by a randomised rule good to about 2e-4.
    assert found == pytest.approx([0.6200, 0.0059], abs=2e-4)
    library = stats.dunnett(first, second, control=control, rng=np.random.default_rng(5))
    assert found == pytest.approx(library.pvalue, abs=2e-3)


def test_general_correlation_agrees_with_scipy_multivariate_t():
    # Unbalanced blocks: not a product. scipy's rule is randomised: 2e-3 between seeds.
    rho = np.array([[1.0, 0.55, 0.42, 0.5], [0.55, 1.0, 0.61, 0.38], [0.42, 0.61, 1.0, 0.47], [0.5, 0.38, 0.47, 1.0]])
    assert simultaneous._product_loadings(rho) is None
    q = np.full(4, 2.2)
    joint = stats.multivariate_t(shape=rho, df=7, seed=3)
    one = 1 - joint.cdf(q, maxpts=200_000)
    two = 1 - joint.cdf(q, lower_limit=-q, maxpts=200_000)
    assert simultaneous_p(q, 7, rho, sides=1)[0] == pytest.approx(one, abs=2e-3)
    assert simultaneous_p(q, 7, rho)[0] == pytest.approx(two, abs=2e-3)
    low = 1 - joint.cdf(-0.2 * q, maxpts=200_000)
    assert simultaneous_p(-0.2 * q, 7, rho, sides=1)[0] == pytest.approx(low, abs=2e-3)


def test_directions_agree_with_the_exact_product_rule():
    rho = equal_correlation(4)
    radial = simultaneous._summarised(simultaneous._root(rho), simultaneous._directions(2**17, 4), 2)
    exact = simultaneous._ProductRule(np.full(4, np.sqrt(0.5)), 2)
    for q in (1.0, 2.7, 5.0):
        assert radial.exceedance(q, 16.0) == pytest.approx(exact.exceedance(q, 16.0), abs=3e-5)


def test_p_at_the_quantile_is_the_complement_of_the_level():
    for sides in (1, 2):
        for df in (1.0, 2.0, 4.2, 33.0, np.inf):
            q = simultaneous_quantile(0.95, df, equal_correlation(3, 0.4), sides=sides)
            p = simultaneous_p([q, 0.1, 0.2], df, equal_correlation(3, 0.4), sides=sides)
            assert p[0] == pytest.approx(0.05, abs=1e-9)


def test_degrees_of_freedom_are_never_averaged():
    rho = equal_correlation(2, 0.47)
    together = simultaneous_quantile(0.95, [4.01, 40.0], rho)
    assert together[0] == simultaneous_quantile(0.95, 4.01, rho)
    assert together[1] == simultaneous_quantile(0.95, 40.0, rho)
    assert together[0] > together[1]
    p = simultaneous_p([2.5, 2.5], [4.01, 40.0], rho)
    assert p[0] == simultaneous_p([2.5, 2.5], 4.01, rho)[0]
    assert p[1] == simultaneous_p([2.5, 2.5], 40.0, rho)[1]


def test_tiny_p_values_keep_their_digits():
    # Far out the exceedance tends to the sum of the single tails.
    p = simultaneous_p([14.0, 0.0], 45, equal_correlation(2))
    single = 2 * stats.t.sf(14.0, 45)
    assert single < p[0] <= 2 * single
    exact, _ = integrate.quad(
        lambda a: (1 + 14.0**2 / (45 * np.max(np.abs([np.cos(a), np.cos(a - np.pi / 3)])) ** 2)) ** -22.5,
        0,
        np.pi,
        epsabs=0,
        points=[np.pi / 6, 2 * np.pi / 3],
    )
    assert p[0] == pytest.approx(exact / np.pi, rel=1e-8)


def test_copies_and_order_change_nothing():
    rho = equal_correlation(3, 0.5)
    rho[0, 2] = rho[2, 0] = 0.3
    order = [2, 0, 1]
    assert simultaneous_quantile(0.95, 9, rho[np.ix_(order, order)]) == pytest.approx(
        simultaneous_quantile(0.95, 9, rho), abs=3e-4
    )
    twice = np.ones((2, 2))
    assert simultaneous_quantile(0.95, 9, twice) == pytest.approx(stats.t.ppf(0.975, 9), rel=1e-12)
    mirrored = np.array([[1.0, -1.0], [-1.0, 1.0]])
    assert simultaneous_quantile(0.95, 9, mirrored) == pytest.approx(stats.t.ppf(0.975, 9), rel=1e-12)
    assert simultaneous_quantile(0.95, 9, mirrored, sides=1) == pytest.approx(stats.t.ppf(0.975, 9), abs=1e-9)


def test_same_question_gives_the_same_bits():
    rho = all_pairs_correlation(5)
    assert simultaneous_quantile(0.95, 11.3, rho) == simultaneous_quantile(0.95, 11.3, rho)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: simultaneous_quantile(1.0, 5, np.eye(2)), "level: found 1.0; expected a number between 0 and 1."),
        (lambda: simultaneous_quantile(0.4, 5, np.eye(2), sides=1), "expected a number between 0.5 and 1."),
        (lambda: simultaneous_quantile(0.95, 0.0, np.eye(2)), "df: found 0.0; expected numbers above 0."),
        (lambda: simultaneous_quantile(0.95, np.nan, np.eye(2)), "expected numbers above 0."),
        (lambda: simultaneous_p([1.0], 5, np.eye(2)), "t: found 1 values; expected one for each of 2 comparisons."),
        (lambda: simultaneous_p([1.0, 2.0], 5, [[1, 1.2], [1.2, 1]]), "found a negative eigenvalue"),
        (lambda: simultaneous_p([1.0, 2.0], 5, [[1, 0.2], [0.3, 1]]), "expected a symmetric matrix"),
        (lambda: simultaneous_p([1.0, 2.0], 5, [[1, 0.2]]), r"found an array of shape \(1, 2\)"),
        (lambda: simultaneous_p([1.0, 2.0], 5, np.eye(2), sides=3), "sides: found 3; expected 1 or 2."),
    ],
)
def test_wrong_questions_are_named(call, message):
    with pytest.raises(ValueError, match=message):
        call()
