"""Posteriors as priors: laws of the weight, and a small collection that learns from a larger one."""

import pandas as pd
import pytest

import moltspan


def collection(animals, stadium_days):
    """Animals of one kind with four molts each, `stadium_days` and a few days apart."""
    rows, sheet = [], [f"{stadium_days}-{k}" for k in range(animals)]
    for k, animal in enumerate(sheet):
        day = pd.Timestamp("2025-01-01")
        for molt in range(4):
            rows.append((animal, day.date().isoformat(), "molt", "", ""))
            day += pd.Timedelta(days=stadium_days + (5 * k + 7 * molt) % 9)
    journal = pd.DataFrame(rows, columns=["animal", "date", "event", "value", "unit"])
    return moltspan.Collection(pd.DataFrame({"animal": sheet, "taxon": "Brachypelma hamorii"}), journal)


@pytest.fixture(scope="module")
def large():
    return moltspan.fit(collection(12, 90))


def test_a_weight_widens_and_nothing_else(large):
    whole, quarter = large.as_priors(), large.as_priors(weight=0.25)
    assert whole["Intercept"][0] == "normal" and whole["sigma"][0] == "half_normal"
    for name, prior in whole.items():
        assert quarter[name][1:-1] == prior[1:-1]
        assert quarter[name][-1] == pytest.approx(2 * prior[-1])


@pytest.mark.parametrize("weight", [0, -1, 1.5, float("nan")])
def test_another_weight_is_refused(large, weight):
    with pytest.raises(ValueError, match="weight"):
        large.as_priors(weight=weight)


def test_a_small_collection_is_surer_with_them(large):
    small = collection(1, 92)
    alone, informed = moltspan.fit(small), moltspan.fit(small, priors=large.as_priors())
    assert informed.as_priors()["Intercept"][-1] < alone.as_priors()["Intercept"][-1]


def test_no_animal_is_in_them(large):
    assert not any(animal in str(large.as_priors()) for animal in (f"90-{k}" for k in range(12)))
