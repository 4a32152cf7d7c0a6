"""Words of the verdict on an animal and a day. Every table, page and file takes them from here."""

from datetime import date

from moltspan._frames.said import codes_of

WORDS = {"not_answered": "not answered", "dead": "dead", "gone": "gone", "molting": "molting: do not touch", "sealed": "sealed in: leave in peace",
         "soft": "hardening", "sac": "egg sac: leave in peace", "resting": "new: let it settle", "final": "molts no more", "look": "look first",
         "premolt": "premolt", "between": "between molts"}
POSSIBLE_PREMOLT = "may be in premolt"
SAYS_WORDS = {WORDS["premolt"]: {"sign", "signs_likely", "premolt_likely"}, POSSIBLE_PREMOLT: {"premolt_possible"},
              WORDS["between"]: {"between_molts"}}  # codes of reasons that begin with these words
STYLES = {"look": "bold magenta", "premolt": "bold yellow", "molting": "bold yellow", "sealed": "bold yellow", "soft": "cyan", "sac": "bold yellow"}
LEFT = ("dead", "gone")
FEEDING = {"hold": "nothing", "lightly": "little", "offer": "yes"}
SILENT_DAYS = 60  # an animal of which nobody wrote for longer is named


def verdict_words(animal):
    """The verdict in two or three words; what is only possible is said as such."""
    verdict = animal["verdict"]
    if verdict["reason"] == "premolt_chance" and verdict["feeding"] == "lightly":
        return POSSIBLE_PREMOLT
    return WORDS[verdict["code"]]


def says_its_words(animal):
    """Whether the reason begins with the words of the verdict anyway."""
    return bool(SAYS_WORDS.get(verdict_words(animal), frozenset()) & codes_of([animal["verdict"]["why"]]))


def feeding_words(animal):
    """What to offer on that day: nothing, little, yes, or the day from which."""
    verdict = animal["verdict"]
    if verdict["feeding"] == "not_yet":
        return f"from {animal['feed_from']}"
    return FEEDING.get(verdict["feeding"], "-")


def is_here(animal):
    return animal["verdict"]["code"] not in LEFT


def days_between(first, last):
    return (date.fromisoformat(last) - date.fromisoformat(first)).days


def silence_lines(document):
    """How old the last entry is, and of whom nobody wrote for long; nothing where the records end on the day itself."""
    on, last = document["on"], document["last_entry"]
    if last is None:
        return []
    age = days_between(last, on)
    lines = [f"Last entry: {last}, {age} day{'s' if age != 1 else ''} before {on}."] if age > 0 else []
    if days_between(document["as_of"], on) > 0:
        lines[-1:] = [*lines[-1:], f"The days since {document['as_of']} count as unwatched: a molt may have come in them."]
    silent = [(animal["animal"], days_between(animal["last_entry"], on)) for animal in document["animals"]
              if is_here(animal) and animal["last_entry"] and days_between(animal["last_entry"], on) > SILENT_DAYS]
    if silent and age <= SILENT_DAYS:
        lines.append(f"Not written of for over {SILENT_DAYS} days: {', '.join(f'{name} ({days} days)' for name, days in silent)}.")
    elif silent:
        lines.append(f"Nobody wrote of any animal for {age} days or more.")
    return lines
