import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.stats import halfnorm, norm

from pipelines.causes.bayes_factors import Pattern, Signatures, log_likelihoods, log_unknown


def pattern_of(z, way=100.0):
    z = np.atleast_2d(z).astype(float)
    return Pattern(scatters=z, up=np.full(z.shape, way), down=np.full(z.shape, way))


def factors(z, signatures, *, spreads=0.0, outliers=0.0, scale=0.4, absent=0.0, taken_in=0.0):
    """Signatures and spreads in scatters."""
    signatures = np.atleast_2d(signatures).astype(float)
    return log_likelihoods(
        pattern_of(z),
        Signatures(
            share=signatures / 100,
            spread=np.broadcast_to(spreads, signatures.shape) / 100,
            absent=np.broadcast_to(absent, signatures.shape).astype(float),
        ),
        severity_scale=scale,
        taken_in=taken_in,
        own_reasons=((outliers, 1.0),),
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

    def told(columns):
        cause = factors(pattern[:columns], signature[:columns], spreads=2.0, outliers=0.002)
        return cause - log_unknown(pattern_of(pattern[:columns]), ((0.002, 1.0),))

    assert told(4) == pytest.approx(told(3), abs=0.5)
    assert told(4) > 10


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
    a=st.lists(st.floats(-0.5, 0.5), min_size=3, max_size=3),
)
def test_what_departs_downwards_is_explained_as_what_departs_upwards(z, a):
    z, a = np.array([z]), np.array([a])
    sides = Pattern(scatters=z, up=np.full((1, 3), 60.0), down=np.full((1, 3), 20.0))
    turned = Pattern(scatters=-z, up=sides.down, down=sides.up)
    spread = np.full((1, 3), 0.05)
    one, other = (
        log_likelihoods(each, Signatures(share=share, spread=spread, absent=spread), severity_scale=0.4)
        for each, share in ((sides, a), (turned, -a))
    )
    assert one == pytest.approx(other, abs=1e-9)


def test_a_companion_that_is_small_and_not_seen_costs_little_and_a_large_one_much():
    def cost(companion):
        seen = factors([20.0, companion / 2], [40.0, companion], spreads=[10.0, companion / 4], taken_in=0.5)
        unseen = factors([20.0, 0.0], [40.0, companion], spreads=[10.0, companion / 4], taken_in=0.5)
        return (seen - unseen).item()

    assert 2 * cost(4.0) < cost(30.0)
    assert cost(4.0) < 2.5


def test_a_second_problem_that_moves_several_corrections_does_not_hide_the_first():
    pattern = [12.0, 12.0, 12.0, 9.0, 8.0, -11.0] + [0.0] * 30
    known = log_likelihoods(
        pattern_of(pattern),
        Signatures(
            share=np.array([[0.5] * 3 + [0.0] * 33]),
            spread=np.array([[0.15] * 3 + [0.0] * 33]),
            absent=np.zeros((1, 36)),
        ),
        severity_scale=0.4,
    )
    assert known > log_unknown(pattern_of(pattern)) + 5


def test_what_no_signature_names_may_be_one_correction_or_many():
    one, many = ([9.0] * n + [0.0] * (40 - n) for n in (1, 12))
    assert (log_unknown(pattern_of(one)) > 20).all()
    assert (log_unknown(pattern_of(many)) > 12 * 20).all()
    assert (log_unknown(pattern_of([0.0] * 40)) < 0).all()


def test_vehicles_do_not_influence_each_other():
    z = np.random.default_rng(4).normal(size=(600, 4)) * 3
    a = np.random.default_rng(5).normal(size=(3, 4)) * 10
    together = factors(z, a, spreads=np.abs(a) / 3, outliers=0.01)
    assert together[400] == pytest.approx(factors(z[400], a, spreads=np.abs(a) / 3, outliers=0.01)[0])
