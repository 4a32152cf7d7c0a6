"""Cells of the tables that people bring: workbooks and CSV files of any delimiter and usual encoding."""

import csv
import io
from datetime import date, datetime, time, timedelta
from pathlib import Path
from typing import NamedTuple

from moltspan._frames.frames import FIRST_YEAR, LAST_YEAR

BOOKS = (".xlsx", ".xlsm", ".xlsb", ".xls", ".ods")
DELIMITERS = ",;\t|"
SAMPLE_LINES = 50
BYTE_ORDER_MARKS = ((b"\xef\xbb\xbf", "utf-8-sig"), (b"\xff\xfe", "utf-16"), (b"\xfe\xff", "utf-16"))


class Sheet(NamedTuple):
    """A sheet: rows of values (text, number, date, None for blank), all of one length."""

    name: str
    rows: list


def read_sheets(path):
    """All sheets of a file that hold anything. OSError where there is none, RuntimeError where it cannot be read."""
    path = Path(path)
    if path.is_dir():
        raise IsADirectoryError(f"{path}: this is a folder; give the spreadsheet or CSV file itself")
    if not path.exists():
        raise FileNotFoundError(f"{path}: no such file; give the spreadsheet (.xlsx, .ods) or the CSV file to be taken in")
    if not path.is_file():
        raise RuntimeError(f"{path}: is no file but a pipe or a device; save it as a file first")
    sheets = _book(path) if path.suffix.lower() in BOOKS else [Sheet("", _csv_rows(path.read_bytes()))]
    return [Sheet(name, _squared(rows)) for name, rows in sheets if any(value is not None for row in rows for value in row)]


def sheets_of_frame(frame):
    """A data frame as one sheet, its column names as the row of headings."""
    import narwhals

    table = narwhals.from_native(frame, eager_only=True)
    rows = [[_clean(name) for name in table.columns], *([_clean(value) for value in row] for row in table.iter_rows())]
    return [Sheet("", _squared(rows))]


def text_of(value):
    """A value as people would read it in its cell."""
    if value is None:
        return ""
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
        return str(int(value))
    return value.isoformat() if isinstance(value, date) else str(value)


def cell_name(row, column):
    """`D5` for row 4, column 3, both counted from 0."""
    letters, n = "", column + 1
    while n:
        n, rest = divmod(n - 1, 26)
        letters = chr(ord("A") + rest) + letters
    return f"{letters}{row + 1}"


def _book(path):
    from python_calamine import CalamineError, CalamineWorkbook, PasswordError

    try:
        book = CalamineWorkbook.from_path(path)
        return [Sheet(name, _of_book(book.get_sheet_by_name(name))) for name in book.sheet_names]
    except PasswordError:
        raise RuntimeError(f"{path}: the workbook is locked by a password; save a copy without one") from None
    except CalamineError as trouble:
        raise RuntimeError(f"{path}: this cannot be read as a workbook ({trouble}); save it again as .xlsx or .ods, or as CSV") from None


def _of_book(sheet):
    return [[_clean(value) for value in row] for row in sheet.to_python(skip_empty_area=False)]


def _clean(value):
    """One of text, number, date, None; times of the day are left off."""
    if value is None or isinstance(value, float) and value != value:
        return None
    if isinstance(value, datetime):
        value = None if value != value else value.date()
    if isinstance(value, date) and not FIRST_YEAR <= value.year <= LAST_YEAR:
        return value.isoformat()
    if isinstance(value, bool):
        return "yes" if value else "no"
    if value is None or isinstance(value, (date, float)):
        return value
    if isinstance(value, int):
        return float(value) if abs(value) < 1e15 else str(value)
    if isinstance(value, (time, timedelta)):
        return str(value)
    text = str(value).replace("\xa0", " ").strip()
    return text or None


def _csv_rows(data):
    text = _decoded(data)
    delimiter = _delimiter(text)
    return [[_clean(cell) for cell in row] for row in csv.reader(io.StringIO(text, newline=""), delimiter=delimiter)]


def _decoded(data):
    for mark, encoding in BYTE_ORDER_MARKS:
        if data.startswith(mark):
            return data.decode(encoding, errors="replace").replace("\0", "")
    try:
        return data.decode("utf-8").replace("\0", "")
    except UnicodeDecodeError:
        return data.decode("cp1252", errors="replace").replace("\0", "")


def _delimiter(text):
    """The one that parts most lines alike: the most frequent number of columns over one, times the lines that have it."""
    lines = "\n".join(text.splitlines()[:SAMPLE_LINES])

    def merit(delimiter):
        widths = [len(row) for row in csv.reader(io.StringIO(lines), delimiter=delimiter) if any(cell.strip() for cell in row)]
        usual = max(set(widths), key=widths.count, default=1)
        return (usual > 1) * widths.count(usual) * min(usual, 30), -DELIMITERS.index(delimiter)

    return max(DELIMITERS, key=merit)


def _squared(rows):
    width = max(map(len, rows), default=0)
    return [list(row) + [None] * (width - len(row)) for row in rows]
