"""The open data sets through the scores of `others_scores.py`: crickets, lobsters and the clutches of Daphnia. Read where they lie."""

import csv
import sys
import tempfile
from datetime import date, datetime, timedelta
from pathlib import Path

import pandas as pd
from others_lives import REFERENCE, open_data
from others_scores import record_cases

import moltspan

sys.path.insert(0, str(REFERENCE))
import score_real_records as real  # noqa: E402 - lies with the references

def clutches():
    """Female -> [(day, number of the clutch, body length mm)]. A line that was begun anew is a female of its own; a clutch that is not later than
    the one before (three of them) is left out."""
    females, begun = {}, {}
    with open(open_data("daphnia-tsr", "acclimated-daphnia-body-size.csv"), newline="") as file:
        for row in csv.DictReader(file):
            name = f"{row['temperature']}-{row['replicate']}"
            begun[name] = begun.get(name, 0) + (row["stage"] == "neonate")
            if row["stage"].startswith("clutch") and row["date_measured"]:
                day = datetime.strptime(row["date_measured"], "%m-%d-%Y").date()
                known = females.setdefault(f"{name}-{begun[name]}", [])
                if not known or day > known[-1][0]:
                    known.append((day, int(row["stage"].removeprefix("clutch")), float(row["size_(um)"] or "nan") / 1000))
    return females


def daphnia():
    """One clutch an adult instar: a female molts when she releases it. The number of the clutch is stated as the instar."""
    journal, animals = [], []
    for name, rows in clutches().items():
        animals.append({"animal": name, "taxon": "Daphnia", "sex": "female", "temperature_c": name.split("-")[0]})
        for day, number, length_mm in rows:
            journal.append((name, day.isoformat(), "molt", str(number), "", ""))
            if length_mm == length_mm:
                journal.append((name, day.isoformat(), "body_length", f"{length_mm:.3f}", "mm", "animal"))
        journal.append((name, rows[-1][0].isoformat(), "left", "", "", ""))
    columns = ["animal", "date", "event", "value", "unit", "on"]
    return moltspan.Collection(pd.DataFrame(animals), pd.DataFrame(journal, columns=columns).sort_values("date", kind="stable"))


def daphnia_dates():
    days = sorted(day for rows in clutches().values() for day, _, _ in rows)
    return [(days[len(days) // 5] + timedelta(days=7 * k)).isoformat() for k in range(5)]


def sets():
    """Name -> (collection, days to forecast from, how it was watched)."""
    with tempfile.TemporaryDirectory() as folder:
        found = {name: real.converted(name, Path(folder) / name) for name in ("crickets", "lobsters")}
    return {"crickets": (found["crickets"], real.CRICKET_DATES, "rows"), "lobsters": (found["lobsters"], real.LOBSTER_DATES, "all"),
            "Daphnia clutches": (daphnia(), daphnia_dates(), "all")}


def real_cases(name, collection, dates, watched, options=None):
    """All cases of a set; days without a fit are left out."""
    rows = []
    for day in dates:
        try:
            rows += record_cases(collection, [date.fromisoformat(day)], watched, options)
        except ValueError as trouble:
            print(f"{name}, {day}: no forecast: {trouble}")
    return pd.DataFrame(rows).assign(collection=name)
