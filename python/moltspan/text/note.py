"""What `moltspan note` understood, in plain sentences."""

from moltspan._frames import frames

INCH_SIGNS = ('"', "''", "\N{DOUBLE PRIME}", "\N{RIGHT DOUBLE QUOTATION MARK}")
READINGS = {"leg_span": "leg span", "body_length": "body length", "carapace_length": "carapace length", "carapace_width": "carapace width",
            "mass": "mass"}
VERBS = {"molt": "molted", "skin_found": "molted since last seen: a skin was found", "on_back": "lay on the back, molting", "ate": "ate",
         "refused": "refused food", "fed": "got food, not known whether eaten", "darkened": "darkened", "sealed_in": "sealed in",
         "sluggish": "{was} sluggish", "molt_mat": "made a molt mat", "fangs_black": "had black fangs: hardened",
         "checked": "{was} seen, not molted", "limb_lost": "lost a leg", "egg_sac": "made an egg sac", "mated": "mated", "matured": "matured",
         "died": "died", "left": "left the collection", "escaped": "escaped", "setup": "{was} kept as {value}", "habit": "{is} {value} from then on",
         "sex": "{is} {value}", "enclosure": "moved to {value}", "unfit": "had an enclosure that {value_is} {value}",
         "temperature": "{was} kept at {value} since the last such row"}


def note_sentences(said, left_out=()):
    """One plain sentence for all that is said of the same animals; `said`: rows of `_core.read_note`, in their order."""
    sentences = []  # names, first row, parts
    for row, names in _together(said):
        if sentences and sentences[-1][0] == names and _of_one_moment(sentences[-1][1], row):
            sentences[-1][2].append(_what(row, names))
        else:
            colon = ":" if row.event in READINGS else ""
            sentences.append((names, row, [f"{_names(names)}{colon} {_what(row, names)} {_when(row)}"]))
    lines = ["; ".join(parts) for _, _, parts in sentences]
    return lines + ([f"nothing is written of {_names(left_out)}"] if left_out else [])


def _together(said):
    """Rows that differ only in their animals, joined."""
    joined = []
    for row in said:
        key = (row.earliest, row.latest, row.event, row.value, row.unit, row.on, row.note)
        if joined and joined[-1][0] == key:
            joined[-1][2].extend(row.animals)
        else:
            joined.append((key, row, list(row.animals)))
    return [(row, names) for _, row, names in joined]


def _of_one_moment(before, row):
    return row.latest == before.latest and (row.earliest == before.earliest or row.event in READINGS)


def _names(names):
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def _what(row, names):
    """What happened, with the value, what it was taken on and the note."""
    unit = "in" if row.unit in INCH_SIGNS else row.unit
    value = f"{row.value} {unit}".strip()
    if row.event in READINGS:
        text = f"{READINGS[row.event]} {value}" + (" of the skin" if row.on == "skin" else "")
    else:
        plural = len(names) > 1
        text = VERBS[row.event].format(was="were" if plural else "was", **{"is": "are" if plural else "is"}, value=value.replace("_", " "),
                                       value_is="has" if row.value in ("mold", "pests", "stale_air") else "is")
        if row.event in ("molt", "skin_found") and row.value:
            text += f" to instar {row.value}" if row.event == "molt" else f" (instar {row.value})"
    return text + (f" ({row.note})" if row.note else "")


def _when(row):
    first, last = frames.day_of(row.earliest), frames.day_of(row.latest)
    if first == last:
        return f"on {first:%A} {first.day} {first:%B %Y}"
    start = f"{first.day}" if (first.year, first.month) == (last.year, last.month) else f"{first.day} {first:%B}"
    start += "" if first.year == last.year else f" {first.year}"
    return f"between {start} and {last.day} {last:%B %Y}"
