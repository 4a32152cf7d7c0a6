"""Tables as people keep them come in with nothing lost. The files are invented (`import_files.py`), each shape made as people make them."""

from datetime import date

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from import_files import FILES, make

import moltspan
from moltspan.records.import_cells import text_of
from moltspan.records.import_dates import says_nothing, told_order, when
from moltspan.records.import_headings import read_heading
from moltspan.records.import_values import box, sex, size

TODAY = date(2024, 6, 30)


def taken(name, folder):
    return moltspan.import_table(make(FILES[name], folder, name), today=TODAY, **FILES[name].options)


def holds(rows, wanted):
    return any(all(row.get(name, "") == text for name, text in wanted.items()) for row in rows)


each = pytest.mark.parametrize("name", list(FILES))


@each
def test_a_table_as_people_keep_it_comes_in(name, tmp_path):
    kept, result = FILES[name], taken(name, tmp_path)
    journal, animals = result.journal.to_dict("records"), result.animals.to_dict("records")
    assert len(animals) == kept.animals
    assert sum(row["event"] == "molt" for row in journal) == kept.molts
    assert len(result.not_placed) == kept.not_placed, result.not_placed
    for wanted in kept.journal:
        assert holds(journal, wanted), wanted
    for wanted in kept.of_animals:
        assert holds(animals, wanted), wanted


def test_there_are_twenty_shapes():
    assert len(FILES) >= 20


@each
def test_the_records_are_faultless_and_written_as_they_are(name, tmp_path):
    result = taken(name, tmp_path)
    result.write(tmp_path / "records")
    read = moltspan.read(tmp_path / "records")
    faults = [problem for problem in read.problems().to_dict("records") if problem["severity"] == "fault"]
    assert faults == []
    assert len(read.animals) == len(result.animals) and len(read.journal) == len(result.journal)
    assert (tmp_path / "records" / "not_placed.csv").exists() == bool(len(result.not_placed))


def lost(result, cells):
    """Cells whose text stands nowhere in what came out; dates, sexes and blanks may have other words there."""
    told = [str(text) for frame in (result.animals, result.journal, result.not_placed, result.understood) for text in frame.to_numpy().ravel()]
    told = "\n".join([*told, *result.titles])
    return [text for text in cells if text not in told and not says_nothing(text) and not sex(text) and
            not any(when(text, order, TODAY) for order in ("day_first", "month_first"))]


@each
def test_no_cell_is_lost(name, tmp_path):
    result = taken(name, tmp_path)
    cells = [text_of(float(cell) if isinstance(cell, int) else cell) for rows in FILES[name].sheets.values() for row in rows for cell in row if cell not in ("", None)]
    assert lost(result, cells) == []
    assert len(result.fates) == len(cells)


cells = st.one_of(st.none(), st.sampled_from(["Name", "Molt 1", "Size", "Date", "Event", "Notes", "2024-01-05", "3/4/24", "5 cm", "?", "molt", "fed", "Ada", "x", "Total"]),
                  st.floats(allow_nan=False, allow_infinity=False), st.text(max_size=8), st.dates())


@settings(max_examples=150, deadline=None)
@given(st.lists(st.lists(cells, min_size=1, max_size=6), min_size=1, max_size=8), st.booleans())
def test_no_table_breaks_it_and_none_loses_a_cell(rows, headed):
    import pandas as pd

    width = max(map(len, rows))
    body = [row + [None] * (width - len(row)) for row in rows]
    names = (["Name", "Molt 1", "Size", "Notes", "Date", "Event"] if headed else [f"c{i}" for i in range(6)])[:width]
    try:
        result = moltspan.import_table(pd.DataFrame(body, columns=names, dtype=object), today=TODAY)
    except ValueError as trouble:
        assert "no row of headings" in str(trouble)
        return
    assert set(result.fates.values()) and all(result.fates.values())
    assert {problem["severity"] for problem in result.collection.problems().to_dict("records")} <= {"doubt"}


@pytest.mark.parametrize(("text", "order", "first", "last"), [
    ("2024-03-01", None, "2024-03-01", "2024-03-01"), ("3.4.24", "day_first", "2024-04-03", "2024-04-03"), ("3/4/24", "month_first", "2024-03-04", "2024-03-04"),
    ("Mon 3rd March 2024", None, "2024-03-03", "2024-03-03"), ("Mar 3, 2024", None, "2024-03-03", "2024-03-03"), ("Feb 2024", None, "2024-02-01", "2024-02-29"),
    ("2023", None, "2023-01-01", "2023-12-31"), ("early May 2023", None, "2023-05-01", "2023-05-10"), ("late 2021", None, "2021-09-01", "2021-12-31"),
    ("ca. 10 Mar 2024", None, "2024-03-07", "2024-03-13"), ("3-5 March 2024", None, "2024-03-03", "2024-03-05"),
    ("2024-03-01 - 2024-03-08", None, "2024-03-01", "2024-03-08"), ("1.3.99", "day_first", "1999-03-01", "1999-03-01"), ("5.3.24?", "day_first", "2024-03-02", "2024-03-08")])
