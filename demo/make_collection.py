"""Writes the invented records of demo/collection; the same seed gives the same files, byte for byte.

Everything here is made up: the evening class, its oven wall, its animals, and the numbers that drive them. The numbers
are only plausible enough to exercise the program; nothing may be learned from them about the animals named.

Usage: python demo/make_collection.py [FOLDER]
"""

import csv
import math
import random
import sys
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path

import collection_notes as notes

SEED = 20260920
FIRST_EVENING, LAST_EVENING = date(2024, 9, 15), date(2026, 9, 20)
COLUMNS = ["animal", "date", "until", "event", "value", "unit", "on", "note", "by"]
WINTER_DIP_C = 3.0  # the window shelf follows the seasons, the oven wall hardly does


@dataclass(frozen=True)
class Kind:
    """How an invented kind grows: stadium of `days_at_20mm` at 20 mm, longer with size, and a ratio a molt up to `adult_mm`."""

    days_at_20mm: float
    exponent: float
    ratio: float
    spread: float
    adult_mm: float
    measure: str = "leg_span"

    def ratio_at(self, size_mm):
        return self.ratio if size_mm * self.ratio < self.adult_mm else 1.02


KINDS = {
    "Brachypelma hamorii": Kind(92, 0.75, 1.22, 0.17, 145),
    "Chromatopelma cyaneopubescens": Kind(62, 0.8, 1.27, 0.18, 130),
    "Lasiodora parahybana": Kind(52, 0.75, 1.29, 0.18, 210),
    "Damon diadema": Kind(105, 0.6, 1.24, 0.2, 30, "body_length"),
    "Sphodromantis viridis": Kind(14.5, 0.45, 1.29, 0.13, 75, "body_length"),
    "Cupiennius salei": Kind(27, 0.45, 1.26, 0.16, 110),
}


@dataclass
class Life:
    """One animal as it is played: where it stands, when it comes, when and how it ends."""

    id: str
    taxon: str
    start_mm: float
    arrives: date = FIRST_EVENING
    since_molt_days: int = 0
    ends: date = LAST_EVENING
    shelf: str = "oven"
    unit: str = "cm"
    molts_left: int = 99
    unseen_molt: int = -1  # this molt (0 = first) leaves no trace in the records
    pace: float = 1.0      # own factor on every stadium

    @property
    def kind(self):
        return KINDS[self.taxon]


LIVES = [
    Life("B1", "Brachypelma hamorii", 9, shelf="window"),
    Life("B2", "Brachypelma hamorii", 9, shelf="window", pace=0.9),
    Life("B3", "Brachypelma hamorii", 8.5, shelf="window", pace=1.1),
    Life("B4", "Brachypelma hamorii", 9, shelf="window"),
    Life("B5", "Brachypelma hamorii", 132, since_molt_days=121, pace=0.95, unit="in"),
    Life("B6", "Brachypelma hamorii", 48, arrives=date(2026, 9, 19), since_molt_days=30),
    Life("C1", "Chromatopelma cyaneopubescens", 22),
    Life("C2", "Chromatopelma cyaneopubescens", 24, since_molt_days=12, unit="in"),
    Life("C3", "Chromatopelma cyaneopubescens", 62, since_molt_days=40, molts_left=3),
    Life("C4", "Chromatopelma cyaneopubescens", 30, arrives=date(2025, 1, 12), ends=date(2026, 3, 15), unit="in"),
    Life("L1", "Lasiodora parahybana", 12, arrives=date(2024, 12, 1), shelf="top"),
    Life("L2", "Lasiodora parahybana", 12, arrives=date(2024, 12, 1), shelf="top", pace=1.1),
    Life("L3", "Lasiodora parahybana", 11.5, arrives=date(2024, 12, 1), shelf="top", pace=0.92),
    Life("L4", "Lasiodora parahybana", 12.5, arrives=date(2024, 12, 1), ends=date(2025, 11, 9), shelf="top"),
    Life("L5", "Lasiodora parahybana", 75, since_molt_days=60, unseen_molt=2, shelf="top"),
    Life("D1", "Damon diadema", 24, since_molt_days=90, shelf="top", unit="mm", pace=1.3),
    Life("D2", "Damon diadema", 9, arrives=date(2025, 3, 9), shelf="top", unit="mm"),
    Life("D3", "Damon diadema", 10, arrives=date(2025, 3, 9), ends=date(2025, 12, 21), shelf="top", unit="mm"),
    Life("M1", "Sphodromantis viridis", 8, arrives=date(2026, 3, 22), shelf="window", unit="mm", molts_left=8),
    Life("M2", "Sphodromantis viridis", 8, arrives=date(2026, 3, 22), ends=date(2026, 9, 10), shelf="window", unit="mm",
         molts_left=7, pace=0.94),
    Life("M3", "Sphodromantis viridis", 8, arrives=date(2026, 3, 22), shelf="window", unit="mm", molts_left=8, pace=1.22),
    Life("S1", "Cupiennius salei", 22, arrives=date(2025, 10, 5), molts_left=7),
    Life("S2", "Cupiennius salei", 16, arrives=date(2026, 2, 8), pace=1.1),
    Life("S3", "Cupiennius salei", 16, arrives=date(2026, 2, 8)),
]


