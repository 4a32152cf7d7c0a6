"""The raw tables of the open data set `gryllodes-tpc`, for both scripts that use them.

Cricket numbers are unique over all temperatures, and join the two tables. Four rows of the mass table state another temperature
than the cricket's own: 35 C for three that lived at 36 C (same incubator), and number 19 at 20 C, six weeks after cricket 19 had
died at 24 C: an error of the source, which is kept, as the figures of SOURCE.md were computed with it.
"""

import csv
from collections import defaultdict
from datetime import date, datetime
from typing import NamedTuple

from open_data import open_data



class Check(NamedTuple):
    day: date
    instar: int
    mass_mg: float
    temperature_c: int  # as this row states it


def day_of(text):
    """Dates of the source are day/month/year."""
    return datetime.strptime(text, "%d/%m/%Y").date() if text else None


def rows_of(name):
    with open(open_data("gryllodes-tpc", name), newline="") as file:
        return list(csv.DictReader(file))


def read_survival():
    """Cricket -> row of the survival table."""
    return {row["cricket"]: row for row in rows_of("TPC_survival.csv")}


def animal_id(row):
    """Temperature and number, from a row of the survival table."""
    return f"{row['temperature']}-{row['cricket']}"


def read_checks():
    """Cricket -> its checks by day, instars exactly as the source has them."""
    checks = defaultdict(list)
    for row in rows_of("TPC_mass.csv"):
        mass_mg = 1000 * (float(row["cricket_container"]) - float(row["container"]))
        check = Check(day_of(row["date"]), int(row["instar"]), round(mass_mg, 2), int(row["temperature"]))
        checks[row["cricket"]].append(check)
    return {key: sorted(values) for key, values in checks.items()}
