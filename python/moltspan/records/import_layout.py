"""Where the tables are in somebody's sheets: the row of headings, what stands above it, and which way it runs."""

import re
from datetime import date
from typing import NamedTuple

from moltspan.records.import_cells import Sheet, text_of
from moltspan.records.import_dates import DAY_FIRST, MONTH_FIRST, told_order, when
from moltspan.records.import_headings import DATES, SIZES, Heading, read_heading

LAST_ROW_OF_HEADINGS = 25
TOTAL = re.compile(r"(total|sum|count|average|mean)\b.*", re.IGNORECASE)
WIDE, LONG = "a row an animal", "a row an event"


class Table(NamedTuple):
    """One sheet taken apart. `rows`: (number of the row in the sheet, values); `above`: cells above the headings, each (row, column)."""

    sheet: Sheet
    kind: str
    turned: bool  # animals run across: rows and columns are exchanged
    head_row: int
    texts: list  # headings as they stand, a group's heading in front
    headings: list
    rows: list
    above: list
    animal: str = ""  # of a sheet that belongs to one animal


def find_table(sheet, asked, alone):
    """The table of a sheet, None where no row of headings is found. `asked`: heading in small letters -> Heading that the user gave for it; `alone`: the only
    sheet of its file."""
    candidates = [_best_row(sheet.rows, asked), _best_row(_turned(sheet.rows), asked)]
    across = [read_heading(text_of(row[0])).meaning for row in sheet.rows if row]  # headings of animals that run across
    if candidates[0][0] < 1 and "animal" not in across and (log := _log_without_headings(sheet)):
        return log
    turned = candidates[1][0] > candidates[0][0] and candidates[0][0] < 2
    merit, head_row = candidates[turned]
    if merit < 1:
        return None
    rows = _turned(sheet.rows) if turned else sheet.rows
    texts = _headings_at(rows, head_row)
    headings = _settled([asked.get(text.lower(), read_heading(text)) for text in texts], ["name" if text.lower() in asked else text for text in texts])
    animal = "" if any(heading.meaning == "animal" for heading in headings) or alone and not _is_long(headings) else sheet.name
    body = [(number, values) for number, values in enumerate(rows) if number > head_row and any(value is not None for value in values)]
    above = [(row, column) for row in range(head_row) for column, value in enumerate(rows[row]) if value is not None]
    return Table(sheet, LONG if _is_long(headings) else WIDE, turned, head_row, texts, headings, body, above, animal)


def _log_without_headings(sheet):
    """Rows of name, day and what happened with nothing above them: told by what the columns hold; None where they do not hold that."""
    filled = [[value for value in column if value is not None] for column in _turned(sheet.rows)]
    days = [index for index, values in enumerate(filled) if values and sum(map(_is_day, values)) > len(values) / 2]
    words = [index for index, values in enumerate(filled) if values and index not in days and all(isinstance(value, str) for value in values)]
    if len(days) != 1 or len(words) < 2:
        return None
    meanings = {days[0]: "date", words[0]: "animal", words[1]: "event"} | dict.fromkeys(words[2:], "note")
    headings = [Heading(meanings.get(index, "note")) for index in range(len(filled))]
    body = [(number, values) for number, values in enumerate(sheet.rows) if any(value is not None for value in values)]
    return Table(sheet, LONG, False, -1, [""] * len(filled), headings, body, [])


def _is_day(value):
    """Whether a cell holds one day, in whichever order."""
    if isinstance(value, float):
        return False
    return any(found.first == found.last for order in (DAY_FIRST, MONTH_FIRST) if (found := when(value, order, date.max)))


def place_in_sheet(table, row, column):
    """The place as it stands in the sheet, whichever way the table runs."""
    return (table.sheet.name, column, row) if table.turned else (table.sheet.name, row, column)


def _turned(rows):
    return [list(column) for column in zip(*rows, strict=True)] if rows else []


