"""The documents that the report page is made of: forecast, rehousing plan, backtest, and what users noted beside an animal."""

import moltspan


def report_documents(fit, remark=None, on=None):
    """A dict ready for JSON: `forecast`, `rehouse` and `backtest` as their own commands write them for day `on` (default: the fit's `as_of`), why a
    backtest is missing, and the `health` of the fit.

    `backtest` is None where the records are too few to look back on; `why_no_backtest` then says what they lack. It uses the options of the fit.
    """
    backtest, why = _backtest(fit)
    documents = {"forecast": moltspan.forecast_document(fit, on=on), "rehouse": fit.rehouse(on=on).document, "backtest": backtest,
                 "why_no_backtest": why, "health": [{"state": state, "topic": topic, "text": text} for state, topic, text in fit.health.notes]}
    return ({"remark": remark} if remark else {}) | documents


def own_notes(collection):
    """`{animal: text}`: the column `note` of the animals, where it is not blank."""
    theirs = [name for name, ours in collection._core_collection.raw.rules.columns if ours == "note"]
    columns = {name.strip().lower(): values for name, values in collection._animal_columns().items()}
    texts = next((columns[name] for name in ["note", *map(str.lower, theirs)] if name in columns), None)
    if texts is None:
        return {}
    notes = {animal.id: texts[animal.row] for animal in collection._core_collection.animals}
    return {name: text.strip() for name, text in notes.items() if isinstance(text, str) and text.strip()}


def _backtest(fit):
    asked = {name: fit.asked[name] for name in ("watched", "family", "method", "truncation", "priors")}
    try:
        return moltspan.backtest(fit.collection, as_of=fit.as_of, **asked).document(), None
    except ValueError as trouble:  # records too few to look back on; the options are those of a fit that stands
        return None, f"too short a history to say: {trouble}"
    except RuntimeError as trouble:  # no fit on some past day: the rest of the page stands all the same
        return None, str(trouble)
