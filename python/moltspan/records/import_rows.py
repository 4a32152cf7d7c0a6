"""The rows of a table that was found, as animals and a journal; every cell leaves a trace in the ledger."""

import re

from moltspan.records.import_cells import text_of
from moltspan.records.import_dates import When, says_nothing, when
from moltspan.records.import_events import event_of, molt_value, number_text
from moltspan.records.import_headings import DATES, OF_ANIMALS, SIZES, read_heading
from moltspan.records.import_layout import LONG, is_date_column, is_section, is_total, orders_of_columns, place_in_sheet
from moltspan.records.import_ledger import source_of
from moltspan.records.import_values import box, sex, size

ANIMAL_COLUMNS = ("animal", "taxon", "sex", "cohort", "hatched", "acquired", "matured", "died", "temperature_c", "note", "source")
JOURNAL_COLUMNS = ("animal", "date", "until", "event", "value", "unit", "on", "note", "source")
ENDS = ("died", "left", "escaped", "matured")
LARGE_CM, LARGE_MM = 4.0, 20.0  # numbers without a unit: from which the middle one is no inch, no centimeter


class AnimalRows:
    """Takes tables with a row an animal in, one after the other: `animals` (name -> cells) and `journal` (cells of each row)."""

    def __init__(self, ledger, today, orders, file_day):
        self.ledger, self.today, self.orders, self.file_day = ledger, today, orders, file_day
        self.animals, self.journal, self.extra, self.mature = {}, [], [], {}
        self.understood, self.order_asked = [], False

    def take(self, table):
        """One table, whole."""
        self.table, self.order, self.places = table, self.orders[table.sheet.name], {}
        self.column_orders = {} if self.order_asked else orders_of_columns(table)
        self._columns_differ()
        self.units = {column: self._unit(column) for column, heading in enumerate(table.headings) if heading.meaning in SIZES}
        self._headings()
        self._above()
        section = ""
        usual = sorted(sum(value is not None for value in values) for _, values in table.rows)[len(table.rows) // 2] if table.rows else 0
        for number, values in table.rows:
            if is_total(values):
                self._leave(number, values, "a row that sums up others")
            elif table.kind != LONG and is_section(values, usual):
                section = next(text_of(value) for value in values if value is not None)
                self._mark_row(number, values, "a heading of the rows below it: column section")
            elif table.kind == LONG:
                self._long_row(number, values)
            else:
                self._animal_row(number, values, section)

    def _columns_differ(self):
        said = [f"{self.table.texts[column]} {order.replace('_', ' ')}" for column, order in self.column_orders.items()]
        if len(set(self.column_orders.values())) > 1:
            self.ledger.assume(f"columns differ in the order of day and month; each is read as its own dates tell: {', '.join(said)}")

    # --- headings, and what stands above them ---

    def _place(self, row, column):
        return place_in_sheet(self.table, row, column)

    def _headings(self):
        t = self.table
        for column, (text, heading) in enumerate(zip(t.texts, t.headings, strict=True)):
            values = [values[column] for _, values in t.rows if values[column] is not None]
            self.ledger.used(self._place(t.head_row, column), "a heading")
            if t.head_row and text != text_of(self._sheet_value(t.head_row, column)):
                for back in range(column, -1, -1):
                    if self._sheet_value(t.head_row - 1, back) is not None:
                        self.ledger.used(self._place(t.head_row - 1, back), "a heading of several columns")
                        break
            if text or values:
                self.understood.append({"sheet": t.sheet.name, "heading": text or "(blank)", "taken as": self._taken_as(column, heading),
                                        "cells": len(values), "for example": text_of(values[0]) if values else ""})

    def _sheet_value(self, row, column):
        return self.ledger.cells.get(self._place(row, column))

    def _taken_as(self, column, heading):
        if not heading.meaning:
            return "kept as it is" if self.table.texts[column] else "not placed"
        unit = self.units.get(column, "")
        return " ".join(word for word in (heading.meaning.replace("scientific", "taxon").replace("skin", "leg span of a skin"), heading.number, unit) if word)

    def _above(self):
        """Titles, and pairs such as `Name: Ada` above the headings of a sheet that belongs to one animal."""
        t, cells = self.table, {}
        for row, column in t.above:
            cells.setdefault(row, []).append(column)
        for row, columns in cells.items():
            texts = [text_of(self._sheet_value(row, column)) for column in columns]
            if t.animal and self._pairs(row, columns, texts):
                continue
            for column, text in zip(columns, texts, strict=True):
                if self._place(row, column) not in self.ledger.fates:
                    self._loose(row, column, text)

    def _pairs(self, row, columns, texts):
        if len(columns) == 1 and ":" in texts[0]:
            label, _, text = texts[0].partition(":")
            return self._own_cell(label, text.strip(), text.strip(), [self._place(row, columns[0])])
        if len(columns) != 2:
            return False
        value = self._sheet_value(row, columns[1])
        return self._own_cell(texts[0], texts[1], value, [self._place(row, column) for column in columns])

    def _own_cell(self, label, text, value, places):
        meaning = read_heading(label.rstrip(": ")).meaning
        if meaning not in OF_ANIMALS or not text:
            return False
        if meaning == "animal":
            self.table = self.table._replace(animal=text)
            self._animal(text)
        else:
            self._fact(self._animal(self.table.animal), meaning, value, places[-1])
        self.understood.append({"sheet": self.table.sheet.name, "heading": label, "taken as": f"{meaning} of the whole sheet", "cells": 1, "for example": text})
        for place in places:
            self.ledger.used(place, f"animals.csv: {meaning}")
        return True

    def _loose(self, row, column, text):
        place = self._place(row, column)
        if found := when(self._sheet_value(row, column), self.order, self.today):
            self.places["sheet day"] = found.last
            self.ledger.used(place, "the day of the sheet")
        elif len(text.split()) > 1 or row < self.table.head_row and len(self.table.above) <= 2:
            self.ledger.used(place, "a title")
            self.extra.append((f"{self.table.sheet.name}: " if self.table.sheet.name else "") + text)
        else:
            self.ledger.unplaced(place, "it stands above the headings")

    # --- animals ---

    def _animal(self, name):
        return self.animals.setdefault(name, dict.fromkeys(ANIMAL_COLUMNS, "") | {"animal": name})

    def _name(self, number, values):
        column = self._column("animal")
        text = text_of(values[column]) if column is not None else self.table.animal
        if column is not None and text and not says_nothing(text):
            self.ledger.used(self._place(number, column), "animals.csv: animal")
            return text
        if column is None and text:
            return text
        self.ledger.assume("rows without a name are named by their row")
        return f"row {number + 1}"

    def _column(self, meaning):
        return next((column for column, heading in enumerate(self.table.headings) if heading.meaning == meaning), None)

    def _animal_row(self, number, values, section):
        name = self._name(number, values)
        if self.table.kind != LONG and name in self.animals and self.animals[name]["source"] and not self.table.animal:
            self.ledger.assume(f"{name} stands in two rows: the second one is named {name} (row {number + 1})")
            name = f"{name} (row {number + 1})"
        animal = self._animal(name)
        animal["source"] = animal["source"] or (f"{self.table.sheet.name}, " if self.table.sheet.name else "") + f"row {number + 1}"
        if section:
            animal["section"] = section
        molts = self._molts(number, values, name)
        for column, (heading, value) in enumerate(zip(self.table.headings, values, strict=True)):
            place = self._place(number, column)
            if value is None or place in self.ledger.fates:
                continue
            if heading.meaning in OF_ANIMALS:
                self._fact(animal, heading.meaning, value, place)
            elif not heading.meaning:
                self._keep(animal, self.table.texts[column], value, place)
        self._sizes(number, values, name, molts)
        self._days(number, values, name)
        self._instar(number, values, name, molts)
        self._leave(number, values, "it could not be read as what its heading says")

    def _fact(self, animal, meaning, value, place):
        text = text_of(value)
        if says_nothing(text) and meaning != "sex":
            return self.ledger.used(place, "says that nothing is known")
        if meaning == "sex":
            return self._sex(animal, text, place)
        if meaning in DATES:
            return self._fact_day(animal, meaning, value, place)
        ours = {"scientific": "taxon"}.get(meaning, meaning)
        if meaning == "genus" or ours == "taxon" and animal.get("genus") == animal["taxon"] != "":
            animal["taxon"] = f"{text} {animal['taxon']}".strip() if meaning == "genus" else f"{animal['taxon']} {text}"
            if meaning == "genus":
                animal["genus"] = animal["taxon"]
        elif meaning == "note" and animal["note"]:
            animal["note"] += f"; {text}"
        elif ours == "temperature_c" and not (found := re.fullmatch(r"(\d+(?:[.,]\d+)?)\s*°?\s*c?", text, re.IGNORECASE)):
            return self.ledger.unplaced(place, "no temperature in degrees C, as 25")
        elif ours == "taxon" and animal["taxon"] and animal["taxon"] != text:
            self._keep(animal, "other name", value, place)
            if meaning == "scientific":
                animal["other name"], animal["taxon"] = animal["taxon"], text
        else:
            animal[ours] = found[1].replace(",", ".") if ours == "temperature_c" else text
        return self.ledger.used(place, f"animals.csv: {ours}")

    def _sex(self, animal, text, place):
        found = sex(text)
        if not found:
            return self.ledger.unplaced(place, "no sex as f, m, f?, unsexed, 0.1.0")
        animal["sex"], mature = found
        if mature:
            self.mature[animal["animal"]] = text
            animal["note"] = "; ".join(filter(None, (animal["note"], f"mature when the table was made ({text})")))
        return self.ledger.used(place, "animals.csv: sex")

    def settle_mature(self):
        """Animals that are said to be mature (`MM`) without a day: since their last molt, else since the day of the file at the latest."""
        for name, text in self.mature.items():
            rows = [row for row in self.journal if row["animal"] == name]
            if self.animals[name]["matured"] or any(row["event"] == "matured" for row in rows):
                continue
            molts = [row["until"] or row["date"] for row in rows if row["event"] == "molt"]
            self.animals[name]["matured"] = max(molts, default=self.file_day.isoformat())
            self.ledger.assume(f"an animal that is said to be mature ({text}) is so since its last molt, or the day of the file where none is told")

    def _fact_day(self, animal, meaning, value, place):
        found = self._when(value, place)
        if not found:
            return self.ledger.unplaced(place, "no day, month or year that can be read")
        if found.first == found.last or meaning in ("hatched", "acquired"):
            animal[meaning] = found.last.isoformat()
            if found.first != found.last:
                animal["note"] = "; ".join(filter(None, (animal["note"], f"{meaning}: {text_of(value)}")))
                self.ledger.assume(f"of a range in {meaning} the last day stands in animals.csv, the words in note")
        elif meaning == "died":
            self._row(animal["animal"], "died", found, place, value)
        else:
            self._row(animal["animal"], meaning, found, place, value)
        return self.ledger.used(place, f"animals.csv: {meaning}")

    def _keep(self, animal, text, value, place):
        if not text:
            return self.ledger.unplaced(place, "its column has no heading")
        name = text if text.lower().replace(" ", "_") not in ANIMAL_COLUMNS else f"{text} (as it was)"
        said = text_of(value)
        animal[name] = f"{animal[name]}; {said}" if animal.get(name) and animal[name] != said else said
        return self.ledger.used(place, f"animals.csv: {name}")

    # --- what is dated ---

    def _when(self, value, place=None):
        """The day of a cell, in the order of its column where that tells one of its own."""
        column = place[1 if self.table.turned else 2] if place else None
        return when(value, self.column_orders.get(column, self.order), self.today)

    def _row(self, animal, event, days, place, said, **cells):
        row = dict.fromkeys(JOURNAL_COLUMNS, "") | {"animal": animal, "date": days.first.isoformat(), "event": event} | cells
        if days.last != days.first:
            row["until"] = days.last.isoformat()
        row["source"], row["place"] = source_of(place, said), place
        self.journal.append(row)
        self.ledger.used(place, f"journal.csv: {event}")

    def _molts(self, number, values, name):
        """Days of the molts of a row, by the number in the heading; blank for the last one. Cells with several days hold several molts."""
        molts = {}
        for column, heading in enumerate(self.table.headings):
            if heading.meaning != "molt" or values[column] is None:
                continue
            place, text = self._place(number, column), text_of(values[column])
            if says_nothing(text):
                self.ledger.used(place, "says that nothing is known")
                continue
            if self._molt_and_more(name, heading, place, values[column], molts):
                continue
            found = self._when(values[column], place)
            several = [found] if found else [self._when(part.strip(), place) for part in re.split(r"[;,\n]+|\s{2,}", text)]
            if not several or None in several:
                self.ledger.unplaced(place, "no day, month or year that can be read")
                continue
            for days in several:
                self._row(name, "molt", days, place, values[column], value=heading.number if self._counts_instars(column) else "")
                molts[heading.number] = days
        return molts

    def _molt_and_more(self, name, heading, place, value, molts):
        """A cell with more than a day: `3.11.23 (5 cm)`, `died 1.3.24`. False where it is neither."""
        text = text_of(value)
        ended = re.fullmatch(r"([^\W\d]+)[\s:]+(.+)", text)
        if ended and event_of(ended[1]) in ENDS and (days := self._when(ended[2], place)):
            self._row(name, event_of(ended[1]), days, place, value)
            return True
        bracket = re.fullmatch(r"(.+?)\s*[(\[](.+)[)\]]", text)
        days = self._when(bracket[1], place) if bracket else None
        if not days:
            return False
        measured = size(bracket[2])
        measured = measured if measured and measured.unit else None
        self._row(name, "molt", days, place, value, note="" if measured else bracket[2])
        molts[heading.number] = days
        if measured:
            event = "mass" if measured.unit in ("g", "mg") else "leg_span"
            self._row(name, event, days._replace(first=days.last), place, value, value=number_text(measured.value), unit=measured.unit, on="animal")
        return True

    def _counts_instars(self, column):
        """Whether a heading's number is an instar (`L4`, `instar 4`), not the number of a column (`molt 2`)."""
        return bool(re.search(r"(?:instar|stage|\b[li])\s*\d", self.table.texts[column].lower()))

    def _sizes(self, number, values, name, molts):
        for column, heading in enumerate(self.table.headings):
            if heading.meaning not in SIZES or values[column] is None:
                continue
            place, found = self._place(number, column), size(values[column])
            if not found:
                said = says_nothing(text_of(values[column]))
                self.ledger.used(place, "says that nothing is known") if said else self.ledger.unplaced(place, "no size as 5, 5 cm or 2-3 cm")
                continue
            day = self._size_day(number, values, heading, molts)
            if day is None:
                self.ledger.unplaced(place, "the molt that this size belongs to has no date")
                continue
            cells = {"value": number_text(found.value), "unit": found.unit or self.units[column], "on": "skin" if heading.meaning == "skin" else "animal"}
            if found.is_range:
                cells["note"] = f"the middle of {text_of(values[column])}"
            self._row(name, "leg_span" if heading.meaning == "skin" else heading.meaning, day, place, values[column], **cells)

    def _size_day(self, number, values, heading, molts):
        """The day of a size: of the molt with its number; of a size now the day that is told for it, else the last one in its row."""
        if heading.number and (heading.number in molts or any(other.meaning == "molt" and other.number for other in self.table.headings)):
            found = molts.get(heading.number)
            return found and found._replace(first=found.last)
        column = self._column("measured")
        if column is not None and values[column] is not None and (found := self._when(values[column], self._place(number, column))):
            self.ledger.used(self._place(number, column), "the day of the size")
            return found._replace(first=found.last)
        days = [found.last for column, (other, value) in enumerate(zip(self.table.headings, values, strict=True))
                if value is not None and is_date_column(other) and other.meaning not in ("hatched", "died") and (found := self._when(value, self._place(number, column)))]
        if "sheet day" in self.places:
            return self._assumed(self.places["sheet day"], "a size now is of the day above its table")
        if days:
            return self._assumed(max(days), "a size now is of the last day in its row")
        return self._assumed(self.file_day, "a size now without any day in its row is of the day of the file")

    def _assumed(self, day, what):
        self.ledger.assume(what)
        return When(day, day)

    def _days(self, number, values, name):
        """Last meals, refusals, boxes: events with a day of their own."""
        for column, heading in enumerate(self.table.headings):
            value, place = values[column], self._place(number, column)
            if value is None or heading.meaning not in ("ate", "refused", "rehoused", "enclosure", "measured") or place in self.ledger.fates:
                continue
            if says_nothing(text_of(value)):
                self.ledger.used(place, "says that nothing is known")
            elif heading.meaning == "enclosure":
                self._enclosure(number, values, name, column)
            elif found := self._when(value, place):
                if heading.meaning in ("ate", "refused"):
                    self._row(name, heading.meaning, found, place, value)
                else:
                    self._keep(self.animals[name], self.table.texts[column], value, place)

    def _enclosure(self, number, values, name, column):
        place, found, moved = self._place(number, column), box(text_of(values[column])), self._column("rehoused")
        day = self._when(values[moved], self._place(number, moved)) if moved is not None and values[moved] is not None else None
        if not found or not day:
            return self._keep(self.animals[name], self.table.texts[column], values[column], place)
        unit = found[1] or self.table.headings[column].unit or "cm"
        if not found[1] and not self.table.headings[column].unit:
            self.ledger.assume("boxes without a unit are in cm")
        self._row(name, "enclosure", day, place, values[column], value=found[0], unit=unit)
        return self.ledger.used(self._place(number, moved), "journal.csv: the day of the box")

    def _instar(self, number, values, name, molts):
        column = self._column("instar")
        if column is None or values[column] is None:
            return
        place, found = self._place(number, column), molt_value(text_of(values[column]))
        rows = [row for row in self.journal if row["event"] == "molt" and row["animal"] == name]
        if found and found.get("value") and rows:
            last = max(rows, key=lambda row: row["until"] or row["date"])
            last["value"] = last["value"] or found["value"]
            last["source"] += f"; {source_of(place, values[column])}"
            self.ledger.used(place, "journal.csv: instar of the last molt")
        else:
            self._keep(self.animals[name], self.table.texts[column], values[column], place)

    # --- what is left ---

    def _leave(self, number, values, why):
        for column, value in enumerate(values):
            if value is None:
                continue
            if says_nothing(text_of(value)):
                self.ledger.used(self._place(number, column), "says that nothing is known")
            self.ledger.unplaced(self._place(number, column), why)

    def _mark_row(self, number, values, fate):
        for column, value in enumerate(values):
            if value is not None:
                self.ledger.used(self._place(number, column), fate)

    def _unit(self, column):
        """Unit of numbers without one: the heading's, else that of the other cells, else the likeliest by their middle size."""
        heading = self.table.headings[column]
        if heading.unit:
            return heading.unit
        found = [one for _, values in self.table.rows if values[column] is not None and (one := size(values[column]))]
        if heading.meaning == "mass":
            return "g"
        named = [one.unit for one in found if one.unit]
        bare = sorted(one.value for one in found if not one.unit)
        if not bare:
            return ""
        guess = max(set(named), key=named.count) if named else "mm" if bare[len(bare) // 2] >= LARGE_MM else "cm"
        self.ledger.assume(f"{self.table.texts[column]}: numbers without a unit are in {guess}")
        return guess
