"""Formulas of covariates: what columns they make, and what they refuse."""

import numpy as np
import pandas
import pytest

import moltspan
from moltspan._frames.formula import Design

COLUMNS = {"x": [1.0, 2.0, 4.0], "day": [1, 2, 3], "sex": ["male", "female", "male"], "setup": ["b", "c", "a"], "wet": [True, False, True]}


def matrix(formula, columns=COLUMNS):
    names, values = Design(formula, columns).matrix(columns, 3)
    return names, values.tolist()


def columns_of(formula):
    names, values = Design(formula, COLUMNS).matrix(COLUMNS, 3)
    return dict(zip(names, values.T.tolist(), strict=True))


def test_an_intercept_stands_unless_taken_away():
    assert matrix("1") == (["Intercept"], [[1], [1], [1]])
    assert list(columns_of("x")) == ["Intercept", "x"]
    for formula in ("x - 1", "0 + x", "x + 0", "-1 + x"):
        assert list(columns_of(formula)) == ["x"], formula


def test_spaces_and_an_empty_left_side_are_of_no_account():
    assert matrix("~ 1+x") == matrix("1 + x") == matrix("  x ")


def test_a_left_side_is_taken_where_it_names_what_is_fitted():
    design = Design("log( size ) ~ 1 + x", COLUMNS, "log(size)")
    assert design.matrix(COLUMNS, 3)[0] == ["Intercept", "x"]
    for formula in ("size ~ x", "log(other) ~ x", "a ~ b ~ x"):
        with pytest.raises(ValueError, match=r"what is fitted is log\(size\), not .*; give size=..."):
            Design(formula, COLUMNS, "log(size)", "give size=...")
    with pytest.raises(ValueError, match="'days' on the left is not taken here; write 'x'"):
        Design("days ~ x", COLUMNS)


def test_fits_refuse_to_drop_a_left_side():
    table = pandas.DataFrame({"leg_span_mm": [10.0, 13, 17, 11, 14, 19], "carapace_mm": [2.0, 3, 4, 2, 3, 5], "instar": [1, 2, 3] * 2,
                              "animal": list("aaabbb"), "min_days": 30.0, "max_days": [31.0, 35, 40, 33, 36, 47]})
    with pytest.raises(ValueError, match=r"fitted is log\(leg_span_mm\), not log\(carapace_mm\); name the column of sizes as size="):
        moltspan.fit_growth(table, formula="log(carapace_mm) ~ instar", random="1", method="ml")
    named = moltspan.fit_growth(table, formula="log(leg_span_mm) ~ instar", random="1", method="ml")
    assert named.coefficients == moltspan.fit_growth(table, formula="instar", random="1", method="ml").coefficients
    with pytest.raises(ValueError, match=r"fitted is log\(T\), not carapace_mm; T is the length"):
        moltspan.fit_stadia(table, "carapace_mm ~ instar")
    assert moltspan.fit_stadia(table, "log(T) ~ instar").coefficients == moltspan.fit_stadia(table, "instar").coefficients


@pytest.mark.parametrize(("formula", "missing", "instead"), [
    ("sex + sex:setup", "setup", "sex*setup"), ("sex + sex:x", "x", "sex*x"), ("sex:setup", "setup", "sex*setup"), ("x:sex", "x", "x*sex"),
    ("sex + setup + x + sex:setup:x", "setup:x", "sex*setup*x")])
def test_products_that_the_usual_formula_language_reads_otherwise_are_refused(formula, missing, instead):
    """R's model.matrix (Chambers & Hastie 1992, section 2.4.1; from memory) codes `b` in full in `a + a:b`: another model than from the base on."""
    with pytest.raises(ValueError) as trouble:
        matrix(formula)
    assert f"without {missing}," in str(trouble.value)
    assert f"write {instead} " in str(trouble.value)


def test_products_that_are_the_same_either_way_stand():
    # A slope of its own from the base on: R gives (Intercept), x, x:sexmale as well.
    assert list(columns_of("x + x:sex")) == ["Intercept", "x", "x:sex[male]"]
    assert list(columns_of("x:day")) == ["Intercept", "x:day"]
    assert list(columns_of("sex*setup + setup:sex")) == list(columns_of("sex*setup"))


