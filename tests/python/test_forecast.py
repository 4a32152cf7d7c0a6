"""Forecasts of a collection: the document, who gets one, and numbers worked out by hand."""

import json
import math
from datetime import date, timedelta

import numpy as np
import pandas as pd
import pytest

import moltspan
from moltspan.collection.fit import forecast_document

AS_OF = date(2026, 6, 1)
KIND = "Brachypelma hamorii"
KEYS = ["animal", "taxon", "verdict", "phase", "last_entry", "last_molt", "days_since_molt", "next_molt", "why_no_forecast", "chance_within_days",
        "chance_final", "chance_missed", "feed_from", "next_leg_span_mm", "next_size", "basis", "notes"]
QUANTILES = ["0.025", "0.05", "0.1", "0.25", "0.5", "0.75", "0.9", "0.95", "0.975"]
EDGES = {0.5: ("0.25", "0.75"), 0.8: ("0.1", "0.9"), 0.95: ("0.025", "0.975")}
MEDIAN_DAYS, SPREAD = 60.0, 0.2
# Nothing left to learn: log T = log 60 + .2 W for every animal; the sds are kept off 0, where the model ends.
TIGHT = {"Intercept": ("normal", math.log(MEDIAN_DAYS), 1e-6), "log_size": ("normal", 0.0, 1e-6)} | {
    f"{level}_sd": ("half_normal", 1e-6) for level in ("animal", "cohort", "taxon", "genus")}


def ago(days):
    return (AS_OF - timedelta(days=days)).isoformat()


def collection(rows, animals=None, **columns):
    """`rows`: (animal, days ago, event, value, unit); `animals`: id -> columns of its own; `columns`: of all."""
    ids = list(dict.fromkeys([*(animals or {}), *(row[0] for row in rows)]))
    own = [{"animal": name, "taxon": KIND, "sex": "female"} | columns | (animals or {}).get(name, {}) for name in ids]
    padded = [(name, ago(days), *rest, *[None] * (3 - len(rest))) for name, days, *rest in rows]
    return moltspan.Collection(pd.DataFrame(own), pd.DataFrame(padded, columns=["animal", "date", "event", "value", "unit"]))


def chain(name, *days_ago, mm=20):
    return [row for days in days_ago for row in ((name, days, "molt"), (name, days, "leg_span", mm, "mm"))]


def document(records, as_of=AS_OF, levels=(0.5, 0.8, 0.95), **options):
    return forecast_document(moltspan.fit(records, as_of=as_of, **options), levels)


def animals_of(records, **options):
    return {animal["animal"]: animal for animal in document(records, **options)["animals"]}


def one(rows, animal=None, **options):
    name = rows[0][0]
    return animals_of(collection(rows, {name: animal or {}}), **options)[name]


REGULAR = chain("A1", 310, 250, 190, 130, 70, 10)


@pytest.fixture(scope="module")
def mixed():
    rows = REGULAR + chain("A2", 150, 40) + [("A3", 20, "ate"), ("A4", 30, "molt"), ("A4", 3, "died"), ("A5", 9, "left"),
                                             ("A6", 8, "escaped"), ("A7", 90, "molt"), ("A7", 90, "matured")]
    return document(collection(rows, {"A3": {"acquired": ago(30)}, "A7": {"sex": "male"}}))


# The document.


def test_document_has_the_keys_that_were_promised_and_is_json(mixed):
    assert list(mixed) == ["as_of", "on", "last_entry", "watched", "levels", "animals", "problems"]
    assert (mixed["as_of"], mixed["watched"], mixed["levels"]) == (AS_OF.isoformat(), "all", [0.5, 0.8, 0.95])
    assert all(list(animal) == KEYS for animal in mixed["animals"])
    assert json.loads(json.dumps(mixed, allow_nan=False)) == mixed


def test_values_have_the_types_that_were_promised(mixed):
    for animal in mixed["animals"]:
        assert isinstance(animal["phase"], str) and isinstance(animal["notes"], list)
        assert (animal["next_molt"] is None) == isinstance(animal["why_no_forecast"], str)
        assert list(animal["chance_within_days"]) == ["7", "14", "30", "90"]
        basis = animal["basis"]
        assert list(basis) == ["own_stadia", "taxon_stadia", "own_weight"]
        assert isinstance(basis["own_stadia"], int) and 0 <= basis["own_weight"] <= 1
        for range_of_days in filter(None, (animal["last_molt"],)):
            assert date.fromisoformat(range_of_days["earliest"]) <= date.fromisoformat(range_of_days["latest"])


