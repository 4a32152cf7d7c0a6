"""Words of labels and growth records."""

from datetime import date

from moltspan.text.cautions import DEFERS, always
from moltspan.text.verdict import feeding_words, verdict_words


def molt_days(molt):
    return molt["earliest"] if molt["earliest"] == molt["latest"] else f"{molt['earliest']} .. {molt['latest']}"


def size_words(one):
    """`52 mm leg span`, `1.3 g mass`."""
    unit = "g" if one["measure"] == "mass" else "mm"
    return f"{one['size']:.3g} {unit} {one['measure'].replace('_', ' ')}"


def last_size(facts):
    """The last size of the animal itself in the measure that is shown; None without any."""
    own = [one for one in facts["sizes"] if one["measure"] == facts["measure"] and not one["on_skin"]]
    return max(own, key=lambda one: one["day"]) if own else None


def label_lines(facts):
    """[(what, text)] of a label; what is not known is left out."""
    size = last_size(facts)
    lines = [("sex", facts["sex"]), ("hatched", facts["hatched"]), ("last molt", molt_days(facts["molts"][-1]) if facts["molts"] else None),
             ("size", size and f"{size_words(size)} ({size['day']})")]
    lines = [(what, text) for what, text in lines if text]
    return lines + ([("records", "faulty, see moltspan check")] if facts["set_aside"] else [])


def head_lines(facts):
    """[(what, text)] on top of a record."""
    plan, forecast = facts["plan"], facts["forecast"]
    box = plan["enclosure_mm"]
    size = last_size(facts)
    lines = [("kind", facts["kind"] or "not recorded"), ("sex", facts["sex"]), ("hatched", facts["hatched"]), ("came here", facts["acquired"]),
             ("brood", facts["cohort"]), ("size", size and f"{size_words(size)}, read on {size['day']}"),
             ("box", box and " x ".join(f"{side:.0f}" for side in box) + " mm"), (f"on {facts['as_of']}", _state(forecast)),
             ("food that day", feeding_words(forecast)), ("next molt", next_molt(forecast))]
    return [(what, text) for what, text in lines if text]


def _state(forecast):
    state, why = verdict_words(forecast), forecast["verdict"]["why"]
    return state if why == state else f"{state}: {why}"


def next_molt(forecast):
    if not forecast["next_molt"]:
        return forecast["why_no_forecast"]
    [band] = forecast["next_molt"]["bands"]
    return f"most likely around {forecast['next_molt']['median']} (8 in 10: {band['from']} to {band['to']}), if it lives and is kept as before"


MOLT_HEAD = ("molt", "day", "instar", "days since the molt before", "sizes after it", "its skin")


def molt_rows(facts):
    """A row a molt: number, day, instar, days since, sizes until the next, size of the skin (which is that before the molt)."""
    rows = []
    for i, molt in enumerate(facts["molts"]):
        before = facts["molts"][i - 1] if i else None
        after = [one for one in facts["sizes"] if one["molts_before"] == i + 1 and not one["on_skin"]]
        skin = [one for one in facts["sizes"] if one["molts_before"] == i and one["on_skin"]]
        rows.append([str(i + 1), molt_days(molt), "" if molt["instar"] is None else str(molt["instar"]), _days_between(before, molt),
                     "; ".join(f"{size_words(one)} ({one['day']})" for one in after), "; ".join(map(size_words, skin))])
    return rows


def _days_between(before, molt):
    if before is None:
        return ""
    days = [(date.fromisoformat(molt[end]) - date.fromisoformat(before[begin])).days for end, begin in (("earliest", "latest"), ("latest", "earliest"))]
    return str(days[0]) if days[0] == days[1] else f"{days[0]} to {days[1]}"


def caution_lines(facts):
    return [*facts["plan"]["cautions"], *always(), DEFERS]
