"""Published values that the statistics must reproduce, each with its source beside it.

"From memory": the number was not seen in the source itself.
"""

import numpy as np
import pytest
import statsmodels.api as sm
from scipy.integrate import quad
from scipy.stats import norm
from statsmodels.tsa.stattools import acovf

from attitude.gls import MOST_RHO, Noise, effective_count, fit
from attitude.verdict import conformance_probability

FLAT = 1e7  # prior sd of each unknown, in units of what its column could do alone


def flat_fit(columns, y, *, correlated=False):
    """Least squares through the same function as the inference, with priors that say nothing.

    Prior sds stand in proportion to one over the length of the columns, which is all the scaling it takes.
    """
    n = len(y)
    series = np.zeros(n, np.intp) if correlated else np.arange(n, dtype=np.intp)
    noise = Noise(series, np.zeros(n, np.intp), np.ones(n))
    prior_sd = FLAT * np.linalg.norm(y) / np.linalg.norm(columns, axis=0)
    return fit(columns, y, noise, prior_sd, usual_sd=np.ones(1), usual_dof=0.0)


def digits(found, published):
    """Log relative error, the number of digits in common."""
    return float(np.min(-np.log10(np.maximum(np.abs(np.divide(found, published) - 1), 1e-15))))


# GUM (JCGM 100:2008) H.3, calibration of a thermometer, data and results in full as quoted by the
# documentation of the GUM Tree Calculator (MSL, New Zealand), which states agreement with the GUM:
# intercept -0.1712(29) C at 20 C, slope 0.00218(67), correlation -0.93, correction at 30 C -0.1494(41),
# sum of squares 0.000110096583109.
THERMOMETER = np.array(
    [
        [21.521, -0.171], [22.012, -0.169], [22.512, -0.166], [23.003, -0.159], [23.507, -0.164],
        [23.999, -0.165], [24.513, -0.156], [25.002, -0.157], [25.503, -0.159], [26.010, -0.161],
        [26.511, -0.160],
    ]
)  # fmt: skip


def test_gum_thermometer():
    t, correction = THERMOMETER.T
    A = np.stack([np.ones(len(t)), t - 20.0], axis=-1)
    one = flat_fit(A, correction)
    assert one.rho.tolist() == [0.0]
    sd = np.sqrt(np.diag(one.cov))
    assert one.mean == pytest.approx([-0.1712, 0.00218], abs=0.00005)
    assert one.mean[1] == pytest.approx(0.00218, abs=0.000005)
    assert sd[0] == pytest.approx(0.0029, abs=0.00005)
    assert sd[1] == pytest.approx(0.00067, abs=0.000005)
    assert one.cov[0, 1] / sd.prod() == pytest.approx(-0.93, abs=0.005)
    at_30 = np.array([1.0, 10.0])
    assert at_30 @ one.mean == pytest.approx(-0.1494, abs=0.00005)
    assert np.sqrt(at_30 @ one.cov @ at_30) == pytest.approx(0.0041, abs=0.00005)
    left = correction - A @ one.mean
    assert left @ left == pytest.approx(0.000110096583109, rel=1e-8)
    assert one.dof[0] == pytest.approx(9)


# GUM H.3.6, a common error of sd 0.005 C in all readings, results of the GUM Tree Calculator:
# u(intercept) 0.00576893138292676, u(slope) 0.0006679387732278323. It is the shared error of the
# horizon's dip: as an unknown with a prior it widens the level and leaves the slope.
def test_gum_thermometer_with_a_shared_error():
    t, correction = THERMOMETER.T
    A = np.stack([np.ones(len(t)), t - 20.0, np.ones(len(t))], axis=-1)
    n = len(t)
    noise = Noise(np.arange(n, dtype=np.intp), np.zeros(n, np.intp), np.ones(n))
    s = float(np.sqrt(0.000110096583109 / 9))
    # The noise is held at what the plain fit found: a shared error does not show in the residuals.
    one = fit(A, correction, noise, np.array([1e3, 1e3, 0.005]), usual_sd=np.array([s]), usual_dof=1e9)
    assert np.sqrt(one.cov[0, 0]) == pytest.approx(0.00576893138292676, rel=1e-5)
    assert np.sqrt(one.cov[1, 1]) == pytest.approx(0.0006679387732278323, rel=1e-5)