def test_nothing_is_centred_or_scaled():
    assert columns_of("x")["x"] == [1, 2, 4]


def test_functions_and_powers():
    found = columns_of("log(x) + sqrt(x) + exp(x) + day**2 + log(x)**2")
    assert found["log(x)"] == pytest.approx(np.log([1, 2, 4]))
    assert found["sqrt(x)"] == pytest.approx(np.sqrt([1, 2, 4]))
    assert found["exp(x)"] == pytest.approx(np.exp([1, 2, 4]))
    assert found["day**2"] == [1, 4, 9]
    assert found["log(x)**2"] == pytest.approx(np.log([1, 2, 4]) ** 2)


def test_words_and_truth_values_are_factors_with_the_first_level_as_base():
    assert columns_of("sex") == {"Intercept": [1, 1, 1], "sex[male]": [1, 0, 1]}
    assert list(columns_of("setup")) == ["Intercept", "setup[b]", "setup[c]"]
    assert columns_of("wet")["wet[True]"] == [1, 0, 1]


def test_without_an_intercept_the_first_factor_alone_keeps_its_base():
    assert list(columns_of("sex + setup - 1")) == ["sex[female]", "sex[male]", "setup[b]", "setup[c]"]
    assert list(columns_of("x + sex - 1")) == ["x", "sex[female]", "sex[male]"]


def test_products():
    assert columns_of("x:day")["x:day"] == [1, 4, 12]
    assert list(columns_of("x*sex")) == ["Intercept", "x", "sex[male]", "x:sex[male]"]
    assert columns_of("x*sex")["x:sex[male]"] == [1, 0, 4]
    assert list(columns_of("sex*setup"))[-2:] == ["sex[male]:setup[b]", "sex[male]:setup[c]"]


def test_a_term_written_twice_counts_once():
    assert list(columns_of("x + x + x*day")) == ["Intercept", "x", "day", "x:day"]


def test_predictions_code_factors_as_the_fit_did():
    design = Design("sex", COLUMNS)
    names, values = design.matrix({"sex": ["male", "male"]}, 2)  # one level alone must not become the base
    assert names == ["Intercept", "sex[male]"]
    assert values.tolist() == [[1, 1], [1, 1]]
    with pytest.raises(ValueError, match="row 1, sex = 'unknown'.*female, male"):
        design.matrix({"sex": ["male", "unknown"]}, 2)
    with pytest.raises(ValueError, match="no column 'sex'"):
        design.matrix({"x": [1.0]}, 1)


@pytest.mark.parametrize(("formula", "words"), [
    ("z", "no column 'z'.*x, day, sex"), ("log(z)", "no column 'z'"), ("cos(x)", "no function 'cos'"), ("log(sex)", "holds words"),
    ("x - day", "taken away"), ("0", "no term"), ("x ^ 2", "cannot read"), ("x**y", "cannot read|no column"), ("log(day - 2)", "cannot read"),
    ("log(-x)", "cannot read")])
def test_what_cannot_be_read_is_named(formula, words):
    with pytest.raises(ValueError, match=words):
        matrix(formula)


@pytest.mark.parametrize("formula", ["x +", "+", "", "x + + day", "(x", "x)", "x day"])
def test_half_written_formulas_are_refused_or_plain(formula):
    """Either an error or all that was written: no part may go in silence."""
    try:
        names, _ = matrix(formula)
    except ValueError as error:
        assert "formula" in str(error)
    else:
        assert all(word in names for word in formula.replace("+", " ").split())


@pytest.mark.parametrize("cell", [None, float("nan"), "", "two"])
def test_a_blank_or_unreadable_cell_is_named(cell):
    with pytest.raises(ValueError, match="row 1, x"):
        matrix("x", COLUMNS | {"x": [1.0, cell, 3.0]})


def test_numbers_out_of_the_domain_are_named():
    with pytest.raises(ValueError, match=r"row 2, log\(x\) is not a number.*-4"):
        matrix("log(x)", COLUMNS | {"x": [1.0, 2.0, -4.0]})


def test_a_missing_word_is_named():
    with pytest.raises(ValueError, match="row 0, sex is blank"):
        matrix("sex", COLUMNS | {"sex": [None, "male", "female"]})