class Journal:
    """Rows as the class wrote them; who held the pen changes how a date looks."""

    def __init__(self, chance):
        self.chance, self.rows = chance, []

    def add(self, animal, day, event, value="", unit="", until=None, on="", note=None, by=None):
        pen = by or self.chance.choice(notes.PENS)
        self.rows.append({"animal": animal, "date": written(day, pen), "until": written(until, pen) if until else "",
                          "event": notes.OWN_WORDS.get((pen, event), event), "value": value, "unit": unit, "on": on,
                          "note": self.remark(event) if note is None else note, "by": pen, "day": day})

    def remark(self, event):
        pool = notes.REMARKS.get(event, [])
        return self.chance.choice(pool) if pool and self.chance.random() < 0.16 else ""


def written(day, pen):
    return day.strftime("%d.%m.%Y") if pen == notes.DOTTED_PEN else day.isoformat()


def days(number):
    return timedelta(days=round(number))


def rounded_size(size_mm, unit, chance):
    """A size as people read it: a little low, and to the half centimeter or quarter inch."""
    seen_mm = size_mm * math.exp(chance.gauss(-0.04, 0.05))
    if unit == "cm":
        return f"{max(0.5, round(seen_mm / 5) * 0.5):g}"
    if unit == "in":
        return f"{max(0.25, round(seen_mm / 25.4 * 4) / 4):g}"
    return f"{round(seen_mm)}"


def stadium_days(life, size_mm, chance):
    kind = life.kind
    typical = kind.days_at_20mm * (size_mm / 20) ** kind.exponent * life.pace
    return typical * math.exp(chance.gauss(0, kind.spread))


def play(life, chance):
    """Molts of one life as (day, size reached in mm), the first being the one before it came."""
    size, day = life.start_mm, life.arrives - days(life.since_molt_days)
    molts = [(day, size)]
    for _ in range(life.molts_left):
        day += max(days(stadium_days(life, size, chance)), days(life.since_molt_days + 9 if len(molts) == 1 else 6))
        if day > life.ends:
            break
        size *= life.kind.ratio_at(size) * math.exp(chance.gauss(0, 0.03))
        molts.append((day, size))
    return molts


def write_molt(journal, life, day, before, chance):
    """One molt, seen on the day, guessed to a few days, or told only by the skin; `before`: the day of the molt before."""
    manner = chance.random()
    if life.arrives < day and manner < 0.24:
        looked = max(day - days(chance.randint(1, 10)), before + days(5))
        if looked < day and chance.random() < 0.85:
            journal.add(life.id, looked, "checked")
        journal.add(life.id, min(day + days(chance.randint(1, 6)), life.ends), "skin_found")
    elif manner < 0.40:
        late = min(day + days(chance.randint(1, 4)), life.ends)
        journal.add(life.id, day - days(chance.randint(0, 2)), "molt", until=late)
    else:
        journal.add(life.id, day, "molt")


def write_size(journal, life, day, size_mm, old_mm, chance):
    if chance.random() < 0.6:
        read_on = min(day + days(chance.randint(4, 12)), life.ends)
        journal.add(life.id, read_on, life.kind.measure, rounded_size(size_mm, life.unit, chance), life.unit)
    if life.kind.measure == "leg_span" and chance.random() < 0.4:
        carapace = old_mm / 6.1 * math.exp(chance.gauss(0, 0.015))
        journal.add(life.id, day + days(1), "carapace_length", f"{carapace:.1f}", "mm", on="skin")


def write_meals(journal, life, begin, end, size_mm, closed, chance):
    """Offers between two molts: nothing while soft, refusals and a dark abdomen before the next molt."""
    lead = min(4 + size_mm * 0.35, 0.35 * (end - begin).days) if closed else 0
    step = 8 if size_mm < 30 else 16
    day = max(begin, life.arrives) + days(5 + size_mm * 0.08)
    darkened = False
    while day < end:
        near = closed and (end - day).days <= lead
        if chance.random() < 0.62 or near:
            journal.add(life.id, day, "refused" if near and chance.random() < 0.75 else chance.choice(notes.OFFERS))
        if near and not darkened and size_mm > 15 and life.taxon in notes.BALD_PATCH and chance.random() < 0.55:
            journal.add(life.id, day, "darkened")
            darkened = True
        day += days(step * chance.uniform(0.6, 1.5))


