"""Collections from folders, frames, workbooks and wide sheets; what is wrong with them; `moltspan check`."""

import json
import subprocess
import sys
import zipfile
from datetime import date

import openpyxl
import pandas as pd
import polars as pl
import pyarrow as pa
import pytest

import moltspan

ANIMALS = {"animal": ["A1", "A2"], "taxon": ["Brachypelma hamorii"] * 2, "sex": ["female", None], "shelf": [3, None]}
JOURNAL = {
    "animal": ["A1", "A1", "A2", "A1"],
    "date": ["2026-01-01", "2026-02-10", "2026-01-05", "2026-02-10"],
    "until": [None, None, "2026-01-08", None],
    "event": ["molt", "molt", "molt", "leg_span"],
    "value": [None, None, None, 32],
    "unit": [None, None, None, "mm"],
}
PROBLEM_COLUMNS = ["severity", "file", "row", "animal", "column", "value", "rule", "next_step"]


def frame_of(kind, columns):
    return {"pandas": pd.DataFrame, "polars": pl.DataFrame, "pyarrow": pa.table}[kind](columns)


def write_folder(folder, journal, animals="animal,taxon\nA1,Brachypelma hamorii\nA2,Brachypelma hamorii\n"):
    (folder / "animals.csv").write_text(animals, encoding="utf-8")
    (folder / "journal.csv").write_text("animal,date,until,event,value,unit,on\n" + journal, encoding="utf-8")
    return folder


FAULTY = "A1,2026-01-01,,molt,,,\nA1,2026-02-31,,molt,,,\nA2,2026-01-05,,molt,,,\nA2,2026-01-09,,ate,,,\n"


def test_import_is_light():
    code = "import sys, moltspan; print(sorted({'pandas', 'matplotlib', 'narwhals', 'typer', 'rich'} & set(sys.modules)))"
    result = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert result.stdout.strip() == "[]"


def test_an_unknown_name_is_an_attribute_error():
    with pytest.raises(AttributeError, match="no_such_thing"):
        moltspan.no_such_thing


@pytest.mark.parametrize("kind", ["pandas", "polars", "pyarrow"])
def test_frames_out_are_the_kind_that_came_in(kind):
    collection = moltspan.Collection(frame_of(kind, ANIMALS), frame_of(kind, JOURNAL))
    for frame in (collection.stadia(), collection.problems(), collection.animals, collection.journal):
        assert type(frame).__module__.partition(".")[0] == kind
    assert collection.as_of == date(2026, 2, 10)


def test_frames_of_all_kinds_say_the_same():
    tables = [moltspan.Collection(frame_of(kind, ANIMALS), frame_of(kind, JOURNAL)).stadia()
              for kind in ("pandas", "polars", "pyarrow")]
    as_pandas = [tables[0], pd.DataFrame(tables[1].to_dict(as_series=False)), tables[2].to_pandas()]
    texts = [frame.to_csv(index=False, date_format="%Y-%m-%d", float_format="%g") for frame in as_pandas]
    assert texts[0] == texts[1] == texts[2]


def test_dates_and_numbers_of_frames_are_read_as_such():
    journal = pd.DataFrame(JOURNAL).assign(date=pd.to_datetime(JOURNAL["date"]), until=pd.to_datetime(JOURNAL["until"]))
    typed = moltspan.Collection(pd.DataFrame(ANIMALS), journal)
    text = moltspan.Collection(pd.DataFrame(ANIMALS), pd.DataFrame(JOURNAL))
    assert typed.problems().empty
    pd.testing.assert_frame_equal(typed.stadia(), text.stadia())


def test_numbers_as_names_of_animals():
    animals = pd.DataFrame({"animal": [7.0], "taxon": ["Damon diadema"]})
    journal = pd.DataFrame({"animal": [7], "date": ["2026-01-01"], "event": ["molt"]})
    assert list(moltspan.Collection(animals, journal).stadia()["animal"]) == ["7"]


def test_what_is_no_frame_is_said():
    with pytest.raises(TypeError, match="pandas, polars or pyarrow"):
        moltspan.Collection([1, 2], pd.DataFrame(JOURNAL))


