"""When each animal ate last and what it refused since, from the rows of a journal: `meals_on_record`."""

import re

from moltspan import _core
from moltspan._frames import frames
from moltspan.text.today import NO_MEAL

FEEDING_EVENTS = ("ate", "fed", "refused")


def meals_on_record(collection, as_of):
    """`{animal: {"last_meal", "eaten", "refused"}}` up to the day `as_of`, days as ISO text.

    `last_meal`: the last day it ate or was fed (None: none on record); `eaten`: whether it was seen to eat on that day; `refused`: the days
    since then on which it took nothing. Rows with a fault, and words that are no event, count for nothing, as everywhere else.
    """
    core, last = collection._core_collection, frames.day_number(as_of)
    rows = [row for row in _feeding_rows(core) if row[2] is not None and row[2] <= last]
    found = {animal.id: [] for animal in core.animals}
    for names, event, day in rows:
        for name in names:
            found[name].append((day, event))
    return {name: _summary(sorted(told)) if told else NO_MEAL for name, told in found.items()}


def _summary(told):
    meals = [(day, event) for day, event in told if event != "refused"]
    last = meals[-1][0] if meals else None
    refused = sorted({day for day, event in told if event == "refused" and (last is None or day > last)})
    return {"last_meal": _iso(last), "eaten": (last, "ate") in meals if meals else None, "refused": [_iso(day) for day in refused]}


def _iso(day):
    return None if day is None else frames.day_of(day).isoformat()


def _feeding_rows(core):
    """`(animals, event, last possible day)` a row of the journal that tells of food."""
    journal, who = _columns(core.raw), _Names(core)
    events = {_fold(theirs): ours for theirs, ours in core.raw.rules.events} | {name: name for name in FEEDING_EVENTS}
    told = [(animal, events.get(_fold(event)), (first, until))
            for animal, event, first, until in zip(*(journal[name] for name in ("animal", "event", "date", "until")), strict=True)]
    told = [row for row in told if row[1] in FEEDING_EVENTS]
    days = _days_of({dates for *_, dates in told}, core.raw.rules)
    return [(who.named(animal), event, days.get(dates)) for animal, event, dates in told]


def _columns(raw):
    ours = {_fold_heading(theirs): name for theirs, name in raw.rules.columns}
    cells = {ours.get(_fold_heading(name), _fold_heading(name)): texts for name, texts in zip(raw.journal.columns, raw.journal.cells, strict=True)}
    blank = [""] * max(map(len, cells.values()), default=0)
    return {name: cells.get(name, blank) for name in ("animal", "event", "date", "until")}


def _days_of(dates, rules):
    """The last possible day of each pair of cells (date, until), read by the rules of the folder: each as a molt of an animal of its own."""
    pairs = sorted(dates)
    names = [str(i) for i in range(len(pairs))]
    animals = _core.TextTable("animals", ["animal"], [names], list(range(1, len(pairs) + 1)))
    cells = [names, [first for first, _ in pairs], [until for _, until in pairs], ["molt"] * len(pairs)]
    journal = _core.TextTable("journal", ["animal", "date", "until", "event"], cells, list(range(1, len(pairs) + 1)))
    core = _core.make_collection(_core.RawCollection(animals, journal, None, None, rules), None)
    if core.last_recorded_day is None:
        return {}
    histories = _core.build_stadia(core, core.last_recorded_day, _core.Watched.all).animals
    return {pair: history.molts[-1].latest for pair, history in zip(pairs, histories, strict=True) if history.molts}


class _Names:
    """Which animals a cell names: one id or cohort as the whole cell, else several between blanks, commas or semicolons."""

    def __init__(self, core):
        self.ids, self.cohorts = {animal.id.strip().lower(): animal.id for animal in core.animals}, {}
        for animal in core.animals:
            if animal.cohort:
                self.cohorts.setdefault(animal.cohort.strip().lower(), []).append(animal.id)

    def named(self, cell):
        whole = self._of(cell)
        return whole or [name for word in re.split(r"[ \t\r\n,;]+", cell) for name in self._of(word)]

    def _of(self, word):
        word = word.strip().lower()
        return [self.ids[word]] if word in self.ids else self.cohorts.get(word, [])


def _fold(word):
    return re.sub(r"[ \-_]", "", word).lower()


def _fold_heading(text):
    return re.sub(r"[ \-]", "_", text.strip()).lower()
