"""The table of stadia as Python sees it; the derivation itself is tested by hand in tests/cpp/stadia_test.cpp."""

from datetime import date

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import moltspan

COLUMNS = ["animal", "taxon", "cohort", "sex", "start_earliest", "start_latest", "end_earliest", "end_latest", "min_days", "max_days",
           "start_range_days", "entry_days", "status", "start_size_mm", "start_instar", "molts_spanned", "no_length_yet", "temperature_c"]


def collection(journal, **animal):
    row = {"animal": "A1", "taxon": "Brachypelma hamorii", "sex": "probable male", "cohort": "sac-1"} | animal
    table = pd.DataFrame(journal, columns=["date", "until", "event", "value", "unit", "on"]).assign(animal="A1")
    return moltspan.Collection(pd.DataFrame([row]), table)


def row(day, event, value=None, unit=None, on=None, until=None):
    return [day, until, event, value, unit, on]


YEAR = [
    row("2026-01-01", "molt", 4), row("2026-01-01", "leg_span", 2, "cm"), row("2026-01-21", "temperature", 25, "C"),
    row("2026-02-10", "molt", until="2026-02-16"), row("2026-02-20", "checked"),
]


def test_columns_stand_in_their_order_and_unknown_ones_follow():
    stadia = collection(YEAR, shelf="top", status="mine").stadia()
    assert list(stadia.columns) == [*COLUMNS, "shelf", "animal_status"]
    assert stadia["shelf"].tolist() == ["top", "top"]
    assert stadia["animal_status"].tolist() == ["mine", "mine"]


def test_values_of_a_row():
    first, last = collection(YEAR).stadia().itertuples(index=False)
    assert (first.animal, first.taxon, first.cohort, first.sex) == ("A1", "Brachypelma hamorii", "sac-1", "probable male")
    assert (first.min_days, first.max_days, first.start_range_days) == (39, 47, 1)  # 10 Feb less 2 Jan; 17 Feb less 1 Jan
    assert (first.start_size_mm, first.start_instar, first.temperature_c, first.status) == (20, 4, 25, "closed")
    assert (last.min_days, last.start_range_days, last.status) == (4, 7, "running")  # 16 to 20 February
    assert np.isnan(last.max_days) and np.isnan(last.start_instar) and pd.isna(last.end_latest)


def test_dates_are_dates():
    stadia = collection(YEAR).stadia()
    assert all(np.issubdtype(stadia[name].dtype, np.datetime64) for name in COLUMNS[4:8])
    assert stadia["end_latest"].iloc[0] == pd.Timestamp("2026-02-16")


@pytest.mark.parametrize("day", ["2026-02-12", date(2026, 2, 12), np.datetime64("2026-02-12"), pd.Timestamp("2026-02-12")])
def test_as_of_takes_days_of_all_kinds(day):
    stadia = collection(YEAR).stadia(as_of=day)
    assert stadia["status"].tolist() == ["running"]  # the range of the second molt is not over
    assert stadia["min_days"].tolist() == [42]


def test_watched_by_rows():
    book = collection([*YEAR, row("2026-06-01", "fed")])
    assert book.stadia()["min_days"].iloc[-1] == 105  # 16 February to 1 June: 12 + 31 + 30 + 31 + 1
    assert book.stadia(watched="rows")["min_days"].iloc[-1] == 4


def test_wrong_arguments_are_named():
    with pytest.raises(ValueError, match="watched='sometimes'"):
        collection(YEAR).stadia(watched="sometimes")
    with pytest.raises((ValueError, TypeError)):
        collection(YEAR).stadia(as_of="tomorrow")
    with pytest.raises(TypeError, match="give a day"):
        collection(YEAR).stadia(as_of=20260101)


def test_carried_columns_of_a_folder_are_numbers_where_all_are(tmp_path):
    (tmp_path / "animals.csv").write_text("animal,shelf,light\nA1,3,1.5\nA2,top,\n")
    (tmp_path / "journal.csv").write_text("animal,date,event\nA1,2026-01-01,molt\nA2,2026-01-02,molt\n")
    stadia = moltspan.read(tmp_path).stadia()
    assert stadia["shelf"].tolist() == ["3", "top"]
    assert stadia["light"].iloc[0] == 1.5 and np.isnan(stadia["light"].iloc[1])


EVENTS = st.sampled_from(["molt", "skin_found", "on_back", "checked", "ate", "fed", "limb_lost", "egg_sac", "darkened"])
ROWS = st.lists(st.tuples(st.integers(0, 400), st.integers(0, 9), EVENTS), min_size=1, max_size=25)


def journal_of(rows):
    start = np.datetime64("2026-01-01")
    return [row(str(start + day), event, until=str(start + day + width)) for day, width, event in rows]


@settings(max_examples=60, deadline=None)
@given(rows=ROWS, cut=st.integers(0, 420))
def test_rows_after_as_of_change_nothing(rows, cut):
    day = np.datetime64("2026-01-01") + cut
    kept = [r for r in rows if r[0] + r[1] <= cut]
    whole = collection(journal_of(rows), acquired="2026-01-01").stadia(as_of=day)
    shorter = collection(journal_of(kept), acquired="2026-01-01").stadia(as_of=day)
    pd.testing.assert_frame_equal(whole, shorter)


@settings(max_examples=60, deadline=None)
@given(rows=ROWS, data=st.data())
def test_order_of_rows_does_not_matter(rows, data):
    shuffled = data.draw(st.permutations(rows))
    pd.testing.assert_frame_equal(collection(journal_of(rows)).stadia(), collection(journal_of(shuffled)).stadia())


