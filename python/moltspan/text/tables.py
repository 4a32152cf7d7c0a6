"""Words and tables for people: problems, the forecast table, in a terminal or as plain text.

On a terminal `rich` draws, within its width and with color; off a terminal every line is plain, aligned with blanks and
complete: nothing is wrapped, shortened or colored.
"""

import sys

from moltspan.text import verdict as verdicts
from moltspan.text.cautions import prompted, said_by_forecast
from moltspan.text.terminal import console_of, print_lines, print_pairs, print_table
from moltspan._frames.visible import visible

DEFERENCE = (
    "A forecast is no diagnosis. Local rules on keeping and moving animals come first; for a sick or hurt animal, or a "
    "bitten person, ask those licensed to treat them."
)
INVENTED = "invented records"


def problem_line(problem):
    """One fault or doubt in one line: where it stands, what stands there, what was expected, and what to do."""
    return visible(_problem_line(problem))


def _problem_line(problem):
    place = problem.get("file") or "records"
    if problem.get("row"):
        place += f", row {problem['row']}"
    if problem.get("animal"):
        place += f", animal {problem['animal']}"
    value = str(problem.get("value") or "")
    if problem.get("column") and (value or problem.get("row")):
        place += f", {problem['column']} {value!r}" if value else f", {problem['column']} is blank"
    said = [problem.get("rule"), problem.get("next_step")]
    if problem.get("file"):  # what a fit found in the records as a whole breaks no rule
        said = [text and f"{label}: {text}" for label, text in zip(("expected", "to do"), said, strict=True)]
        return f"{problem.get('severity', 'fault')}: {place}; " + "; ".join(filter(None, said))
    return f"{problem.get('severity', 'fault')}: {place}: " + "; ".join(filter(None, said))


def is_fault(problem):
    return problem.get("severity", "fault") == "fault"


def aligned(header, rows):
    """Plain lines with columns aligned by blanks; the last column is free to be long."""
    cells = [[visible(text) for text in row] for row in (header, *rows)]
    widths = [max(len(row[i]) for row in cells) for i in range(len(header))]
    return ["  ".join(text.ljust(width) for text, width in zip(row, widths, strict=True)).rstrip() for row in cells]


def percent(chance):
    """A chance in whole percent; the ends are named as bounds, never as 0 or 100 %."""
    if chance is None:
        return "-"
    if chance < 0.005:
        return "<1 %"
    return ">99 %" if chance > 0.995 else f"{chance * 100:.0f} %"


def day_range(days):
    """`{"earliest":..., "latest":...}` as one date or as two."""
    if not days:
        return "unknown"
    return days["earliest"] if days["earliest"] == days["latest"] else f"{days['earliest']} .. {days['latest']}"


def in_molt_order(document):
    """The animals with a forecast, the one that molts next first."""
    forecast = [animal for animal in document["animals"] if animal.get("next_molt")]
    return sorted(forecast, key=lambda animal: (animal["next_molt"]["quantile_days"]["0.5"], animal["animal"]))


def without_forecast(document):
    return [animal for animal in document["animals"] if not animal.get("next_molt")]


