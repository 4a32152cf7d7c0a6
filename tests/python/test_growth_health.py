"""What a fit of growth says of weak data, faulty rows and lines that bend."""

from io import StringIO

import numpy as np
import pandas as pd
import polars as pl
import pytest

import moltspan
from test_growth import animals


def test_few_animals_get_no_spread():
    one = moltspan.fit_growth(animals(n=1))
    assert dict(one.animal_sd) == {} and "only one member" in str(one.health)
    two = moltspan.fit_growth(animals(n=2))
    assert list(two.coefficients) == ["Intercept", "instar", "animal[A01]"] and "fixed difference" in str(two.health)
    table = animals(n=2)
    x = np.column_stack([np.ones(10), table.instar, table.animal == "A01"])
    assert list(two.coefficients.values()) == pytest.approx(np.linalg.lstsq(x, np.log(table.leg_span_mm), rcond=None)[0].tolist(), rel=1e-9)
    bands = two.predict(pd.DataFrame({"animal": ["A00", "A01", "new"], "instar": [7.0] * 3}))
    assert np.log(bands.estimate[2]) == pytest.approx(np.log(bands.estimate[:2]).mean(), rel=1e-9)


def test_one_reading_an_animal_is_said():
    fit = moltspan.fit_growth(animals(n=8).groupby("animal").head(1).assign(instar=lambda t: np.arange(len(t)) * 1.0))
    assert fit.health.state == "bad" and dict(fit.animal_sd) == {}


FAULTS = [({"leg_span_mm": -1.0}, "row 7, leg_span_mm = -1: a size is a number above 0"), ({"leg_span_mm": 0.0}, "row 7, leg_span_mm = 0"),
          ({"leg_span_mm": np.nan}, "row 7, leg_span_mm"), ({"leg_span_mm": np.inf}, "row 7, leg_span_mm = inf"),
          ({"animal": None}, "row 7, animal is blank"), ({"animal": ""}, "row 7, animal is blank"),
          ({"instar": np.nan}, "row 7, instar"), ({"instar": np.inf}, "row 7, instar"), ({"leg_span_mm": "big"}, "row 7, leg_span_mm = 'big'")]


@pytest.mark.parametrize("change, message", FAULTS)
def test_faults_name_row_and_column(change, message):
    table = animals().astype({"leg_span_mm": object} if isinstance(change.get("leg_span_mm"), str) else {})
    for name, value in change.items():
        table.loc[7, name] = value
    with pytest.raises(ValueError, match=message):
        moltspan.fit_growth(table)


def test_wrong_arguments():
    table = animals()
    for arguments, message in [({"method": "best"}, "choose one of"),
                               ({"size": "no"}, "no such column"), ({"animal": "no"}, "no such column"), ({"formula": "no"}, "no column"),
                               ({"formula": "instar + leg_span_mm + instar*2"}, "cannot read|column"), ({"reading_step_mm": -1}, "step")]:
        with pytest.raises(ValueError, match=message):
            moltspan.fit_growth(table, **arguments)
    with pytest.raises(ValueError, match="follows from the columns before it"):
        moltspan.fit_growth(table.assign(twice=2 * table.instar), formula="instar + twice")
    with pytest.raises(ValueError, match="without any scatter"):
        moltspan.fit_growth(table.assign(leg_span_mm=np.exp(2 + 0.25 * table.instar)))
    fit = moltspan.fit_growth(table)
    for level in (0, 1, -0.5, 90):
        with pytest.raises(ValueError, match="level"):
            fit.interval(level)
        with pytest.raises(ValueError, match="level"):
            fit.predict(table, level=level)
    with pytest.raises(ValueError, match="row 0, animal = 'new'"):
        fit.predict(pd.DataFrame({"animal": ["new"], "instar": [3.0]}), new_animal="error")
    with pytest.raises(AttributeError):
        fit.sigma = 1


def test_rounding_is_said():
    table = animals()
    table["leg_span_mm"] = (5 * np.round(table.leg_span_mm / 5)).clip(lower=5)
    assert "rounding" in str(moltspan.fit_growth(table, reading_step_mm=5).health)
    with pytest.raises(ValueError, match="no multiple"):
        moltspan.fit_growth(animals(), reading_step_mm=5)


def test_tables_of_every_kind_and_how_a_fit_prints():
    table = animals()
    fit = moltspan.fit_growth(table)
    other = moltspan.fit_growth(pl.DataFrame(table))
    assert other.log_likelihood == fit.log_likelihood
    assert isinstance(other.predict(pl.DataFrame(table)), pl.DataFrame)
    assert "log leg_span_mm ~ instar + (1 + instar | animal), maximum likelihood" in fit.summary()
    assert "animal_sd[instar]" in repr(fit) and "<table>" in fit._repr_html_()
    text = StringIO(table.to_csv(index=False))
    assert moltspan.fit_growth(pd.read_csv(text)).log_likelihood == pytest.approx(fit.log_likelihood, rel=1e-12)


def bent_table(n_animals=12, n_instars=10, bend=-0.02):
    """Log sizes along a line over the instar that bends by so much an instar squared."""
    rng = np.random.default_rng(8)
    rows = [{"animal": f"A{a}", "instar": k, "leg_span_mm": float(np.exp(2 + own + (0.35 + slope) * k + bend * k**2 + 0.02 * rng.normal()))}
            for a, own, slope in zip(range(n_animals), 0.1 * rng.normal(size=n_animals), 0.02 * rng.normal(size=n_animals), strict=True)
            for k in range(1, n_instars + 1)]
    return pd.DataFrame(rows)


@pytest.mark.parametrize("method", ["ml", "reml"])
def test_a_line_that_bends_is_told(method):
    table = bent_table()
    straight, bent = (moltspan.fit_growth(table, formula=formula, method="ml") for formula in ("instar", "instar + instar**2"))
    gain = bent.log_likelihood - straight.log_likelihood
    assert gain > 100
    health = moltspan.fit_growth(table, method=method).health
    assert health.state == "bad"
    assert f"instar**2 gains {gain:.0f} in log-likelihood" in str(health)
    assert "bend down" in str(health)
    assert 'form="declining"' in str(health)
    assert "log-likelihood" not in str(bent.health)  # the formula has it
    assert "bend up" in str(moltspan.fit_growth(bent_table(bend=0.01)).health)


def test_a_straight_line_has_nothing_to_tell_of_a_bend():
    assert "bend" not in str(moltspan.fit_growth(bent_table(bend=0)).health)
    assert "bend" not in str(moltspan.fit_growth(bent_table(n_instars=2)).health)  # two instars tell no bend
    assert "bend" not in str(moltspan.fit_growth(bent_table(), formula="1").health)  # no line in it


def test_a_column_of_another_name_is_named_where_it_bends():
    health = moltspan.fit_growth(bent_table().rename(columns={"instar": "molt"}), instar="molt").health
    assert "molt**2 gains" in str(health)
