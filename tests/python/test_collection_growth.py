"""Sizes of a collection by the growth model: by hand on sizes that grow by one ratio; off where that is asked for."""

import pandas as pd
import pytest

import moltspan

RATIO = 1.25


@pytest.fixture(scope="module")
def collection():
    """Six animals, five molts each 40 days apart; carapaces read to .01 mm the day after, growing by exactly 1.25 a molt."""
    rows = []
    for k, animal in enumerate("ABCDEF"):
        for molt in range(5):
            day = pd.Timestamp("2025-01-01") + pd.Timedelta(days=40 * molt + 3 * k)
            rows.append((animal, day.date().isoformat(), "molt", "", ""))
            size = round((3 + 0.2 * k) * RATIO**molt, 2)
            rows.append((animal, (day + pd.Timedelta(days=1)).date().isoformat(), "carapace_length", size, "mm"))
    journal = pd.DataFrame(rows, columns=["animal", "date", "event", "value", "unit"])
    return moltspan.Collection(pd.DataFrame({"animal": list("ABCDEF"), "taxon": "Brachypelma hamorii"}), journal)


def test_off_where_asked_for(collection):
    fit = moltspan.fit(collection, growth_model=False)
    assert fit.growth is None
    assert {animal["next_leg_span_mm"] for animal in moltspan.forecast_document(fit)["animals"]} == {None}


def test_ratio_and_next_size_by_hand(collection):
    fit = moltspan.fit(collection)
    assert "ratio a molt: 1.2" in str(fit.growth)
    sizes = {animal["animal"]: animal["next_leg_span_mm"] for animal in moltspan.forecast_document(fit)["animals"]}
    for one, other, factor in (("A", "F", 4.0 / 3.0), ("A", "C", 3.4 / 3.0)):
        # Same number of molts, same measure: next sizes differ as the carapaces do. 2 % is the error of a carapace reading.
        assert sizes[other]["median"] / sizes[one]["median"] == pytest.approx(factor, rel=0.02)
    bands = sizes["A"]["bands"]
    assert [band["level"] for band in bands] == [0.5, 0.8, 0.95]
    assert all(band["from"] < sizes["A"]["median"] < band["to"] for band in bands)
    assert bands[0]["from"] > bands[1]["from"] > bands[2]["from"]


def test_without_any_size_there_is_no_growth():
    journal = pd.DataFrame({"animal": "A", "date": ["2025-01-01", "2025-02-10"], "event": "molt"})
    fit = moltspan.fit(moltspan.Collection(pd.DataFrame({"animal": ["A"]}), journal))
    assert fit.growth is None
    assert moltspan.forecast_document(fit)["animals"][0]["next_leg_span_mm"] is None


def test_stadia_all_alike_end_in_a_stated_health():
    """Sizes with errors beside lengths without any spread: no posterior of sigma, which has to be said, with a band all the same."""
    day = pd.Timestamp("2026-06-01")
    rows = [(animal, (day - pd.Timedelta(days=since + 90 * k)).date().isoformat(), event, mm / 1.3**k if event == "leg_span" else None,
             "mm" if event == "leg_span" else None)
            for animal, since, mm in (("A", 10, 40), ("B", 30, 40), ("C", 50, 40), ("D", 60, 140)) for k in range(6) for event in ("molt", "leg_span")]
    journal = pd.DataFrame(rows, columns=["animal", "date", "event", "value", "unit"])
    fit = moltspan.fit(moltspan.Collection(pd.DataFrame({"animal": list("ABCD"), "taxon": "Brachypelma hamorii"}), journal), as_of="2026-06-01")
    assert fit.health.state == "warning" and "show no spread of their own" in str(fit.health)
    for animal in moltspan.forecast_document(fit)["animals"]:
        days = list(animal["next_molt"]["quantile_days"].values())
        assert days == sorted(days) and days[0] < days[-1]