def forecasts(document):
    found = [animal for animal in document["animals"] if animal["next_molt"]]
    assert found
    return found


def test_quantiles_rise_lie_after_the_last_watched_day_and_give_the_dates(mixed):
    for animal in forecasts(mixed):
        molt = animal["next_molt"]
        days = list(molt["quantile_days"].values())
        assert list(molt["quantiles"]) == list(molt["quantile_days"]) == QUANTILES
        assert days == sorted(days) and len(set(days)) == len(days) and days[0] >= 1
        for key, value in molt["quantile_days"].items():
            assert molt["quantiles"][key] == (AS_OF + timedelta(days=math.floor(value))).isoformat()
        assert molt["median"] == molt["quantiles"]["0.5"]


def test_bands_are_the_quantiles_at_their_edges(mixed):
    for animal in forecasts(mixed):
        quantiles = animal["next_molt"]["quantiles"]
        for band in animal["next_molt"]["bands"]:
            assert (band["from"], band["to"]) == tuple(quantiles[key] for key in EDGES[band["level"]])


def test_chances_agree_with_the_quantiles(mixed):
    for animal in forecasts(mixed):
        days = list(animal["next_molt"]["quantile_days"].values())
        levels = [float(key) for key in QUANTILES]
        chances = animal["chance_within_days"]
        assert list(chances.values()) == sorted(chances.values())
        for horizon, chance in chances.items():  # up to the end of that day
            below = [level for level, day in zip(levels, days, strict=True) if day <= int(horizon) + 1]
            above = [level for level, day in zip(levels, days, strict=True) if day > int(horizon) + 1]
            assert max(below, default=0) - 1e-6 <= chance <= min(above, default=1) + 1e-6  # 1e-6: root of a quantile


def test_table_of_forecasts_tells_the_same_as_the_document():
    records = collection(REGULAR)
    fit = moltspan.fit(records, as_of=AS_OF)
    table, molt = fit.forecast(), forecast_document(fit)["animals"][0]["next_molt"]
    assert len(table) == 1 and table["next_molt"].iloc[0] == molt["median"]
    assert table["q0.5"].iloc[0] == molt["quantile_days"]["0.5"]


def test_days_since_molt_and_range_of_the_last_molt():
    rows = [("A1", 20, "checked"), ("A1", 10, "skin_found"), ("A1", 30, "molt")]
    animal = one(rows)
    assert animal["last_molt"] == {"earliest": ago(19), "latest": ago(10)}
    assert animal["days_since_molt"] == {"min": 10, "max": 19}


# Who gets a forecast.


def test_one_animal_with_one_molt_gets_a_wide_band():
    days = one([("A1", 5, "molt")])["next_molt"]["quantile_days"]
    # The default priors allow 8 to 190 days (priors.toml, Intercept): an 80 % band has to hold a factor of 4 at least.
    assert days["0.9"] / days["0.1"] > 4


def test_just_bought_animal_gets_a_forecast_and_the_reason_of_its_width():
    animal = one([("A1", 3, "ate")], {"acquired": ago(10)})
    assert animal["next_molt"] and animal["phase"] == "unknown" and animal["last_molt"] is None
    assert any("no molt on record" in note for note in animal["notes"])


def test_nothing_dated_is_a_clear_error():
    empty = moltspan.Collection(pd.DataFrame({"animal": ["A1"]}),
                                pd.DataFrame({name: pd.Series(dtype=object) for name in ("animal", "date", "event")}))
    with pytest.raises(ValueError, match="no dated record"):
        moltspan.fit(empty)


def test_an_animal_with_a_fault_is_set_aside_and_the_other_is_answered():
    rows = REGULAR + [("A2", 50, "molt", 5), ("A2", 20, "molt", 4)]
    result = document(collection(rows))
    by_name = {animal["animal"]: animal for animal in result["animals"]}
    assert by_name["A1"]["next_molt"] and not by_name["A2"]["next_molt"]
    assert "set aside" in by_name["A2"]["why_no_forecast"]
    assert [problem["animal"] for problem in result["problems"] if problem["severity"] == "fault"] == ["A2"]


def test_only_animals_with_faults():
    rows = [("A2", 50, "molt", 5), ("A2", 20, "molt", 4)]
    animal = one(rows)
    assert animal["next_molt"] is None and "set aside" in animal["why_no_forecast"]


