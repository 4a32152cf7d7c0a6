"""Logs: tables with a row an event, beside those with a row an animal."""

import re

from moltspan import _core
from moltspan._frames import frames
from moltspan.records.import_cells import text_of
from moltspan.records.import_dates import says_nothing, told_order
from moltspan.records.import_events import MEASURES, event_of, filled, molt_value, number_text
from moltspan.records.import_headings import DATES, SIZES, read_heading
from moltspan.records.import_layout import columns_settle
from moltspan.records.import_ledger import source_of
from moltspan.records.import_rows import JOURNAL_COLUMNS, AnimalRows
from moltspan.records.import_values import UNITS, sex, size

STAND_IN = "thisone"  # for names that hold what a sentence would be parted at
DATE_IN_TEXT = re.compile(r"\d{4}-\d{1,2}-\d{1,2}|\d{1,2}[./-]\d{1,2}[./-](?:\d{4}|\d{2})\b|\d{1,2}\.?\s+[^\W\d_]{3,9}\.?\s+\d{4}|"
                          r"[^\W\d_]{3,9}\s+\d{1,2},?\s+\d{4}")
CROSSED, NOT_CROSSED = ("x", "yes", "y", "1", "✓", "✔"), ("no", "n", "0")


class Intake(AnimalRows):
    """Takes all sorts of tables in."""

    def _long_row(self, number, values):
        date_column = self._column("date")
        if date_column is None or values[date_column] is None or not (days := self._when(values[date_column], self._place(number, date_column))):
            return self._leave(number, values, "its row has no day that can be read")
        name, place = self._name(number, values), self._place(number, date_column)
        animal = self._animal(name)
        until = self._cell(number, values, "until")
        if until and (last := self._when(until, self._place(number, self._column("until")))) and last.last >= days.first:
            days = days._replace(last=last.last)
            self.ledger.used(self._place(number, self._column("until")), "journal.csv: until")
        before = len(self.journal)
        self._what_happened(number, values, name, days)
        self._measures(number, values, name, days)
        for column, heading in enumerate(self.table.headings):
            where = self._place(number, column)
            if values[column] is None or where in self.ledger.fates:
                continue
            if heading.meaning in ("taxon", "scientific", "genus", "sex", "cohort", "hatched", "acquired"):
                self._fact_once(animal, heading.meaning, values[column], where)
            elif self.journal[before:] and heading.meaning in ("note", "", "event", "value"):
                self._to_note(self.journal[-1], self.table.texts[column], values[column], where, heading.meaning == "")
            elif heading.meaning in ("note", "event", "value", ""):
                self._dated_remark(animal, days, self.table.texts[column], values[column], where)
        if self.journal[before:] or place not in self.ledger.fates and any(self._place(number, c) in self.ledger.fates for c in range(len(values)) if c != date_column):
            self.ledger.used(place, "journal.csv: date")
        return self._leave(number, values, "it could not be read as what its heading says")

    def _cell(self, number, values, meaning):
        column = self._column(meaning)
        return None if column is None else values[column]

    def _what_happened(self, number, values, name, days):
        column = self._column("event")
        molt = self._column("molt")
        if column is None and molt is not None and values[molt] is not None:
            column = molt
        if column is None:
            column = self._column("note")
        if column is None or values[column] is None:
            return
        place, text = self._place(number, column), text_of(values[column])
        event = event_of(text) or ("molt" if column == molt and text.lower() in CROSSED else "")
        if event in ("acquired", "hatched"):
            animal = self._animal(name)
            animal[event] = animal[event] or days.last.isoformat()
            self.ledger.used(place, f"animals.csv: {event}")
        elif event:
            self._told(number, values, name, days, event, place)
        else:
            self._by_note_reader(name, days, text, place)

    def _told(self, number, values, name, days, event, place):
        column = self._column("value")
        value = None if column is None else values[column]
        unit = UNITS.get(text_of(self._cell(number, values, "unit")).lower(), "")
        if event in MEASURES and value is None:
            return  # the columns of sizes have it
        cells = filled(event, value, unit, lambda measure: self._default_unit(measure))
        if cells is None and event in ("enclosure", "sex", "temperature"):
            return  # told as a remark: no measures of a box, no sex, no degrees
        text = self.ledger.cells.get(place)
        self._row(name, event, days, place, text, **(cells or {}))
        if cells and value is not None:
            self.journal[-1]["source"] += f"; {source_of(self._place(number, column), value)}"
            self.ledger.used(self._place(number, column), f"journal.csv: value of {event}")
        if unit and cells and "unit" in cells:
            self.ledger.used(self._place(number, self._column("unit")), f"journal.csv: unit of {event}")

    def _default_unit(self, measure):
        self.ledger.assume(f"numbers of {measure} without a unit are in {'g' if measure == 'mass' else 'mm'}")
        return "g" if measure == "mass" else "mm"

    def _measures(self, number, values, name, days):
        for column, heading in enumerate(self.table.headings):
            place = self._place(number, column)
            if heading.meaning in SIZES and values[column] is not None and place not in self.ledger.fates and (found := size(values[column])):
                cells = {"value": number_text(found.value), "unit": found.unit or self.units[column], "on": "skin" if heading.meaning == "skin" else "animal"}
                last = days._replace(first=days.last)
                self._row(name, "leg_span" if heading.meaning == "skin" else heading.meaning, last, place, values[column], **cells)
            elif heading.meaning in ("temperature_c", "enclosure", "instar", "ate", "refused") and values[column] is not None and place not in self.ledger.fates:
                self._other_measure(name, days, heading.meaning, values[column], place)

    def _other_measure(self, name, days, meaning, value, place):
        if meaning == "instar":
            found = molt_value(text_of(value))
            rows = [row for row in self.journal if row["event"] == "molt" and row["animal"] == name]
            if found and found.get("value") and rows and not rows[-1]["value"]:
                rows[-1]["value"] = found["value"]
                rows[-1]["source"] += f"; {source_of(place, value)}"
                self.ledger.used(place, "journal.csv: instar of the molt")
            return
        if meaning in ("ate", "refused"):
            if text_of(value).lower() in CROSSED:
                self._row(name, meaning, days, place, value)
            elif text_of(value).lower() in NOT_CROSSED and meaning == "ate":
                self._row(name, "refused", days, place, value)
            elif not says_nothing(text_of(value)) and meaning == "ate":
                event = event_of(text_of(value))
                self._row(name, event if event in ("ate", "refused", "fed") else "fed", days, place, value, note="" if event else text_of(value))
            return
        cells = filled("temperature" if meaning == "temperature_c" else meaning, value, "", lambda measure: "")
        if cells:
            self._row(name, "temperature" if meaning == "temperature_c" else meaning, days._replace(first=days.last), place, value, **cells)

    def _fact_once(self, animal, meaning, value, place):
        """A fact of the animal that a log repeats in each of its rows."""
        ours, text = {"scientific": "taxon"}.get(meaning, meaning), text_of(value)
        if animal.get(ours) and meaning not in DATES and animal[ours] in (text, (sex(text) or ("",))[0]):
            return self.ledger.used(place, f"animals.csv: {ours}")
        if animal.get(ours):
            return self._keep(animal, f"other {ours}", value, place)
        return self._fact(animal, meaning, value, place)

    def _to_note(self, row, heading, value, place, named):
        said = f"{heading}: {text_of(value)}" if named and heading else text_of(value)
        row["note"] = "; ".join(filter(None, (row["note"], said)))
        self.ledger.used(place, "journal.csv: note")

    def _dated_remark(self, animal, days, heading, value, place):
        said = f"{days.last.isoformat()}: " + (f"{heading}: " if heading and not read_heading(heading).meaning else "") + text_of(value)
        animal["note"] = "; ".join(filter(None, (animal["note"], said)))
        self.ledger.used(place, "animals.csv: note, with its day")

    def _fact(self, animal, meaning, value, place):
        super()._fact(animal, meaning, value, place)
        if meaning == "note":
            self._dated_notes(animal["animal"], text_of(value), place)

    def _dated_notes(self, name, text, place):
        """Parts of a note that name a day and what happened then are rows of the journal too; the note stays whole beside them."""
        known, before = {(row["animal"], row["event"], row["date"]) for row in self.journal}, len(self.journal)
        for part in re.split(r"[;\n]+", text):
            found = DATE_IN_TEXT.findall(part)
            days = self._when(found[0], place) if len(found) == 1 else None
            said = re.sub(r"\s+(?:on|the)?$", "", DATE_IN_TEXT.sub(" ", part).strip(" ,:-()")) if days else ""
            if said:
                self._by_note_reader(name, days, said, place)
        self.journal[before:] = [row for row in self.journal[before:] if (name, row["event"], row["date"]) not in known]

    def _by_note_reader(self, name, days, text, place):
        """Sentences go through the reader of everyday notes; what it does not understand stays words."""
        plain = text[len(name):].lstrip(" :,") if text.lower().startswith(name.lower()) else text
        animals = _core.TextTable("import", ["animal"], [[STAND_IN]], [1])
        journal = _core.TextTable("import", list(JOURNAL_COLUMNS[:8]), [[]] * 8, [])
        collection = _core.make_collection(_core.RawCollection(animals, journal, None, None, _core.FolderRules()), None)
        reading = _core.read_note(collection, f"{STAND_IN} {plain}", frames.day_number(days.last))
        if reading.problems or not reading.said:
            return
        for row in reading.said:
            if row.event in MEASURES and not row.unit:
                return
            self._row(name, row.event, days, place, text, value=row.value, unit=row.unit, on=row.on, note=row.note)


def orders_of(tables, asked):
    """Order of dates of three numbers in each sheet, and what was assumed of it: told by the sheet's own dates, else by the other sheets, else day first."""
    texts = {table.sheet.name: [value for _, values in table.rows for value in values if isinstance(value, str)] +
             [value for row in table.sheet.rows[:table.head_row] for value in row if isinstance(value, str)] for table in tables}
    told = {name: asked or told_order(found) for name, found in texts.items()}
    known = {order for order in told.values() if order in ("day_first", "month_first")}
    fallback = known.pop() if len(known) == 1 else "day_first"
    orders = {name: order if order in ("day_first", "month_first") else fallback for name, order in told.items()}
    settled = {table.sheet.name for table in tables if told[table.sheet.name] == "both" and not asked and columns_settle(table)}
    unsettled = sorted(name for name, order in told.items() if order in ("", "both") and name not in settled)
    return orders, [(name, orders[name], told[name] == "both") for name in unsettled]
