"""More tables as people keep them (invented records): what stands in them in another way than in `import_files.py`, and a law: records pass their check."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from import_files import Kept, make
from test_import import TODAY, holds

import moltspan

FILES = {
    "dates_and_sizes_under_each_molt": Kept(
        {"": [["Name", "Species", "Molt 1", "", "Molt 2", ""], ["", "", "Date", "Size", "Date", "Size"],
              ["Fig", "Nhandu chromatus", "13/2/22", "1.5cm", "1/8/22", "2cm"], ["Oak", "Nhandu chromatus", "", "", "14/9/22", "2.5cm"]]}, animals=2, molts=3,
        journal=({"animal": "Fig", "event": "leg_span", "value": "2", "date": "2022-08-01"}, {"animal": "Oak", "event": "molt", "date": "2022-09-14"})),
    "a_number_beside_the_name": Kept(
        {"": [["Nr", "Name", "Art", "Letzte Häutung"], ["1", "Ada", "Nhandu chromatus", "13.03.24"], ["2", "Bea", "Nhandu chromatus", "Anfang Mai 2024"]]},
        delimiter=";", animals=2, molts=2, of_animals=({"animal": "Bea", "Nr": "2"},),
        journal=({"animal": "Bea", "event": "molt", "date": "2024-05-01", "until": "2024-05-10"},)),
    "a_log_without_headings": Kept(
        {"": [["A1", "2024-03-01", "molted"], ["A1", "2024-03-12", "ate"], ["B2", "2024-03-05", "molted 4cm"]]}, animals=2, molts=2,
        journal=({"animal": "B2", "event": "leg_span", "value": "4", "unit": "cm"}, {"animal": "A1", "event": "ate", "date": "2024-03-12"})),
    "what_was_eaten": Kept(
        {"": [["Name", "Date", "Fed"], ["A1", "2024-02-05", "cricket"], ["A1", "2024-02-25", "refused"], ["B7", "2024-02-26", "2 roaches"]]}, animals=2,
        journal=({"animal": "A1", "event": "fed", "note": "cricket"}, {"animal": "A1", "event": "refused"}, {"animal": "B7", "note": "2 roaches"})),
    "more_than_a_day_in_a_cell": Kept(
        {"": [["ID", "Species", "Acquired", "L2", "L3"], ["M1", "Hierodula", "June '23", "10.2.24 (12 mm)", "22.2.24"], ["M2", "Hierodula", "", "11.2.24", "died 1.3.24"]]},
        animals=2, molts=3, of_animals=({"animal": "M1", "acquired": "2023-06-30"},),
        journal=({"animal": "M1", "event": "leg_span", "value": "12", "unit": "mm", "date": "2024-02-10"}, {"animal": "M2", "event": "died", "date": "2024-03-01"})),
    "a_mature_male": Kept(
        {"": [["Name", "Kind", "Sex", "Last molt"], ["Rex", "Nhandu chromatus", "MM", "2023-12-25"], ["Max", "Nhandu chromatus", "MM", ""]]}, animals=2, molts=1,
        of_animals=({"animal": "Rex", "sex": "male", "matured": "2023-12-25"}, {"animal": "Max", "matured": "2024-06-30"})),
    "one_animal_a_file": Kept(
        {"": [["Date", "Entry"], ["2024-03-01", "molted, 45 mm"], ["2024-03-09", "ate"]]}, animals=1, molts=1,
        of_animals=({"animal": "one_animal_a_file"},), journal=({"event": "leg_span", "value": "45"},)),
    "list_and_a_sheet_an_animal": Kept(
        {"Overview": [["#", "Name", "Kind", "Sex"], [1, "Uno", "Grammostola pulchra", "F"], [2, "Due", "Grammostola pulchra", "M?"]],
         "Uno": [["Molt date", "Size"], ["13.4.23", "4cm"]], "Due": [["molts"], ["3.4.23"], ["9.1.24"]]}, ending=".xlsx", animals=2, molts=3,
        of_animals=({"animal": "Due", "taxon": "Grammostola pulchra", "sex": "probable male"},)),
    "columns_of_two_orders": Kept(
        {"": [["Name", "Acquired", "Molt 1", "Molt 2"], ["A", "13/4/2022", "3/4/2023", "4/5/2023"], ["B", "1/2/2022", "4/25/2023", "6/7/2023"]]}, animals=2, molts=4,
        of_animals=({"animal": "B", "acquired": "2022-02-01"},), journal=({"animal": "A", "date": "2023-03-04"}, {"animal": "B", "date": "2023-06-07"})),
    "notes_with_days": Kept(
        {"": [["Name", "Molt 1", "Notes"], ["Q1", "13.1.24", "calm; refused 2 crickets 10.2.24; molted on 13.1.24"], ["Q2", "2024-02-01", "a gift, 3 May 2023"]]},
        animals=2, molts=2, of_animals=({"animal": "Q1", "note": "calm; refused 2 crickets 10.2.24; molted on 13.1.24"},),
        journal=({"animal": "Q1", "event": "refused", "date": "2024-02-10", "note": "2 crickets"},)),
    "a_molt_after_its_death": Kept(
        {"": [["Name", "Died", "Molt 1", "Molt 2"], ["Z1", "2023-05-01", "2022-04-01", "2024-01-01"]]}, animals=1, molts=1, not_placed=1,
        journal=({"event": "molt", "date": "2022-04-01"},)),
}
each = pytest.mark.parametrize("name", list(FILES))


def faults(collection):
    return [problem for problem in collection.problems().to_dict("records") if problem["severity"] == "fault"]


@each
def test_it_comes_in_whole_and_passes_its_check(name, tmp_path):
    kept = FILES[name]
    result = moltspan.import_table(make(kept, tmp_path, name), today=TODAY)
    journal, animals = result.journal.to_dict("records"), result.animals.to_dict("records")
    assert (len(animals), sum(row["event"] == "molt" for row in journal), len(result.not_placed)) == (kept.animals, kept.molts, kept.not_placed), result
    for wanted in kept.journal:
        assert holds(journal, wanted), wanted
    for wanted in kept.of_animals:
        assert holds(animals, wanted), wanted
    cells = [cell for rows in kept.sheets.values() for row in rows for cell in row if cell not in ("", None)]
    assert len(result.fates) == len(cells)
    assert faults(result.collection) == []


def test_what_was_understood_and_assumed_is_kept_beside_the_records(tmp_path):
    table = Kept({"": [["My animals, shelf 3"], [], ["Name", "Last molt", "Size"], ["Ada", "3/4/2024", "5"], ["Bo", "soon", ""]]})
    paths = moltspan.import_table(make(table, tmp_path, "t"), tmp_path / "records", today=TODAY) and sorted((tmp_path / "records").iterdir())
    assert [path.name for path in paths] == ["animals.csv", "journal.csv", "not_placed.csv", "understood.txt"]
    said = paths[-1].read_text(encoding="utf-8")
    assert "My animals, shelf 3" in said and "Last molt" in said and "day first" in said and "B5 soon" in said


days = st.dates(min_value=TODAY.replace(year=1990), max_value=TODAY.replace(year=2030)).map(str)
rows_of_animals = st.tuples(st.sampled_from(["A", "B", "A\nB", "all", '"', "1", ""]), st.sampled_from(["f", "MM", "0.1.0", "?", "blue"]), days | st.just("2023"), days, days | st.just("died 1.1.20"),
                            st.sampled_from(["5", "5 cm", "9999999 cm", "0", "2-3", "tiny"]), days | st.just(""), st.sampled_from(["25", "-400", "900 C", "warm"]))


@settings(max_examples=100, deadline=None)
@given(st.lists(rows_of_animals, min_size=1, max_size=5))
def test_what_cannot_be_true_is_listed_and_the_rest_passes_its_check(rows):
    import pandas as pd

    names = ["Name", "Sex", "Hatched", "Molt 1", "Molt 2", "Size 2", "Died", "Temp"]
    result = moltspan.import_table(pd.DataFrame(rows, columns=names, dtype=object), today=TODAY)
    assert faults(result.collection) == []
    assert all(result.fates.values()) and len(result.fates) == len(names) + sum(bool(str(cell).strip()) for row in rows for cell in row)