def test_rules_stand_for_folder_toml():
    journal = pd.DataFrame({"Tier": ["A1"], "date": ["03/04/2026"], "event": ["mue"], "Spanne": ["5"]})
    rules = {"date_order": "day_first", "columns": {"Tier": "animal"}, "events": {"mue": "molt"}}
    stadia = moltspan.Collection(pd.DataFrame(ANIMALS), journal, rules=rules).stadia()
    assert stadia["start_earliest"].dt.strftime("%Y-%m-%d").tolist() == ["2026-04-03"]
    with pytest.raises(ValueError, match="rules"):
        moltspan.Collection(pd.DataFrame(ANIMALS), journal, rules={"date_order": "year_first"})


def test_a_folder_with_a_fault_answers_the_others(tmp_path):
    collection = moltspan.read(write_folder(tmp_path, FAULTY))
    problems = collection.problems()
    assert list(problems.columns) == PROBLEM_COLUMNS
    fault = problems.iloc[0]
    assert (fault.severity, fault.file, fault.row, fault.animal, fault.column, fault.value) == (
        "fault", "journal.csv", 3, "A1", "date", "2026-02-31")
    assert fault.rule and fault.next_step
    assert set(collection.stadia()["animal"]) == {"A2"}


def test_strict_raises_with_all_faults(tmp_path):
    folder = write_folder(tmp_path, FAULTY + "A2,soon,,molt,,,\n")
    with pytest.raises(moltspan.RecordFault, match="2026-02-31") as caught:
        moltspan.read(folder, strict=True)
    assert [fault["row"] for fault in caught.value.problems] == [3, 6]
    assert "soon" in str(caught.value)


def test_a_fault_of_a_frame_counts_rows_from_one():
    journal = pd.DataFrame(JOURNAL | {"date": ["2026-01-01", "x", "2026-01-05", "2026-02-10"]})
    fault = moltspan.Collection(pd.DataFrame(ANIMALS), journal).problems().iloc[0]
    assert (fault.file, fault.row, fault.value) == ("journal", 2, "x")


def test_doubts_of_placing_molts_are_among_the_problems(tmp_path):
    folder = write_folder(tmp_path, "A1,2026-01-10,,skin_found,,,\nA2,2026-01-05,,molt,,,\n")
    problems = moltspan.read(folder).problems()
    assert problems["severity"].tolist() == ["doubt"]
    assert (problems["row"].tolist(), problems["animal"].tolist()) == ([2], ["A1"])


def test_only_a_given_today_makes_the_future_a_doubt(tmp_path):
    folder = write_folder(tmp_path, "A1,2199-01-10,,molt,,,\n")
    assert moltspan.read(folder).problems().empty
    assert moltspan.read(folder, today=date(2026, 1, 1)).problems()["severity"].tolist() == ["doubt"]


def test_missing_folder_and_table_are_named(tmp_path):
    with pytest.raises(FileNotFoundError, match="nowhere"):
        moltspan.read(tmp_path / "nowhere")
    with pytest.raises(RuntimeError, match="animals.csv"):
        moltspan.read(tmp_path)


ODS_CELLS = {str: '<table:table-cell office:value-type="string"><text:p>{0}</text:p></table:table-cell>',
             float: '<table:table-cell office:value-type="float" office:value="{0}"><text:p>{0}</text:p></table:table-cell>',
             date: '<table:table-cell office:value-type="date" office:date-value="{0}"><text:p>{0}</text:p></table:table-cell>',
             type(None): "<table:table-cell/>"}
ODS = """<?xml version="1.0" encoding="UTF-8"?><office:document-content xmlns:office="urn:oasis:names:tc:opendocument:xmlns:office:1.0"
xmlns:table="urn:oasis:names:tc:opendocument:xmlns:table:1.0" xmlns:text="urn:oasis:names:tc:opendocument:xmlns:text:1.0"
office:version="1.2"><office:body><office:spreadsheet>{}</office:spreadsheet></office:body></office:document-content>"""

