"""Writes the lobsters of `lobster-event-log` as the records of a folder: animals.csv, journal.csv.

    python3 convert_lobsters.py FOLDER

Molts and deaths are known to the day. Ids stay the text that they are ("092"). They were kept at 15 C in tubes of their own.
"""

import csv
import sys
from pathlib import Path

from convert_crickets import write
from open_data import open_data

EVENTS = {"molt": "molt", "death": "died"}


def main(folder):
    folder.mkdir(parents=True, exist_ok=True)
    with open(open_data("lobster-event-log", "lobsters_events.csv"), newline="") as file:
        events = list(csv.DictReader(file))
    died = {row["lobster_id"]: row["date"] for row in events if row["event"] == "death"}
    animals = sorted({row["lobster_id"] for row in events})
    write(folder / "animals.csv", ("animal", "taxon", "died", "temperature_c"),
          [(animal, "Homarus americanus", died.get(animal, ""), 15) for animal in animals])
    write(folder / "journal.csv", ("animal", "date", "event"),
          [(row["lobster_id"], row["date"], EVENTS[row["event"]]) for row in events])
    print(f"{folder}: {len(animals)} lobsters, {len(events)} journal rows")


if __name__ == "__main__":
    if len(sys.argv) != 2:
        raise SystemExit("usage: convert_lobsters.py FOLDER")
    main(Path(sys.argv[1]))
