"""Dyar's line, increments and paths along molts, as Python users meet them: frames, wording, errors, laws."""

import math
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import moltspan

REFERENCE = Path(__file__).parent.parent / "reference"
PUBLISHED = REFERENCE / "published_growth"  # sources in SOURCE.md there


@pytest.fixture
def mantids():
    return pd.read_csv(PUBLISHED / "mantids.csv")


@pytest.fixture
def fit(mantids):
    return moltspan.dyar_fit(mantids.molt, mantids.animal_mm)


def test_mantids_as_published(fit):
    assert fit.ratio == pytest.approx(1.299572354, abs=1e-9)
    assert fit.coefficients == pytest.approx({"Intercept": 0.619855388, "instar": 0.262035252}, abs=1e-9)
    assert fit.standard_errors == pytest.approx({"Intercept": 0.053582119, "instar": 0.008635540}, abs=1e-9)
    assert (fit.residual_sd, fit.r_squared) == pytest.approx((0.078436190, 0.991386246), abs=1e-9)
    row = fit.predict([11], level=0.95).iloc[0]
    assert row.estimate == pytest.approx(33.18981847, abs=1e-8)
    assert (row.new_lower, row.new_upper) == pytest.approx((26.66078201, 41.31776966), abs=1e-8)
    assert (row.mean_lower, row.mean_upper) == pytest.approx((29.33210263, 37.55489554), abs=1e-8)
    assert fit.curvature.p_value == pytest.approx(0.001745863965, abs=1e-12)
    assert np.sqrt(np.diag(fit.covariance)) == pytest.approx(list(fit.standard_errors.values()))


def test_bands_are_named_and_nested(fit):
    bands = fit.predict([1, 5.5, 12], level=0.9)
    assert list(bands) == ["instar", "estimate", "mean_lower", "mean_upper", "simultaneous_lower", "simultaneous_upper",
                           "new_lower", "new_upper", "extrapolated"]
    assert (bands.simultaneous_lower < bands.mean_lower).all() and (bands.mean_upper < bands.simultaneous_upper).all()
    assert (bands.new_lower < bands.mean_lower).all() and (bands.mean_upper < bands.new_upper).all()
    assert bands.extrapolated.tolist() == [False, False, True]


def test_one_interval_however_it_is_asked_for(fit):
    ratio = fit.growth_ratio(0.8)
    assert tuple(fit.interval(0.8).loc["ratio"]) == pytest.approx(tuple(ratio))
    assert np.exp(fit.interval(0.8).loc["instar"].to_numpy()) == pytest.approx(tuple(ratio))


def test_przibrams_ratio_and_any_other(fit):
    assert fit.test_ratio().df == 8
    low, high = fit.growth_ratio(0.95)[1:]
    for bound in (low, high):  # a test at 5 % and an interval at 95 % agree at its bounds
        assert fit.test_ratio(bound).p_value == pytest.approx(0.05, abs=1e-9)
    assert fit.test_ratio(fit.ratio).p_value == pytest.approx(1, abs=1e-6)


def test_crosby_says_look_and_never_missing():
    spider = pd.read_csv(PUBLISHED / "wolf_spider.csv")  # two beyond 10 %, though no instar is missing
    fit = moltspan.dyar_fit(spider.instar, spider.cephalothorax_mm)
    crosby = fit.crosby()
    assert crosby.instar[crosby.verdict == "look"].tolist() == [2, 4]
    assert fit.crosby_beyond == 2 < min(fit.crosby_expected, fit.crosby_expected_typical)
    assert "no more than the usual scatter" in fit.crosby_text
    skipped = [1.3**instar * wobble for instar, wobble in zip([0, 1, 2, 3, 5, 6, 7, 8], [1.01, 0.99] * 4, strict=True)]
    text = moltspan.dyar_fit(range(1, 9), skipped).crosby_text
    assert "look at these instars" in text
    assert "is missing" not in text + fit.crosby_text


