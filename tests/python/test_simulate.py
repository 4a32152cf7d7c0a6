import datetime

import numpy as np
import pandas as pd
import pytest

import moltspan
from moltspan.records import simulate


def test_the_same_seed_gives_the_same_collection():
    first, truth = moltspan.simulate_collection(seed=4, check_every_days=7)
    again, _ = moltspan.simulate_collection(seed=4, check_every_days=7)
    other, _ = moltspan.simulate_collection(seed=5, check_every_days=7)
    pd.testing.assert_frame_equal(first.journal, again.journal)
    assert not first.journal.equals(other.journal)
    assert set(truth) == {"animals", "stadia", "lives", "signs", "effects", "parameters"}


@pytest.mark.parametrize("every", [1, 7, 14])
def test_the_records_give_the_stadia_that_the_truth_lists(every):
    collection, truth = moltspan.simulate_collection(seed=11, n_animals=60, check_every_days=every, n_cohorts=12)
    read, true = collection.stadia(), truth["stadia"]
    for column in ("min_days", "max_days", "start_range_days", "entry_days"):
        np.testing.assert_array_equal(read[column], true[column])
    for column in ("animal", "taxon", "cohort", "status"):
        assert list(read[column]) == list(true[column])


def test_the_last_day_of_the_records_is_the_as_of_of_the_truth():
    collection, truth = moltspan.simulate_collection(seed=2, first_day="2020-01-01", study_days=365, record_temperature=False)
    assert collection.as_of == datetime.date(2020, 12, 31)
    assert truth["parameters"].set_index("name").loc["as_of", "value"] == collection.as_of


def test_truth_counts_the_next_molt_from_the_beginning_of_the_last_day():
    _, truth = moltspan.simulate_collection(seed=2, n_animals=50)
    animals = truth["animals"]
    alive = animals[animals.state == "alive"]
    # A molt on the last day would have been seen, so the next one is a full day away at least.
    assert (alive.days_to_next_molt >= 1).all()
    assert animals[animals.state != "alive"].days_to_next_molt.isna().all()
    running = truth["stadia"][truth["stadia"].status == "running"].set_index("animal")
    start = alive.set_index("animal").last_molt_day
    length = alive.set_index("animal").next_molt_day - start
    np.testing.assert_allclose(running.true_days, length[running.index])


def test_truth_knows_the_size_after_the_next_molt():
    _, truth = moltspan.simulate_collection(seed=2, growth_sigma=0, taxon_growth_sd=0, animal_growth_sd=0, log_ratio=0.25)
    animals = truth["animals"]
    np.testing.assert_allclose(animals.next_size_mm / animals.size_mm, np.exp(0.25))


def test_sizes_can_be_read_exactly():
    collection, truth = moltspan.simulate_collection(seed=2, exact_sizes=True, reading_chance=1, n_animals=40)
    read, true = collection.stadia(), truth["stadia"]
    both = read.start_size_mm.notna() & true.reading_mm.notna()
    assert both.mean() > 0.8
    np.testing.assert_allclose(read.start_size_mm[both], 20 * np.exp(true.log_size[both]), rtol=1e-12)


def test_signs_and_meals_are_written_and_their_truth_is_told():
    collection, truth = moltspan.simulate_collection(seed=2, darkened_chance=0.8, refused_chance=0.8, meal_every_days=7)
    signs = truth["signs"]
    written = collection.journal[collection.journal.event.isin(["darkened", "refused", "ate"])]
    assert sorted(written.event) == sorted(signs.event)
    assert not signs.false_alarm.any()


def test_options_are_checked_by_name():
    with pytest.raises(TypeError, match="'sigmas'.*options are"):
        moltspan.simulate_collection(sigmas=1)
    with pytest.raises(ValueError, match="family='gamma'"):
        moltspan.simulate_collection(family="gamma")
    with pytest.raises(ValueError, match="`sigma` is -1"):
        moltspan.simulate_collection(sigma=-1)


def test_defaults_are_listed_and_used():
    defaults = simulate.default_options()
    pd.testing.assert_frame_equal(simulate.simulate_stadia(3)["stadia"], simulate.simulate_stadia(3, **defaults)["stadia"])


