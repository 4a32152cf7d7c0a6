"""Backtests: by hand on exact dates, laws, and coverage on simulated records."""

import json

import numpy as np
import pandas as pd
import pytest

import moltspan
from moltspan.cli.app import app

runner = pytest.importorskip("typer.testing").CliRunner()


def collection_of(molts, last_checked="2025-12-31"):
    """molts: animal -> list of ISO days."""
    rows = [(animal, day, "molt") for animal, days in molts.items() for day in days]
    rows += [(animal, last_checked, "checked") for animal in molts]
    journal = pd.DataFrame(rows, columns=["animal", "date", "event"])
    return moltspan.Collection(pd.DataFrame({"animal": list(molts), "taxon": "Brachypelma hamorii"}), journal)


DAYS = {"A": ["2025-01-01", "2025-01-31", "2025-03-12", "2025-05-01", "2025-07-10"],  # stadia of 30, 40, 50, 70 days
        "B": ["2025-01-11", "2025-02-20", "2025-04-11"]}  # 40, 50 days; none seen later


@pytest.fixture(scope="module")
def by_hand():
    return moltspan.backtest(collection_of(DAYS), origins=["2025-04-20"])


def test_truth_is_counted_from_the_beginning_of_the_origin(by_hand):
    cases = by_hand.cases.set_index("animal")
    # 2025-05-01 is 11 days after 2025-04-20; the molt lies within that day.
    assert (cases.low_days["A"], cases.high_days["A"], cases.seen["A"]) == (11, 12, True)
    # B was watched to the end of 2025-12-31, 256 days after the beginning of the origin, without a molt.
    assert cases.low_days["B"] == 256
    assert not cases.seen["B"]


def test_rules_by_hand(by_hand):
    cases = by_hand.cases.set_index("animal")
    # A: last molt 2025-03-12, 38.5 days before the origin's beginning at its middle; it came at 11.5.
    off = {"last stadium again": 40 - 38.5, "own mean": 1, "mean of the taxon": 1.5, "last stadium x 1.25": 50 - 38.5}
    off["own mean"] = max(1, 35 - 38.5)  # has passed already: tomorrow
    off["mean of the taxon"] = max(1, 40 - 38.5)  # 30, 40, 40, 50
    for rule, day in off.items():
        assert cases[f"off_days, {rule}"]["A"] == pytest.approx(abs(day - 11.5), abs=1e-12)
    # B: last molt 2025-04-11, 8.5 days before; censored after 256 days: the rule's day counts against 256.
    assert cases["off_days, last stadium again"]["B"] == pytest.approx(256 - (50 - 8.5), abs=1e-12)


def test_forecast_is_that_of_the_origin_and_scores_follow_from_it(by_hand):
    forecast = moltspan.fit(collection_of(DAYS), as_of="2025-04-20").forecast().set_index("animal")
    cases = by_hand.cases.set_index("animal")
    quantiles = [0.025, 0.05, 0.1, 0.25, 0.5, 0.75, 0.9, 0.95, 0.975]
    for animal in "AB":
        assert cases.median_days[animal] == forecast["q0.5"][animal]
        assert (cases.from_80[animal], cases.to_80[animal]) == (forecast["q0.1"][animal], forecast["q0.9"][animal])
        # Between the nine printed quantiles a straight line is within .05 of the curve.
        days = forecast.loc[animal, [f"q{q:g}" for q in quantiles]].astype(float)
        assert cases.pit_low[animal] == pytest.approx(np.interp(cases.low_days[animal], days, quantiles, left=0, right=1), abs=0.05)
    # CRPS by the general quadrature on the same nine quantiles: the tails beyond them are cut, which is worth some percent.
    days = forecast.loc["A", [f"q{q:g}" for q in quantiles]].astype(float).to_numpy()
    rough = moltspan.crps(11.5, quantile=lambda p: float(np.interp(p, quantiles, days)))
    assert cases.crps_days["A"] == pytest.approx(rough, rel=0.1)


def test_gains_compare_like_with_like(by_hand):
    """By hand: days off of the median and of the rule, the same two animals; B is censored after 256 days."""
    cases = by_hand.cases.set_index("animal")
    off = {animal: abs(min(cases.median_days[animal], censored) - y) for animal, y, censored in (("A", 11.5, np.inf), ("B", 256, 256))}
    assert cases.off_days.to_dict() == pytest.approx(off)
    for row in by_hand.comparisons.to_dict("records"):
        rule = np.mean([cases[f"off_days, {row['rule']}"][animal] for animal in "AB"])
        assert row["forecast_days"] == pytest.approx(np.mean(list(off.values())))
        assert (row["rule_days"], row["gain_days"]) == (pytest.approx(rule), pytest.approx(rule - row["forecast_days"]))
    document = by_hand.document()
    assert document["off_days"]["mean"] == pytest.approx(np.mean(list(off.values())))
    assert document["score_days"]["mean"] == pytest.approx(cases.crps_days.mean())  # of the whole distribution, as before
    assert "rule off by, days" in str(by_hand) and "forecast off by, days" in str(by_hand) and "(CRPS)" in str(by_hand)
    assert "Absolute errors of the forecast's median were compared in pairs with those of 4 plain rules" in by_hand.methods_text()