def test_molts_to_a_size(fit):
    lobsters = moltspan.molts_to_reach(266.7, 7.84, 1.153)  # Herrick 1895, as told by Cobb 1899: "25 to 26 times"
    assert lobsters.exact == pytest.approx(24.773154027, abs=1e-9)
    assert lobsters.molts == 25
    own = fit.molts_to_reach(60)
    assert own.start_mm == pytest.approx(21.90) and own.ratio == fit.ratio
    assert own.lower < own.exact < own.upper and own.molts == math.ceil(own.exact)
    assert fit.molts_to_reach(60, start_mm=30, ratio=2).exact == pytest.approx(1)
    assert fit.molts_to_reach(60, ratio=0.9).molts is None
    assert fit.molts_to_reach(10).molts == 0


def test_several_animals_in_one_call(fit, mantids):
    table = pd.DataFrame({"instar": [*mantids.molt, *mantids.molt[1:], 4], "size": [*mantids.animal_mm, *mantids.skin_mm[1:], 5.0],
                          "animal": ["animal"] * 10 + ["skin"] * 9 + ["B7"]})
    result = moltspan.dyar_fit(table.instar, table["size"], animal=table.animal)
    rows = result.table()
    assert rows.animal.tolist() == list(result.animals) == ["animal", "skin", "B7"]
    assert rows.ratio[0] == pytest.approx(fit.ratio, rel=1e-14)
    assert math.isnan(rows.ratio[2]) and rows.health[2].startswith("bad")
    assert result.fit("skin").ratio == rows.ratio[1]
    assert "no mixed model" in result.summary()
    assert set(result.pooled.intercepts) == set(result.animals)
    with pytest.raises(ValueError, match="'B8'"):
        result.fit("B8")
    shuffled = table.sample(frac=1, random_state=1)
    again = moltspan.dyar_fit(shuffled.instar, shuffled["size"], animal=shuffled.animal.replace("skin", "Z1"))
    assert again.pooled.ratio == pytest.approx(result.pooled.ratio, rel=1e-13)
    with pytest.raises(ValueError, match="row 1 has no animal"):
        moltspan.dyar_fit([1, 2], [1, 1.3], animal=["a", None])


@pytest.mark.parametrize("kind", ["polars", "pyarrow"])
def test_frames_out_are_of_the_kind_that_came_in(kind, mantids):
    native = pytest.importorskip(kind)
    frame = native.from_pandas(mantids) if kind == "polars" else native.Table.from_pandas(mantids)
    instars, sizes = (frame[name] for name in ("molt", "animal_mm"))
    fit = moltspan.dyar_fit(instars, sizes)
    for table in (fit.predict([3]), fit.crosby(), fit.checks(), moltspan.increment_fit(sizes[:-1], sizes[1:]).table()):
        assert type(table).__module__.partition(".")[0] == kind


def test_results_cannot_be_changed_and_show_themselves(fit, mantids):
    sizes = mantids.animal_mm.to_numpy()
    results = [fit, moltspan.dyar_fit([1, 2, 3], [1, 1.3, 1.6], animal=["a", "a", "b"]), moltspan.increment_fit(sizes[:-1], sizes[1:])]
    for result in [*results, results[1].pooled]:
        with pytest.raises(AttributeError):
            result.ratio = 2
        assert "health" in repr(result) and result._repr_html_().startswith("<div>")
        assert result.health.state in ("good", "warning", "bad")
        assert "nan" not in repr(result).lower()
    with pytest.raises(TypeError):
        fit.asked["instars"] = ()


def test_weak_data_gets_an_answer_and_faulty_rows_are_named():
    two = moltspan.dyar_fit([1, 2], [1, 1.5])
    assert two.ratio == pytest.approx(1.5) and two.health.state == "warning"
    assert two.predict([3]).new_lower.isna().all()
    assert moltspan.dyar_fit([2, 2], [1, 1.5]).health.state == "bad"
    with pytest.raises(ValueError, match="row 1, size = 'big' is no number"):
        moltspan.dyar_fit([1, 2], [1, "big"])
    with pytest.raises(ValueError, match="row 1, size = nan"):
        moltspan.dyar_fit([1, 2], [1, None])
    with pytest.raises(ValueError, match="row 0, instar"):
        moltspan.dyar_fit([math.inf, 2], [1, 2])
    with pytest.raises(ValueError, match="3 weights for 2 rows"):
        moltspan.dyar_fit([1, 2], [1, 2], weights=[1, 1, 1])
    with pytest.raises(ValueError, match="0 weights for 2 rows"):
        moltspan.dyar_fit([1, 2], [1, 2], weights=[])
    with pytest.raises(ValueError, match="shape"):
        moltspan.dyar_fit([[1, 2]], [[1, 2]])
    with pytest.raises(ValueError, match=r"level = 1\.2"):
        two.predict([3], level=1.2)