# JCGM 106:2012, from memory: 7.4, mean of SAE-40 oil, 12.5 to 16.3 mm2/s, y = 13.6, u = 1.8 -> 0.66; 7.4,
# zener diode, limit -5.40 V, y = -5.47, u = 0.05 -> 0.92; 8.3.3, speed limit 100 km/h at 99.9 %, u = 2 %
# -> 107 km/h.
def test_jcgm_106_conformance_examples():
    middle, half = (12.5 + 16.3) / 2, (16.3 - 12.5) / 2
    assert conformance_probability(13.6 - middle, 1.8, half) == pytest.approx(0.66, abs=0.005)
    far = 100.0  # one-sided: the other limit is out of reach
    assert conformance_probability(-5.47 + 5.40 + far, 0.05, far) == pytest.approx(0.92, abs=0.005)
    for v, sure in ((106.0, False), (107.0, True)):
        assert (conformance_probability(v, 0.02 * v, 100.0) < 0.001) == sure


# JCGM 106:2012 Table 1, from memory: probability of conformity against distance to the limit in units of u.
@pytest.mark.parametrize(("p", "z"), [(0.80, 0.84), (0.90, 1.28), (0.95, 1.64), (0.99, 2.33), (0.999, 3.09)])
def test_jcgm_106_conformance_table(p, z):
    assert conformance_probability(100.0 - z, 1.0, 100.0) == pytest.approx(p, abs=0.002)


# JCGM 106:2012 9.5.4, from memory: resistors of 1500 +- 0.2 ohm, population sd 0.12, measured to 0.04,
# accepted within 0.18: consumer's risk 0.01, producer's risk 0.07.
def test_jcgm_106_risks():
    def risk(low, high, *, accepted):
        def density(error):
            p = conformance_probability(error, 0.04, 0.18)
            return norm.pdf(error, 0, 0.12) * (p if accepted else 1 - p)

        return 2 * quad(density, low, high)[0]  # both sides alike

    assert risk(0.2, 1.2, accepted=True) == pytest.approx(0.01, abs=0.0005)
    assert risk(0.0, 0.2, accepted=False) == pytest.approx(0.07, abs=0.001)


# NIST StRD, linear regression, certified values as quoted with the data in the test files of the GNU
# Scientific Library. Digits in common are those that the one function of the inference reaches, which
# solves normal equations.
NORRIS_YX = np.array(
    [
        0.1, 0.2, 338.8, 337.4, 118.1, 118.2, 888.0, 884.6, 9.2, 10.1, 228.1, 226.5, 668.5, 666.3,
        998.5, 996.3, 449.1, 448.6, 778.9, 777.0, 559.2, 558.2, 0.3, 0.4, 0.1, 0.6, 778.1, 775.5,
        668.8, 666.9, 339.3, 338.0, 448.9, 447.5, 10.8, 11.6, 557.7, 556.0, 228.3, 228.1, 998.0,
        995.8, 888.8, 887.6, 119.6, 120.2, 0.3, 0.3, 0.6, 0.3, 557.6, 556.8, 339.3, 339.1, 888.0,
        887.2, 998.5, 999.0, 778.9, 779.0, 10.2, 11.1, 117.6, 118.3, 228.9, 229.2, 668.4, 669.1,
        449.2, 448.9, 0.2, 0.5,
    ]
).reshape(-1, 2)  # fmt: skip


def test_nist_norris():
    y, x = NORRIS_YX.T
    one = flat_fit(np.stack([np.ones(len(x)), x], axis=-1), y)
    assert digits(one.mean, [-0.262323073774029, 1.00211681802045]) > 10
    assert digits(np.sqrt(np.diag(one.cov)), [0.232818234301152, 0.429796848199937e-3]) > 10
    assert digits(one.sd[0], 0.884796396144373) > 10
    assert one.dof[0] == pytest.approx(34)


@pytest.mark.parametrize(
    ("x", "y", "slope", "slope_sd", "sum_of_squares"),
    [
        (
            np.arange(60.0, 71.0),
            np.arange(130.0, 141.0),
            2.07438016528926,
            0.0165289256198347,
            127.272727272727,
        ),
        ([4.0, 5.0, 6.0], [3.0, 4.0, 4.0], 0.727272727272727, 0.0420827318078432, 0.272727272727273),
    ],
    ids=["NoInt1", "NoInt2"],
)
def test_nist_without_intercept(x, y, slope, slope_sd, sum_of_squares):
    A, y = np.array(x)[:, np.newaxis], np.array(y)
    one = flat_fit(A, y)
    assert digits(one.mean, slope) > 12
    assert digits(np.sqrt(one.cov[0]), slope_sd) > 12
    assert digits(one.sd[0] ** 2 * (len(y) - 1), sum_of_squares) > 12


