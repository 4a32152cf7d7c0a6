"""The open data sets through the scores of `others_scores.py`: crickets, lobsters and the clutches of Daphnia. Read where they lie."""

import csv
import sys
import tempfile
from datetime import date, datetime, timedelta
from pathlib import Path

import pandas as pd
from others_lives import JOURNAL_COLUMNS, REFERENCE, open_data
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


def look_days():
    """Temperature -> days on which anything was measured in that incubator: from 19 August 2017 on visits to some were days apart, and 22 of
    the 25 clutches outside their 95 % bands had been found by the first visit after five or eight days without one."""
    days = {}
    with open(open_data("daphnia-tsr", "acclimated-daphnia-body-size.csv"), newline="") as file:
        for row in csv.DictReader(file):
            if row["date_measured"]:
                days.setdefault(row["temperature"], set()).add(datetime.strptime(row["date_measured"], "%m-%d-%Y").date())
    return {temperature: sorted(found) for temperature, found in days.items()}


def daphnia():
    """One clutch an adult instar: a female molts when she releases it, on a day since the look before (of her incubator, or of her last clutch).
    The number of the clutch is stated as the instar."""
    journal, animals, looks = [], [], look_days()
    for name, rows in clutches().items():
        temperature, last = name.split("-")[0], date.min
        animals.append({"animal": name, "taxon": "Daphnia", "sex": "female", "temperature_c": temperature})
        for day, number, length_mm in rows:
            earlier = [look for look in looks[temperature] if look < day]
            since = max(last, earlier[-1] if earlier else day - timedelta(days=1)) + timedelta(days=1)
            journal.append((name, since.isoformat(), day.isoformat(), "molt", str(number), "", ""))
            last = day
            if length_mm == length_mm:
                journal.append((name, day.isoformat(), "", "body_length", f"{length_mm:.3f}", "mm", "animal"))
        journal.append((name, rows[-1][0].isoformat(), "", "left", "", "", ""))
    return moltspan.Collection(pd.DataFrame(animals), pd.DataFrame(journal, columns=JOURNAL_COLUMNS).sort_values("date", kind="stable"))


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
