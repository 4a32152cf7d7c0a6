"""Collections of records: read from a folder, a workbook or data frames, checked, and turned into stadia."""

from functools import partial
from pathlib import Path

import numpy as np

from moltspan import _core
from moltspan._frames import frames, wide
from moltspan._frames.calls import check_methods

PROBLEM_COLUMNS = ("severity", "file", "row", "animal", "column", "value", "rule", "next_step")
SHEETS = ("animals", "journal", "taxa", "enclosures", "temperatures")
WORKBOOKS = (".xlsx", ".ods")
SEX_WORDS = ((0.1, "female"), (0.4, "probable female"), (0.6, "unknown"), (0.9, "probable male"), (1.1, "male"))


class RecordFault(ValueError):
    """Raised by `strict=True`: some records are faulty. `problems` lists the faults, `str()` shows all of them."""

    def __init__(self, problems):
        from moltspan.text.tables import problem_line

        self.problems = problems
        super().__init__("\n".join([f"{len(problems)} fault(s) in the records:", *map(problem_line, problems)]))


@partial(check_methods, init=True)
class Collection:
    """Animals and their journal, checked. Nothing in it can be changed; make a new one from changed tables.

    `animals` and `journal` (and `taxa`, `enclosures`, `temperatures`) are pandas, polars or pyarrow frames with the columns of the CSV files;
    columns without a meaning are kept and come back in `stadia()`. `rules` is what `folder.toml` would hold, as a dict:
    `{"date_order": "day_first", "units": {"length": "cm"}, "columns": {theirs: ours}, "events": {theirs: ours}}`.
    A fault sets its animal aside; with `strict=True` any fault raises `RecordFault`. `today` (a date), where given,
    makes later dates a doubt: no clock is read. Problems count the rows of a frame from 1.

    `temperatures`: columns `day`, `degrees_c` and where there are several `place`, which column `place` of the animals names (blank =
    everywhere). An animal's own temperature rows in the journal have the last word, then its place, then everywhere. Days after the
    last one of the records are what you state to come: only forecasts from that day use them.
    """

    def __init__(self, animals, journal, taxa=None, enclosures=None, rules=None, *, temperatures=None, strict=False, today=None):
        given = dict(zip(SHEETS, (animals, journal, taxa, enclosures, temperatures), strict=True))
        tables = {name: _text_table(frame, name) for name, frame in given.items() if frame is not None}
        self._keep(_raw(tables, rules), frames.kind_of(animals), given, strict, today, temperatures=tables.get("temperatures"))

    @classmethod
    def from_wide(cls, frame, columns=None, taxa=None, rules=None, *, strict=False, today=None):
        """From a sheet with one row an animal and a column a molt.

        `columns` maps the sheet's headings to ours: any column of animals.csv, `molt` or `molt 2` (a date, or a range
        `2026-03-01..2026-03-08`; the number is the instar reached), and sizes such as `leg_span 2` (of the animal after
        `molt 2`). Headings that it does not name are carried through. Problems name the row and column of the sheet. Without `columns` the headings are
        understood as `import_table` does, whose result says how.
        """
        if columns is None:
            from moltspan.records.import_table import imported

            taken = imported(Collection, frame, None, None, None, today)
            return cls(taken.animals, taken.journal, taxa=taxa, rules=rules, strict=strict, today=today)
        sheet = wide.split(frames.text_columns(frame), {frames.text_of(theirs): ours for theirs, ours in columns.items()})
        animals = _core.TextTable("sheet", list(sheet.animals), list(sheet.animals.values()), sheet.animal_rows)
        journal = _core.TextTable("sheet", list(sheet.journal), list(sheet.journal.values()), sheet.journal_rows)
        given = {"animals": _kept_columns(frame, sheet), "journal": None, "taxa": taxa} | dict.fromkeys(("enclosures", "temperatures"))
        tables = {"animals": animals, "journal": journal}
        if taxa is not None:
            tables["taxa"] = _text_table(taxa, "taxa")
        new = cls.__new__(cls)
        new._keep(_raw(tables, rules), frames.kind_of(frame), given, strict, today, sheet)
        return new

    @classmethod
    def _from_raw(cls, raw, strict=False, today=None, source=None, temperatures=None):
        new = cls.__new__(cls)
        new._keep(raw, "pandas", dict.fromkeys(SHEETS), strict, today, source=source, temperatures=temperatures)
        return new

    def _keep(self, raw, kind, given, strict, today, sheet=None, source=None, temperatures=None):
        core = _core.make_collection(raw, frames.day_number(today), temperatures)
        for name, value in (("_core_collection", core), ("_kind", kind), ("_given", given), ("_sheet", sheet),
                            ("_source", source), ("_temperatures", temperatures)):
            object.__setattr__(self, name, value)
        faults = [problem for problem in self._problem_rows() if problem["severity"] == "fault"] if strict else []
        if faults:
            raise RecordFault(faults)

    def __setattr__(self, name, value):
        raise AttributeError("a Collection cannot be changed; make a new one from changed tables")

    __delattr__ = __setattr__

    @property
    def animals(self):
        """The table of animals as it was given (a folder's: as text)."""
        return self._table("animals")

    @property
    def journal(self):
        """The journal as it was given (a folder's: as text)."""
        return self._table("journal")

    @property
    def temperatures(self):
        """The table of temperatures as it was given (a folder's: as text); None without one."""
        return None if self._temperatures is None else self._table("temperatures")

    @property
    def as_of(self):
        """Last day that the records name (a date), which forecasts take as the last day watched; None without any."""
        return frames.day_of(self._core_collection.last_recorded_day)

    def _table(self, name):
        frame = self._given[name]
        if frame is not None:
            return frame.copy() if self._kind == "pandas" else frame
        table = self._temperatures if name == "temperatures" else getattr(self._core_collection.raw, name)
        return frames.frame_of(dict(zip(table.columns, table.cells, strict=True)), self._kind)

    def problems(self):
        """All faults and doubts: a row each, with what was expected and what to do."""
        rows = self._problem_rows()
        columns = {name: [row[name] for row in rows] for name in PROBLEM_COLUMNS}
        columns["row"] = np.array(columns["row"], dtype="int64")
        return frames.frame_of(columns, self._kind)

    def _problem_rows(self):
        found = list(self._core_collection.problems)
        if self._core_collection.last_recorded_day is not None:
            found += self._stadia_table().doubts
        rows = [{name: getattr(problem, name) for name in PROBLEM_COLUMNS} for problem in found]
        return wide.in_words_of(self._sheet, rows) if self._sheet else rows

    def _stadia_table(self, as_of=None, watched="all"):
        if watched not in ("all", "rows"):
            raise ValueError(f"watched={watched!r}: give 'all' (every animal is looked at) or 'rows' (only as its rows say)")
        return _core.build_stadia(self._core_collection, frames.day_number(as_of), getattr(_core.Watched, watched))

    def stadia(self, as_of=None, watched="all"):
        """A row a stadium: the time from one molt of an animal to its next, with its censoring.

        `as_of` (date or ISO text; default: the last day in the records) is the last day used; nothing later is looked at.
        `min_days` and `max_days` bound the length; `max_days` blank = its end was not seen. `start_size_mm` is the leg span
        as read in that instar. `molts_spanned`: how many molts lie between start and end by the stated instar numbers: 1 = one stadium; 3 to 5
        makes 2; blank where several rows in turn hold more molts than rows. `no_length_yet`: begun on the last day watched, so that neither
        bound is known. Fits, medians, comparisons and tables leave such rows out and count them. Columns of the animals that have no
        meaning here come last.
        """
        if as_of is None and self.as_of is None:
            return frames.frame_of(self._stadia_columns(None), self._kind)
        return frames.frame_of(self._stadia_columns(self._stadia_table(as_of, watched)), self._kind)

    def _stadia_columns(self, table):
        columns = table.columns() if table else _no_stadia()
        indices = columns["animal"]
        animals = self._core_collection.animals
        sexes = [_sex_word(history.male_chance) for history in table.animals] if table else []
        names = {"animal": [animals[i].id for i in indices], "taxon": [animals[i].taxon for i in indices],
                 "cohort": [animals[i].cohort for i in indices], "sex": [sexes[i] for i in indices]}
        for name in ("start_earliest", "start_latest", "end_earliest", "end_latest"):
            columns[name] = frames.days(columns[name])
        instar = columns["start_instar"].astype(float)
        columns["start_instar"] = np.where(instar < 0, np.nan, instar)
        carried = {name: [values[animals[i].row] for i in indices] for name, values in self._carried().items()}
        return names | {name: values for name, values in columns.items() if name != "animal"} | carried

    def _carried(self):
        """The columns of the animals without a meaning, a value an animal row; numbers of a folder as numbers.

        `group` too, as a study's own column of treatments often has this name.
        """
        rules = self._core_collection.raw.rules
        known = wide.ANIMAL_FIELDS - {"group"} | {_fold(theirs) for theirs, _ in rules.columns}
        columns = {name: values for name, values in self._animal_columns().items() if _fold(name) not in known}
        return {f"animal_{name}" if name in STADIA_COLUMNS else name: values for name, values in columns.items()}

    def _animal_columns(self):
        frame = self._given["animals"]
        if frame is not None:
            return frames.columns_of(frame)
        table = self._core_collection.raw.animals
        cells = zip(table.columns, table.cells, strict=True)
        return {name: frames.numbers(texts).tolist() if frames.looks_numeric(texts) else texts for name, texts in cells}

    def _temperature_days(self):
        """A tuple a place: its name (blank = everywhere), its days with degrees, the first and the last of them."""
        if self._temperatures is None:
            return []
        found = _core.temperature_days(self._temperatures, self._core_collection.raw.rules)
        return [(place, n, frames.day_of(first), frames.day_of(last)) for place, n, first, last in found]

    def _summary(self):
        core = self._core_collection
        problems = [problem["severity"] for problem in self._problem_rows()]
        dated = core.last_recorded_day is not None
        aside = sum(animal.set_aside for animal in core.animals)
        molts = sum(len(history.molts) for history in self._stadia_table().animals) if dated else 0
        first, last = frames.day_of(core.first_recorded_day), self.as_of
        return {"animals": f"{len(core.animals)}" + (f", {aside} of them set aside by faults" if aside else ""),
                "molts": str(molts), "faults": str(problems.count("fault")), "doubts": str(problems.count("doubt")),
                "days": f"{first or last} .. {last}" if dated else "none"}

    def __repr__(self):
        return "\n".join(["Collection of records"] + [f"  {name:8}{value}" for name, value in self._summary().items()])

    def _repr_html_(self):
        from moltspan._frames.visible import html as escape

        rows = "".join(f"<tr><th>{name}</th><td>{escape(value)}</td></tr>" for name, value in self._summary().items())
        return f"<table><caption>Collection of records</caption>{rows}</table>"


