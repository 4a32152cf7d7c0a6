"""Sheets with one row an animal and a column a molt, taken apart into animals and a journal."""

import re
from dataclasses import dataclass

# Columns of animals.csv that have a meaning, those of taxa.csv included; all others are carried through.
ANIMAL_FIELDS = frozenset(
    "animal taxon sex cohort hatched acquired matured died habit kept_as note world hazard adult_leg_span_mm pace after_maturity "
    "after_maturity_female after_maturity_male temperature_c group".split()
)
SIZES = frozenset("leg_span body_length carapace_length carapace_width mass".split())
DATED = frozenset(["molt"])
JOURNAL_COLUMNS = ("animal", "date", "until", "event", "value", "on", "note")
NUMBERED = re.compile(r"^([a-z_]+?)[ _]*(\d+)?$")


@dataclass(frozen=True)
class Sheet:
    """What a sheet says: our two tables as text, the sheet's row of each of their rows, and its own text."""

    animals: dict
    animal_rows: list
    journal: dict
    journal_rows: list
    kept: dict  # the sheet's heading -> name in the table of animals
    text: dict
    unplaced: list  # doubts: sizes whose molt has no date


def split(text, columns):
    """`text`: heading -> texts, `columns`: heading -> ours."""
    events = _events(text, columns)
    kept = {name: columns.get(name, name) for name in text if name not in events}
    if "animal" not in kept.values():
        raise ValueError("from_wide: no column is mapped to 'animal', the name of each animal")
    n = len(next(iter(text.values()), []))
    animals = {ours: text[theirs] for theirs, ours in kept.items()}
    journal, rows, unplaced = {name: [] for name in JOURNAL_COLUMNS}, [], []
    for i in range(n):
        for entry in _entries(i, text, events, animals["animal"][i], unplaced):
            rows.append(i + 1)
            for name in JOURNAL_COLUMNS:
                journal[name].append(entry.get(name, ""))
    return Sheet(animals, list(range(1, n + 1)), journal, rows, kept, text, unplaced)


def _events(text, columns):
    """Heading -> (event, number as text), for the columns that are rows of the journal."""
    events = {}
    for theirs, ours in columns.items():
        if theirs not in text:
            raise ValueError(f"from_wide: the sheet has no column {theirs!r}; it has {', '.join(map(repr, text))}")
        found = NUMBERED.match(ours)
        if found and found[1] in SIZES | DATED:
            events[theirs] = (found[1], found[2] or "")
        elif ours not in ANIMAL_FIELDS:
            raise ValueError(f"from_wide: {theirs!r} is mapped to {ours!r}, which is neither a column of animals nor an event; give "
                             f"for example 'taxon', 'molt 2' or 'leg_span 2'")
    return events


def _entries(i, text, events, animal, unplaced):
    molts = {}
    for theirs, (event, number) in events.items():
        cell = text[theirs][i].strip()
        if event in DATED and cell:
            molts[number] = _dates(cell)
            yield {"animal": animal, "event": event, "value": number, "note": theirs} | molts[number]
    for theirs, (event, number) in events.items():
        cell = text[theirs][i].strip()
        if event in SIZES and cell:
            if number in molts:
                day = molts[number]
                last = {"date": day.get("until") or day["date"]}  # found molted, and measured, on the last day
                yield {"animal": animal, "event": event, "value": cell, "on": "animal", "note": theirs} | last
            else:
                unplaced.append(_unplaced(i, animal, theirs, cell))


def _dates(cell):
    first, dots, last = cell.partition("..")
    return {"date": first.strip(), "until": last.strip()} if dots else {"date": cell}


def _unplaced(i, animal, theirs, cell):
    return {"severity": "doubt", "file": "sheet", "row": i + 1, "animal": animal, "column": theirs, "value": cell,
            "rule": "the molt that this size belongs to has no date; the size is not used",
            "next_step": "fill in the date of the molt, or a range of days such as 2026-03-01..2026-03-08"}


def in_words_of(sheet, problems):
    """Problems with the sheet's own headings where the value tells which cell is meant, and the unplaced sizes."""
    return [_renamed(sheet, problem) for problem in problems] + sheet.unplaced


def _renamed(sheet, problem):
    if problem["file"] != "sheet" or not 1 <= problem["row"] <= len(sheet.animal_rows):
        return problem
    row, value = problem["row"] - 1, problem["value"]
    named = [theirs for theirs, ours in sheet.kept.items() if ours == problem["column"]]
    same = [theirs for theirs, cells in sheet.text.items() if value and value in re.split(r"\s*\.\.\s*", cells[row].strip())]
    headings = named or same
    return problem | {"column": headings[0]} if len(headings) == 1 else problem
