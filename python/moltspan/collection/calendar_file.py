"""Days to look, likely molts, safe moves and feeding days as an iCalendar file (RFC 5545).

The same records give the same text: DTSTAMP is the last day of the records, and a UID is made of the collection, the animal and the kind of entry only,
so that a calendar replaces what it took in before and two collections leave each other alone.
"""

import hashlib
from datetime import date, datetime, timedelta, timezone

from moltspan.text.tables import DEFERENCE
from moltspan.text.cautions import text_of
from moltspan.text.rehouse import advice_words
from moltspan.text.verdict import verdict_words
from moltspan._frames.visible import visible

LEVELS = (0.5, 0.8)
LONGEST_MOLT_DAYS, LONGEST_MOVE_DAYS = 28, 14  # an entry that spans a season is looked at by nobody; the text has the whole range
REMINDER = timedelta(hours=9)  # after the day begins, where the phone is
QUIET_DAYS = "quiet days for a move: look first"
SAFE_NOW = ("move_now", "later")  # whose days hang on no molt to come and no look
SAFE_STATES = ("between", "final")


def calendar_text(document, fit, remark=None, collection=None):
    """`document`: the plan; `fit`: forecasts of the same records; `collection`: what tells its entries from those of other collections (default: the place
    that the records were read from). Days are whole days."""
    from icalendar import Calendar

    forecast = fit._document(LEVELS, document["on"])
    of = str(fit.collection._source or "") if collection is None else collection
    calendar = Calendar()
    for name, value in (("version", "2.0"), ("prodid", "-//moltspan//molts and moves//EN"), ("calscale", "GREGORIAN"),
                        ("x-wr-calname", visible(f"Molts and moves{_named(collection, fit)}{_remark(remark)}"))):
        calendar.add(name, value)
    stamp = datetime.fromisoformat(document["as_of"]).replace(tzinfo=timezone.utc)
    for entry in [*_looks(forecast), *_molts(forecast), *_moves(document), *_feeding(forecast)]:
        calendar.add_component(_event(of, stamp, remark, *entry))
    return calendar.to_ical().decode("utf-8")


def _named(collection, fit):
    name = collection or (fit.collection._source.name if fit.collection._source else "")
    return f": {name}" if name else ""


def _remark(remark):
    return f" ({remark})" if remark else ""


def _range(animal, level):
    band = next(band for band in animal["next_molt"]["bands"] if band["level"] == level)
    return date.fromisoformat(band["from"]), date.fromisoformat(band["to"])


def _expected(animal):
    first, last = _range(animal, 0.8)
    return f"next molt most likely around {animal['next_molt']['median']} (8 in 10: {first} to {last})"


def _looks(forecast):
    """The day from which to look, with a reminder: where the 80 % range begins, or the day of the calendar where that has passed."""
    on = date.fromisoformat(forecast["on"])
    for animal in forecast["animals"]:
        if animal["next_molt"]:
            day = max(on, _range(animal, 0.8)[0])
            said = "; ".join(dict.fromkeys([verdict_words(animal), animal["verdict"]["why"]]))
            text = f"{_expected(animal)}\non {on}: {said}\nCautions: {text_of('on_back')}"
            yield animal["animal"], "look", day, day, f"{animal['animal']}: look from today, a molt may come", text, True


def _molts(forecast):
    """The likeliest days: the middle half, at most four weeks about the median."""
    for animal in forecast["animals"]:
        if animal["next_molt"]:
            first, last = _likeliest(animal)
            text = f"likeliest days; {_expected(animal)}\nCautions: {text_of('on_back')}\n{text_of('look_for_skin')}"
            yield animal["animal"], "molt", first, last, f"{animal['animal']}: next molt likeliest", text, False


def _likeliest(animal):
    first, last = _range(animal, 0.5)
    half = timedelta(days=LONGEST_MOLT_DAYS // 2)
    middle = date.fromisoformat(animal["next_molt"]["median"])
    return max(first, middle - half), min(last, middle + half - timedelta(days=1))


def _moves(document):
    """Days for a move that hang on nothing: none where a molt may come first, where it has to be looked at or left in peace, or where two rules conflict."""
    for animal in document["animals"]:
        if animal["safe_from"] and animal["advice"] in SAFE_NOW and animal["verdict"]["code"] in SAFE_STATES:
            first = date.fromisoformat(animal["safe_from"])
            end = first + timedelta(days=LONGEST_MOVE_DAYS - 1)
            last = min(date.fromisoformat(animal["safe_until"]), end) if animal["safe_until"] else end
            until = f"quiet until {animal['safe_until']}" if animal["safe_until"] else "no molt is to come"
            text = f"{until}; {advice_words(animal)}; {'; '.join(animal['reasons'])}"
            yield animal["animal"], "window", first, last, f"{animal['animal']}: {QUIET_DAYS}", _with_cautions(text, animal), False


def _with_cautions(text, animal):
    """What to look at before the lid is opened, and what to beware of then."""
    return "\n".join([f"Cautions: {text_of('look_first')}", *animal["cautions"], DEFERENCE, text])


def _feeding(forecast):
    for animal in forecast["animals"]:
        if animal["verdict"]["feeding"] == "not_yet":
            day = date.fromisoformat(animal["feed_from"])
            yield (animal["animal"], "feeding", day, day, f"{animal['animal']}: food can be offered again",
                   f"{animal['verdict']['feeding_why']}\nCautions: {text_of('leftovers')}", True)


def _event(of, stamp, remark, animal, kind, first, last, summary, text, reminded):
    from icalendar import Event

    event, title = Event(), visible(summary + _remark(remark))
    name = hashlib.sha256("\0".join((of, kind, animal)).encode("utf-8", "surrogatepass")).hexdigest()[:24]
    end = last + timedelta(days=1)  # DTEND is the first day that no longer belongs to it
    for key, value in (("uid", f"{name}@moltspan"), ("dtstamp", stamp), ("dtstart", first), ("dtend", end), ("summary", title),
                       ("description", visible(text, keep="\n")), ("transp", "TRANSPARENT")):
        event.add(key, value)
    if reminded:
        event.add_component(_alarm(title))
    return event


def _alarm(title):
    from icalendar import Alarm

    alarm = Alarm()
    for key, value in (("action", "DISPLAY"), ("description", title), ("trigger", REMINDER)):
        alarm.add(key, value)
    return alarm