# ---- rows that are no stadium of known length

SPANS = [("A", "2025-01-01", 3), ("A", "2025-03-02", 5), ("A", "2025-04-01", 6),  # 3 to 5: two molts in a row
         ("B", "2025-01-01", 2), ("B", "2025-02-01", None), ("B", "2025-04-02", 5), ("B", "2025-05-02", 6),  # 2 to 5 over two rows: three molts
         ("C", "2025-01-01", None), ("C", "2025-01-31", 4), ("C", "2025-03-02", 4), ("C", "2025-04-01", None), ("C", "2025-05-01", 6),
         ("D", "2025-04-22", None), ("D", "2025-05-22", None)]  # D's last molt is on the last day of the records


def spans():
    journal = pd.DataFrame([(animal, day, "molt", value) for animal, day, value in SPANS], columns=["animal", "date", "event", "value"])
    return moltspan.Collection(pd.DataFrame({"animal": list("ABCD"), "taxon": "Brachypelma hamorii"}), journal)


def test_molts_of_a_row_are_those_of_the_stated_instar_numbers():
    stadia = spans().stadia()
    found = {animal: rows["molts_spanned"].tolist() for animal, rows in stadia.groupby("animal")}
    assert found["A"] == [2, 1, 1]
    # Which of B's first two rows holds the molt that is missing is not told.
    assert np.isnan(found["B"][:2]).all() and found["B"][2:] == [1, 1]
    # A number that does not rise, or is not stated, says nothing; 4 to 6 in two rows is one each.
    assert found["C"] == [1, 1, 1, 1, 1]
    assert stadia[stadia["no_length_yet"]]["animal"].tolist() == ["D"]
    assert stadia[stadia["no_length_yet"]][["min_days", "max_days"]].fillna(-1).to_numpy().tolist() == [[0, -1]]


def test_fits_take_the_table_as_it_is_and_say_what_they_left_out():
    stadia = spans().stadia()
    fit = moltspan.fit_stadia(stadia)
    whole = stadia[(stadia["molts_spanned"] == 1) & ~stadia["no_length_yet"]]
    by_hand = moltspan.fit_stadia(whole.drop(columns=["molts_spanned", "no_length_yet"]))
    assert (fit.n_records, fit.coefficients, fit.sigma) == (len(whole), by_hand.coefficients, by_hand.sigma)
    assert "3 rows were left out: by the stated instar numbers more than one molt" in fit.summary()
    assert "1 row was left out: begun on the last day watched" in fit.summary()
    # Forecasts and faults name rows of the whole table.
    assert fit.forecast()["row"].tolist() == [stadia.index[i] for i in range(len(stadia)) if np.isnan(stadia["max_days"][i]) and not stadia["no_length_yet"][i]]
    bad = stadia.assign(x=np.where(stadia.index == 5, np.nan, 1.0))
    with pytest.raises(ValueError, match="^row 5, x is not a number"):
        moltspan.fit_stadia(bad, "x - 1")


def test_rows_without_a_length_that_nothing_marks_are_a_fault_as_before():
    stadia = spans().stadia().drop(columns="no_length_yet")
    with pytest.raises(ValueError, match="min_days is 0 and max_days blank"):
        moltspan.fit_stadia(stadia)


def test_medians_comparisons_and_tables_leave_rows_of_several_molts_out_and_count_them():
    stadia = spans().stadia()
    medians = moltspan.stadium_medians(stadia, "animal", resamples=5).set_index("animal")
    assert medians.loc["A", ["n", "ended", "median_days"]].tolist() == [2, 1, 40.5]  # half end at 30 days, the rest not by 51; the 60 of two are out
    assert "1 row was left out" in medians.loc["A", "note"] and "2 rows were left out" in medians.loc["B", "note"]
    assert moltspan.stadium_npmle(stadia).n_records == len(stadia) - 3
    assert "3 rows were left out" in str(moltspan.stadium_npmle(stadia).health)
    assert "3 rows were left out" in str(moltspan.compare_stadia(stadia, stadia["animal"].isin(["A", "B"]).to_numpy(), resamples=5).health)
    ends = moltspan.molt_incidence(stadia, None)
    assert ends.frame["n"].tolist() == [len(stadia) - 3] and "3 rows were left out" in ends.summary()
    table = moltspan.instar_table(spans(), "taxon", resamples=5)
    assert sum(row["stadia_n"] for row in table.rows()) == len(stadia) - 3 and "3 rows were left out" in table.summary()


def test_effects_leave_rows_of_several_molts_out_and_count_them():
    rows = [(f"{kind}{k}", kind, day, value) for kind in "ab" for k in range(8) for day, value in
            ((f"2025-01-0{1 + k % 7}", 2), (f"2025-02-{10 + k + 4 * (kind == 'b')}", 3), (f"2025-04-{10 + k}", 4 + (k == 0)))]
    journal = pd.DataFrame([(animal, day, "molt", value) for animal, _, day, value in rows], columns=["animal", "date", "event", "value"])
    animals = pd.DataFrame({"animal": [f"{kind}{k}" for kind in "ab" for k in range(8)], "kept": [kind for kind in "ab" for _ in range(8)]})
    effect = moltspan.stadium_effects(moltspan.Collection(animals, journal), "kept")
    assert "2 rows were left out: by the stated instar numbers" in effect.summary()
    assert effect.fit.n_records == 16 * 3 - 2 - 2  # two animals' rows of 3 to 5, and two that molted last on the last day (10 + 7 April)
