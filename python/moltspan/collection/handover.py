"""Labels for boxes, and the growth record that goes with an animal: `labels`, `growth_record`."""

from moltspan import _core
from moltspan._frames import frames
from moltspan._frames.files import replace_file
from moltspan.records.records import _sex_word
from moltspan._frames.visible import visible

MEASURES = ("leg_span", "carapace_length", "carapace_width", "body_length", "mass")  # the one shown first where several were read


def labels(collection, animals=None, out=None, remark=None):
    """Labels to print and cut out, an animal each, as one HTML page that needs nothing else: name, kind, sex, hatched, last molt, last size, and a
    QR code that holds the name.

    `animals`: names (default: all that are here, in the order of animals.csv). `out`: a file to write it to as well. `remark`: small print on
    each. ValueError for a name that is not in the records, or where there is nobody to label.
    """
    from moltspan.collection.handover_page import labels_html

    table = _table(collection)
    known = [animal.id for animal in collection._core_collection.animals]
    _known("labels", known, animals or [])
    chosen = list(animals) if animals else [name for i, name in enumerate(known) if table is None or table.animals[i].state == "alive"]
    if not chosen:
        raise ValueError("labels: no animal is here; name those that are to have one")
    return _written(labels_html([animal_facts(collection, name, table) for name in chosen], remark), out)


def growth_record(collection, animal, out=None, remark=None, watched="all"):
    """One page on an animal for who takes it over, as HTML that needs nothing else: what it is, its molts with days between and sizes, its box, the
    verdict and food of the day, the next molt, and what to beware of with its kind.

    An animal that left is told as it was on the day before. Notes of your own are not on it. `out`, `remark`: as in `labels`. ValueError for an
    animal that is not in the records, or that a fault sets aside.
    """
    import moltspan
    from moltspan.collection.handover_page import record_html

    _known("growth_record", [one.id for one in collection._core_collection.animals], [animal])
    facts = animal_facts(collection, animal, _table(collection))
    if facts["set_aside"]:
        raise ValueError(f"growth_record: animal = {animal!r}: a fault in its records sets it aside; mend it first (see problems())")
    last = facts["until"] if facts["state"] != "alive" else None
    fit = moltspan.fit(collection, as_of=last and frames.day_of(frames.day_number(last) - 1), watched=watched)
    told = next(one for one in moltspan.forecast_document(fit, (0.8,))["animals"] if one["animal"] == animal)
    planned = next(one for one in fit.rehouse().document["animals"] if one["animal"] == animal)
    return _written(record_html(facts | {"as_of": fit.as_of.isoformat(), "forecast": told, "plan": planned}, remark), out)


def _known(where, known, names):
    for name in names:
        if name not in known:
            import difflib

            near = difflib.get_close_matches(str(name), known, 3)
            raise ValueError(f"{where}: animal = {name!r}: no such animal in animals.csv; " + (f"is it {', '.join(near)}?" if near else "check the name"))


def _table(collection):
    return collection._stadia_table() if collection.as_of is not None else None


def _written(text, out):
    if out is not None:
        replace_file(out, text)
    return text


def animal_facts(collection, name, table):
    """What the records say of an animal, ready to show; None = unknown. `sizes`: day, measure, size, after how many molts, on a skin."""
    core = collection._core_collection
    index, animal = next((i, one) for i, one in enumerate(core.animals) if one.id == name)
    history = table.animals[index] if table else None
    facts = {"animal": name, "kind": animal.taxon or None, "set_aside": animal.set_aside, "state": history.state if history else "alive",
             "sex": _sex_word(history.male_chance if history else animal.male_chance), "until": None, "molts": [], "sizes": []}
    facts |= {column: _cell(collection, animal.row, column) for column in ("hatched", "acquired", "cohort")}
    if history and not animal.set_aside:
        facts["molts"] = [_molt(molt) for molt in history.molts]
        facts["sizes"] = [_size(one) for one in _core.animal_readings(table) if one.animal == index]
        facts["until"] = None if history.last_watched is None else frames.day_of(history.last_watched).isoformat()
    read = {one["measure"] for one in facts["sizes"]}
    return facts | {"measure": next((measure for measure in MEASURES if measure in read), None)}


def _molt(molt):
    return {"earliest": frames.day_of(molt.earliest).isoformat(), "latest": frames.day_of(molt.latest).isoformat(),
            "instar": molt.instar if molt.instar >= 0 else None}


def _size(one):
    return {"day": frames.day_of(one.day).isoformat(), "measure": one.measure, "size": one.size, "molts_before": one.molts_before, "on_skin": one.on_skin}


def _cell(collection, row, column):
    """A cell of animals.csv as it was written; the user's own heading for it is known."""
    theirs = [name for name, ours in collection._core_collection.raw.rules.columns if ours == column]
    columns = {name.strip().lower(): values for name, values in collection._animal_columns().items()}
    values = next((columns[name] for name in [column, *map(str.lower, theirs)] if name in columns), None)
    text = "" if values is None else visible(frames.text_of(values[row]).strip())
    return text.removesuffix("T00:00:00").removesuffix(" 00:00:00") or None
