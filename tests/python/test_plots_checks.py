"""Pictures that check a model and compare groups."""

import math

import numpy as np
import pytest
from matplotlib import pyplot

import moltspan
from test_plots_results import DRAWN, PICTURES, armyworm, collection_fit, legend_of, readings, save, stadia, stadia_fit


def test_backtest_shows_calibration_and_coverage():
    tested = moltspan.backtest(collection_fit().collection, origins=3)
    histogram, coverage = moltspan.plot_backtest(tested)
    assert sum(patch.get_height() for patch in histogram.patches) == pytest.approx(100)  # percent; the histogram holds all mass
    points = coverage.containers[0].lines[0]
    assert list(points.get_xdata()) == [50, 80, 95]
    assert list(points.get_ydata()) == pytest.approx(list(tested.coverage["covered_percent"]))
    beside = moltspan.plot_backtest(tested, beside=tested)[1]
    assert [list(line.get_ydata()) for line in beside.lines if line.get_label() == "the other backtest"] == [list(points.get_ydata())]
    with pytest.raises(ValueError, match="is no backtest"):
        moltspan.plot_backtest(tested, beside=3)
    _, axes = pyplot.subplots(1, 2)
    assert list(moltspan.plot_backtest(tested, ax=axes)) == list(axes)
    with pytest.raises(ValueError, match="2 panels"):
        moltspan.plot_backtest(tested, ax=axes[0])


def test_residuals_of_the_right_model_lie_near_the_exponential():
    survival, scores = moltspan.plot_residuals(stadia_fit())
    curve = next(line for line in survival.lines if "residuals" in str(line.get_label()))
    x, y = curve.get_data()
    assert np.all(np.diff(y) <= 0)
    assert np.max(np.abs(y - np.exp(-x))) < 0.25  # 60 invented stadia; a sup distance of 1.36 / sqrt(48 ended) = .20 and a step of the curve
    assert "effects fitted" in curve.get_label()
    averaged = moltspan.plot_residuals(stadia_fit(), effects="averaged")[0]
    assert any("effects averaged" in text for text in legend_of(averaged))
    with pytest.raises(ValueError, match="effects"):
        moltspan.plot_residuals(stadia_fit(), effects="none")


def test_effects_are_in_order_and_in_words_where_there_are_none():
    ax = moltspan.plot_random_effects(stadia_fit())
    assert "animals (12)" in legend_of(ax) and "95 % pointwise band" in legend_of(ax)
    assert "no spread between animals" in moltspan.plot_random_effects(moltspan.fit_stadia(stadia())).texts[0].get_text()
    assert moltspan.plot_random_effects(collection_fit()).get_xlabel() == "expected standard normal quantile"


def test_predictive_check_keeps_within_the_band_where_the_model_holds():
    ax = moltspan.plot_predictive_check(stadia_fit())
    lines = {str(line.get_label()): line for line in ax.lines}
    expected = next(line for label, line in lines.items() if label.startswith("expected by the log-normal"))
    seen = next(line for label, line in lines.items() if label.startswith("records, no family"))
    assert np.all(np.diff(expected.get_ydata()) <= 1e-12)
    assert np.max(np.abs(expected.get_ydata() - seen.get_ydata())) < 0.2  # as above: invented by this very model
    assert legend_of(moltspan.plot_predictive_check(collection_fit(), resamples=50))


def test_prior_and_posterior_have_a_panel_each():
    axes = moltspan.plot_prior_posterior(stadia_fit(method="bayes"))
    assert [ax.get_title("left") for ax in axes] == ["Intercept", "sigma", "animal_sd"]
    assert legend_of(axes[0]) == ["prior", "posterior"]
    assert legend_of(moltspan.plot_prior_posterior(stadia_fit(), ["sigma"])[0]) == ["estimate (no prior)"]


