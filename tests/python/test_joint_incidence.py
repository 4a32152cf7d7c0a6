"""How stadia end, several ways at once, and the age at maturity."""

import numpy as np
import pandas
import pytest

import moltspan
from test_nonparametric import causes, drawn, reference


def test_joint_incidence_is_aalen_johansen_on_exact_ends():
    records, answers = reference("product_limit")
    for late, key in ((True, "late_incidence"), (False, "plain_incidence")):
        fit = moltspan._core.joint_incidence(*causes(records, late), 2)
        for k, name in enumerate(("molt", "death"), 1):
            found = [moltspan._core.incidence_at(fit, k, day).estimate for day in answers[key]["days"]]
            np.testing.assert_allclose(found, answers[key][name], atol=1e-5)  # a gap of 1e-9 leaves about its square root


def test_joint_incidence_of_ranges_meets_a_plain_iteration():
    # Independent: self-consistency written out with one matrix, on the same intervals.
    table, random = drawn(11, n=60), np.random.default_rng(2)
    cause = np.where(table.max_days.isna(), 0, random.integers(1, 3, len(table)))
    times = moltspan._core.BoundedTimes(table.min_days.tolist(), table.max_days.tolist())
    fit = moltspan._core.joint_incidence(times, cause.tolist(), 2)
    cells = [(k + 1, a, b) for k in range(2) for a, b in zip(fit.left[k], fit.right[k], strict=True)] + [(0, table.max_days.max() * 9, np.inf)]

    def holds(row, c, cell):
        k, a, b = cell
        low, high = row.min_days, np.inf if c == 0 else row.max_days
        exact = low == high
        within = (a == b == low) if exact else (low <= a and b <= high and not (a == b == low))
        return within and (c == 0 or c == k)

    inside = np.array([[holds(row, c, cell) for cell in cells] for row, c in zip(table.itertuples(), cause, strict=True)], float)
    mass = np.full(len(cells), 1 / len(cells))
    for _ in range(30_000):
        mass = mass * (inside.T @ (1 / (inside @ mass))) / len(inside)
    assert fit.log_likelihood == pytest.approx(np.log(inside @ mass).sum(), abs=1e-6)
    assert fit.log_likelihood >= np.log(inside @ mass).sum() - 1e-7


def test_maturity_by_hand():
    animals = pandas.DataFrame([("A", "male", "2025-01-01", ""), ("B", "male", "2025-01-01", ""), ("C", "female", "2025-01-01", ""),
                                ("D", "male", "2025-01-01", "2025-02-20"), ("E", "male", "2025-01-01", "2025-06-01")],
                               columns=["animal", "sex", "hatched", "acquired"])
    journal = pandas.DataFrame([("A", "2025-04-11", "", "matured", ""), ("B", "2025-04-01", "2025-04-03", "molt", "7"), ("B", "2025-04-01", "2025-04-03", "matured", ""),
                                ("C", "2025-03-01", "", "molt", "5"), ("D", "2025-05-01", "", "matured", ""), ("E", "2025-05-20", "", "matured", ""),
                                ("C", "2025-07-01", "", "checked", "")], columns=["animal", "date", "until", "event", "value"])
    found = moltspan.maturity(moltspan.Collection(animals, journal), resamples=20)
    rows = found.records.set_index("animal")
    assert list(rows.loc["A", ["min_days", "max_days", "entry_days"]]) == [100, 100, 0]
    assert list(rows.loc["B", ["min_days", "max_days"]]) == [89, 93]  # hatched some time in a day, matured on one of three
    assert rows.loc["C", "min_days"] == 181 and np.isnan(rows.loc["C", "max_days"])
    assert list(rows.loc["D", ["min_days", "max_days", "entry_days"]]) == [120, 120, 50]
    assert "E" not in rows.index and found.mature_at_entry == 1
    assert (rows.loc["B", "min_instar"], rows.loc["C", "min_instar"]) == (7, 5)
    frame = found.frame
    assert frame.query("measure == 'days' and sex == 'male'")["median"].item() == 100
    assert "1 mature when acquired" in found.summary() and "<table>" in found._repr_html_()


def test_maturity_without_any_age_or_instar_says_so():
    animals = pandas.DataFrame({"animal": ["A"], "sex": ["male"]})
    journal = pandas.DataFrame({"animal": ["A"], "date": ["2025-04-11"], "event": ["molt"]})
    found = moltspan.maturity(moltspan.Collection(animals, journal), resamples=5)
    assert found.health.state == "bad" and "neither age nor instar can be told" in found.summary()
