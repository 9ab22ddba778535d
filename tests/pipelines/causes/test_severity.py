import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.stats import halfnorm, norm

from pipelines.causes.severity import Nuisance, log_bayes_factors


def factors(z, signatures, *, spreads=0.0, sd=1.0, outliers=0.0, scale=0.4, absent=0.0):
    z, signatures = np.atleast_2d(z).astype(float), np.atleast_2d(signatures).astype(float)
    columns = z.shape[1]
    nuisance = Nuisance(
        sd=np.broadcast_to(sd, columns).astype(float),
        outlier_scale=np.broadcast_to(np.asarray(sd) * 20.0, columns).astype(float),
        outlier_share=outliers,
    )
    spreads = np.broadcast_to(spreads, signatures.shape).astype(float)
    return log_bayes_factors(
        z,
        signatures=signatures,
        spreads=spreads,
        absent=np.broadcast_to(absent, signatures.shape).astype(float),
        nuisance=nuisance,
        severity_scale=scale,
    )


def test_the_worked_example_of_a_half_normal_severity():
    # Noise [1 .5; .5 1], signature (1, .5), z (2.5, 1), scale 3: 10.438096; whitened by its Cholesky factor.
    whiten = np.linalg.inv(np.linalg.cholesky([[1.0, 0.5], [0.5, 1.0]]))
    factor = np.exp(factors(whiten @ [2.5, 1.0], whiten @ [1.0, 0.5], scale=3.0))
    assert factor == pytest.approx(10.438096, rel=1e-3)


def test_how_cases_differ_grows_with_severity():
    """Against the integral over the severity by quadrature, of a product of normals whose variance grows with it."""
    z, signature, spread, scale = np.array([6.0, 2.0]), np.array([10.0, 8.0]), np.array([3.0, 5.0]), 0.4

    def posterior(severity):
        shown = norm.pdf(z, severity * signature, np.hypot(1.0, severity * spread)).prod()
        return shown * halfnorm.pdf(severity, scale=scale)

    told = quad(posterior, 0.0, 6.0, limit=200)[0] / norm.pdf(z).prod()
    assert np.exp(factors(z, signature, spreads=spread, scale=scale)) == pytest.approx(told, rel=3e-3)


def test_a_signature_without_any_correction_says_nothing():
    assert factors([3.0, -2.0, 1.0], [0.0, 0.0, 0.0]) == pytest.approx(0.0, abs=1e-12)


def test_the_wrong_direction_speaks_against_a_cause():
    assert factors([-3.0, 0.1], [20.0, 0.0]) < factors([0.0, 0.0], [20.0, 0.0]) < 0 < factors([3.0, 0.1], [20.0, 0.0])


def test_certainty_does_not_grow_with_severity_once_the_signatures_spread_counts():
    signatures = [[10.0, 8.0], [10.0, 6.0]]
    z = [[1.0, 0.75], [5.0, 3.75], [25.0, 18.75]]  # a little nearer to the first

    def preference(spread):
        found = factors(z, signatures, spreads=spread, scale=3.0)
        return found[:, 0] - found[:, 1]

    assert preference(0.0)[2] > 10 * preference(0.0)[1] > 0.5
    assert np.abs(preference(3.0)).max() < 1


def test_one_strange_reading_overrules_no_pattern():
    signature, pattern = [10.0, 10.0, 10.0, 10.0], [5.0, 5.0, 5.0, -60.0]
    strange = factors(pattern, signature, spreads=2.0, outliers=0.002)
    assert strange == pytest.approx(factors(pattern[:3], signature[:3], spreads=2.0, outliers=0.002), abs=0.5)
    assert strange > 10


def test_a_nonsense_reading_still_gives_a_number():
    assert np.isfinite(factors([4.0, 1e9], [10.0, 30.0], spreads=2.0, outliers=0.002)).all()


def test_a_correction_that_was_not_read_says_nothing():
    with_gap = factors([4.0, np.nan], [10.0, 30.0], outliers=0.002)
    assert with_gap == pytest.approx(factors([4.0], [10.0], outliers=0.002))


def test_a_side_effect_that_may_be_absent_costs_little_when_it_is():
    only_main, both = [20.0, 0.0], [20.0, 6.0]
    main_alone = factors(only_main, [40.0, 0.0], spreads=[8.0, 0.0], outliers=0.002)
    always = factors(only_main, [40.0, 12.0], spreads=[8.0, 4.0], outliers=0.002)
    at_times = factors(only_main, [40.0, 12.0], spreads=[8.0, 4.0], absent=[0.03, 0.4], outliers=0.002)
    assert always < at_times < main_alone
    assert main_alone - at_times < 1.1
    assert factors(both, [40.0, 12.0], spreads=[8.0, 4.0], absent=[0.03, 0.4], outliers=0.002) > main_alone


@given(
    z=st.lists(st.floats(-30, 30), min_size=3, max_size=3),
    a=st.lists(st.floats(-40, 40), min_size=3, max_size=3),
    unit=st.lists(st.floats(0.1, 10), min_size=3, max_size=3),
)
def test_the_units_of_the_corrections_do_not_matter(z, a, unit):
    unit = np.array(unit)
    same = factors(z, a, spreads=np.abs(a) / 4, outliers=0.01)
    assert factors(z * unit, a * unit, spreads=np.abs(a) * unit / 4, sd=unit, outliers=0.01) == pytest.approx(
        same, abs=1e-6
    )


def test_vehicles_do_not_influence_each_other():
    z = np.random.default_rng(4).normal(size=(600, 4)) * 3
    a = np.random.default_rng(5).normal(size=(3, 4)) * 10
    together = factors(z, a, spreads=np.abs(a) / 3, outliers=0.01)
    assert together[400] == pytest.approx(factors(z[400], a, spreads=np.abs(a) / 3, outliers=0.01)[0])