def test_families_are_compared_on_one_table():
    gaps, curves = moltspan.plot_families([stadia_fit(), stadia_fit("weibull")])
    shown = [text.get_text() for text in gaps.texts]
    values = [fit.log_likelihood for fit in (stadia_fit(), stadia_fit("weibull"))]
    assert shown == ["best", f"{max(values) - min(values):.2f}"]
    assert {"log-normal", "Weibull"} <= set(legend_of(curves))
    with pytest.raises(ValueError, match="two fits or more"):
        moltspan.plot_families([stadia_fit()])
    with pytest.raises(ValueError, match="different tables"):
        moltspan.plot_families([stadia_fit(), moltspan.fit_stadia(stadia().iloc[:20])])


def test_comparison_draws_every_line_and_says_what_is_not_known():
    ax = moltspan.plot_comparison({"name": ["a", "b"], "estimate": [1.0, 2.0], "lower": [0.5, math.nan], "upper": [1.5, math.nan]})
    assert [label.get_text() for label in ax.get_yticklabels()] == ["a", "b"]
    assert "interval not known" in [text.get_text() for text in ax.texts]
    effects = moltspan.plot_comparison(moltspan.stadium_effects(stadia(), "setup", animal="animal"))
    assert effects.get_xscale() == "log" and {"95 % interval", "no difference"} <= set(legend_of(effects))
    with pytest.raises(ValueError, match="no column 'lower'"):
        moltspan.plot_comparison({"name": ["a"], "estimate": [1.0]})
    assert "no groups" in moltspan.plot_comparison({"name": [], "estimate": [], "lower": [], "upper": []}).texts[0].get_text()


def test_by_instar_writes_n_at_each_point():
    table = moltspan.instar_table(readings(), size="leg_span_mm")
    ratio, days = moltspan.plot_by_instar(table)
    assert [text.get_text() for text in ratio.texts] == ["6"] * 5  # six animals, five steps between six instars
    assert "no instar with a value" in days.texts[0].get_text()


def test_by_instar_draws_every_group_beside_its_instar():
    table = {"instar": [2, 3, 2, 3, math.nan], "ratio": [1.2, 1.3, 1.25, 1.28, 1.3], "ratio_lower": [1.1] * 5, "ratio_upper": [1.4] * 5,
             "ratio_n": [4] * 5, "median_days": [50.0] * 5, "median_lower": [40] * 5, "median_upper": [60] * 5, "stadia_n": [5] * 5}
    table |= {"kind": ["a", "a", "b", "b", "c"]}

    class Asked(dict):
        asked = {"by": ("kind",)}

    drawn = moltspan.plot_by_instar(Asked(table))[0].lines
    places = [line.get_xdata() for line in drawn if len(line.get_xdata()) == 2 and line.get_marker() in ("o", "s", "^")]
    assert [list(np.round(place, 2)) for place in places] == [[1.93, 2.93], [2.07, 3.07]]  # c has no instar and takes no room


def test_by_instar_draws_the_ratio_of_doubled_weight():
    """1.26 is the ratio of a length where the weight doubles: that of the weight itself is 2 (Przibram & Megusar 1912)."""
    weights = readings().assign(mass_g=lambda table: table["leg_span_mm"] ** 3 / 1e4)
    for table, size, words, height in ((readings(), "leg_span_mm", "1.26 (Przibram)", 1.26), (weights, "mass_g", "2 (Przibram, of weights)", 2)):
        ratio = moltspan.plot_by_instar(moltspan.instar_table(table, size=size))[0]
        line = next(line for line in ratio.lines if line.get_label() == words)
        assert line.get_ydata()[0] == pytest.approx(height, abs=0.001) and words in legend_of(ratio)


def test_temperature_has_data_law_and_intervals():
    ax = moltspan.plot_temperature(moltspan.briere_fit(*armyworm()), *armyworm())
    assert any(text.startswith("optimum") for text in legend_of(ax)) and "1 / days" in ax.get_ylabel()
    used = moltspan.plot_temperature(moltspan.thermal_sum_fit(*armyworm(), use_to_c=28, bootstrap=0), *armyworm())
    assert any(text.startswith("left out of the fit") for text in legend_of(used))
    assert min(used.get_yticks()) >= 0


if __name__ == "__main__":
    for name, draw in DRAWN.items():
        save(draw(), PICTURES / f"{name}.png")
        pyplot.close("all")
