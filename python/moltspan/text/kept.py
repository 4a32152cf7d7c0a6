"""Words of kept forecasts: what was said, what came, and how much the share held says."""

from datetime import date

from moltspan.text.terminal import console_of, print_lines
from moltspan._frames.visible import visible

SHOWN = 0.8
FEW = 10  # molts under which a share says next to nothing

HEADER = ("animal", "said on", "most likely", "8 in 10", "what came", "range")
MISSED = "missed: "
ENDED = {"died": "died", "left": "left", "escaped": "escaped"}


def spoken(day, beside=None):
    """A day as people say it; the year only where it is not that of `beside`. Both are ISO texts."""
    said = date.fromisoformat(day)
    year = "" if beside and beside[:4] == day[:4] else f" {said.year}"
    return f"{said.day} {said:%B}{year}"


def sentence(one):
    """`on 12 September 2026: most likely around 10 October (8 in 10: 30 September to 21 October); it molted on 14 October`."""
    said = one["said_on"]
    days = [spoken(one[name], said) for name in ("even_odds", "from_80", "to_80")]
    return f"on {spoken(said)}: most likely around {days[0]} (8 in 10: {days[1]} to {days[2]}); {what_came(one)}"


def what_came(one):
    """What the records say of it now."""
    said, outcome, until = one["said_on"], one["outcome"], one["watched_until"]
    if one["molt_latest"]:
        first, last = spoken(one["molt_earliest"], said), spoken(one["molt_latest"], said)
        when = f"on {first}" if first == last else f"between {first} and {last}"
        return f"it molted {when}" + (", which does not tell whether the range held" if outcome == "range" else "")
    if outcome in ENDED:
        return f"it {ENDED[outcome]} without a molt; last seen {spoken(until, said)}"
    return {"running": f"still running on {spoken(until, said) if until else 'the last day'}, no molt yet",
            "overdue": f"no molt written down by {spoken(until, said) if until else 'the last day'}",
            "changed": "its molts before that day were written down otherwise since: it cannot be told",
            "set_aside": "a fault in its records sets it aside: it cannot be told",
            "not_here": "it stands in the records no more: it cannot be told"}[outcome]


def range_word(one):
    """Whether the 8 in 10 range held."""
    words = {"held": "held", "early": f"{MISSED}molted before it", "late": f"{MISSED}molted after it", "overdue": f"{MISSED}over without a molt",
             "running": "still running"}
    if one["outcome"] in ENDED:
        return f"{MISSED}over without a molt" if one["held_80"] is False else "cannot be told"
    return words.get(one["outcome"], "cannot be told")


def kept_row(one):
    return [one["animal"], one["said_on"], one["even_odds"], f"{one['from_80']} .. {one['to_80']}", what_came(one), range_word(one)]


def share_lines(document):
    """How many ranges held, with what that says; the first line is the answer."""
    share = next(one for one in document["shares"] if one["level"] == SHOWN)
    n, held = share["molts"], share["held"]
    if n == 0:
        return ["no 8 in 10 range of a kept forecast is over yet: nothing can be counted"]
    lines = [f"{held} of {n} molts fell into the 8 in 10 range of the first forecast that was kept of them ({100 * held / n:.0f} %; 80 % is right)",
             f"by so many molts the true share may be anything from {share['lower']:.0f} to {share['upper']:.0f} %"
             + (": next to nothing is told yet" if n < FEW else "")]
    if share["forecasts"] > n:
        error = share["standard_error"]
        lines.append(f"all {share['forecasts']} forecasts whose range is over, several of a molt: {share['held_percent']:.0f} % held"
                     + (f" (error {error:.0f}, animals counted as wholes)" if error is not None else ""))
    return lines


def counted_note(document):
    """What does not count, and why."""
    waiting = sum(one["held_80"] is not None and not one["counted_80"] for one in document["forecasts"])
    untold = sum(one["held_80"] is None and one["outcome"] != "running" for one in document["forecasts"])
    lines = ["A range counts once it is over: else molts in good time would count before those that come late."]
    overdue = sum(one["outcome"] == "overdue" and one["counted_80"] for one in document["forecasts"])
    lines += [f"Missed as no molt was written down in time: {overdue}. A molt may have gone unseen, or the last one lies behind it: a range holds for an "
              "animal that molts again."] if overdue else []
    lines += [f"Known already, but their range is not over: {waiting}."] if waiting else []
    return lines + ([f"Cannot be told (a molt known to a range of days, a death, a sale, changed records): {untold}."] if untold else [])


def kept_title(document, remark=None):
    title = f"Kept forecasts, and what came by {document['as_of']}"
    return f"{title} ({remark})" if remark else title


def kept_lines(document, firsts):
    """The whole answer as lines: the share, then a sentence a molt, those that came first."""
    lines = [line[0].upper() + line[1:] + "." for line in share_lines(document)] + counted_note(document)
    for heading, those in _parts(firsts):
        lines += ["", heading, *(f"{one['animal']}: {sentence(one)}{_in_brackets(one)}" for one in those)]
    return lines


def _in_brackets(one):
    return f" ({range_word(one)})" if one["held_80"] is not None else ""


def _parts(firsts):
    parts = {"What came": [one for one in firsts if one["molt_latest"] or one["outcome"] == "overdue"],
             "Still running": [one for one in firsts if one["outcome"] == "running"]}
    rest = [one for one in firsts if not any(one in those for those in parts.values())]
    return [(heading, those) for heading, those in (parts | {"Ended otherwise, or cannot be told": rest}).items() if those]


def print_kept(document, firsts, out, remark=None):
    """For whoever reads `out`: broken at words and with missed ranges in color on a terminal, whole lines elsewhere."""
    if not out.isatty():
        out.write(visible("\n".join([kept_title(document, remark), "", *kept_lines(document, firsts)]) + "\n", keep="\n"))
        return
    console = console_of(out)
    print_lines(console, [kept_title(document, remark)], "bold")
    for line in kept_lines(document, firsts):
        print_lines(console, [line], "yellow" if MISSED in line else None)
