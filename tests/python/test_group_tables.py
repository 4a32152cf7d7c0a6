"""Tables per instar, comparisons of groups, the command `growth`, and a study of published data in one short script."""

import json
import math
import runpy
from pathlib import Path

import numpy as np
import pandas
import polars
import pytest
from scipy import stats
from typer.testing import CliRunner

import moltspan
from moltspan.cli.app import app

ROOT = Path(__file__).parents[2]
FRAME = pandas.DataFrame({
    "animal": ["a", "a", "a", "b", "b", "c", "c", "d"], "sex": ["f", "f", "f", "f", "f", "m", "m", "m"],
    "instar": [3, 3, 4, 3, 4, 3, 4, 4], "mm": [10.0, 10.2, 13.0, 11.0, 14.0, 9.0, 12.0, 12.5]})


def test_a_small_table_by_hand():
    row = moltspan.instar_table(FRAME, by="sex", size="mm").rows()[0]
    first = math.sqrt(10.0 * 10.2)  # two readings of a in one instar are one value
    logs = np.log([13 / first, 14 / 11])
    assert (row["sex"], row["instar"], row["n"], row["ratio_n"]) == ("f", 3, 2, 2)
    assert row["mean"] == pytest.approx((first + 11) / 2, rel=1e-14) and row["ratio"] == pytest.approx(math.exp(logs.mean()), rel=1e-14)
    assert math.log(row["ratio_upper"]) == pytest.approx(logs.mean() + stats.t.ppf(0.975, 1) * stats.sem(logs), rel=1e-10)  # as good as older scipy
    males = moltspan.instar_table(FRAME, by="sex", size="mm").rows()[2]
    assert (males["n"], males["ratio_n"], males["ratio"], males["ratio_lower"]) == (1, 1, pytest.approx(12 / 9), None)


def test_order_units_and_names_do_not_matter_and_strata_stand_alone():
    table = moltspan.instar_table(FRAME, by="sex", size="mm")
    other = FRAME.sample(frac=1, random_state=1).assign(mm=lambda d: d.mm / 25.4, sex=lambda d: d.sex.map({"f": "z", "m": "a"}))
    renamed = moltspan.instar_table(other, by="sex", size="mm").rows()
    for row, again in zip(table.rows(), renamed[2:] + renamed[:2], strict=True):
        assert again["geometric_mean"] * 25.4 == pytest.approx(row["geometric_mean"], rel=1e-13)
        assert again["ratio"] == (None if row["ratio"] is None else pytest.approx(row["ratio"], rel=1e-13))
    alone = moltspan.instar_table(FRAME[FRAME.sex == "m"], by="sex", size="mm").rows()
    assert alone == table.rows()[2:]


def test_kinds_of_frames_and_medians():
    lengths = polars.DataFrame({"sex": ["f"] * 3, "instar": [3] * 3, "min_days": [20.0, 22, 26], "max_days": [20.0, 22, 26]})
    table = moltspan.instar_table(polars.DataFrame(FRAME.to_dict("list")), by="sex", size="mm", stadia=lengths)
    assert type(table.frame()).__module__.startswith("polars")
    assert table.rows()[0]["median_days"] == 22 and table.rows()[0]["stadia_n"] == 3


def test_faulty_tables_of_sizes_are_named():
    table = pandas.DataFrame({"animal": ["a", "b"], "instar": [1, 2], "mm": [3.0, "x"]})
    with pytest.raises(ValueError, match="instar_table: mm: row 1 = 'x' is no number"):
        moltspan.instar_table(table, size="mm")
    with pytest.raises(ValueError, match="instar_table: the table has no rows"):
        moltspan.instar_table(table.iloc[:0], size="mm")