def test_prior_truth_draws_only_what_is_named():
    drawn = simulate.draw_prior_truth({"sigma": ("half_normal", 0.3), "intercept": ("normal", 4, 0.5)}, seed=3, n_animals=5)
    assert set(drawn) == {"sigma", "intercept", "n_animals"}
    assert drawn["sigma"] > 0
    assert drawn != simulate.draw_prior_truth({"sigma": ("half_normal", 0.3), "intercept": ("normal", 4, 0.5)}, 3, 1, n_animals=5)
    assert simulate.draw_prior_truth({"exponent": ("fixed", 0.7)})["exponent"] == 0.7
    _, truth = moltspan.simulate_collection(3, **drawn)
    assert len(truth["animals"]) == 5


@pytest.mark.parametrize(("priors", "message"), [({"sigma": ("gamma", 1, 2)}, "'gamma'"), ({"sigma": ("normal", 1)}, "takes 2"),
                                                 ({"sigmas": ("fixed", 1)}, "sigmas")])
def test_prior_truth_refuses_laws_it_does_not_know(priors, message):
    with pytest.raises(ValueError, match=message):
        simulate.draw_prior_truth(priors)


def test_a_larger_study_finds_an_effect_more_often():
    pytest.importorskip("moltspan.stadia.intervals")
    table = moltspan.study_power("temperature_effect", n_animals=[4, 30], replicates=30, study_days=365, temperature_effect=-0.08)
    assert list(table.n_animals) == [4, 30]
    assert table.power[1] > table.power[0]
    assert table.stadia[1] > 5 * table.stadia[0]
    assert (table.not_fitted < 15).all()
    # 30 studies at 95 %: fewer than 23 held would come once in 10,000 times (binomial, by scipy.stats.binom.cdf(23, 30, .95)).
    assert table.coverage[1] > 0.75


def test_power_is_asked_for_an_effect_that_exists():
    with pytest.raises(ValueError, match="effect='color'"):
        moltspan.study_power("color")


def test_two_groups_differ_as_asked_and_the_table_is_the_same_each_time():
    asked = {"effect": "stadium_difference", "difference": 0.25, "n_animals": [8, 40], "study_days": 365, "replicates": 12, "check_every_days": 7}
    seen = []
    table = moltspan.study_power(**asked, progress=lambda done, total: seen.append((done, total)))
    pd.testing.assert_frame_equal(table, moltspan.study_power(**asked))
    assert seen == [(i, 24) for i in range(1, 25)]
    assert table.truth.tolist() == [pytest.approx(np.log(1.25))] * 2  # by hand
    large = table.iloc[1]
    error = large.width / 2 / 1.96 / np.sqrt(12)  # of the mean estimate of 12 studies
    assert abs(large.estimate - large.truth) < 4 * error
    assert large.power_lower <= large.power <= large.power_upper and table.power[1] > table.power[0]


def test_rarer_looks_tell_less():
    table = moltspan.study_power("stadium_difference", [20], 365, 8, difference=0.3, check_every_days=[1, 14], intercept=3.5)
    assert table.width[1] > table.width[0]


def test_studies_with_an_animal_that_molted_on_the_last_day_count():
    """Such a stadium says nothing, and took its whole study along as one without an answer: three in four of large ones with weekly looks."""
    table = moltspan.study_power("stadium_difference", [40], 730, 12, difference=0.2, check_every_days=[1, 7])
    assert table.not_fitted.tolist() == [0, 0]


def test_a_difference_of_growth_ratios_is_found_and_none_is_not():
    asked = {"n_animals": 40, "study_days": 730, "replicates": 40}
    some = moltspan.study_power("ratio_difference", difference=0.08, **asked).iloc[0]
    none = moltspan.study_power("ratio_difference", difference=0.0, **asked).iloc[0]
    assert some.power > 0.8 and abs(some.estimate - np.log(1.08)) < 0.02  # 4 standard errors of the mean of 40 studies of width .07
    # 40 studies of no difference at 95 %: more than 8 that find one come less than once in 1,000 times (scipy.stats.binom.sf(8, 40, .05) = 1.3e-4)
    assert none.power <= 8 / 40
    assert none.power_lower <= 0.05 + 0.15


@pytest.mark.parametrize(("asked", "message"), [({"effect": "stadium_difference"}, "difference=None"), ({"difference": 0.2}, "difference=0.2"),
                                                ({"effect": "ratio_difference", "difference": -2}, "a share over -1"), ({"replicates": 0}, "replicates = 0")])
def test_power_says_what_it_needs(asked, message):
    with pytest.raises(ValueError, match=message):
        moltspan.study_power(**asked)