def _best_row(rows, asked):
    """(how many headings are understood, row): of the row with most of them among the first ones."""
    best = (0, 0)
    for number, values in enumerate(rows[:LAST_ROW_OF_HEADINGS]):
        texts = _headings_at(rows, number)
        known = sum(bool(text.lower() in asked or read_heading(text).meaning) for text in texts if text)
        words = sum(isinstance(value, str) for value in values)
        filled = sum(value is not None for value in values)
        merit = known if filled and (known >= 2 or known == filled) and 2 * words >= filled and \
            not any(map(_is_day, values)) else 0
        if merit > best[0]:
            best = (merit, number)
    return best


def _headings_at(rows, number):
    """Texts of a row of headings; where one cell above spans several, its text goes in front (`Molts` over 1, 2, 3)."""
    own = [text_of(value) for value in rows[number]]
    groups, current = [], ""
    over = rows[number - 1] if number else [None] * len(own)
    if sum(value is not None for value in over) < 1 or over[0] is not None and sum(value is not None for value in over) == 1:
        return own
    for value, text in zip(over, own, strict=True):
        current = text_of(value) if isinstance(value, str) else current if text else ""
        groups.append(current)
    return [_joined(group, text_of(value), text) for group, value, text in zip(groups, over, own, strict=True)]


def _joined(group, above, text):
    """A heading with that of its group in front, where this tells more: `Date` under `Molt 2`; one that stands in the upper row only is that."""
    if not text:
        return above if read_heading(above).meaning else ""
    whole, own = read_heading(f"{group} {text}") if group else Heading(""), read_heading(text)
    numbered = whole.number and not own.number and own.meaning in ("date", *SIZES)
    return f"{group} {text}" if whole.meaning and (numbered or not own.meaning) else text


def _is_long(headings):
    meanings = [heading.meaning for heading in headings]
    return "date" in meanings and not any(heading.meaning == "molt" and heading.number for heading in headings)


def _settled(headings, texts):
    """Each meaning that can stand once is kept by the first of its kind; in a table of animals `event` may be their kind; two names of a kind are
    one kind and a column to keep."""
    long = _is_long(headings)
    named = any(_is_name(text) for text, heading in zip(texts, headings, strict=True) if heading.meaning == "animal")
    seen, result = set(), []
    for text, heading in zip(texts, headings, strict=True):
        meaning = "" if named and heading.meaning == "animal" and not _is_name(text) else heading.meaning
        if not long and meaning in ("event", "until", "value", "unit"):
            meaning = ""
        key = (meaning, heading.number)
        if meaning and key in seen and meaning not in ("molt", *SIZES, "note"):
            meaning = ""
        seen.add(key)
        result.append(heading._replace(meaning=meaning))
    return result


def _is_name(text):
    """Whether a heading says name; beside it a number (`No.`, `#`, `ID`) is one more column."""
    return "name" in text.lower()


def is_date_column(heading):
    """Whether its cells should be dates."""
    return heading.meaning in DATES


def orders_of_columns(table):
    """Column -> order of its dates of three numbers, where its own cells settle it, else those of all columns of its meaning."""
    texts = {column: [values[column] for _, values in table.rows if isinstance(values[column], str)] for column in range(len(table.headings))}
    result = {}
    for column, heading in enumerate(table.headings):
        alike = [text for other, found in texts.items() if table.headings[other].meaning == heading.meaning for text in found]
        told = [order for order in (told_order(texts[column]), told_order(alike)) if order in (DAY_FIRST, MONTH_FIRST)]
        if told and is_date_column(heading) and told_order(texts[column]) is not None:
            result[column] = told[0]
    return result


def columns_settle(table):
    """Whether every column of dates tells the order of its own."""
    orders = orders_of_columns(table)
    return all(column in orders for column, heading in enumerate(table.headings) if is_date_column(heading) and
               told_order([values[column] for _, values in table.rows if isinstance(values[column], str)]) is not None)


def is_section(values, usual):
    """Whether a row is no animal but a heading of those below it: one text alone, where rows usually hold much more."""
    filled = [value for value in values if value is not None]
    return len(filled) == 1 and isinstance(filled[0], str) and usual >= 3 and not TOTAL.fullmatch(filled[0])


def is_total(values):
    """Whether a row sums up others."""
    return any(isinstance(value, str) and TOTAL.fullmatch(value) for value in values[:2])