def test_instars_of_a_collection_are_counted_from_the_stated_one():
    animals = pandas.DataFrame({"animal": ["x", "y"], "taxon": ["Brachypelma hamorii"] * 2, "sex": ["female", "male"]})
    journal = pandas.DataFrame({
        "animal": ["x"] * 6 + ["y"] * 4, "date": ["2025-01-01", "2025-01-02", "2025-03-01", "2025-03-02", "2025-06-01", "2025-06-02"]
        + ["2025-01-01", "2025-01-02", "2025-04-01", "2025-04-02"], "event": ["molt", "leg_span"] * 5,
        "value": ["", 20, 5, 26, "", 32, "", 10, "", 12.5], "unit": ["", "mm"] * 5})
    table = moltspan.instar_table(moltspan.Collection(animals, journal), by="sex")
    found = [(row["sex"], row["instar"], row["n"], row["ratio"]) for row in table.rows()]
    assert found == [("female", 4, 1, pytest.approx(1.3)), ("female", 5, 1, pytest.approx(32 / 26)), ("female", 6, 1, None),
                     ("male", None, 1, pytest.approx(1.25))]
    assert table.rows()[0]["median_days"] == 59 and table.rows()[3]["mean"] is None
    assert "instar" in str(table.health)


def stadia(ratio=1.5, animals=12, seed=3):
    rng = np.random.default_rng(seed)
    rows = []
    for animal in range(animals):
        group, own = "hot" if animal % 2 else "cold", rng.normal(0, 0.1)
        for _ in range(4):
            days = 40 * (ratio if group == "cold" else 1) * math.exp(own + rng.normal(0, 0.15))
            rows.append({"animal": f"a{animal}", "kept": group, "min_days": days, "max_days": days})
    return pandas.DataFrame(rows)


def test_comparison_of_exact_stadia_by_hand():
    # Without random effects it is the comparison of two means of log days: ratio exp(difference), likelihood ratio n log(RSS0 / RSS1)
    table = stadia()
    logs = {name: np.log(rows.min_days) for name, rows in table.groupby("kept")}
    effect = moltspan.stadium_effects(table, "kept")
    assert effect.ratio("cold", "hot")[0] == pytest.approx(math.exp(logs["cold"].mean() - logs["hot"].mean()), rel=1e-7)
    whole = np.log(table.min_days)
    rss = sum(((values - values.mean()) ** 2).sum() for values in logs.values())
    # 1e-7: the convergence of the two fits
    assert effect.test.statistic == pytest.approx(len(table) * math.log(((whole - whole.mean()) ** 2).sum() / rss), rel=1e-7)
    assert effect.p_chi_square == pytest.approx(stats.chi2.sf(effect.test.statistic, 1), rel=1e-9)


def test_animals_are_the_units_where_groups_do_not_change_within_them():
    effect = moltspan.stadium_effects(stadia(), "kept", animal="animal")
    assert "12 animals, 10 degrees of freedom" in effect.summary() and "association" in effect.summary()
    estimate, lower, upper = effect.ratio("hot", "cold")
    assert lower < 1 / 1.5 < upper and effect.p_value < 0.001  # simulated truth
    assert "assigned by design" in moltspan.stadium_effects(stadia(), "kept", animal="animal", assigned=True).summary()
    assert list(effect.columns)[:4] == ["pair", "ratio", "lower", "upper"] and effect.columns[-1] == "p_value"


def test_cohorts_are_the_units_where_they_are_nested():
    table = stadia().assign(cohort=lambda d: d.kept + d.animal.str[1:].astype(int).floordiv(4).astype(str))
    nested = moltspan.stadium_effects(table, "kept", animal="animal", cohort="cohort")
    assert "6 cohorts, 4 degrees of freedom" in nested.summary()
    plain = moltspan.stadium_effects(table, "kept", animal="animal")
    assert "sibs are counted as independent" in str(plain.health)
    assert math.log(nested["upper"][0] / nested["lower"][0]) > math.log(plain["upper"][0] / plain["lower"][0])