@pytest.mark.parametrize(("event", "phase", "why"), [("died", "dead", "died on"), ("left", "gone", "left on"),
                                                     ("escaped", "gone", "escaped on")])
def test_ended_records_say_why(event, phase, why):
    animal = one([*REGULAR, ("A1", 2, event)])
    assert (animal["phase"], animal["next_molt"], animal["feed_from"]) == (phase, None, None)
    assert animal["why_no_forecast"] == f"{why} {ago(2)}"
    assert set(animal["chance_within_days"].values()) == {None}


MATURE = [*chain("A1", 100, mm=60), ("A1", 100, "matured")]


@pytest.mark.parametrize(("taxon", "sex", "goes_on"), [
    # Common knowledge of the trade, no source (shared/kinds.toml).
    (KIND, "female", True), (KIND, "male", False), ("Sphodromantis viridis", "female", False), ("Sphodromantis viridis", "male", False)])
def test_after_maturity(taxon, sex, goes_on):
    animal = animals_of(collection(MATURE + chain("A2", 210, 150, 90, 30), {"A1": {"taxon": taxon, "sex": sex}}))["A1"]
    assert (animal["next_molt"] is not None) == goes_on == (animal["phase"] != "final")
    if not goes_on:
        assert "mature since" in animal["why_no_forecast"] and animal["chance_final"] == 1
        assert set(animal["chance_within_days"].values()) == {0.0}


# Phases and feeding.


def test_regular_animal_far_past_its_usual_stadium_is_overdue():
    rows = chain("A1", 450, 390, 330, 270, 210, 150)  # five stadia of 60 days, now at 150
    animal = one(rows)
    assert animal["phase"] == "overdue" and animal["next_molt"]["quantile_days"]["0.025"] >= 1


def test_regular_animal_within_its_usual_stadium_is_not_overdue():
    assert one(chain("A1", 320, 260, 200, 140, 80, 20))["phase"] == "intermolt"


def test_freshly_molted_animal_is_soft_until_the_days_of_its_size_are_over():
    # Common practice, no source (shared/husbandry.toml): under 25 mm 4 days of hardening and 5 without food.
    assert one(chain("A1", 65, 3))["phase"] == "postmolt"
    assert one(chain("A1", 65, 4))["phase"] == "intermolt"


@pytest.mark.parametrize(("mm", "wait_days"), [(20, 5), (40, 7), (80, 12)])  # shared/husbandry.toml: common practice, no source
def test_feeding_waits_by_size(mm, wait_days):
    assert one(chain("A1", 70, 1, mm=mm))["feed_from"] == ago(1 - wait_days)


@pytest.mark.parametrize("event", ["fangs_black", "ate"])
def test_black_fangs_or_a_meal_end_the_wait(event):
    animal = one([*chain("A1", 120, 4, mm=80), ("A1", 1, event)])
    assert animal["feed_from"] == ago(1) and animal["phase"] == "intermolt"


def test_premolt_says_offer_nothing():
    animal = one(chain("A1", 460, 400, 340, 280, 220, 160, 100, 57, mm=80), priors=TIGHT | {"sigma": ("half_normal", 0.05)})
    assert animal["phase"] == "premolt" and animal["feed_from"] is None
    assert (animal["verdict"]["feeding"], animal["verdict"]["feeding_why"]) == ("hold", "premolt: nothing, and take uneaten prey out")


def test_rows_watched_says_when_it_was_last_looked_at():
    animal = one([*chain("A1", 130, 70), ("A1", 12, "checked")], watched="rows")
    assert any(f"last looked at on {ago(12)}" in note for note in animal["notes"])
    assert animal["next_molt"]["quantile_days"]["0.025"] >= 1 - 12


# Numbers worked out by hand.


def test_tight_priors_leave_the_law_that_they_state():
    """T = 60 exp(sigma W), started at a moment of the day 10 days ago: in the middle of that day on average."""
    animal = one(chain("A1", 10), priors=TIGHT | {"sigma": ("half_normal", 1e-4)})
    # 70 % of sigma's prior lies under 1e-4, so that the law is a day wide, from the start's own day; 0.1 d for the rest.
    assert animal["next_molt"]["quantile_days"]["0.5"] == pytest.approx(MEDIAN_DAYS - 10 + 0.5, abs=0.1)


def lognormal_survival(days, sigma):
    return np.array([0.5 * math.erfc(math.log(t / MEDIAN_DAYS) / sigma / math.sqrt(2)) for t in days])


