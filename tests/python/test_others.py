"""The second simulator (benchmarks/others.py): the same by seed, valid records, and scores equal to ones computed by hand."""

import sys
from datetime import timedelta

import numpy as np
import pandas as pd
import pytest
from benchmark_scripts import BENCHMARKS
from scipy import integrate
from scipy.stats import norm

import moltspan

sys.path.insert(0, str(BENCHMARKS))
import others_lives as lives  # noqa: E402 - scripts lie beside the package
import others_scenarios as scenarios  # noqa: E402
import others_scores as scoring  # noqa: E402
import others_sizes as sizes  # noqa: E402
import others_tables as tables  # noqa: E402

pytestmark = pytest.mark.open_data


@pytest.mark.parametrize("name", scenarios.SCENARIOS)
def test_studies_are_the_same_by_seed_and_their_records_are_valid(name):
    study, again, other = scenarios.draw(name, 4), scenarios.draw(name, 4), scenarios.draw(name, 5)
    assert study.collection.journal.equals(again.collection.journal) and study.collection.animals.equals(again.collection.animals)
    assert not study.collection.journal.equals(other.collection.journal)
    assert not (study.collection.problems().severity == "fault").any()
    assert study.origins and [animal.molts for animal in study.animals] == [animal.molts for animal in again.animals]


@pytest.mark.parametrize("name", ["crab juveniles, small", "crickets, ten temperatures", "season nobody measured"])
def test_written_molts_hold_the_true_ones(name):
    """Every molt of the journal is a day or a range that holds a molt of that animal's true life."""
    study = scenarios.draw(name, 0)
    true = {animal.name: np.array([int(molt.day) for molt in animal.molts]) for animal in study.animals}
    molts = study.collection.journal[lambda frame: frame.event == "molt"]
    for row in molts.itertuples():
        first = (np.datetime64(row.date) - np.datetime64(lives.FIRST_DAY)).astype(int)
        last = (np.datetime64(row.until or row.date) - np.datetime64(lives.FIRST_DAY)).astype(int)
        assert ((true[row.animal] >= first) & (true[row.animal] <= last)).sum() == 1
    assert len(molts) > 50


def test_published_durations():
    """The figures of SOURCE.md of the tables, and the means of the paper's Table F: ten-molt animals 17, 26, 39 days before the last molts."""
    assert lives.per_instar_days("Aglaoctenus_lagotis")[[0, 10, 11]] == pytest.approx([25.27, 38.70, 100.45])
    assert [lives.per_instar_days("Helicoverpa_armigera", t)[4] for t in (15.0, 25.0, 37.5)] == [19.81, 5.18, 3.75]
    assert lives.mantid_days(10)[-2:].round() == pytest.approx([26, 39])


def test_crps_is_that_of_the_law():
    """Of a normal law in closed form (Gneiting and Raftery 2007), and of any by its integral."""
    quantiles = norm.ppf(scoring.CHANCES, 40, 5)
    z = (47 - 40) / 5
    exact = 5 * (z * (2 * norm.cdf(z) - 1) + 2 * norm.pdf(z) - 1 / np.sqrt(np.pi))
    assert scoring.crps(quantiles, 47) == pytest.approx(exact, rel=0.01)
    assert scoring.crps(np.full(100, 40.0), 47) == pytest.approx(7)
    integral = integrate.quad(lambda day: (norm.cdf(day, 40, 5) - (day > 47)) ** 2, 0, 100, points=[47])[0]
    assert exact == pytest.approx(integral, rel=1e-6)


def test_scores_of_ranges_by_hand():
    """Quantiles .5, 1.5, ..., 99.5: a uniform law on 0 to 100 days; 80 % band 10 to 90."""
    quantiles = 100 * scoring.CHANCES
    scores = scoring.scores_of(quantiles, 45, 65)
    assert (scores["below"], scores["in 80%"]) == pytest.approx((0.25, 1))
    assert scores["in 50%"] == pytest.approx(1)  # band 25 to 75
    assert scoring.scores_of(quantiles, 80, 100)["in 80%"] == pytest.approx(10 / 20)
    never = scoring.scores_of(quantiles, 60, np.inf)
    # min(T, 60) at 60: days short of 60 by integral of F squared, up to 60: (.6^3 / 3) of 100 days.
    assert never["crps"] == pytest.approx(100 * 0.6**3 / 3, rel=0.01)
    assert scoring.scores_of(quantiles, 30, 30) == pytest.approx({"crps": scoring.crps(quantiles, 30), "below": 1, "in 50%": 1, "in 80%": 1, "in 95%": 1})


