"""Cells that were understood and cannot be true, such as a molt after a death: taken out of the records and listed."""

from moltspan._frames import frames
from moltspan.records.import_cells import text_of
from moltspan.records.import_rows import ANIMAL_COLUMNS, JOURNAL_COLUMNS

MOST_ROUNDS = 20  # a fault may hide another; each round takes at least one cell out


def take_out_faults(intake, ledger, collect):
    """Leaves records that pass their check: what is at fault goes to the list of what found no place, with the rule it breaks.

    `collect` makes a Collection of two frames, animals and journal."""
    for _ in range(MOST_ROUNDS):
        animals = list(intake.animals.values())
        faults = [problem for problem in _problems(animals, intake.journal, collect) if problem["severity"] == "fault"]
        if not faults or not sum([_take_out(fault, animals, intake.journal, ledger) for fault in faults]):
            return
        intake.journal[:] = [row for row in intake.journal if "fault" not in row]


def _problems(animals, journal, collect):
    tables = [frames.frame_of({name: [row.get(name, "") for row in rows] for name in columns})
              for rows, columns in ((animals, ANIMAL_COLUMNS), (journal, JOURNAL_COLUMNS))]
    return collect(*tables)._problem_rows()


def _take_out(fault, animals, journal, ledger):
    """Whether anything was taken out."""
    rows, number = journal if fault["file"] == "journal" else animals, fault["row"] - 1
    if not 0 <= number < len(rows):
        return False
    row, why = rows[number], f"it cannot be true beside the rest: {fault['rule']}"
    if rows is journal:
        if "fault" in row:
            return False
        row["fault"] = True
        ledger.refused(row["place"], f"{why} ({row['event']} of {row['animal']})")
        return True
    column = fault["column"]
    if column in ("animal", "source") or not row.get(column):
        return False
    ledger.not_placed.append({"sheet": "", "cell": row["source"], "text": text_of(row[column]), "why": f"{why} ({column} of {row['animal']})"})
    row[column] = ""
    return True
