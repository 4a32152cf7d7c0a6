"""Courses of life from Python: arrays, the same bytes on any threads, agreement with the forecast, first passages, words. The draws themselves
are tested in tests/cpp against closed forms and rejection sampling."""

import hashlib
import math
from datetime import date, timedelta

import numpy as np
import pandas as pd
import polars
import pytest

import moltspan

AS_OF = date(2026, 6, 1)


def ago(days):
    return (AS_OF - timedelta(days=days)).isoformat()


def collection(frame=pd.DataFrame, names=("A1", "A2", "A3", "A4")):
    """Invented records: a long history, a short one of a male near his adult size, one just bought, one that died."""
    rows = {"A1": [(300, "molt", None), (240, "molt", None), (180, "molt", None), (110, "molt", None), (40, "molt", None), (40, "leg_span", "30")],
            "A2": [(220, "molt", None), (100, "molt", None), (100, "leg_span", "100")], "A3": [(20, "ate", None)],
            "A4": [(50, "molt", None), (3, "died", None)]}
    animals = {"animal": list(names), "taxon": ["Brachypelma hamorii"] * len(names), "sex": ["male" if name == "A2" else None for name in names],
               "adult_leg_span_mm": [None if name == "A3" else "140" for name in names]}
    flat = [(name, ago(days), event, value, "mm" if value else None) for name in names for days, event, value in rows[name]]
    journal = {column: [row[i] for row in flat] for i, column in enumerate(("animal", "date", "event", "value", "unit"))}
    return moltspan.Collection(frame(animals), frame(journal))


@pytest.fixture(scope="module")
def fit():
    return moltspan.fit(collection(), as_of=AS_OF)


@pytest.fixture(scope="module")
def a1(fit):
    return fit.trajectory("A1", molts=5, draws=10000, seed=7)


def sha(found):
    return hashlib.sha256(found.dates_days.tobytes() + found.leg_span_mm.tobytes()).hexdigest()


def test_the_same_bytes_on_1_2_and_8_threads_and_another_seed_another_course(fit):
    shas = {sha(fit.trajectories(draws=2500, seed=7, threads=threads)) for threads in (1, 2, 8)}
    assert len(shas) == 1
    assert sha(fit.trajectories(draws=2500, seed=8)) not in shas


def test_an_animal_alone_has_the_draws_that_it_has_among_others(fit, a1):
    whole = fit.trajectories(["A3", "A1"], seed=7)
    assert whole.animals == ("A3", "A1") and whole.dates_days.shape == (2, 10000, 5)
    np.testing.assert_array_equal(whole["A1"].dates_days, a1.dates_days)
    np.testing.assert_array_equal(whole["A1"].leg_span_mm, a1.leg_span_mm)


def test_fewer_draws_and_molts_are_the_first_ones(fit, a1):
    few = fit.trajectory("A1", molts=2, draws=500, seed=7)
    np.testing.assert_array_equal(few.dates_days, a1.dates_days[:500, :2])


def test_order_of_the_animals_in_the_records_does_not_matter(a1):
    turned = moltspan.fit(collection(names=("A4", "A3", "A2", "A1")), as_of=AS_OF).trajectory("A1", draws=10000, seed=7)
    ratio = turned.dates_days[:, 0] / a1.dates_days[:, 0]
    # Sums in another order, through two maximizations; two readings leave the spreads of growth so open that their points move with the mode.
    assert np.quantile(abs(ratio - 1), 0.99) < 5e-3


def test_the_size_after_the_first_molt_agrees_with_the_forecast():
    """Within four binomial standard errors of 10,000 draws, in a collection with readings enough to learn growth from."""
    records, _ = moltspan.simulate_collection(5, 1, n_animals=8)
    fit = moltspan.fit(records)
    exact = {animal["animal"]: animal["next_leg_span_mm"] for animal in moltspan.forecast_document(fit)["animals"]}
    seen = 0
    for course in fit.trajectories(draws=10000, seed=3):
        sizes, found = course.leg_span_mm[:, 0], exact[course.animal]
        for band in found["bands"]:
            for p, mm in ((0.5 * (1 - band["level"]), band["from"]), (0.5, found["median"]), (0.5 * (1 + band["level"]), band["to"])):
                seen += 1
                # .01: where growth ends is a handful of nodes, of which a course keeps its own
                assert abs((sizes <= mm).mean() - p) < 4 * math.sqrt(p * (1 - p) / 10000) + 0.01, (course.animal, p)
    assert seen >= 20


def test_the_first_molt_agrees_with_the_forecast(fit):
    """Within four binomial standard errors of 10,000 draws."""
    exact = {animal["animal"]: animal for animal in moltspan.forecast_document(fit)["animals"]}
    for course in fit.trajectories(draws=10000, seed=3):
        for p, days in exact[course.animal]["next_molt"]["quantile_days"].items():
            p = float(p)
            assert abs((course.dates_days[:, 0] <= days).mean() - p) < 4 * math.sqrt(p * (1 - p) / 10000), (course.animal, p)


def test_dates_rise_and_sizes_are_positive(a1):
    assert a1.dates_days.shape == a1.leg_span_mm.shape == (10000, 5) and a1.start_leg_span_mm.shape == (10000,)
    steps, sizes = np.diff(a1.dates_days), a1.leg_span_mm
    there = np.isfinite(a1.dates_days)  # of unknown sex: half of the draws stop once grown
    assert (steps[np.isfinite(steps)] > 0).all() and (sizes[there] > 0).all() and a1.dates_days[:, 0].min() >= 1
    assert (np.isfinite(sizes) == there).all() and 0.8 < there[:, 4].mean() < 1
    assert 25 < np.median(a1.start_leg_span_mm) < 40


