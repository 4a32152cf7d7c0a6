"""Allometry against R's lm, anova, cor.test and optim (tests/reference/allometry_iris.R), and laws."""

import json
from pathlib import Path

import numpy as np
import pandas
import pytest

import moltspan

FOLDER = Path(__file__).parents[1] / "reference" / "allometry_iris"
IRIS = pandas.read_csv(FOLDER / "iris.csv")
R = json.loads((FOLDER / "answers.json").read_text())


def test_least_squares_meets_r():
    fit = moltspan.allometry_fit(IRIS, "y", "x", by="species", line="ols")
    for row, answer in zip(fit.rows(), R["groups"].values(), strict=True):
        # 1e-11: answers are printed to 15 digits, log sizes lose one or two
        np.testing.assert_allclose([row["slope"], row["slope_lower"], row["slope_upper"]], [answer["ols_slope"], *answer["ols_slope_ci"]], rtol=1e-11)
        np.testing.assert_allclose([row["intercept"], row["intercept_lower"], row["intercept_upper"]],
                                   [answer["ols_intercept"], *answer["ols_intercept_ci"]], rtol=1e-11)
        np.testing.assert_allclose([row["sigma"], row["r_squared"]], [answer["sigma"], answer["r_squared"]], rtol=1e-11)
    np.testing.assert_allclose(fit.shared_slope, [R["ols"]["slope"], *R["ols"]["ci"]], rtol=1e-10)
    np.testing.assert_allclose([fit.statistic, fit.p_shared], [R["ols"]["F"], R["ols"]["p"]], rtol=1e-9)


def test_major_axes_meet_r():
    fit = moltspan.allometry_fit(IRIS, "y", "x", by="species", line="sma")
    for row, answer in zip(fit.rows(), R["groups"].values(), strict=True):
        assert row["slope"] == pytest.approx(answer["sma_slope"], rel=1e-11)
        # uniroot's tolerance is on the log slope of the correlation test that the ends solve
        np.testing.assert_allclose([row["slope_lower"], row["slope_upper"]], answer["sma_ci"], rtol=1e-9)
        assert row["p_slope_1"] == pytest.approx(answer["sma_p_isometry"], rel=1e-9)


def test_common_axis_meets_the_likelihood_search_of_r():
    fit = moltspan.allometry_fit(IRIS, "y", "x", by="species", line="sma")
    np.testing.assert_allclose(fit.shared_slope, [R["sma"]["slope"], *R["sma"]["ci"]], rtol=1e-6)  # optim's own error is 1e-7
    np.testing.assert_allclose([fit.statistic, fit.p_shared], [R["sma"]["statistic"], R["sma"]["p"]], rtol=1e-7)
    assert "an association" in fit.summary()
    assert "assigned by design (as stated)" in moltspan.allometry_fit(IRIS, "y", "x", by="species", assigned=True).summary()


@pytest.mark.parametrize("method", ["ols", "sma"])
def test_order_units_and_names_do_not_matter(method):
    fit = moltspan.allometry_fit(IRIS, "y", "x", by="species", line=method)
    shuffled = IRIS.sample(frac=1, random_state=4)
    inches = shuffled.assign(y=shuffled.y / 25.4, x=shuffled.x / 25.4,
                             species=shuffled.species.map({"setosa": "c", "versicolor": "a", "virginica": "b"}))
    again = moltspan.allometry_fit(inches, "y", "x", by="species", line=method)
    rows = dict(zip(again["species"], again.rows(), strict=True))
    for row, name in zip(fit.rows(), "cab", strict=True):
        np.testing.assert_allclose([row["slope"], row["slope_lower"]], [rows[name]["slope"], rows[name]["slope_lower"]], rtol=1e-11)
    np.testing.assert_allclose([*fit.shared_slope, fit.p_shared], [*again.shared_slope, again.p_shared], rtol=1e-8)


def test_swapping_the_axes_inverts_the_major_axis():
    fit, swapped = (moltspan.allometry_fit(IRIS, *names, by="species") for names in (("y", "x"), ("x", "y")))
    np.testing.assert_allclose(fit["slope"] * swapped["slope"], 1, rtol=1e-12)
    np.testing.assert_allclose(fit["slope_lower"] * swapped["slope_upper"], 1, rtol=1e-12)
    assert fit.shared_slope[0] * swapped.shared_slope[0] == pytest.approx(1, rel=1e-7)  # a search along a parabola


def test_one_group_by_hand_and_as_alone():
    # by hand: points on a square, log x = 0, 1, 0, 1; log y = 0, 1, 1, 0 shifted: sd(y) = 2 sd(x)
    table = pandas.DataFrame({"x": np.exp([0, 1, 2, 3.0]), "y": np.exp([0, 4, 2, 6.0])})
    assert moltspan.allometry_fit(table, "y", "x")["slope"][0] == pytest.approx(2, rel=1e-14)  # sxx 5, syy 20
    one = moltspan.allometry_fit(IRIS[IRIS.species == "setosa"], "y", "x").rows()[0]
    together = moltspan.allometry_fit(IRIS, "y", "x", by="species").rows()[0]
    assert {name: one[name] for name in one if name != "group"} == {name: together[name] for name in together if name != "species"}


def test_blanks_are_counted_and_bad_sizes_named():
    table = pandas.concat([IRIS, pandas.DataFrame({"species": ["setosa"], "x": [3.1], "y": [np.nan]})], ignore_index=True)
    assert "1 rows with blanks left out" in moltspan.allometry_fit(table, "y", "x", by="species").summary()
    with pytest.raises(ValueError, match="`y` of row 0 is -1"):
        moltspan.allometry_fit(IRIS.assign(y=-1), "y", "x")
    with pytest.raises(ValueError, match="no such column"):
        moltspan.allometry_fit(IRIS, "z", "x")
    with pytest.raises(ValueError, match="unequal x"):
        moltspan.allometry_fit(IRIS.assign(x=2.0), "y", "x")


def test_slopes_of_different_sign_have_no_common_one():
    down = IRIS.assign(x=1 / IRIS.x, species="down")
    fit = moltspan.allometry_fit(pandas.concat([IRIS[IRIS.species == "setosa"], down[:50]], ignore_index=True), "y", "x", by="species")
    assert np.isnan(fit.p_shared) and fit.health.state == "bad" and "sign" in str(fit.health)
