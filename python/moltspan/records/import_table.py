"""The table that somebody has, as a collection: read, understood, nothing lost."""

import csv
import io
import re
from datetime import date, datetime
from pathlib import Path

from moltspan._frames import frames
from moltspan.records.import_cells import read_sheets, sheets_of_frame
from moltspan.records.import_faults import take_out_faults
from moltspan.records.import_headings import asked_heading
from moltspan.records.import_layout import find_table
from moltspan.records.import_ledger import Ledger
from moltspan.records.import_log import Intake, orders_of
from moltspan.records.import_rows import ANIMAL_COLUMNS, JOURNAL_COLUMNS

GENERIC_SHEET = re.compile(r"(?:sheet|table|tabelle|feuille?|hoja|blatt)?\s*\d*", re.IGNORECASE)
NOT_PLACED = ("sheet", "cell", "text", "why")
UNDERSTOOD = ("sheet", "heading", "taken as", "cells", "for example")


class ImportedTable:
    """What `import_table` made of somebody's table. Frames are pandas.

    `animals` and `journal`: our two tables, each row with its `source` (sheet, cell and text); `understood`: a row a column of theirs, with what it was
    taken as; `assumptions`: what the table does not say, as texts; `unsettled`: sheets whose dates read two ways, with the order taken; `not_placed`:
    cells that found no place, each with the reason; `collection`: the records, checked.
    """

    def __init__(self, intake, ledger, unsettled, collect):
        self._collect = collect
        self._animals, self._journal = list(intake.animals.values()), sorted(intake.journal, key=lambda row: row["until"] or row["date"])
        self._understood, self._not_placed = intake.understood, ledger.not_placed
        self.assumptions = [what + (f" ({n} times)" if n > 1 else "") for what, n in ledger.assumptions.items()]
        self.unsettled, self.titles, self.fates = unsettled, intake.extra, ledger.fates

    @property
    def animals(self):
        """A row an animal."""
        return _frame(_columns(self._animals, ANIMAL_COLUMNS), self._animals)

    @property
    def journal(self):
        """A row a thing that happened, by day."""
        return _frame(JOURNAL_COLUMNS, self._journal)

    @property
    def understood(self):
        """A row a column of theirs."""
        return _frame(UNDERSTOOD, self._understood)

    @property
    def not_placed(self):
        """A row a cell that found no place."""
        return _frame(NOT_PLACED, self._not_placed)

    @property
    def collection(self):
        """The records as a Collection."""
        return self._collect(self.animals, self.journal)

    def write(self, folder):
        """Writes animals.csv, journal.csv, understood.txt (what this result prints: headings, titles, assumptions) and, where any cell found no
        place, not_placed.csv into a folder without records. Returns the paths.

        FileExistsError where the folder holds records already.
        """
        from moltspan._frames.files import replace_file
        from moltspan.text.imported import import_lines

        folder = Path(folder)
        there = [name for name in ("animals.csv", "journal.csv") if (folder / name).exists()]
        if there:
            raise FileExistsError(f"{folder} holds {' and '.join(there)} already; give another folder, the old records stay as they are")
        folder.mkdir(parents=True, exist_ok=True)
        tables = {"animals.csv": (_columns(self._animals, ANIMAL_COLUMNS), self._animals), "journal.csv": (JOURNAL_COLUMNS, self._journal),
                  "not_placed.csv": (NOT_PLACED, self._not_placed)}
        written = []
        for name, (columns, rows) in tables.items():
            if rows or name != "not_placed.csv":
                replace_file(folder / name, _csv(columns, rows))
                written.append(folder / name)
        replace_file(folder / "understood.txt", "\n".join([*import_lines(self, every_cell=True), ""]))
        return [*written, folder / "understood.txt"]

    def __repr__(self):
        from moltspan.text.imported import import_lines

        return "\n".join(import_lines(self))


def imported(collect, table, folder, map, date_order, today):
    """What `import_table` gives; `collect` makes a Collection of animals and journal."""
    if date_order not in (None, "day_first", "month_first"):
        raise ValueError(f"date_order={date_order!r}: give 'day_first' or 'month_first'")
    is_path = isinstance(table, (str, Path))
    sheets = read_sheets(table) if is_path else sheets_of_frame(table)
    day = frames.day_of(frames.day_number(today)) if today is not None else _day_of_file(table) if is_path else date.today()
    for heading, meaning in (map or {}).items():
        if not isinstance(heading, str) or not isinstance(meaning, str):
            raise ValueError(f"map={{{heading!r}: {meaning!r}}}: give texts, a heading and its meaning, as in {{'Shed': 'molt'}}")
    asked = {heading.strip().lower(): asked_heading(meaning) for heading, meaning in (map or {}).items()}
    ledger = Ledger(sheets)
    tables = [found for sheet in sheets if (found := find_table(sheet, asked, len(sheets) == 1))]
    if not tables:
        raise ValueError(f"{table if is_path else 'table'}: no row of headings such as name, kind, molt 1, size was found; "
                         "write headings above the columns, or say what they mean with map (--map \"Heading=meaning\")")
    _check_asked(map or {}, tables)
    orders, unsettled = orders_of(tables, date_order)
    intake = Intake(ledger, day, orders, day)
    intake.order_asked = date_order is not None
    for found in tables:
        intake.take(_of_one_animal(found, Path(table).stem) if is_path and len(tables) == 1 else found)
    if is_path and tables[0].animal != Path(table).stem in intake.animals and not any(h.meaning == "animal" for h in tables[0].headings):
        ledger.assume(f"nothing names an animal: all rows are of one, named as the file, {Path(table).stem}")
    intake.settle_mature()
    ledger.close()
    take_out_faults(intake, ledger, collect)
    result = ImportedTable(intake, ledger, unsettled, collect)
    if folder is not None:
        result.write(folder)
    return result


def _of_one_animal(table, file_name):
    """A file of molts, sizes or a log in which nothing names an animal is that of one animal, named as its sheet or file."""
    if table.animal and not GENERIC_SHEET.fullmatch(table.animal) or \
            any(heading.meaning in ("animal", "taxon", "scientific", "sex") for heading in table.headings):
        return table
    return table._replace(animal=file_name)


def _check_asked(asked, tables):
    known = {text.lower(): text for table in tables for text in table.texts if text}
    missing = [heading for heading in asked if heading.strip().lower() not in known]
    if missing:
        raise ValueError(f"map: no heading {missing[0]!r}; there are {', '.join(map(repr, known.values()))}")


def _day_of_file(path):
    return datetime.fromtimestamp(Path(path).stat().st_mtime).date()


def _columns(rows, first):
    """Our columns that hold anything (the first always), then theirs."""
    held = {name for row in rows for name, text in row.items() if text}
    more = dict.fromkeys(name for row in rows for name in row if name not in first)
    return tuple(name for name in first if name in held or name == first[0]) + tuple(name for name in more if name in held)


def _frame(columns, rows):
    return frames.frame_of({name: [row.get(name, "") for row in rows] for name in columns})


def _csv(columns, rows):
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(columns)
    writer.writerows([row.get(name, "") for name in columns] for row in rows)
    return out.getvalue()