STADIA_COLUMNS = ("animal", "taxon", "cohort", "sex", "start_earliest", "start_latest", "end_earliest", "end_latest", "min_days",
                  "max_days", "start_range_days", "entry_days", "status", "start_size_mm", "start_instar", "molts_spanned", "no_length_yet",
                  "temperature_c")


def read(folder, strict=False, *, rules=None, today=None):
    """Reads a folder with `animals.csv` and `journal.csv`, or a workbook (.xlsx, .ods) with sheets of these names.

    `taxa.csv`, `enclosures.csv`, `temperatures.csv` and `folder.toml` are read where present; a workbook takes `rules` instead (see Collection).
    `strict=True` raises `RecordFault`, which lists all faults. A folder or table that is not there: OSError or RuntimeError.
    """
    path = Path(folder)
    if path.exists() and not path.is_dir() and not path.is_file():
        raise RuntimeError(f"{path}: is no file but a pipe or a device; save it as a file first")  # reading it could wait for ever
    if path.suffix.lower() in WORKBOOKS and not path.is_dir():
        tables = _workbook(path)
        return Collection._from_raw(_raw(tables, rules), strict, today, path.resolve(), tables.get("temperatures"))
    if not path.is_dir():
        raise FileNotFoundError(f"{path}: no such folder; give the folder that holds animals.csv and journal.csv")
    if rules is not None:
        raise ValueError("rules: a folder states them in its folder.toml")
    return Collection._from_raw(_core.read_folder(path), strict, today, path.resolve(), _core.read_temperatures(path))