def test_a_given_ratio_without_spread_is_kept(fit):
    course = fit.trajectory("A1", draws=100, growth_ratio=1.2, growth_log_sd=0)
    np.testing.assert_allclose(course.leg_span_mm / course.start_leg_span_mm[:, None], [np.power(1.2, np.arange(1, 6))] * 100, rtol=1e-12)


def test_a_male_of_a_kind_that_stops_has_no_molt_after_his_adult_size(fit):
    """140 mm are stated for his kind, right to some 13 %; males of it mature at .9 of it: a course that has ended stays so, about there."""
    course = fit.trajectory("A2")
    sizes, dates = course.leg_span_mm, course.dates_days
    over = np.isnan(dates)
    assert over.any() and (over == np.isnan(sizes)).all() and (over[:, 1:] >= over[:, :-1]).all()
    last = sizes[over.any(axis=1), (~over).sum(axis=1)[over.any(axis=1)] - 1]
    low, high = np.quantile(last, [0.1, 0.9])
    assert 0.9 * 140 * np.exp(-0.35) < low < 0.9 * 140 < high < 140 * np.exp(0.35)
    chance = list(course.table()["chance"])
    assert chance[0] == 1 and chance == sorted(chance, reverse=True) and chance[-1] < 0.5


def test_first_passage_by_hand_from_the_arrays(a1):
    found = a1.first_passage(60)
    reached = a1.leg_span_mm >= 60
    first = np.where(reached.any(axis=1), a1.dates_days[np.arange(10000), reached.argmax(axis=1)], np.inf)
    first[a1.start_leg_span_mm >= 60] = 0
    np.testing.assert_array_equal(found["days"], first)
    assert found["chance"] == np.isfinite(first).mean()
    # numpy's default is the same rule of quantiles
    assert found["quantiles"][0.5] == AS_OF + timedelta(days=math.floor(np.quantile(first, 0.5)))


def test_fan_is_the_quantile_of_the_size_on_the_day(a1):
    day = 200.0
    fan = a1.fan(levels=(0.1, 0.5, 0.9), days=[0, day])
    passed = (a1.dates_days <= day).sum(axis=1)
    now = np.where(passed == 0, a1.start_leg_span_mm, a1.leg_span_mm[np.arange(10000), np.maximum(passed, 1) - 1])
    np.testing.assert_allclose([fan[f"q{p}"][1] for p in (0.1, 0.5, 0.9)], np.quantile(now, (0.1, 0.5, 0.9)), rtol=1e-12)
    assert list(fan["date"]) == [AS_OF, AS_OF + timedelta(days=200)]
    assert len(a1.fan()) == 41 and a1.fan()["complete"].min() >= 0.89


def test_adult_normal_until_and_pace(fit, a1):
    assert a1.adult["leg_span_mm"] == pytest.approx(126)
    assert fit.trajectory("A3").adult is None and fit.trajectory("A3").pace_percentile is None
    assert 0 < a1.pace_percentile < 100
    assert fit.trajectory("A3").ratio_percentile is None and 0 < a1.ratio_percentile < 100
    band = moltspan.forecast_document(fit)["animals"][0]["next_molt"]["quantiles"]["0.95"]
    assert abs((a1.normal_until(0.95) - date.fromisoformat(band)).days) <= 5


def test_words_frames_and_what_cannot_be_changed(fit, a1):
    assert "A1 (Brachypelma hamorii)" in a1.summary() and "faster than" in a1.summary()
    assert a1._repr_html_().startswith("<div") and fit.trajectories(draws=100)._repr_html_().startswith("<div")
    assert a1.table().shape == (5, 9) and fit.trajectories(draws=100).table().shape == (15, 9)
    assert isinstance(moltspan.fit(collection(polars.DataFrame), as_of=AS_OF).trajectory("A1", draws=100).table(), polars.DataFrame)
    assert "few_draws" in [topic for _, topic, _ in fit.trajectory("A1", draws=100).health.notes]
    assert "adult_size_unknown" in [topic for _, topic, _ in fit.trajectory("A3").health.notes]
    with pytest.raises(AttributeError, match="cannot be changed"):
        a1.asked = None
    with pytest.raises(ValueError, match="read-only"):
        a1.dates_days[0, 0] = 1


def test_what_cannot_be_drawn_says_why(fit):
    with pytest.raises(ValueError, match="'A4' has none: died on 2026-05-29"):
        fit.trajectory("A4")
    assert fit.trajectories(draws=100).without == {"A4": "died on 2026-05-29"}
    for wrong, words in (({"animal": "A9"}, "not in the collection"), ({"animal": "A1", "molts": 0}, "molts = 0"),
                         ({"animal": "A1", "draws": 0}, "draws = 0"), ({"animal": "A1", "seed": -1}, "seed = -1"),
                         ({"animal": "A1", "growth_ratio": 0.1}, "growth_ratio"), ({"animal": "A1", "draws": 1.5}, "draws = 1.5")):
        with pytest.raises(ValueError, match=words):
            fit.trajectory(**wrong)
    with pytest.raises(ValueError, match="empty"):
        fit.trajectories([])