def test_weeks_renaming_and_order_leave_a_comparison_as_it_is():
    table = stadia()
    effect = moltspan.stadium_effects(table, "kept", animal="animal")
    other = table.sample(frac=1, random_state=5).assign(min_days=lambda d: d.min_days / 7, max_days=lambda d: d.max_days / 7,
                                                        kept=lambda d: d.kept.map({"cold": "z", "hot": "y"}))
    again = moltspan.stadium_effects(other, "kept", animal="animal")
    np.testing.assert_allclose(again.ratio("z", "y"), effect.ratio("cold", "hot"), rtol=1e-5)  # two searches for one maximum
    assert again.test.statistic == pytest.approx(effect.test.statistic, abs=1e-5)


def test_setups_of_the_journal_count_where_they_last_the_whole_stadium():
    rows = []
    for i, (name, label) in enumerate([("p", "warm"), ("q", "cool"), ("r", "warm"), ("s", "cool"), ("t", "moved")]):
        step = 40 + 2 * i + (20 if label == "cool" else 0)
        days = pandas.Timestamp("2025-01-02") + pandas.to_timedelta([0, step, 2 * step + i], unit="D")
        rows += [(name, day.date().isoformat(), "molt", "") for day in days]
        rows += [(name, "2025-01-01", "setup", "cool" if label == "moved" else label)]
        rows += [(name, "2025-01-20", "setup", "warm")] if label == "moved" else []
    journal = pandas.DataFrame(rows, columns=["animal", "date", "event", "value"])
    collection = moltspan.Collection(pandas.DataFrame({"animal": list("pqrst"), "taxon": ["Damon diadema"] * 5}), journal)
    effect = moltspan.stadium_effects(collection, "setup")
    # five animals with two closed stadia and a running one each; the first of t saw two setups, the last of s begins on the last day
    assert "13 rows, 1 without a value left out" in effect.summary() and "1 row was left out: begun on the last day" in effect.summary()
    assert effect.ratio("warm", "cool")[0] < 1


def test_posterior_of_a_comparison():
    effect = moltspan.stadium_effects(stadia(), "kept", animal="animal", method="bayes")
    estimate, lower, upper = effect.ratio("cold", "hot")
    assert lower < 1.5 < upper and effect.test is None and effect["chance_over_1"][0] < 0.01  # hot / cold


def test_q10_of_stadia_finds_the_truth_it_was_simulated_with():
    rng = np.random.default_rng(2)
    warm = rng.uniform(20, 28, 60)
    days = 50 * 2.2 ** (-(warm - 24) / 10) * np.exp(rng.normal(0, 0.08, 60))
    effect = moltspan.temperature_effect(pandas.DataFrame({"temperature_c": warm, "min_days": days, "max_days": days}))
    slope = stats.linregress(warm, np.log(days))
    assert effect["estimate"][0] == pytest.approx(math.exp(-10 * slope.slope), rel=1e-6)  # least squares, by scipy
    assert effect["lower"][0] < 2.2 < effect["upper"][0]


def orthodont():
    folder = ROOT / "tests" / "reference" / "published_lmm"
    table = pandas.read_csv(folder / "orthodont.csv").assign(sex=lambda d: d.Subject.str[0])
    return table, json.loads((folder / "growth_ratio_by_sex.json").read_text())


SLOPES = {"size": "distance", "instar": "age", "animal": "Subject"}


def test_growth_of_two_groups_meets_student_and_nlme():
    table, answer = orthodont()
    effect = moltspan.growth_effects(table, "sex", **SLOPES)
    found = np.log(effect.ratio("M", "F"))
    # 1e-8: the search for the spreads; the table is balanced, so that REML is Student's t on the children's own slopes
    np.testing.assert_allclose(found, [answer["difference"], answer["t_lower"], answer["t_upper"]], rtol=1e-8)
    assert effect["p_value"][0] == pytest.approx(answer["t_p"], rel=1e-7) and f"{answer['t_df']} degrees of freedom" in effect.summary()
    # 1e-5 relative: where nlme's optimizer stops
    assert effect.test.statistic == pytest.approx(answer["statistic"], rel=1e-5)
    assert "restricted maximum likelihood" in effect.summary() and "association" in effect.summary()


