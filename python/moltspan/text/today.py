"""What to do today in five lines: leave alone, look at, feed, move, fix. Each animal stands where its verdict puts it, with the reason in a few words."""

import re
import sys

from moltspan.text.verdict import is_here, days_between, silence_lines
from moltspan._frames.said import codes_of
from moltspan._frames.visible import visible

NO_MEAL = {"last_meal": None, "eaten": None, "refused": []}

LINES = {"leave": "leave alone", "look": "look at", "feed": "feed", "move": "move", "fix": "fix"}
STYLES = {"leave": "bold yellow", "look": "bold magenta", "feed": "bold green", "move": "bold cyan", "fix": "bold red"}
IN_PEACE = ("molting", "sealed", "sac")  # left alone even where a little food may be offered
MOST_NAMES = 12  # a line on a terminal
REASONS = {"on_its_back": "molting now: hands off", "molted_lately": "soft after its molt", "perhaps_molted_lately": "perhaps soft: molt unknown",
           "sign": "premolt by its signs", "signs_likely": "premolt by its signs", "premolt_chance": "premolt by its dates",
           "sealed_while_soft": "sealed in: keep shut", "sealed_in": "sealed in: keep shut", "egg_sac": "egg sac: little food",
           "perhaps_egg_sac": "perhaps an egg sac", "arrived": "new: let it settle", "unseen_since_entry": "perhaps molted, nobody looked",
           "missed_molt": "perhaps molted unseen", "overdue": "overdue: find a skin", "longer_than_own": "longest wait so far",
           "old_sign": "old sign, no molt"}  # in the order in which they are told
MENDING = (("a day that exists", "no such day"), ("every row written once", "row written twice"), ("one spelling", "kind spelled two ways"),
           ("no smaller reading", "smaller than before"), ("went unrecorded", "molt perhaps not written"), ("a day up to today", "day in the future"),
           ("one day of death", "two days of death"), ("after its death", "row after its death"), ("instar numbers", "instar numbers do not rise"),
           ("a date in every row", "no date"), ("a sex that", "sex changes twice"))


def today_lines(forecast, plan, meals):
    """`{"leave" | "look" | "feed" | "move" | "fix": [(animal, reason)]}` of one day, from the verdicts in the documents of forecast and plan.

    Whoever is there stands in one of the first four lines (one whose record is faulty only in the last): `move` where the plan moves it on that
    day, and then without a meal before; `look` where a molt may have come unseen; `feed` where food is offered, a little too, and it has not eaten yet on that day; else `leave`.
    `fix` names records to mend, beside these. Food goes first to those who ate longest ago. `meals`: see `meals_on_record`.
    """
    advice = {animal["animal"]: animal for animal in plan["animals"]}
    lines = {name: [] for name in LINES}
    for animal in forecast["animals"]:
        line = line_of(animal, advice.get(animal["animal"]))
        if line == "feed" and has_eaten(animal, meals, forecast["on"]):
            line = "leave"
        if line:
            lines[line].append(animal)
    order = list(REASONS)
    for name in ("leave", "look"):  # what must not be disturbed first; reasons that are alike stand together
        lines[name].sort(key=lambda animal: order.index(animal["verdict"]["reason"]) if animal["verdict"]["reason"] in order else len(order))
    by_meal = sorted(lines["feed"], key=lambda animal: _meal_order(animal, meals))
    moving = sorted(lines["move"], key=lambda animal: list(advice).index(animal["animal"]))
    told = {"leave": [(animal, _leave_reason(animal, advice.get(animal["animal"]), meals)) for animal in lines["leave"]],
            "look": [(animal, REASONS[animal["verdict"]["reason"]]) for animal in lines["look"]],
            "feed": [(animal, meal_reason(animal, meals, forecast["on"])) for animal in by_meal],
            "move": [(animal, _move_reason(advice[animal["animal"]])) for animal in moving]}
    named = {name: [(animal["animal"], reason) for animal, reason in rows] for name, rows in told.items()}
    return named | {"fix": fix_reasons(forecast)}


def line_of(animal, advice):
    """The line that its verdict means for an animal: None for one that is gone or not answered."""
    verdict = animal["verdict"]
    if not is_here(animal) or verdict["code"] == "not_answered":
        return None
    if advice and advice["advice"] == "move_now":
        return "move"
    if verdict["code"] == "look":
        return "look"
    return "feed" if verdict["feeding"] in ("offer", "lightly") and verdict["code"] not in IN_PEACE else "leave"


def has_eaten(animal, meals, on):
    """Whether it got its food on that day already."""
    return meals.get(animal["animal"], NO_MEAL)["last_meal"] == on


def _leave_reason(animal, advice, meals):
    verdict = animal["verdict"]
    if line_of(animal, advice) == "feed":
        reason = "ate today" if meals[animal["animal"]]["eaten"] else "fed today"
    elif verdict["code"] in ("between", "final"):
        reason = f"{'refused, again' if meals.get(animal['animal'], NO_MEAL)['refused'] else 'next food'} {animal['feed_from']}"
    else:
        reason = REASONS[verdict["reason"]]
    return f"{reason}, but box must change" if advice and advice["advice"] == "conflict" else reason