def import_table(table, folder=None, *, map=None, date_order=None, today=None):
    """Takes in a table as people keep it: a workbook (.xlsx, .xls, .ods), a CSV file, or a data frame.

    Understood are a row an animal with a column a molt, a log with a row an event, a sheet an animal, animals across; titles, merged headings,
    blank rows, dates in words and in either order, months, years and `ca.` as ranges of days, sizes with or without a unit. What is not said is guessed
    and named in `assumptions`; what finds no place is kept in `not_placed`: no cell is lost.

    `map` settles headings by hand, `{"Häutung": "molt 3", "KL": "body_length mm", "Preis": "keep"}`; `date_order`: "day_first" or "month_first";
    `today` (default: the day of the file, of a frame the clock's) is the latest day that two-figure years are read up to, and the day of
    sizes without any. With `folder` the result is written there. Returns an ImportedTable. OSError and RuntimeError say why a file cannot be read,
    ValueError that nothing in it looks like a table of animals.
    """
    from moltspan.records.import_table import imported

    return imported(Collection, table, folder, map, date_order, today)


def _workbook(path):
    from python_calamine import CalamineError, CalamineWorkbook, PasswordError

    if not path.exists():
        raise FileNotFoundError(f"{path}: no such workbook; give a file, or the folder that holds animals.csv and journal.csv")
    try:
        book = CalamineWorkbook.from_path(path)
        found = {name.strip().lower(): name for name in book.sheet_names}
        missing = [name for name in ("animals", "journal") if name not in found]
        if missing:
            raise RuntimeError(f"{path}: no sheet named {' or '.join(missing)}; there are {', '.join(book.sheet_names)}")
        cells = {name: book.get_sheet_by_name(found[name]).to_python(skip_empty_area=False) for name in SHEETS if name in found}
    except PasswordError:
        raise RuntimeError(f"{path}: the workbook is locked by a password; save a copy without one") from None
    except CalamineError as trouble:
        raise RuntimeError(f"{path}: this cannot be read as a workbook ({trouble}); save it again as {' or '.join(WORKBOOKS)} in a "
                           "spreadsheet, or give a folder of CSV files") from None
    return {name: _core.table_of_sheet([list(map(frames.text_of, row)) for row in rows], f"{path.name}, sheet {name}")
            for name, rows in cells.items()}