def test_a_rule_that_names_the_median_gains_and_loses_nothing():
    """Law: a forecast against a rule that says the forecast's own median differs by nothing, however wide its bands are."""
    found = moltspan.backtest(collection_of(DAYS), origins=["2025-04-20"])
    cases = found.cases
    y = np.where(cases.seen, (cases.low_days + cases.high_days) / 2, cases.low_days)
    named = np.abs(np.minimum(cases.median_days, np.where(cases.seen, np.inf, cases.low_days)) - y)
    np.testing.assert_allclose(cases.off_days, named)
    assert (cases.crps_days < cases.off_days).any()  # which the score of the whole distribution does not say


def test_animals_without_a_row_by_the_origin_are_not_forecast_from_it():
    journal = pd.DataFrame([(a, day, "molt") for a, days in DAYS.items() for day in days] + [("C", "2025-06-01", "molt"), ("C", "2025-07-15", "molt")],
                           columns=["animal", "date", "event"])
    animals = pd.DataFrame({"animal": list("ABC"), "taxon": "Brachypelma hamorii", "acquired": ["", "", "2025-02-01"]})
    found = moltspan.backtest(moltspan.Collection(animals, journal), origins=["2025-04-20", "2025-06-10"]).cases
    by_origin = {str(origin)[:10]: set(rows.animal) for origin, rows in found.groupby(found.origin.astype(str))}
    assert by_origin == {"2025-04-20": {"A", "B"}, "2025-06-10": {"A", "B", "C"}}


def test_rules_take_no_row_of_several_molts_for_a_stadium():
    rows = [("A", day, "molt", value) for day, value in (("2025-01-01", 2), ("2025-01-31", 3), ("2025-03-31", 5), ("2025-05-30", 6))]
    rows += [("A", "2025-08-31", "checked", None)] + [("B", day, "molt", None) for day in DAYS["A"]]
    journal = pd.DataFrame(rows, columns=["animal", "date", "event", "value"])
    collection = moltspan.Collection(pd.DataFrame({"animal": ["A", "B"], "taxon": "Brachypelma hamorii"}), journal)
    case = moltspan.backtest(collection, origins=["2025-04-10"]).cases.set_index("animal").loc["A"]
    # The last stadium of A is the one of 30 days; the 59 days from 3 to 5 are two. 31 March + 30 days lies 20.5 days after the 10th begins.
    assert case["off_days, last stadium again"] == pytest.approx(abs(20.5 - 50.5), abs=1e-9)


def test_covered_share_is_one_or_none_for_ranges_far_from_the_edges(by_hand):
    row = by_hand.cases.set_index("animal").loc["A"]
    assert row.covered_95 == pytest.approx(1, abs=1e-9) if row.from_95 < 11 and row.to_95 > 12 else row.covered_95 < 1


def test_short_histories_say_so(by_hand):
    assert by_hand.health.state == "warning"
    assert "too short to tell" in str(by_hand)
    with pytest.raises(ValueError, match="too short to look back on"):
        moltspan.backtest(collection_of({"A": DAYS["A"][:3]}))
    with pytest.raises(ValueError, match="the records end on 2025-12-31"):
        moltspan.backtest(collection_of(DAYS), origins=["2026-01-05"])


def test_order_of_rows_and_names_do_not_matter():
    names = {"A": "Zoe", "B": "Ann"}
    renamed = collection_of({names[a]: DAYS[a][::-1] for a in reversed(DAYS)})
    there = moltspan.backtest(renamed, origins=["2025-04-20"]).cases.set_index("animal")
    here = moltspan.backtest(collection_of(DAYS), origins=["2025-04-20"]).cases.set_index("animal")
    for ours, theirs in names.items():
        assert there.crps_days[theirs] == pytest.approx(here.crps_days[ours], rel=1e-9)


def test_results_cannot_be_changed(by_hand):
    with pytest.raises(AttributeError):
        by_hand.asked = {}
    with pytest.raises(AttributeError):
        del by_hand.asked
    assert "<table>" in by_hand._repr_html_()


def test_bands_hold_on_simulated_records():
    covered, animals = [], []
    for seed in range(12):
        records, _ = moltspan.simulate_collection(seed=seed, n_animals=15, check_every_days=7)
        cases = moltspan.backtest(records, origins=3, threads=1).cases
        covered += list(cases.covered_80)
        animals += [f"{seed}" for _ in range(len(cases))]
    mean = moltspan.clustered_mean(covered, animals)
    assert mean.n > 300
    # Three standard errors, clustered by collection, and a point for what eight animals cannot teach.
    assert abs(mean.mean - 0.8) < 3 * mean.clustered_standard_error + 0.01


def test_command(tmp_path):
    folder = tmp_path / "room"
    folder.mkdir()
    collection = collection_of(DAYS)
    collection.journal.to_csv(folder / "journal.csv", index=False)
    collection.animals.to_csv(folder / "animals.csv", index=False)
    out = runner.invoke(app, ["backtest", str(folder), "--json", str(tmp_path / "b.json"), "--origins", "3", "--remark", "invented records"])
    assert out.exit_code == 0, out.output
    assert "invented records" in out.output
    assert "last stadium again" in out.output
    document = json.loads((tmp_path / "b.json").read_text())
    assert document["remark"] == "invented records"
    assert [entry["level"] for entry in document["coverage"]] == [0.5, 0.8, 0.95]
    assert document["forecasts"] >= document["molt_seen"]
    short = runner.invoke(app, ["backtest", str(folder), "--as-of", "2025-02-01"])
    assert short.exit_code == 2