def test_just_bought_animal_against_an_integral():
    """P(rest > r | w days watched) = int_(w+r) S / int_w S, with S of T = 60 exp(sigma W) by the trapezoid rule."""
    watched = 11  # acquired 10 days ago, both days counted
    priors = TIGHT | {"sigma": ("half_normal", 1e-3)}
    days = one([("A1", 10, "ate")], {"acquired": ago(10)}, priors=priors)["next_molt"]["quantile_days"]
    ages = np.linspace(watched, 70, 200_001)
    left = np.cumsum(lognormal_survival(ages, 1e-3)[::-1])[::-1]
    for key in QUANTILES:
        rest = np.interp(-(1 - float(key)), -left / left[0], ages) - watched
        # 0.05 d: the mean sigma, 1e-3, moves 60 days by that much. The forecast begins at the end of the as_of day.
        assert days[key] - 1 == pytest.approx(rest, abs=0.05)


def test_own_weight_grows_with_own_stadia():
    kin = [row for k in range(4) for row in chain(f"K{k}", *range(400 - 7 * k, 0, -(50 + 8 * k)))]
    weights = []
    for n in (0, 1, 3, 6):
        days = [20 + 60 * k for k in range(n, -1, -1)]
        weights.append(animals_of(collection(kin + chain("A1", *days)))["A1"]["basis"]["own_weight"])
    assert all(0 <= weight <= 1 for weight in weights)
    assert weights == sorted(weights) and weights[-1] > weights[0] + 0.1


def test_own_and_kin_stadia_are_counted():
    basis = animals_of(collection(REGULAR + chain("A2", 150, 40)))["A2"]["basis"]
    assert (basis["own_stadia"], basis["taxon_stadia"]) == (1, 5)


# What must not matter, and what must not pass.


def quantiles_of(records, **options):
    return {name: animal["next_molt"]["quantile_days"] for name, animal in animals_of(records, **options).items() if animal["next_molt"]}


THREE = REGULAR + chain("A2", 150, 40) + chain("A3", 200, 120, 50)


def test_order_of_rows_does_not_matter():
    given, turned = quantiles_of(collection(THREE)), quantiles_of(collection(THREE[::-1]))
    for name, days in given.items():
        assert turned[name] == pytest.approx(days, rel=1e-6)  # the same sums in another order, through a maximization


def test_names_of_animals_do_not_matter():
    names = {"A1": "Z9", "A2": "B", "A3": "A"}
    given, renamed = quantiles_of(collection(THREE)), quantiles_of(collection([(names[name], *rest) for name, *rest in THREE]))
    for name, days in given.items():
        assert renamed[names[name]] == pytest.approx(days, rel=1e-6)


@pytest.mark.parametrize("level", [0, 1, -0.1, 1.5, 80, float("nan")])
def test_levels_lie_between_0_and_1(level):
    with pytest.raises(ValueError, match="level"):
        document(collection(REGULAR), levels=(level,))


@pytest.mark.parametrize("options", [{"family": "weibull"}, {"family": "loglogistic"}, {"method": "ml"}])
def test_other_models_tell_about_the_same(options):
    """A regular animal 10 days into stadia of 60: any model has its median within a fifth of the stadium of 50 days."""
    rows = THREE + chain("A4", 250, 190, 128, 71, 12) + chain("A5", 240, 185, 120, 55)
    assert quantiles_of(collection(rows), **options)["A1"]["0.5"] == pytest.approx(50, abs=12)


def test_twice_the_same_is_the_same_to_the_byte():
    first, second = (json.dumps(document(collection(THREE))) for _ in range(2))
    assert first == second


def test_number_of_threads_does_not_matter():
    rows = [row for k in range(30) for row in chain(f"A{k}", 200 - k, 140 - 2 * k, 80 - 2 * k)]
    one_thread, two = (quantiles_of(collection(rows), threads=n) for n in (1, 2))
    for name, days in one_thread.items():
        assert two[name] == pytest.approx(days, rel=1e-6)  # sums split among the threads, through a maximization: some 1e-9


def test_nothing_written_later_matters():
    early = [row for row in THREE if row[1] >= 60]
    day = AS_OF - timedelta(days=60)
    later = [("A1", 30, "sex", "male"), ("A2", 20, "died"), ("A3", 5, "leg_span", 90, "mm")]
    with_later = collection(THREE + later, {"A1": {"matured": ago(10)}})
    assert document(with_later, as_of=day)["animals"] == document(collection(early), as_of=day)["animals"]