def test_the_rule_by_instar_by_hand():
    """One case: mean and sd of the logs of closed stadia, given the age reached, without any still running in that instar but its own."""
    logs = np.log([20, 25, 30, 40])
    mean, sd = scoring.censored_normal(logs, np.full(4, True))
    assert (mean, sd) == pytest.approx((logs.mean(), logs.std()))
    # With one that is only known to be longer than 30: the likelihood has no better point.
    values, ended = np.log([20, 25, 30, 40, 30]), np.array([True] * 4 + [False])
    mean, sd = scoring.censored_normal(values, ended, steps=2000)

    def log_likelihood(m, s):
        return norm.logpdf(values[ended], m, s).sum() + norm.logsf(values[~ended], m, s).sum()

    assert all(log_likelihood(mean, sd) >= log_likelihood(mean + a, sd + b) for a in (-0.01, 0, 0.01) for b in (-0.01, 0, 0.01))


def test_a_case_of_a_study_by_hand():
    study = scenarios.draw("crab juveniles, small", 0)
    origin = study.origins[2]
    rows = scoring.origin_cases(study, origin, {})
    day = lives.FIRST_DAY + timedelta(days=origin)
    forecast = moltspan.fit(study.collection, as_of=day, threads=1).forecast().set_index("animal")
    assert len(rows) > 15
    for row in rows:
        animal = next(one for one in study.animals if one.name == row["animal"])
        truth = min(molt.day for molt in animal.molts if molt.day >= origin + 1) - origin
        known = forecast.loc[animal.name]
        assert row["truth_days"] == truth
        assert row["in 80%"] == float(known["q0.1"] <= truth <= known["q0.9"]), "the band as the forecast prints it"
        assert row["below"] == float(truth < known["q0.5"])
    kin = scoring.Kin(study.collection, day, "all")
    row = rows[0]
    last = max(molt.day for molt in next(one for one in study.animals if one.name == row["animal"]).molts if molt.day < origin + 1)
    assert kin.running.start[row["animal"]] == int(last) + 0.5 - origin, "the middle of the day of its last molt"
    own = kin.closed.days[kin.closed.animal == row["animal"]].mean()
    assert row["own mean: crps"] == pytest.approx(abs(max(1, int(last) + 0.5 - origin + own) - row["truth_days"]))


def test_simulated_and_backtest_scores_agree():
    """The look-back scores the same forecasts by the records; where molts are written to the day, both are near."""
    study = scenarios.draw("crab juveniles, small", 2)
    ours = {row["animal"]: row for row in scoring.origin_cases(study, study.origins[2], {})}
    day = lives.FIRST_DAY + timedelta(days=study.origins[2])
    theirs = {row["animal"]: row for row in scoring.record_cases(study.collection, [day], "all")}
    both = [(ours[name]["crps"], theirs[name]["crps"]) for name in ours if name in theirs and theirs[name]["truth_days"] == int(ours[name]["truth_days"])]
    assert len(both) > 10
    assert np.abs(np.diff(np.array(both))).max() < 0.6  # days: the truth is the middle of its day for the look-back


def test_tables_by_hand():
    """Two animals in one collection: errors clustered by animal; the class farthest from the promise; a paired gain."""
    n = 60
    cases = pd.DataFrame({"records": "x", "collection": 0, "animal": ["a", "b"] * (n // 2), "origin": [str(i // 2) for i in range(n)],
                          "month": [1] * 30 + [7] * 30, "instar": 2.0, "taxon": "t", "crps": [1.0, 3.0] * (n // 2), "below": [0.0] * 30 + [1.0] * 30})
    assert tables.mean_and_error(cases.crps, tables.clusters_of(cases)) == pytest.approx((2, np.sqrt(30**2 + 30**2) / n))
    assert tables.worst(cases, "below", 0.5) == "month 1: 0 (30)"
    assert tables.gained(cases, cases.assign(crps=cases.crps + 0.5)) == "2.50: +0.500 ± 0.000 (60)"
    assert tables.gained(cases, cases.assign(animal="c")) == "-"


def test_a_day_that_never_comes_is_later_than_every_day():
    draws = np.array([10.0, 20.0, 30.0, np.inf])
    assert sizes.pit(draws, np.inf) == (0.75, 1.0)
    assert sizes.row_of("day", draws, np.inf)["in 80%"] == pytest.approx((0.9 - 0.75) / 0.25)
    assert sizes.row_of("day", draws, 25.0)["in 50%"] == 1 and sizes.row_of("day", draws, 25.0)["below"] == 0