def test_dates(text, order, first, last):
    found = when(text, order, TODAY)
    assert (found.first.isoformat(), found.last.isoformat()) == (first, last)


@pytest.mark.parametrize("text", ["", "x", "31.02.2024", "Mar", "soon", "12", "5 cm", "next week", "2024-13-01"])
def test_what_is_no_date(text):
    assert when(text, "day_first", TODAY) is None


def test_the_order_of_dates_is_told_by_the_column_as_a_whole():
    assert told_order(["3/4/2024", "25/4/2024"]) == "day_first"
    assert told_order(["3/4/2024", "4/25/2024"]) == "month_first"
    assert told_order(["3/4/2024"]) == "" and told_order(["2024-03-04"]) is None
    assert told_order(["13/4/2024", "4/13/2024"]) == "both"


@pytest.mark.parametrize(("text", "value", "unit"), [("5cm", 5, "cm"), ("~5,5 cm", 5.5, "cm"), ('2 1/2"', 2.5, "in"), ("¾", 0.75, ""), ("2-3 cm", 2.5, "cm"), ("48MM", 48, "mm"),
                                                     ("1½ in", 1.5, "in"), ("3.4 g", 3.4, "g"), (12.0, 12, "")])
def test_sizes(text, value, unit):
    found = size(text)
    assert (found.value, found.unit) == (pytest.approx(value), unit)


@pytest.mark.parametrize("text", ["large", "", "5 legs", "-3", "cm"])
def test_what_is_no_size(text):
    assert size(text) is None


def test_sexes_and_boxes():
    assert sex("f?") == ("probable female", False) and sex("0.1") == ("female", False) and sex("0.0.1") == ("unknown", False)
    assert sex("MM") == ("male", True) and sex("♀") == ("female", False) and sex("large") is None and sex("2.1.0") is None
    assert box("20 x 20 x 30 cm") == ("20x20x30", "cm") and box("8x8in") == ("8x8", "in") and box("big jar") is None


@pytest.mark.parametrize(("text", "meaning", "number", "unit"), [("Molt 3", "molt", "3", ""), ("3rd moult (date)", "molt", "3", ""), ("L4", "molt", "4", ""), ("Size (cm)", "leg_span", "", "cm"),
                                                                 ("Legspan mm", "leg_span", "", "mm"), ("Date of last molt", "molt", "", ""), ("DOB", "hatched", "", ""),
                                                                 ("Favourite song", "", "", ""), ("", "", "", "")])
def test_headings(text, meaning, number, unit):
    assert read_heading(text) == (meaning, number, unit)


def test_from_wide_without_columns_is_the_same_understanding():
    import pandas as pd

    frame = pd.DataFrame({"Spider": ["A", "B"], "Moult 1": ["13.2.2024", "1.3.2024"], "Size (cm)": [4, 5]})
    found = moltspan.Collection.from_wide(frame, today=TODAY)
    assert list(found.animals["animal"]) == ["A", "B"]
    assert sorted(found.journal["event"]) == ["leg_span", "leg_span", "molt", "molt"]


def test_old_records_are_not_written_over(tmp_path):
    result = taken("month_first", tmp_path)
    result.write(tmp_path / "records")
    before = (tmp_path / "records" / "animals.csv").read_bytes()
    with pytest.raises(FileExistsError, match="already"):
        result.write(tmp_path / "records")
    assert (tmp_path / "records" / "animals.csv").read_bytes() == before


def test_what_is_asked_for_wrongly_is_named(tmp_path):
    path = make(FILES["month_first"], tmp_path, "m")
    with pytest.raises(ValueError, match="no such meaning"):
        moltspan.import_table(path, map={"ID": "banana"})
    with pytest.raises(ValueError, match="no heading 'Shed'"):
        moltspan.import_table(path, map={"Shed": "molt"})
    with pytest.raises(ValueError, match="no row of headings"):
        moltspan.import_table(make(FILES["asked"], tmp_path, "a"))
    with pytest.raises(FileNotFoundError, match="no such file"):
        moltspan.import_table(tmp_path / "none.csv")


def test_the_command_says_what_it_understood_and_ends_with_its_status(tmp_path):
    from moltspan.cli.app import app
    from typer.testing import CliRunner

    def run(*arguments):
        return CliRunner().invoke(app, list(arguments))

    done = run("import", str(make(FILES["title_and_total"], tmp_path, "t")), str(tmp_path / "one"))
    assert done.exit_code == 1, done.stderr
    assert "taken as" in done.stdout and "found no place" in done.stdout and "Written to" in done.stdout
    clean = run("import", str(make(FILES["long_log"], tmp_path, "l")), str(tmp_path / "two"))
    assert clean.exit_code == 0 and "Every cell found its place." in clean.stdout
    assert run("import", str(tmp_path / "l.csv"), str(tmp_path / "two")).exit_code == 2
    assert run("import", str(tmp_path / "l.csv"), str(tmp_path / "three"), "--map", "Shed").exit_code == 2
    assert run("check", str(tmp_path / "two")).exit_code == 0