def test_inches_renaming_and_order_leave_a_growth_comparison_as_it_is():
    table, _ = orthodont()
    effect = moltspan.growth_effects(table, "sex", **SLOPES)
    other = table.sample(frac=1, random_state=4).assign(distance=lambda d: d.distance / 25.4, sex=lambda d: d.sex.map({"F": "z", "M": "a"}))
    again = moltspan.growth_effects(other, "sex", **SLOPES)
    np.testing.assert_allclose(again.ratio("a", "z"), effect.ratio("M", "F"), rtol=1e-8)
    assert again.test.statistic == pytest.approx(effect.test.statistic, abs=1e-6)


def grown(ratios, animals=8, instars=6, seed=6):
    """Journal and animals of a collection whose groups grow by known ratios."""
    rng, animals_of, rows = np.random.default_rng(seed), [], []
    for i in range(animals * len(ratios)):
        group = sorted(ratios)[i % len(ratios)]
        animals_of.append({"animal": f"x{i}", "taxon": "Damon diadema", "kept_on": group})
        for step in range(instars):
            day = pandas.Timestamp("2024-01-01") + pandas.Timedelta(days=50 * step + i)
            size = 10 * ratios[group] ** step * math.exp(rng.normal(0, 0.02))
            rows.append((f"x{i}", day.date().isoformat(), "molt", "", ""))
            rows.append((f"x{i}", (day + pandas.Timedelta(days=2)).date().isoformat(), "leg_span", f"{size:.3f}", "mm"))
    return pandas.DataFrame(animals_of), pandas.DataFrame(rows, columns=["animal", "date", "event", "value", "unit"])


def test_growth_of_three_groups_of_a_collection_finds_the_simulated_ratios():
    ratios = {"crickets": 1.3, "flies": 1.2, "roaches": 1.3}
    effect = moltspan.growth_effects(moltspan.Collection(*grown(ratios)), "kept_on", size="leg_span", random="1")
    assert len(effect) == 3 and "24 animals, 21 degrees of freedom" in effect.summary()
    for over, under in (("flies", "crickets"), ("roaches", "flies"), ("roaches", "crickets")):
        estimate, lower, upper = effect.ratio(over, under)
        assert lower < ratios[over] / ratios[under] < upper and upper / lower < 1.02
    assert effect["p_holm"].max() > 0.05 > np.sort(effect["p_holm"])[1]
    assert np.all(effect["simultaneous_lower"] <= effect["lower"])


@pytest.mark.parametrize(("animals", "instars", "method"), [(3, 3, "mixed"), (2, 6, "pooled"), (6, 2, "pooled"), (8, 6, "mixed")])
def test_ratio_of_a_kind_is_of_the_kind_where_animals_and_readings_are_many_enough(animals, instars, method):
    taxon, = moltspan.growth_document(moltspan.Collection(*grown({"x": 1.3}, animals, instars)))["taxa"]
    assert taxon["method"].startswith(method) and taxon["animals"] == animals and taxon["readings"] == animals * instars
    assert taxon["ratio"]["lower"] < 1.3 < taxon["ratio"]["upper"] and taxon["ratio"]["estimate"] == pytest.approx(1.3, rel=0.02)


def test_growth_comparisons_that_cannot_be_made_are_named():
    table, _ = orthodont()
    with pytest.raises(ValueError, match="no such column"):
        moltspan.growth_effects(table, "nothing", **SLOPES)
    with pytest.raises(ValueError, match="no such reading"):
        moltspan.growth_effects(moltspan.Collection(*grown({"a": 1.2, "b": 1.3})), "kept_on", size="mass")
    with pytest.raises(ValueError, match="nothing to judge"):
        moltspan.growth_effects(table[table.Subject.isin(["M01", "F01"])], "sex", **SLOPES)


