"""Whether bands held: stadia told by the others, health that says where they did not, past forecasts, kin as a distribution."""

from datetime import date, timedelta

import numpy as np
import pandas as pd
import pytest

import moltspan

SPREADS = {1: 0.15, 2: 0.45, 3: 0.15, 4: 0.45, 5: 0.15, 6: 0.3}
EFFECTS = {1: 0, 2: 0.25, 3: -0.2, 4: 0.3, 5: 0, 6: 0}


def crabs(seed, n_animals=60):
    """About 300 stadia whose spread hangs on the instar (.15 or .45), with an effect of the instar that the size does not tell."""
    rng = np.random.default_rng(seed)
    rows = []
    for k in range(n_animals):
        day, pace, width = rng.uniform(0, 200), rng.normal(0, 0.05), 5 * np.exp(rng.normal(0, 0.05))
        for instar in range(1, rng.integers(5, 7) + 1):
            at = (date(2024, 1, 1) + timedelta(int(day))).isoformat()
            rows.append((f"c{k}", at, "molt", instar, "", ""))
            rows.append((f"c{k}", at, "carapace_width", round(width, 1), "mm", "animal"))
            day += 20 * (width / 5) ** 0.6 * np.exp(pace + EFFECTS[instar] + SPREADS[instar] * rng.normal())
            width *= np.exp(rng.normal(0.25, 0.03))
    animals = pd.DataFrame({"animal": [f"c{k}" for k in range(n_animals)], "taxon": "Cancer testus"})
    return moltspan.Collection(animals, pd.DataFrame(rows, columns=["animal", "date", "event", "value", "unit", "on"]))


@pytest.fixture(scope="module")
def misfit():
    return moltspan.fit(crabs(1), growth_model=False, instar_effect=False, spread_effect=False)


def notes(result, topic):
    return [text for state, name, text in result.health.notes if name.startswith(topic) and state == "bad"]


def test_health_says_where_bands_do_not_hold(misfit):
    assert misfit.health.state == "bad"
    [bands] = notes(misfit, "calibration_by_class")
    assert bands.startswith("by instar bands do not hold")
    [medians] = notes(misfit, "calibration_median_by_class")
    assert "in instar 03" in medians  # it molts a fifth sooner than its size tells
    assert "temperatures" in bands  # what would mend it: none are written down


def test_health_is_silent_where_the_model_is_right():
    # 200 collections (40, 60 and 150 animals) had no such note: python benchmarks/calibration_notes.py
    for seed in (1, 2):
        records, _ = moltspan.simulate_collection(seed=seed, n_animals=60)
        assert not notes(moltspan.fit(records, growth_model=False), "calibration")


def test_each_stadium_has_its_place_among_the_others(misfit):
    told = misfit.stadia_told
    assert (told.pit_low <= told.pit_high).all()
    assert (told.pit_high[~told.seen] == 1).all()
    assert told.seen.sum() > 200
    middle = 0.5 * (told.pit_low + told.pit_high)[told.seen]
    assert 0.4 < middle.mean() < 0.6


def test_the_look_back_tells_classes_and_calls_bands_bad():
    back = moltspan.backtest(crabs(2, 90), origins=["2024-05-01", "2024-06-20", "2024-08-10"], growth_model=False, instar_effect=False,
                             spread_effect=False)
    by = back.by("instar").set_index("instar")
    assert by.forecasts.sum() == len(back.cases)
    assert by.covered_80["instar 04"] < by.covered_80["instar 01"]
    assert set(back.document()["by"]) == {"instar", "month", "kind"}
    assert list(back.by("month").month) == ["month 05", "month 06", "month 08"]
    assert back.health.state == "bad"
    assert "off by instar" in back.summary()
    with pytest.raises(ValueError, match="instar, month, kind"):
        back.by("tub")


def test_kin_as_a_distribution_by_hand():
    rows = [("A", day, "molt") for day in ("2025-01-01", "2025-01-31", "2025-03-12", "2025-05-01")]
    rows += [("B", day, "molt") for day in ("2025-01-11", "2025-02-20", "2025-04-11")] + [("A", "2025-12-31", "checked")]
    records = moltspan.Collection(pd.DataFrame({"animal": ["A", "B"], "taxon": "Brachypelma hamorii"}),
                                  pd.DataFrame(rows, columns=["animal", "date", "event"]))
    back = moltspan.backtest(records, origins=["2025-04-20"], growth_model=False)
    logs = np.log([30, 40, 40, 50])  # no instar is stated: the closed stadia of the kind
    sd = logs.std(ddof=1) * np.sqrt(1 + 1 / 4)
    # A molted 38.5 days before the beginning of that day, was watched to its end and molted 11.5 days after it began.
    by_hand = _crps(50, logs.mean(), sd, 39.5)
    case = next(case for case in back._core.cases if case.id == "A")
    assert case.kin_crps_days == pytest.approx(by_hand, rel=1e-3)


def _crps(y, mean, sd, elapsed):
    """int (F - 1(t >= y))^2 on a fine grid."""
    from scipy.stats import norm

    t = np.linspace(elapsed, 400, 400001)
    beyond = norm.sf((np.log(t) - mean) / sd) / norm.sf((np.log(elapsed) - mean) / sd)
    return np.trapezoid((1 - beyond - (t >= y)) ** 2, t) if hasattr(np, "trapezoid") else np.trapz((1 - beyond - (t >= y)) ** 2, t)


def test_past_forecasts_are_told_and_can_be_left_out(misfit):
    found = misfit.recalibration
    assert found["forecasts"] >= 30
    assert set(found["held_percent"]) == {50, 80, 95}
    assert 0 <= found["chance"] <= 1
    assert moltspan.fit(crabs(1), growth_model=False, recalibrate=False).recalibration is None


def test_a_molt_seven_sds_off_is_named():
    rng = np.random.default_rng(3)
    pre = np.linspace(20, 90, 30)
    post = 2 + 1.25 * pre + rng.normal(0, 1, 30)
    assert moltspan.increment_fit(pre, post).health.state == "good"
    post[11] += 15
    health = moltspan.increment_fit(pre, post).health
    assert health.state == "bad"
    assert "molt 12 of the table" in str(health)
    assert 'loss="huber"' in str(health)


def test_a_rate_that_falls_at_the_warmest_is_told():
    rng = np.random.default_rng(4)
    temperature = np.repeat([15.0, 18, 21, 24, 27, 30, 33], 5)
    rate = 0.002 * (temperature - 10) * np.exp(rng.normal(0, 0.03, len(temperature)))
    assert moltspan.thermal_sum_fit(temperature, 1 / rate, bootstrap=0).health.state == "good"
    rate[temperature == 33] *= 0.75  # beyond the optimum
    health = moltspan.thermal_sum_fit(temperature, 1 / rate, bootstrap=0).health
    assert health.state == "bad"
    assert "at 33.0 C" in str(health)
    assert "use_to_c" in str(health)
    assert moltspan.thermal_sum_fit(temperature, 1 / rate, use_to_c=31, bootstrap=0).health.state == "good"
