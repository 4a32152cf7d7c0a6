"""Safe windows, expected molts and feeding days as an iCalendar file (RFC 5545).

The same records give the same text: DTSTAMP is the last day of the records, and a UID is made of the animal and the kind of event only, so
that a calendar replaces what it took in before.
"""

import hashlib
from datetime import date, timedelta

from moltspan.tables import DEFERENCE
from moltspan.tables_cautions import text_of
from moltspan.tables_rehouse import advice_words
from moltspan.visible import visible

LINE_OCTETS = 75
LEVEL = 0.8
QUIET_DAYS = "quiet days for a move: look first"
WITH_WINDOW = ("move_now", "conflict", "wait_hardening", "wait_premolt", "later")


def calendar_text(document, fit, remark=None):
    """`document`: the plan; `fit`: forecasts of the same records. Days are whole days; lines end in CRLF and are folded at 75 octets."""
    from moltspan.collection_fit import forecast_document

    forecast = forecast_document(fit, (LEVEL,), document["on"])
    stamp = document["as_of"].replace("-", "") + "T000000Z"
    lines = ["BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//moltspan//rehousing plan//EN", "CALSCALE:GREGORIAN",
             f"X-WR-CALNAME:{_escaped('Molts and moves' + _remark(remark))}"]
    for event in [*_windows(document), *_molts(forecast), *_feeding(forecast)]:
        lines += _event(stamp, remark, *event)
    return "".join(f"{part}\r\n" for line in [*lines, "END:VCALENDAR"] for part in _folded(line))


def _remark(remark):
    return f" ({remark})" if remark else ""


def _windows(document):
    for animal in document["animals"]:
        if animal["safe_from"] and animal["advice"] in WITH_WINDOW:
            end = animal["safe_until"] or animal["safe_from"]
            text = f"{advice_words(animal)}; {'; '.join(animal['reasons'])}"
            yield animal["animal"], "window", animal["safe_from"], end, f"{animal['animal']}: {QUIET_DAYS}", _with_cautions(text, animal)


def _with_cautions(text, animal):
    """What to look at before the lid is opened, and what to beware of then."""
    return "\n".join([f"Cautions: {text_of('look_first')}", *animal["cautions"], DEFERENCE, text])


def _molts(forecast):
    for animal in forecast["animals"]:
        if animal["next_molt"]:
            band = animal["next_molt"]["bands"][0]
            days = f"even odds by {animal['next_molt']['median']}; 80 % between {band['from']} and {band['to']}"
            text = f"{days}\nCautions: {text_of('on_back')}\n{text_of('look_for_skin')}"
            yield animal["animal"], "molt", band["from"], band["to"], f"{animal['animal']}: next molt expected (80 %)", text


def _feeding(forecast):
    for animal in forecast["animals"]:
        if animal["verdict"]["feeding"] == "not_yet":
            yield (animal["animal"], "feeding", animal["feed_from"], animal["feed_from"], f"{animal['animal']}: food can be offered again",
                   f"{animal['verdict']['feeding_why']}\nCautions: {text_of('leftovers')}")


def _event(stamp, remark, animal, kind, first, last, summary, text):
    name = hashlib.sha256(f"{kind}\n{animal}".encode()).hexdigest()[:24]
    end = date.fromisoformat(last) + timedelta(days=1)  # DTEND is the first day that no longer belongs to it
    return ["BEGIN:VEVENT", f"UID:{name}@moltspan", f"DTSTAMP:{stamp}", f"DTSTART;VALUE=DATE:{first.replace('-', '')}",
            f"DTEND;VALUE=DATE:{end.strftime('%Y%m%d')}", f"SUMMARY:{_escaped(summary + _remark(remark))}",
            f"DESCRIPTION:{_escaped(text)}", "TRANSP:TRANSPARENT", "END:VEVENT"]


def _escaped(text):
    for mark in ("\\", ";", ","):
        text = text.replace(mark, "\\" + mark)
    text = text.replace("\r\n", "\n").replace("\r", "\n").replace("\n", "\\n")
    return visible(text, keep="\t")  # other control characters are not allowed


def _folded(line):
    """Parts of at most 75 octets; all but the first begin with a blank; no letter is cut in two."""
    parts, part, size = [], "", 0
    for letter in line:
        octets = len(letter.encode())
        if size + octets > LINE_OCTETS:
            parts.append(part)
            part, size = " ", 1
        part, size = part + letter, size + octets
    return [*parts, part]
