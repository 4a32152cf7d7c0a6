"""Last molts: the table, chances before a day, and a short version of benchmarks/last_molts.py."""

from datetime import date, timedelta

import numpy as np
import pandas as pd
import pytest
from benchmark_scripts import load

import moltspan

AS_OF = date(2026, 6, 1)


def ago(days):
    return (AS_OF - timedelta(days=days)).isoformat()


@pytest.fixture(scope="module")
def fit():
    rows = [(name, ago(days), event, size, "mm" if size else None)
            for name, since in (("F", 40), ("M", 100)) for k in range(4) for days in (since + 90 * k,)
            for event, size in (("molt", None), ("leg_span", 140 / 1.3**k))]
    rows += [("F", ago(40), "matured", None, None), ("M", ago(100), "matured", None, None)]
    animals = pd.DataFrame({"animal": ["F", "M"], "taxon": "Brachypelma hamorii", "sex": ["female", "male"]})
    return moltspan.fit(moltspan.Collection(animals, pd.DataFrame(rows, columns=["animal", "date", "event", "value", "unit"])), as_of=AS_OF)


def test_table_tells_of_the_mature_male_and_the_female_beside_him(fit):
    table = fit.forecast(levels=(0.8,)).set_index("animal")
    male, female = table.loc["M"], table.loc["F"]
    assert (male["phase"], male["chance_final"], male["days_since_molt_min"]) == ("final", 1, 100)
    assert male["lives_until_from_80"] < male["lives_until"] < male["lives_until_to_80"]
    assert "100 days since its last molt of all" in male["notes"] and "assumption" in male["notes"]
    assert female["chance_final"] == 0 and pd.isna(female["lives_until"]) and "mature male of her kind: M" in female["notes"]


def test_chance_of_a_molt_before_a_day(fit):
    chances = fit.forecast().set_index("animal").loc["F"]
    for days in (7, 14, 30, 90):  # within 7 days = before the day after the seventh
        day = AS_OF + timedelta(days=days + 1)
        assert fit.chance_molt_before("F", day) == pytest.approx(chances[f"chance_{days}_days"], abs=1e-12)
        assert fit.chance_molt_before("F", day.isoformat()) == fit.chance_molt_before("F", day)
    assert fit.chance_molt_before("M", "2030-01-01") == 0
    with pytest.raises(ValueError, match="not after the last day"):
        fit.chance_molt_before("F", AS_OF)
    with pytest.raises(ValueError, match="'Z' is not in the collection"):
        fit.chance_molt_before("Z", "2027-01-01")


@pytest.fixture(scope="module")
def study():
    return load("last_molts")


def rows_of(study, name, collections):
    return study.frame_of([row for replicate in range(collections) for row in study.one_collection(name, replicate)])


def test_where_nobody_has_molted_for_the_last_time_the_chance_is_small(study):
    assert rows_of(study, "nobody: all recorded", 15).stated.mean() < 0.05


def test_stated_chances_hold_where_half_of_the_last_molts_are_not_recorded(study):
    frame = rows_of(study, "half unrecorded", 20)
    assert 60 < frame.final.sum() < 200
    for low, high in ((0, 0.1), (0.1, 0.4), (0.4, 0.9), (0.9, 1)):
        stated, final, error, _ = study.tenth(frame, low, high)
        assert abs(stated - final) < 3 * error  # fixed seeds; a chance that is off by a tenth fails
    assert np.average(frame.stated[frame.final == 1]) > np.average(frame.stated[frame.final == 0]) + 0.4