def _move_reason(advice):
    if "box_unfit" in codes_of(advice["reasons"]):
        return "box unfit"
    return "box outgrown" if advice["outgrown"]["chance_next_molt"] == 1 else "box needs changing"


def meal_reason(animal, meals, on):
    """Why food is offered, in a few words: when it ate last, or what it refused since."""
    meal = meals.get(animal["animal"], NO_MEAL)
    words = "no meal on record"
    if meal["refused"]:
        words = f"refused {_ago(meal['refused'][-1], on)}"
    elif meal["last_meal"]:
        words = f"{'ate' if meal['eaten'] else 'fed'} {_ago(meal['last_meal'], on)}"
    return f"little, {words}" if animal["verdict"]["feeding"] == "lightly" else words


def _ago(day, on):
    days = days_between(day, on)
    return "today" if days == 0 else "yesterday" if days == 1 else f"{days} days ago"


def _meal_order(animal, meals):
    meal = meals.get(animal["animal"], NO_MEAL)
    return animal["verdict"]["feeding"] == "lightly", meal["last_meal"] or "", natural_order(animal["animal"])


def natural_order(name):
    """A2 before A10."""
    return [(int(part), "") if part.isdecimal() else (-1, part) for part in re.split(r"(\d+)", name)]


def fix_reasons(forecast):
    """Records to mend, faults first, an entry an animal; what belongs to no animal stands under its file."""
    reasons = {}
    for problem in sorted(forecast["problems"], key=lambda problem: problem.get("severity", "fault") != "fault"):
        name = problem.get("animal") or problem.get("file") or "records"
        reasons.setdefault(name, []).append(_mending(problem))
    return [(name, ", ".join(dict.fromkeys(texts))) for name, texts in reasons.items()]


def _mending(problem):
    rule = problem.get("rule") or ""
    words = next((words for start, words in MENDING if start in rule), None) or f"see its {problem.get('column') or 'record'}"
    return f"{words}, row {problem['row']}" if problem.get("row") else words


def together(entries):
    """`[([names], reason)]`: those of one reason that follow each other."""
    groups = []
    for name, reason in entries:
        if groups and groups[-1][1] == reason:
            groups[-1][0].append(name)
        else:
            groups.append(([name], reason))
    return groups


def today_title(forecast, remark=None):
    here = sum(map(is_here, forecast["animals"]))
    return f"Today, {forecast['on']}: {here} animal{'s' if here != 1 else ''}" + (f" ({remark})" if remark else "")


def line_text(entries, most=None):
    """One line as text; with `most`, the names beyond it are only counted."""
    shown = entries[:most] if most and len(entries) > most + 1 else entries
    text = "; ".join(f"{', '.join(names)} ({reason})" for names, reason in together(shown))
    rest = len(entries) - len(shown)
    return (text or "none") + (f" and {rest} more" if rest else "")


def closing_lines(forecast, folder=None):
    """How old the records are, and where the whole answer stands."""
    ask = f"moltspan report {folder}" if folder else "moltspan report"
    return [*silence_lines(forecast), "Reasons rest on chances and on common practice; the whole answer, and what each number rests on: " + ask]


def plain_today(forecast, lines, remark=None, folder=None):
    """All of it as plain text: every name, a line each."""
    width = max(map(len, LINES.values()))
    told = [f"{words.ljust(width)}  {line_text(lines[name])}" for name, words in LINES.items()]
    return visible("\n".join([today_title(forecast, remark), "", *told, "", *closing_lines(forecast, folder)]) + "\n", keep="\n")


def rich_today(forecast, lines, console, remark=None, folder=None):
    """The same for a terminal: within its width, long lines cut with the number of those left out."""
    from rich.table import Table

    from moltspan.text.terminal import print_lines
    from moltspan._frames.visible import markup as escape

    console.print(escape(today_title(forecast, remark)), style="bold")
    console.print()
    grid = Table.grid(padding=(0, 2))
    grid.add_column(no_wrap=True)
    for name, words in LINES.items():
        grid.add_row(f"[{STYLES[name] if lines[name] else 'dim'}]{words}[/]", escape(line_text(lines[name], MOST_NAMES)))
    console.print(grid)
    console.print()
    print_lines(console, closing_lines(forecast, folder), "dim")


def print_today(forecast, lines, remark=None, folder=None, out=None):
    """Writes the five lines for whoever reads `out`: a person at a terminal, or a file or pipe."""
    from moltspan.text.terminal import console_of

    out = out or sys.stdout
    if out.isatty():
        rich_today(forecast, lines, console_of(out), remark, folder)
    else:
        out.write(plain_today(forecast, lines, remark, folder))