@pytest.mark.parametrize(("change", "words"), [
    ({"by": "nothing"}, "no such column"), ({"by": "kept", "method": "reml"}, "choose one of"),
    ({"by": "min_days"}, "numbers"), ({"by": "one"}, "needs two or more")])
def test_wrong_comparisons_are_named(change, words):
    with pytest.raises(ValueError, match=words):
        moltspan.stadium_effects(stadia().assign(one="x"), **change)


def test_too_few_animals_to_compare():
    with pytest.raises(ValueError, match="2 animals for 2 groups"):
        moltspan.stadium_effects(stadia(animals=2), "kept", animal="animal")


def test_a_short_study_of_published_data_meets_their_figures(capsys):
    assert len((ROOT / "demo" / "published_growth.py").read_text().splitlines()) < 40
    found = runpy.run_path(str(ROOT / "demo" / "published_growth.py"))
    # log fits, recomputed with R: slopes to 9 decimals
    published = {"Aglaoctenus lagotis": 0.199234685, "Centruroides gracilis, female": 0.261479799, "Centruroides gracilis, male": 0.265612569}
    for key, slope in published.items():
        assert math.log(found["ratios"][key].estimate) == pytest.approx(slope, abs=1e-9)
    # Table F of the mantids, by hand: females molted from IX to X after 41, 37, 45, 37, 38, 35, 36 days, the only male of table F with one after 34
    sizes = found["sizes"].frame().set_index(["sex", "molt"] if "molt" in found["sizes"].frame() else ["sex", "instar"])
    assert sizes.loc[("F", 9), ["median_days", "stadia_n"]].tolist() == [37, 7]
    # du Plessis et al. 2020: 12.57 C; recomputed: 391.96 degree-days; Lopez et al. 2019: slower at 30 than at 28 C
    assert found["warmth"].estimates["threshold_c"] == pytest.approx(12.57, abs=0.005)
    assert found["warmth"].estimates["sum_degree_days"] == pytest.approx(391.958827051, rel=1e-9)
    assert 26 < found["optimum"].estimates["optimum_c"] < 30
    assert "Q10" in capsys.readouterr().out


def test_command_growth_in_json_and_plain(tmp_path):
    folder, runner = str(ROOT / "demo" / "collection"), CliRunner()
    result = runner.invoke(app, ["growth", folder, "--json", str(tmp_path / "g.json"), "--remark", "invented records"])
    assert result.exit_code == 1 and "invented records" in result.output  # the demo collection has a faulty row on purpose
    document = json.loads((tmp_path / "g.json").read_text(), parse_constant=lambda name: pytest.fail(f"{name} in JSON"))
    assert {"as_of", "watched", "level", "taxa", "instars", "problems"} <= set(document)
    lasiodora = next(taxon for taxon in document["taxa"] if taxon["taxon"] == "Lasiodora parahybana")
    assert lasiodora["ratio"]["lower"] < lasiodora["ratio"]["estimate"] < lasiodora["ratio"]["upper"]
    assert lasiodora["stadium"]["median_days"] > 0 and lasiodora["method"].startswith("mixed model")
    cupiennius = next(taxon for taxon in document["taxa"] if taxon["taxon"] == "Cupiennius salei")  # two animals
    assert cupiennius["animals"] == 2 and cupiennius["method"].startswith("pooled least squares")
    assert runner.invoke(app, ["growth", folder, "--strict"]).exit_code == 1
    assert runner.invoke(app, ["growth", str(tmp_path / "none")]).exit_code == 2
    assert runner.invoke(app, ["growth", folder, "--as-of", "2025-13-01"]).exit_code == 2
    early = runner.invoke(app, ["growth", folder, "--as-of", "2025-01-01", "--json", "-"])
    assert early.exit_code == 1 and '"as_of": "2025-01-01"' in early.output