MANIFEST = """<?xml version="1.0" encoding="UTF-8"?><manifest:manifest xmlns:manifest="urn:oasis:names:tc:opendocument:xmlns:manifest:1.0"/>"""


def write_ods(path, sheets):
    """As little of OpenDocument as holds texts, numbers and dates, by hand: no library that writes it ships wheels."""
    rows = {name: "".join(f"<table:table-row>{''.join(ODS_CELLS[type(cell)].format(cell) for cell in row)}</table:table-row>" for row in sheet)
            for name, sheet in sheets.items()}
    with zipfile.ZipFile(path, "w") as book:
        book.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
        book.writestr("META-INF/manifest.xml", MANIFEST)
        book.writestr("content.xml", ODS.format("".join(f'<table:table table:name="{name}">{text}</table:table>' for name, text in rows.items())))


def write_xlsx(path, sheets):
    book = openpyxl.Workbook()
    book.remove(book.active)
    for name, sheet in sheets.items():
        page = book.create_sheet(name)
        for row in sheet:
            page.append(row)
    book.save(path)


WRITERS = {".xlsx": write_xlsx, ".ods": write_ods}
each_kind_of_workbook = pytest.mark.parametrize("ending", WRITERS)
MOLTS = [["animal", "date", "until", "event", "value"], ["A1", date(2026, 1, 1), None, "molt", 4.0], [7.0, date(2026, 1, 5), None, "molt", None]]


def write_book(folder, ending, sheets):
    book = folder / f"my records{ending}"
    WRITERS[ending](book, sheets)
    return book


@each_kind_of_workbook
def test_workbooks(tmp_path, ending):
    animals = [["animal", "taxon", "sex", "shelf"], ["A1", "Brachypelma hamorii", "female", 3.0], [7.0, "Brachypelma hamorii", None, 2.5]]
    rest = [[None] * 5, ["A1", date(2026, 2, 10), date(2026, 2, 12), "molt", 5.0], ["A1", date(2026, 2, 12), None, "leg spam", 32.0]]
    collection = moltspan.read(write_book(tmp_path, ending, {"Animals": animals, "journal": MOLTS + rest, "remarks": [["nothing of ours"]]}))
    fault = collection.problems().iloc[0]
    assert (len(collection.problems()), fault.row, fault.value) == (1, 6, "leg spam") and "journal" in fault.file  # the sheet's own row 6
    assert collection.stadia()[["animal", "start_earliest"]].to_numpy().tolist() == [["7", pd.Timestamp(2026, 1, 5)]]
    journal = collection.journal
    assert journal["value"].tolist() == ["4", "", "5", "32"]  # numbers as people write them, blank cells blank
    assert (journal["date"][2], journal["until"][2]) == ("2026-02-10", "2026-02-12")
    assert collection.animals["shelf"].tolist() == ["3", "2.5"]


@each_kind_of_workbook
def test_a_workbook_without_a_journal_says_so(tmp_path, ending):
    with pytest.raises(RuntimeError, match="no sheet named journal; there are animals"):
        moltspan.read(write_book(tmp_path, ending, {"animals": [["animal"], ["A1"]]}))


@each_kind_of_workbook
def test_headings_that_are_numbers_and_columns_without_one(tmp_path, ending):
    animals = [["animal", 2025.0, date(2026, 3, 1), None], ["A1", "kept", "too", "a stray cell"], [7.0, None, None, None]]
    collection = moltspan.read(write_book(tmp_path, ending, {"animals": animals, "journal": MOLTS}))
    assert list(collection.animals.columns) == ["animal", "2025", "2026-03-01", "column 4"]
    doubt, = collection.problems().to_dict("records")
    assert (doubt["severity"], doubt["row"], doubt["column"]) == ("doubt", 1, "column 4")
    assert collection.stadia()["2025"].tolist() == ["kept", ""]


