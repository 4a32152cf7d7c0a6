"""The documents that the report page is made of: forecast, rehousing plan, look-back, past records, and what users noted beside an animal."""

from datetime import timedelta

import moltspan
from moltspan._frames import frames
from moltspan.records.meals import meals_on_record
from moltspan.report.kept import kept_document
from moltspan.report.past import past_records

LOOK_BACKS = ("recent", "all", "none")
MOST_ANIMALS = 30  # looked back on without being asked: each past day costs as much as the page itself
RECENT_DAYS = 2
ASK_FOR_IT = "moltspan backtest FOLDER scores them, or moltspan report FOLDER --look-back all"


def report_documents(fit, remark=None, on=None, look_back="recent", folder=None):
    """A dict ready for JSON: `forecast`, `rehouse` and `backtest` as their own commands write them for day `on` (default: the fit's `as_of`), why a
    backtest is missing, what it left out, the `health` of the fit, `meals` (see `meals_on_record`), `past` (see `past_records`) and `shelves`.

    `look_back`: "all" as `moltspan backtest` does it, "none", or "recent": two days of the last year, and none of more than 30 animals.
    `kept`: what became of the forecasts kept in `folder` (see `kept_document`), None where none were.
    `backtest` is None where it was left out or the records are too few to look back on; `why_no_backtest` then says so. It uses the options of the fit.
    """
    if look_back not in LOOK_BACKS:
        raise ValueError(f"look_back={look_back!r}: give one of {', '.join(LOOK_BACKS)}")
    backtest, why, left_out = _backtest(fit, look_back)
    documents = {"forecast": moltspan.forecast_document(fit, on=on), "rehouse": fit.rehouse(on=on).document, "backtest": backtest,
                 "why_no_backtest": why, "backtest_left_out": left_out,
                 "health": [{"state": state, "topic": topic, "text": text} for state, topic, text in fit.health.notes],
                 "meals": meals_on_record(fit.collection, fit.as_of), "past": past_records(fit), "shelves": own_column(fit.collection, "shelf"),
                 "kept": kept_document(folder, fit.collection, fit.asked["watched"]) if folder else None}
    return ({"remark": remark} if remark else {}) | documents


def own_notes(collection):
    """`{animal: text}`: the column `note` of the animals, where it is not blank."""
    return own_column(collection, "note")


def own_column(collection, name):
    """`{animal: text}`: a column of the animals by its name or the user's own word for it, where it is not blank."""
    theirs = [word for word, ours in collection._core_collection.raw.rules.columns if ours == name]
    columns = {heading.strip().lower(): values for heading, values in collection._animal_columns().items()}
    texts = next((columns[heading] for heading in [name, *map(str.lower, theirs)] if heading in columns), None)
    if texts is None:
        return {}
    told = {animal.id: frames.text_of(texts[animal.row]) for animal in collection._core_collection.animals}
    return {animal: text.strip() for animal, text in told.items() if text.strip()}


def _backtest(fit, look_back):
    """(document, why there is none, what it left out)."""
    if look_back == "none" or (look_back == "recent" and len(fit.collection._core_collection.animals) > MOST_ANIMALS):
        return None, f"left out, as looking back takes far longer than the page; {ASK_FOR_IT}", None
    asked = {name: fit.asked[name] for name in ("watched", "family", "method", "truncation", "priors")}
    recent = _recent_days(fit) if look_back == "recent" else None
    try:
        if recent:
            return _scored(fit, asked, recent), None, f"Only {len(recent)} days of the last year are looked back on here; {ASK_FOR_IT}."
        return _scored(fit, asked), None, None
    except ValueError as trouble:  # records too few to look back on; the options are those of a fit that stands
        return None, f"too short a history to say: {trouble}", None
    except RuntimeError as trouble:  # no fit on some past day: the rest of the page stands all the same
        return None, str(trouble), None


def _scored(fit, asked, origins=8):
    return moltspan.backtest(fit.collection, origins=origins, as_of=fit.as_of, **asked).document()


def _recent_days(fit):
    """Evenly over the last year, and over no more than the later half of the records: by then most of what a forecast rests on is known."""
    first = frames.day_of(fit.collection._core_collection.first_recorded_day)
    begin = max(fit.as_of - timedelta(days=365), first + (fit.as_of - first) / 2)
    span = (fit.as_of - begin).days
    return [begin + timedelta(days=span * i // RECENT_DAYS) for i in range(RECENT_DAYS)] if span >= 60 else None
