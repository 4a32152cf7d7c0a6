"""What the records hold of each animal's past, for the pictures of the report: `past_records`."""

import math

from moltspan import _core
from moltspan._frames import frames


def past_records(fit):
    """`{animal: {"molts", "times_days", "measure", "sizes", "signs"}}` up to the fit's `as_of`, ready for JSON.

    `molts`: days, or first and last possible day; `times_days`: shortest and longest possible time from each molt to the next; `sizes`: what was read
    of the one `measure` that was read most, each with the number of molts on record before it; `signs` of a coming molt.
    """
    collection = fit.collection
    table = collection._stadia_table(fit.as_of, fit.asked["watched"])
    readings = {}
    for reading in _core.animal_readings(table):
        readings.setdefault(reading.animal, []).append(reading)
    return {animal.id: _past_of(history, readings.get(i, []), _core.sign_days(fit._core, i))
            for i, (animal, history) in enumerate(zip(collection._core_collection.animals, table.animals, strict=True))}


def _past_of(history, readings, signs):
    molts = history.molts
    pairs = zip(molts, molts[1:], strict=False)
    measure = _most_read(readings)
    sizes = [{"molts_before": reading.molts_before, "size": reading.size} for reading in readings if reading.measure == measure]
    return {"molts": [{"earliest": _iso(molt.earliest), "latest": _iso(molt.latest)} for molt in molts],
            "times_days": [[max(after.earliest - before.latest, 0), after.latest - before.earliest] for before, after in pairs],
            "measure": measure, "sizes": sizes, "signs": [{"day": _iso(math.floor(day)), "sign": sign} for day, sign in signs]}


def _most_read(readings):
    counts = {}
    for reading in readings:
        counts[reading.measure] = counts.get(reading.measure, 0) + 1
    return "leg_span" if "leg_span" in counts else max(counts, key=counts.get, default=None)


def _iso(day):
    return frames.day_of(day).isoformat()