# ---- increments


def test_hiatt_line_as_published(mantids):
    sizes = mantids.animal_mm.to_numpy()
    fit = moltspan.increment_fit(sizes[:-1], sizes[1:])
    assert fit.coefficients == pytest.approx({"intercept": 1.046153388, "slope": 1.128240556}, abs=1e-9)
    assert fit.standard_errors == pytest.approx({"intercept": 0.414434816, "slope": 0.039293270}, abs=1e-9)
    assert (fit.r_squared, fit.residual_sd) == pytest.approx((0.991581026, 0.674741865), abs=1e-9)
    inverse = fit.predict_pre(10)
    assert inverse.kind == "bounded" and inverse.lower < inverse.estimate < inverse.upper
    edges = fit.predict([inverse.lower, inverse.upper])  # the size after is at the edge of the bands of both ends
    assert (edges.new_upper[0], edges.new_lower[1]) == pytest.approx((10, 10))
    path = fit.project(2.26, molts=3)
    assert path.post_mm[0] == pytest.approx(fit.predict([2.26]).estimate[0])


def test_an_unbounded_inverse_says_so():
    flat = moltspan.increment_fit([1, 2, 3, 4], [9, 11, 11, 9])
    assert flat.predict_pre(10).kind == "everything"
    assert "unbounded" in flat.predict_pre(10).text


def test_bent_and_robust_lines():
    pre = np.linspace(10, 120, 12)
    post = [13.9, 26.2, 37.4, 51.0, 62.3, 75.1, 86.2, 98.9, 107.4, 116.3, 127.8, 136.4]  # tests/reference/growth_lines/lines.R
    bent = moltspan.increment_fit(pre, post, form="bent")
    answers = dict(line.split(",") for line in (REFERENCE / "growth_lines/lines.csv").read_text().split()[1:])
    assert bent.breakpoint().lower == pytest.approx(float(answers["bent_lower"]), abs=1e-8)
    assert tuple(bent.interval().loc["breakpoint"]) == bent.breakpoint()[:3]
    assert moltspan.increment_fit(pre, post, loss="huber").table().weight.le(1).all()
    for wrong in ({"form": "curved"}, {"loss": "absolute"}, {"form": "bent", "loss": "huber"}):
        with pytest.raises(ValueError):
            moltspan.increment_fit(pre, post, **wrong)


def test_crab_path_to_the_printed_digits():
    # Wainwright & Armstrong 1993, coefficients second-hand; path recomputed, rounded to three decimals (10.4635 down).
    grow = moltspan.increment_model("bent", intercept_mm=1.3, slope=0.23, slope_loss=0.22, breakpoint_mm=105)
    wait = moltspan.period_model("degree_days", intercept=5.25, slope_per_mm=0.0175, temperature_c=10, lower_c=1.13, upper_c=13.44)
    path = moltspan.project_molts(5, grow, wait, molts=12)
    printed = [7.45, 10.463, 14.170, 18.729, 24.337, 31.234, 39.718, 50.154, 62.989, 78.776, 98.195, 122.080]
    assert path.post_mm.tolist() == pytest.approx(printed, abs=5.1e-4)
    assert path.period_days[0] == pytest.approx(23.448937945, abs=5.1e-10)
    assert path.age_days.tolist() == pytest.approx(path.period_days.cumsum().tolist())
    with pytest.raises(ValueError, match="kind='factor' takes first_days, period_slope_factor"):
        moltspan.period_model("factor", days=3)
    with pytest.raises(ValueError, match="no development"):
        moltspan.project_molts(5, grow, moltspan.period_model("belehradek", a=229.5, b_c=0.63, c=1, temperature_c=0))


def test_mauchlines_factors():
    factors = moltspan.slope_factors([19.5, 27.5, 37.5], [234, 284, 346])  # Crustaceana 88 (2015) 911; about 1.216
    assert factors["period_slope_factor"] == pytest.approx(math.sqrt(346 / 234))
    assert factors["molt_slope_factor"] == pytest.approx((10 / 27.5) / (8 / 19.5))