def shown_level(document):
    """The level that the table shows: 80 % where asked for, else the middle one."""
    levels = sorted(document["levels"])
    return 0.8 if 0.8 in levels else levels[len(levels) // 2]


def forecast_header(document):
    level = f"{shown_level(document) * 100:g} %"
    return ["animal", "kind", "verdict", "last molt", "most likely around", f"{level} between", "in 14 d", "in 30 d", "feed", "remarks"]


def forecast_row(animal, level):
    band = next(band for band in animal["next_molt"]["bands"] if band["level"] == level)
    chances = animal["chance_within_days"]
    return [animal["animal"], animal["taxon"] or "", verdicts.verdict_words(animal), day_range(animal["last_molt"]),
            animal["next_molt"]["median"], f"{band['from']} .. {band['to']}", percent(chances.get("14")),
            percent(chances.get("30")), verdicts.feeding_words(animal), remarks(animal)]


def size_words(size):
    """A size after the next molt; another measure than leg span is named."""
    of = "" if size["measure"] == "leg_span" else f"a {size['measure'].replace('_', ' ')} of "
    return f"{of}about {_size_number(size, size['median'])} {size['unit']}"


def _size_number(size, value):
    return f"{value:.0f}" if size["measure"] == "leg_span" else f"{value:.3g}"


def _size_band(size):
    """The band of a size nearest to 80 %, where there is any."""
    if not size["bands"]:
        return ""
    band = min(size["bands"], key=lambda band: abs(band["level"] - 0.8))
    return f" ({band['level'] * 100:g} %: {_size_number(size, band['from'])} to {_size_number(size, band['to'])})"


def remarks(animal):
    """Why the verdict is what it is, size after the molt, chances that change the picture, and the notes of the forecast."""
    verdict = animal["verdict"]
    parts = [verdict["why"]] if verdict["code"] != "between" else []
    if verdict["code"] == "between" and verdict["feeding"] == "not_yet":
        parts.append(f"food {verdict['feeding_why']}")
    size = animal.get("next_size")
    if size:
        parts.append(f"then {size_words(size)}" + _size_band(size))
    if (animal.get("chance_missed") or 0) >= 0.1 and verdict["reason"] != "missed_molt":
        parts.append(f"{percent(animal['chance_missed'])} that a molt went unseen")
    if (animal.get("chance_final") or 0) >= 0.1:
        parts.append(f"{percent(animal['chance_final'])} that it molts no more")
    return "; ".join(parts + list(animal.get("notes") or [])) or "-"


def forecast_title(document, remark=None):
    as_of, on = document["as_of"], document["on"]
    title = f"Next molts as of {as_of}, soonest first" if on == as_of else f"Next molts on {on}, records up to {as_of}, soonest first"
    return f"{title} ({remark})" if remark else title


def no_forecast_rows(document):
    return [[animal["animal"], animal["taxon"] or "", verdicts.verdict_words(animal), animal.get("why_no_forecast") or "-"]
            for animal in without_forecast(document)]


def closing_lines(document):
    """What the numbers rest on, in the words of a reader."""
    level = f"{shown_level(document) * 100:g} %"
    watched = {
        "all": f"Every animal is taken to be looked at daily up to {document['as_of']}; with --watched rows only its own rows count.",
        "rows": "An animal counts as looked at only up to its own last meal, reading or check.",
    }
    return [
        *verdicts.silence_lines(document),
        f"{level} between: {level} of such molts should fall in these dates, if records and assumptions hold.",
        "Dates hold for an animal that lives and molts again; the chances in 14 and 30 days also allow for a last molt, and hold one that came unseen.",
        watched.get(document.get("watched"), ""),
        "feed: what to offer that day; little: one small prey at most, out again the same day; waits after a molt are common practice, no source.",
        DEFERENCE,
    ]


def plain_forecast(document, remark=None):
    """The whole answer as plain text."""
    level = shown_level(document)
    lines = [forecast_title(document, remark), ""]
    lines += aligned(forecast_header(document), [forecast_row(animal, level) for animal in in_molt_order(document)])
    gone = no_forecast_rows(document)
    if gone:
        lines += ["", "Without a forecast", *aligned(["animal", "kind", "verdict", "why"], gone)]
    doubts = [problem for problem in document["problems"] if not is_fault(problem)]
    if doubts:
        lines += ["", "Answered, but doubtful", *map(problem_line, doubts)]
    return visible("\n".join([*lines, *_before_looking(document), "", *filter(None, closing_lines(document))]) + "\n", keep="\n")


def _before_looking(document):
    """What the remarks ask for, and what to beware of then; nothing where they ask for nothing."""
    lines = [f"{', '.join(names)}: {text}" for text, names in prompted(said_by_forecast(document))]
    return ["", "Before you look or reach in", *lines] if lines else []


def rich_forecast(document, console, remark=None):
    """The same for a terminal, within its width: what has no room in the table stands below it."""
    header, level = forecast_header(document), shown_level(document)
    rows = [forecast_row(animal, level) for animal in in_molt_order(document)]
    print_table(console, header, rows, ("remarks", "kind", "last molt", "in 14 d", "feed", "in 30 d", header[5], "verdict"),
                title=forecast_title(document, remark), bare=("kind", "remarks"), cap={"kind": 30, "remarks": 40},
                styles={"most likely around": "bold", "verdict": {verdicts.WORDS[code]: style for code, style in verdicts.STYLES.items()}.get})
    _print_rest(console, document)


def _print_rest(console, document):
    from moltspan._frames.visible import markup as escape

    gone = no_forecast_rows(document)
    if gone:
        console.print("\nWithout a forecast", style="bold")
    for animal, kind, verdict, why in gone:
        console.print(f"[bold]{escape(animal)}[/]  {escape(kind)}  [italic]{escape(verdict)}[/]: {escape(why)}")
    doubts = [problem_line(problem) for problem in document["problems"] if not is_fault(problem)]
    if doubts:
        console.print("\nAnswered, but doubtful", style="bold")
    print_lines(console, doubts, "yellow")
    print_lines(console, _before_looking(document), "yellow")
    console.print()
    print_lines(console, filter(None, closing_lines(document)), "dim")


def print_forecast(document, remark=None, out=None):
    """Writes the forecast for whoever reads `out`: a person at a terminal, or a file or pipe."""
    out = out or sys.stdout
    if out.isatty():
        rich_forecast(document, console_of(out), remark)
    else:
        out.write(plain_forecast(document, remark))


def print_faults(problems, out=None):
    """All faults, one a line, on standard error; says how many animals they set aside."""
    out = out or sys.stderr
    faults = [problem for problem in problems if is_fault(problem)]
    aside = sorted({problem["animal"] for problem in faults if problem.get("animal")})
    say_lines([*map(problem_line, faults), *([f"set aside until mended: {', '.join(aside)}"] if aside else [])], out)
    return len(faults)


def print_days_beyond(problems, as_of, out=None):
    """Doubtful days after the last day of the records, in the future or a year off, one a line: such rows move nobody."""
    last = as_of.isoformat() if as_of else "9999"
    beyond = [problem for problem in problems if not is_fault(problem) and problem.get("column") in ("date", "until") and str(problem["value"]) > last]
    say_lines(map(problem_line, beyond), out or sys.stderr)


def say_lines(lines, out=None):
    """Lines for whoever reads `out`: broken at words on a terminal, whole elsewhere."""
    out = out or sys.stdout
    if out.isatty():
        print_lines(console_of(out), lines)
    else:
        out.writelines(f"{visible(line)}\n" for line in lines)


def say_pairs(pairs):
    """Names and what is said of them, aligned; on a terminal within its width."""
    if sys.stdout.isatty():
        print_pairs(console_of(sys.stdout), pairs)
    else:
        print("\n".join(aligned(pairs[0], pairs[1:])))


def flat_forecast(document):
    """A row an animal, for a spreadsheet: one value a cell, blank where unknown."""
    return [_flat_animal(animal) for animal in document["animals"]]


def _flat_animal(animal):
    last, since = animal["last_molt"] or {}, animal["days_since_molt"] or {}
    next_molt, span, basis = animal["next_molt"] or {}, animal["next_leg_span_mm"] or {}, animal["basis"] or {}
    verdict = animal["verdict"]
    row = {"animal": animal["animal"], "taxon": animal["taxon"], "verdict": verdict["code"], "phase": animal["phase"],
           "last_entry": animal["last_entry"], "last_molt_earliest": last.get("earliest"), "last_molt_latest": last.get("latest"),
           "days_since_molt_min": since.get("min"), "days_since_molt_max": since.get("max"),
           "next_molt_median": next_molt.get("median")}
    for band in next_molt.get("bands", []):
        row |= {f"next_molt_{band['level']:g}_from": band["from"], f"next_molt_{band['level']:g}_to": band["to"]}
    row |= {f"days_q{key}": days for key, days in next_molt.get("quantile_days", {}).items()}
    row |= {f"chance_within_{key}_days": chance for key, chance in (animal["chance_within_days"] or {}).items()}
    row |= {"chance_final": animal["chance_final"], "chance_missed": animal["chance_missed"],
            "chance_molted_unseen": verdict["chances"]["molted_unseen"], "feeding": verdict["feeding"], "feed_from": animal["feed_from"],
            "next_leg_span_mm": span.get("median")}
    size = animal.get("next_size") or {}
    row |= {"next_size": size.get("median"), "next_size_measure": size.get("measure")}
    row |= {key: basis.get(key) for key in ("own_stadia", "taxon_stadia", "own_weight")}
    return row | {"why_no_forecast": animal["why_no_forecast"], "verdict_why": verdict["why"], "notes": "; ".join(animal["notes"] or [])}
