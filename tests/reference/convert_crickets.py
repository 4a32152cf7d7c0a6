"""Writes the crickets of `gryllodes-tpc` as the records of a folder: animals.csv, journal.csv.

    python3 convert_crickets.py FOLDER

A check is made every week and stands for the end of its day: a molt between two checks lies from the day after the first to the day
of the second. A rise of the instar by one is one molt, by two or three as many molts in the same range. An instar that falls is
written as it stands (one in the source), so that a reader has to report it. The first instar begins with a molt on the day of
hatching. The molt into adulthood is known to the day: it narrows the range of the molt that it falls into, else it stands alone as
`matured`. Incubators are constant: each check notes the same temperature. `date_subadult` and the source's exclusion note are
carried through as columns of their own.
"""

import csv
import sys
from datetime import timedelta
from pathlib import Path

from crickets import animal_id, day_of, read_checks, read_survival

ANIMAL_COLUMNS = ("animal", "taxon", "sex", "hatched", "matured", "died", "temperature_c", "date_subadult", "excluded", "note")
JOURNAL_COLUMNS = ("animal", "date", "until", "event", "value", "unit", "note")
TAXON = "Gryllodes sigillatus"


def animal_row(row):
    end = day_of(row["date_end"]) if row["reason_removed"] == "Dead" else ""
    return (animal_id(row), TAXON, row["sex"].lower() or "unknown", day_of(row["date_start"]), day_of(row["date_adult"]) or "", end,
            row["temperature"], day_of(row["date_subadult"]) or "", row["excluded"], row["reason_excluded"])


def molts_between(before, after):
    """Instar numbers reached between two checks."""
    step = after.instar - before.instar
    return range(before.instar + 1, after.instar + 1) if step > 0 else [after.instar] * (step < 0)


def molt_rows(checks, adult):
    """(first day, last day, instar) of every molt; the molt into adulthood to the day where it falls into a range."""
    rows = []
    for before, after in zip(checks, checks[1:]):
        first, last = before.day + timedelta(days=1), after.day
        reached = molts_between(before, after)
        for instar in reached:
            to_the_day = adult and first <= adult <= last and instar == reached[-1]
            rows.append((adult, adult, instar) if to_the_day else (first, last, instar))
    return rows


def journal_rows(row, checks):
    """One cricket's rows: (day to sort by, date, until, event, value, unit, note)."""
    hatched, adult, end = (day_of(row[name]) for name in ("date_start", "date_adult", "date_end"))
    rows = [(hatched, hatched, "", "molt", 1, "", "hatched")]
    for check in checks:
        rows.append((check.day, check.day, "", "checked", "", "", ""))
        rows.append((check.day, check.day, "", "mass", check.mass_mg, "mg", ""))
        rows.append((check.day, check.day, "", "temperature", row["temperature"], "C", ""))
    rows += [(last, first, last if last > first else "", "molt", instar, "", "") for first, last, instar in molt_rows(checks, adult)]
    if adult:
        rows.append((adult, adult, "", "matured", "", "", ""))
    gone = "died" if row["reason_removed"] == "Dead" else "left"
    rows.append((end, end, "", gone, "", "", row["reason_removed"].lower()))
    return sorted(rows, key=lambda cells: cells[0])


def write(path, columns, rows):
    with open(path, "w", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(columns)
        writer.writerows(rows)


def main(folder):
    folder.mkdir(parents=True, exist_ok=True)
    survival, checks = read_survival(), read_checks()
    write(folder / "animals.csv", ANIMAL_COLUMNS, map(animal_row, survival.values()))
    journal = [(animal_id(row), *cells[1:]) for key, row in survival.items() for cells in journal_rows(row, checks.get(key, []))]
    write(folder / "journal.csv", JOURNAL_COLUMNS, journal)
    print(f"{folder}: {len(survival)} crickets, {len(journal)} journal rows")


if __name__ == "__main__":
    if len(sys.argv) != 2:
        raise SystemExit("usage: convert_crickets.py FOLDER")
    main(Path(sys.argv[1]))