@each_kind_of_workbook
@pytest.mark.parametrize("heading", ["shelf", "animal"])
def test_two_columns_of_one_name_are_a_fault(tmp_path, ending, heading):
    animals = [["animal", "shelf", heading], ["A1", 3.0, "B"], [7.0, 2.0, "C"]]
    problems = moltspan.read(write_book(tmp_path, ending, {"animals": animals, "journal": MOLTS})).problems()
    fault = problems[(problems["severity"] == "fault") & problems["rule"].str.contains("once")].iloc[0]
    assert (fault.row, fault.value) == (1, heading) and "sheet animals" in fault.file


def test_a_file_that_is_no_workbook_is_wrong_usage(tmp_path):
    for name, content in (("text.xlsx", b"animal,taxon\n"), ("empty.ods", b""), ("bytes.xlsx", b"PK\x03\x04" + bytes(200))):
        (tmp_path / name).write_bytes(content)
        with pytest.raises(RuntimeError, match="cannot be read as a workbook"):
            moltspan.read(tmp_path / name)
    command = [sys.executable, "-m", "moltspan", "check", str(tmp_path / "text.xlsx")]
    result = subprocess.run(command, capture_output=True, text=True)
    assert (result.returncode, result.stdout) == (2, "") and "text.xlsx" in result.stderr and "Traceback" not in result.stderr
    with pytest.raises(FileNotFoundError, match="no such workbook"):
        moltspan.read(tmp_path / "gone.xlsx")


def test_headings_of_a_frame_that_are_numbers_or_there_twice():
    animals = pd.DataFrame([["A1", "kept"], ["A2", ""]], columns=["animal", 2025])
    assert moltspan.Collection(animals, frame_of("pandas", JOURNAL)).stadia()["2025"].tolist() == ["kept", "kept", ""]
    with pytest.raises(ValueError, match="two columns named '2025'"):
        moltspan.Collection(animals.assign(**{"2025": 1}), frame_of("pandas", JOURNAL))
    wide = pd.DataFrame([["A1", "2026-01-01", 3]], columns=["Name", 1, 2025])
    collection = moltspan.Collection.from_wide(wide, {"Name": "animal", 1: "molt 1"})
    assert collection.animals.columns.tolist() == ["animal", "2025"] and len(collection.stadia()) == 1


WIDE = {
    "Name": ["A1", "A2"], "Art": ["Damon diadema", "Damon diadema"], "shelf": [1, 2],
    "1st molt": ["2026-01-01", None], "2nd molt": ["2026-02-10..2026-02-12", "2026-02-01"], "size 2": ["32", None], "size 1": [None, "20"],
}
WIDE_COLUMNS = {"Name": "animal", "Art": "taxon", "1st molt": "molt 1", "2nd molt": "molt 2", "size 2": "leg_span 2", "size 1": "leg_span_1"}
IN_MM = {"units": {"length": "mm"}}


@pytest.mark.parametrize("kind", ["pandas", "polars"])
def test_wide_sheets(kind):
    collection = moltspan.Collection.from_wide(frame_of(kind, WIDE), WIDE_COLUMNS, rules=IN_MM)
    rows = collection.stadia().to_dict("records") if kind == "pandas" else collection.stadia().to_dicts()
    assert [(row["animal"], row["min_days"], row["start_instar"], row["shelf"]) for row in rows] == [
        ("A1", 39, 1, 1),  # 2 to 10 January .. 10 to 12 February: 40 days less the one that a range costs
        ("A1", 0, 2, 1),
        ("A2", 11, 2, 2),
    ]
    assert rows[1]["start_size_mm"] == 32


def test_wide_sizes_without_a_date_are_said():
    problems = moltspan.Collection.from_wide(pd.DataFrame(WIDE), WIDE_COLUMNS, rules=IN_MM).problems()
    doubt = problems.iloc[-1]
    assert (doubt.severity, doubt.row, doubt.animal, doubt.column, doubt.value) == ("doubt", 2, "A2", "size 1", "20")