def write_life(journal, life, chance):
    molts = play(life, chance)
    for number, (day, size) in enumerate(molts):
        last = number + 1 == len(molts)
        end = life.ends if last else molts[number + 1][0]
        hidden = number - 1 == life.unseen_molt
        if number and not hidden:
            write_molt(journal, life, day, molts[number - 1][0], chance)
            write_size(journal, life, day, size, molts[number - 1][1], chance)
        if life.arrives < LAST_EVENING - days(3):
            write_meals(journal, life, day, end, size, not last, chance)
    return molts


def write_first_day(journal, life, chance):
    journal.add(life.id, life.arrives, life.kind.measure, rounded_size(life.start_mm, life.unit, chance), life.unit,
                note="as it came")
    if 0 < life.since_molt_days and life.id not in ("L5", "B6"):
        journal.add(life.id, life.arrives - days(life.since_molt_days), "molt", note="date from the previous keeper")


BOXES = [(20, "spice jar"), (45, "deli tub"), (80, "preserving box"), (110, "cheese bell box"), (999, "oven tray box")]


def box_for(size_mm):
    return next(name for limit, name in BOXES if size_mm < limit)


def write_moves(journal, life, molts, chance):
    """A new box some weeks after the molt that made the old one small."""
    box = box_for(life.start_mm)
    journal.add(life.id, life.arrives, "enclosure", box, note="")
    for day, size in molts[1:]:
        moved = day + days(14 + size * 0.1)
        if box_for(size) != box and moved < life.ends:
            box = box_for(size)
            journal.add(life.id, moved, "enclosure", box)


def shelf_temperature(shelf, day, chance):
    season = math.cos((day.timetuple().tm_yday - 20) / 365.25 * 2 * math.pi)
    base, dip = {"oven": (26.2, 0.5), "top": (24.6, 1.2), "window": (24.0, WINTER_DIP_C)}[shelf]
    return base - dip * season + chance.gauss(0, 0.3)


def write_temperatures(journal, chance):
    day = FIRST_EVENING + days(35)
    while day <= LAST_EVENING:
        for shelf in ("oven", "top", "window"):
            there = [a.id for a in LIVES if a.shelf == shelf and a.arrives < day <= a.ends]
            journal.add(" ".join(there), day, "temperature", f"{shelf_temperature(shelf, day, chance):.1f}", "C", note="")
        day += days(42)


def write_hand_rows(journal):
    for row in notes.HAND_ROWS:
        journal.add(row["animal"], date.fromisoformat(row["date"]), row["event"], row.get("value", ""),
                    row.get("unit", ""), date.fromisoformat(row["until"]) if "until" in row else None,
                    row.get("on", ""), row.get("note", ""), row.get("by", "mé"))
        if "as_written" in row:
            journal.rows[-1]["date"] = row["as_written"]


def maturing_days(all_molts):
    """Day of the last molt of those that came of age."""
    return {life.id: all_molts[life.id][-1][0].isoformat() for life in LIVES
            if life.molts_left < 99 and len(all_molts[life.id]) == life.molts_left + 1}


def write_csv(path, columns, rows):
    with path.open("w", newline="", encoding="utf-8") as out:
        table = csv.DictWriter(out, columns, extrasaction="ignore", lineterminator="\n")
        table.writeheader()
        table.writerows(rows)


def main(folder):
    folder.mkdir(parents=True, exist_ok=True)
    journal, all_molts = Journal(random.Random(SEED)), {}
    for life in LIVES:
        chance = random.Random(f"{SEED} {life.id}")  # a change to one life leaves the others as they were
        write_first_day(journal, life, chance)
        all_molts[life.id] = write_life(journal, life, chance)
        write_moves(journal, life, all_molts[life.id], chance)
    write_temperatures(journal, random.Random(SEED + 1))
    write_hand_rows(journal)
    journal.rows.sort(key=lambda row: row["day"])
    write_csv(folder / "journal.csv", COLUMNS, journal.rows)
    animals = notes.animal_rows(LIVES, maturing_days(all_molts))
    write_csv(folder / "animals.csv", notes.ANIMAL_COLUMNS, animals)
    write_csv(folder / "taxa.csv", list(notes.TAXA[0]), notes.TAXA)
    write_csv(folder / "enclosures.csv", list(notes.ENCLOSURES[0]), notes.ENCLOSURES)
    (folder / "folder.toml").write_text(notes.FOLDER_TOML, encoding="utf-8")


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent / "collection")