def _text_table(frame, source):
    columns = frames.text_columns(frame)
    n = len(next(iter(columns.values()), []))
    return _core.TextTable(source, list(columns), list(columns.values()), list(range(1, n + 1)))


def _raw(tables, rules):
    return _core.RawCollection(tables["animals"], tables["journal"], tables.get("taxa"), tables.get("enclosures"), _rules(rules))


def _rules(rules):
    """`folder.toml` as a dict goes through the reader of that file, so that its words are checked alike."""
    if not rules:
        return _core.FolderRules()
    single = [f"{_quoted(key)} = {_quoted(value)}" for key, value in rules.items() if not isinstance(value, dict)]
    for name, table in rules.items():
        if isinstance(table, dict):
            single += [f"[{_quoted(name)}]", *(f"{_quoted(key)} = {_quoted(value)}" for key, value in table.items())]
    try:
        return _core.read_folder_rules("\n".join(single) + "\n", "rules")
    except RuntimeError as trouble:
        raise ValueError(str(trouble)) from None


def _quoted(text):
    import json

    return json.dumps(str(text), ensure_ascii=False)


def _kept_columns(frame, sheet):
    import narwhals

    table = narwhals.from_native(frame, eager_only=True)
    headings = {frames.text_of(name): name for name in table.columns}  # numbers and dates as their text
    names = {headings[theirs]: ours for theirs, ours in sheet.kept.items()}
    return table.select([narwhals.col(name) for name in names]).rename(names).to_native()


def _fold(heading):
    return heading.strip().lower().replace(" ", "_").replace("-", "_")


def _sex_word(male_chance):
    return next(word for limit, word in SEX_WORDS if male_chance < limit)


def _no_stadia():
    numeric = {"animal", "start_earliest", "start_latest", "end_earliest", "end_latest", "start_instar"}
    rest = [name for name in STADIA_COLUMNS if name not in ("taxon", "cohort", "sex")]
    empty = {name: np.array([], dtype="int64" if name in numeric else "float64") for name in rest}
    return empty | {"status": [], "no_length_yet": np.array([], dtype=bool)}
