"""Words of the report page: sentences about an animal, rows of its tables. Plain text; the page escapes it."""

from moltspan.text.tables import in_molt_order, percent, shown_level, size_words, without_forecast
from moltspan.text.cautions import said_by_forecast
from moltspan.text.today import NO_MEAL, natural_order
from moltspan.text.verdict import LEFT, says_its_words, verdict_words
from moltspan._frames.said import Said

SHOWN_CHANCE = 0.05  # animals under it are named in one line, not left out
SHOWN_TIMES = 6  # between the last molts of an animal; the journal has all
FEEDING = {"hold": "Hold", "not_yet": "Not yet", "lightly": "Little", "offer": "Feed"}
FEEDING_WORDS = {
    "hold": "Offer nothing for now, and take uneaten prey out",
    "not_yet": "The wait after a molt, an arrival or a refusal is not over",
    "lightly": "One small prey at most, out again the same day: it may be in premolt, or, with a sac, drop or eat it (common practice, no source)",
    "offer": "Nothing stands against feeding",
}
FEEDING_CODES = {"hold": ("take_prey_out",)}  # what these words ask for


def report_title(documents):
    title = f"Molt report, records up to {documents['forecast']['as_of']}"
    return f"{title} ({documents['remark']})" if documents.get("remark") else title


def in_report_order(document):
    """Soonest molt first, then those without a forecast; those that died or left come last."""
    rest = without_forecast(document)
    return [*in_molt_order(document), *sorted(rest, key=lambda animal: animal["verdict"]["code"] in LEFT)]


def week_ahead(document):
    """Animals that may molt within 7 days, likeliest first, and the names of those with less than the chance shown."""
    running = sorted(in_molt_order(document), key=lambda animal: -animal["chance_within_days"]["7"])
    likely = [animal for animal in running if animal["chance_within_days"]["7"] >= SHOWN_CHANCE]
    return likely, [animal["animal"] for animal in running[len(likely):]]


def feeding_round(document):
    """`{"hold" | "not_yet" | "lightly" | "offer": [(animal, why)]}` as the verdicts say, and those not answered as (animal, why)."""
    groups, others = {name: [] for name in FEEDING}, []
    for animal in document["animals"]:
        verdict = animal["verdict"]
        if verdict["feeding"] != "none":
            groups[verdict["feeding"]].append((animal, feeding_why(animal)))
        elif verdict["code"] not in LEFT:
            others.append((animal, verdict["why"]))
    return groups, others


def by_last_meal(rows, meals):
    """Those who ate longest ago first; who has no meal on record before all."""
    return sorted(rows, key=lambda row: (meals.get(row[0]["animal"], NO_MEAL)["last_meal"] or "", natural_order(row[0]["animal"])))


def meal_cells(animal, meals):
    """Its last meal, and what it refused since: the last day, and how often where more than once."""
    meal = meals.get(animal["animal"], NO_MEAL)
    refused = meal["refused"]
    last = meal["last_meal"] or "-"
    return [last if meal["eaten"] or last == "-" else f"{last}, not seen to eat", f"{refused[-1]}" + (f" ({len(refused)} times)" if len(refused) > 1 else "") if refused else "-"]


def feeding_why(animal):
    """Why it stands in its part of the round; what its heading says already is not said again."""
    verdict = animal["verdict"]
    return verdict["why"] if verdict["feeding"] == "lightly" else verdict["feeding_why"]


def feeding_texts(groups, document):
    """`{animal: texts}`: what the feeding round and the forecast say of each."""
    said = said_by_forecast(document)
    for name, members in groups.items():
        for animal, why in members:
            said[animal["animal"]] += [Said(FEEDING_WORDS[name], FEEDING_CODES.get(name, ())), why]
    return said


def chance_of(animal, days):
    return percent(animal["chance_within_days"][str(days)])


def band_of(animal, level):
    return next(band for band in animal["next_molt"]["bands"] if band["level"] == level)


def strip(animal, advice, document):
    """What is always shown of one animal beside its verdict, as short sentences. `advice`: its entry in the rehousing plan, or None."""
    return [*filter(None, [_last_molt(animal), _next_molt(animal, shown_level(document)), _size(animal, advice), _feeding(animal)])]


def more(animal, notes, past, own_note):
    """The rest of what is known of it: chances, its own times, what the forecast rests on, `notes`."""
    lines = [_chances(animal), _last_molts(animal), _times(past), _basis(animal)]
    return [*filter(None, lines), *map(_sentence, notes), *([f"Your note: {own_note}"] if own_note else [])]


def notes_of(animal, advice, elsewhere=()):
    """The notes of the forecast but for those that stand `elsewhere` or among the assumptions of the plan."""
    assumed = advice["assumptions"] if advice else []
    return [note for note in animal["notes"] or [] if note not in elsewhere and not any(text.startswith(note) for text in assumed)]