LONGLEY = np.array(
    [
        [60323, 83.0, 234289, 2356, 1590, 107608, 1947], [61122, 88.5, 259426, 2325, 1456, 108632, 1948],
        [60171, 88.2, 258054, 3682, 1616, 109773, 1949], [61187, 89.5, 284599, 3351, 1650, 110929, 1950],
        [63221, 96.2, 328975, 2099, 3099, 112075, 1951], [63639, 98.1, 346999, 1932, 3594, 113270, 1952],
        [64989, 99.0, 365385, 1870, 3547, 115094, 1953], [63761, 100.0, 363112, 3578, 3350, 116219, 1954],
        [66019, 101.2, 397469, 2904, 3048, 117388, 1955], [67857, 104.6, 419180, 2822, 2857, 118734, 1956],
        [68169, 108.4, 442769, 2936, 2798, 120445, 1957], [66513, 110.8, 444546, 4681, 2637, 121950, 1958],
        [68655, 112.6, 482704, 3813, 2552, 123366, 1959], [69564, 114.2, 502601, 3931, 2514, 125368, 1960],
        [69331, 115.7, 518173, 4806, 2572, 127852, 1961], [70551, 116.9, 554894, 4007, 2827, 130081, 1962],
    ]
)  # fmt: skip
LONGLEY_B = [
    -3482258.63459582, 15.0618722713733, -0.0358191792925910, -2.02022980381683, -1.03322686717359,
    -0.0511041056535807, 1829.15146461355,
]  # fmt: skip


def test_nist_longley():
    y, X = LONGLEY[:, 0], LONGLEY[:, 1:]
    # Ill-conditioned on purpose: 5e9 as it stands, 4e4 with columns of one length, both squared in the normal
    # equations. Priors of ours hold such columns at bay; flat ones leave six digits.
    A = np.column_stack([np.ones(len(y)), X])
    assert digits(flat_fit(A, y).mean, LONGLEY_B) > 6
    # About the means of the columns the condition number falls to 110.
    centred = flat_fit(X - X.mean(axis=0), y - y.mean())
    assert digits(centred.mean, LONGLEY_B[1:]) > 10
    assert digits(y.mean() - X.mean(axis=0) @ centred.mean, LONGLEY_B[0]) > 9


def first_order(rng, n, rho):
    """A first-order autoregression of unit innovation."""
    out = np.empty(n)
    value = rng.normal() / np.sqrt(1 - rho**2)
    for i in range(n):
        out[i] = value
        value = rho * value + rng.normal()
    return out


# Generalised least squares of statsmodels, an independent implementation, for the same autoregression.
@pytest.mark.parametrize(("rho", "seed"), [(0.3, 1), (0.6, 2), (0.8, 3)])
def test_generalised_least_squares_agrees_with_statsmodels(rho, seed):
    rng = np.random.default_rng(seed)
    n = 80
    A = np.column_stack([np.ones(n), np.linspace(-1, 1, n), np.sin(np.arange(n) / 7)])
    y = A @ [0.4, -1.2, 0.7] + 0.05 * first_order(rng, n, rho)
    one = flat_fit(A, y, correlated=True)
    found = float(one.rho[0])
    assert 0 < found < MOST_RHO
    cov = found ** np.abs(np.subtract.outer(np.arange(n), np.arange(n)))
    theirs = sm.GLS(y, A, sigma=cov).fit()
    assert one.mean == pytest.approx(theirs.params, rel=1e-9)
    assert one.cov == pytest.approx(theirs.cov_params(), rel=1e-7)
    assert one.dof[0] == pytest.approx(theirs.df_resid)
    # Their rho of the same residuals, then the correction of its bias (Marriott and Pope 1954).
    power, product = acovf(y - A @ one.mean, adjusted=True, demean=False, nlag=1)
    raw = float(product / power)
    assert found == pytest.approx(raw + (1 + 3 * raw) / n, abs=1e-4)
    # Their iterated fit leaves the first row out and rho uncorrected: near, not the same.
    iterated = sm.GLSAR(y, A, rho=1)
    near = iterated.iterative_fit(maxiter=10)
    assert np.abs(one.mean - near.params).max() < np.sqrt(np.diag(one.cov)).max()
    assert float(iterated.rho[0]) == pytest.approx(found, abs=0.12)


# Zwiers and von Storch, J. Climate 1995, p. 336 ff.: n (1 - r) / (1 + r), for n of 50 and more; as quoted,
# the paper was not seen. Against it the exact variance of a mean of a first-order autoregression,
# sigma^2 / n [1 + 2 sum (1 - k / n) r^k].
@pytest.mark.parametrize("rho", [0.0, 1 / 3, 0.6, 0.8])
@pytest.mark.parametrize("n", [50, 400])
def test_effective_count_against_the_exact_variance(rho, n):
    k = np.arange(1, n)
    exact = n / (1 + 2 * np.sum((1 - k / n) * rho**k))
    # What the formula leaves out is 2 r / (n (1 - r^2)) of the variance.
    assert effective_count(n, rho) == pytest.approx(exact, rel=2.1 * rho / (n * (1 - rho**2)) + 1e-12)