def test_wide_faults_name_the_column_of_the_sheet():
    sheet = pd.DataFrame(WIDE | {"2nd molt": ["2026-02-31", "2026-02-01"]})
    fault = moltspan.Collection.from_wide(sheet, WIDE_COLUMNS, rules=IN_MM).problems().iloc[0]
    assert (fault.severity, fault.row, fault.column, fault.value) == ("fault", 1, "2nd molt", "2026-02-31")


@pytest.mark.parametrize(("columns", "named"), [({"Nam": "animal"}, "'Nam'"), ({"Name": "animal", "Art": "molted"}, "'molted'"),
                                                ({"Art": "taxon"}, "'animal'")])
def test_wide_mappings_that_cannot_be(columns, named):
    with pytest.raises(ValueError, match=named):
        moltspan.Collection.from_wide(pd.DataFrame(WIDE), columns)


def test_a_collection_cannot_be_changed():
    collection = moltspan.Collection(pd.DataFrame(ANIMALS), pd.DataFrame(JOURNAL))
    with pytest.raises(AttributeError, match="make a new one"):
        collection.animals = None
    copy = collection.animals
    copy.loc[0, "animal"] = "changed"
    assert collection.animals.loc[0, "animal"] == "A1"


def test_repr_is_a_short_table():
    text = repr(moltspan.Collection(pd.DataFrame(ANIMALS), pd.DataFrame(JOURNAL)))
    assert text == ("Collection of records\n  animals 2\n  molts   3\n  faults  0\n  doubts  0\n"
                    "  days    2026-01-01 .. 2026-02-10")
    assert "<table>" in moltspan.Collection(pd.DataFrame(ANIMALS), pd.DataFrame(JOURNAL))._repr_html_()


def test_records_without_any_date():
    collection = moltspan.Collection(pd.DataFrame({"animal": ["A1"]}), pd.DataFrame({"animal": [], "date": [], "event": []}))
    assert collection.as_of is None
    assert len(collection.stadia()) == 0
    assert "none" in repr(collection)


def check(*arguments):
    command = [sys.executable, "-c", "from moltspan.cli.app import main; main()", "check", *map(str, arguments)]
    return subprocess.run(command, capture_output=True, text=True, timeout=120, stdin=subprocess.DEVNULL)


def test_check_lists_everything_and_sums_up(tmp_path):
    result = check(write_folder(tmp_path, FAULTY + "A2,2026-01-09,,ate,,,\n"))
    assert result.returncode == 1
    assert "journal.csv, row 3, animal A1, date '2026-02-31'" in result.stderr
    assert "doubt: journal.csv, row 6, animal A2" in result.stdout
    summary = result.stdout.split("\n\n")[-1].splitlines()
    assert summary == ["as of     2026-01-09", "animals   2, 1 of them set aside", "molts     1",
                       "stadia    0 closed, 1 running, 0 died, 0 left; 0 more whose start is not known",
                       "problems  1 fault, 1 doubt"]
    assert "\x1b" not in result.stdout + result.stderr


def test_check_without_faults(tmp_path):
    result = check(write_folder(tmp_path, "A2,2026-01-05,,molt,,,\n"))
    assert (result.returncode, result.stderr) == (0, "")


def test_check_strict_gives_no_summary(tmp_path):
    result = check(write_folder(tmp_path, FAULTY), "--strict")
    assert (result.returncode, result.stdout) == (1, "")


def test_check_json_alone_on_standard_output(tmp_path):
    answer = json.loads(check(write_folder(tmp_path, FAULTY), "--json", "-", "--as-of", "2026-03-01").stdout)
    assert answer["as_of"] == "2026-03-01"
    assert answer["set_aside"] == ["A1"]
    assert answer["stadia"] == {"closed": 0, "running": 1, "died": 0, "left": 0}
    assert [list(problem) for problem in answer["problems"]] == [PROBLEM_COLUMNS]


@pytest.mark.parametrize("wrong", [["no such folder"], [".", "--as-of", "2026-02-30"], [".", "--no-such-option"]])
def test_check_used_wrongly(wrong):
    result = check(*wrong)
    assert (result.returncode, result.stdout) == (2, "")
    assert wrong[-1] in result.stderr and "Traceback" not in result.stderr