def verdict_and_why(animal):
    """The verdict in a few words, and its reason where that says more."""
    words, why = verdict_words(animal), animal["verdict"]["why"]
    return (why, None) if says_its_words(animal) else (words, why)


def short_kind(taxon):
    """B. hamorii."""
    genus, _, rest = (taxon or "").partition(" ")
    return f"{genus[0]}. {rest}" if genus and rest else genus


def _last_molt(animal):
    if not animal["last_molt"]:  # of one that is set aside, its records say nothing yet
        return "No molt on record." if animal["next_molt"] else None
    since, when = animal["days_since_molt"], animal["last_molt"]
    days = f"{since['min']}" if since["min"] == since["max"] else f"{since['min']} to {since['max']}"
    between = when["earliest"] if when["earliest"] == when["latest"] else f"{when['earliest']} to {when['latest']}"
    return f"Last molt {between} ({days} days)."


def _next_molt(animal, level):
    if not animal["next_molt"]:
        return None if animal["verdict"]["code"] in ("not_answered", *LEFT) else f"No forecast: {animal['why_no_forecast']}."
    band = band_of(animal, level)
    return f"Even odds by {animal['next_molt']['median']}, {level * 100:g} % {band['from']} to {band['to']}."


def _chances(animal):
    known = {days: chance for days, chance in animal["chance_within_days"].items() if chance is not None}
    if not animal["next_molt"] or not known:
        return None
    return "Within " + ", ".join(f"{days} days {percent(chance)}" for days, chance in known.items()) + "."


def _times(past):
    told = [f"{low}" if low == high else f"{low} to {high}" for low, high in past.get("times_days", [])[-SHOWN_TIMES:]]
    return f"Between its last molts: {', '.join(told)} days." if told else None


def _last_molts(animal):
    told = (("chance_missed", "that a molt went unseen since"), ("chance_final", "that it molts no more"))
    parts = [f"{percent(animal[name])} {words}" for name, words in told if animal["next_molt"] and (animal[name] or 0) >= 0.1]
    return f"Chance {', '.join(parts)}." if parts else None


def _feeding(animal):
    verdict = animal["verdict"]
    if verdict["feeding"] == "none":
        return None
    said = verdict["feeding_why"] if verdict["feeding"] in ("offer", "not_yet") else None
    return f"Food: {FEEDING[verdict['feeding']].lower()}" + (f", {said}." if said else ".")


def _size(animal, advice):
    parts = []
    if advice and advice["leg_span_mm"] is not None:
        parts.append(f"{'was about' if animal['verdict']['code'] in LEFT else 'about'} {advice['leg_span_mm']:.0f} mm")
    if animal.get("next_size"):
        parts.append(f"then {size_words(animal['next_size'])}")
    return f"Size {', '.join(parts)}." if parts else None


def _basis(animal):
    basis = animal["basis"]
    if not animal["next_molt"]:
        return None
    return (f"Rests on {_counted(basis['own_stadia'], 'own time', 'own times')} and {basis['taxon_stadia']} of its kind, "
            f"{percent(basis['own_weight'])} of it on its own.")


def _counted(n, one, many):
    return f"{n} {one if n == 1 else many}"


def _sentence(text):
    return text[:1].upper() + text[1:] + ("" if text.endswith((".", "!", "?")) else ".")


def backtest_lines(backtest):
    """What was scored, in a sentence or two."""
    first, last = backtest["origins"][0], backtest["origins"][-1]
    lines = [f"{backtest['forecasts']} forecasts from {len(backtest['origins'])} past days, {first} to {last}, made with what was known then; "
             f"the molt was seen later for {backtest['molt_seen']}.",
             "Standard errors, in brackets, allow for several forecasts of one animal being alike."]
    return lines + [_sentence(note) for note in backtest["health"]["notes"]]


def coverage_rows(backtest):
    return [[f"{row['level'] * 100:g} %", _share(row["mean"], row["standard_error"], ".1f"), str(row["cases"]), str(row["animals"])]
            for row in backtest["coverage"]]


def rule_rows(backtest):
    return [[row["rule"], str(row["rule_days"]["cases"]), _days(row["rule_days"]["mean"]), _days(row["forecast_days"]["mean"]),
             _days(row["gain_days"]["mean"], "+.1f", row["gain_days"]["standard_error"]), _share(row["gain_share"], row["gain_share_error"], "+.0f")]
            for row in backtest["rules"]]


def _days(value, form=".1f", error=None):
    return "-" if value is None else f"{value:{form}}" + ("" if error is None else f" ({error:.1f})")


def _share(value, error, form):
    return "-" if value is None else f"{value * 100:{form}} %" + ("" if error is None else f" ({error * 100:{form.lstrip('+')}})")
