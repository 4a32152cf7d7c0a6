"""Words and tables of the rehousing plan, for a terminal and as plain text."""

import sys

from moltspan.text.tables import aligned, percent
from moltspan.text.cautions import always, caution_lines, grouped_cautions, sources_line, who
from moltspan.text.verdict import WORDS, silence_lines, verdict_words
from moltspan.text.terminal import console_of, print_lines, print_table
from moltspan._frames.visible import visible

ADVICE_WORDS = {"move_now": "move now", "conflict": "conflict", "wait_hardening": "wait: hardening", "wait_premolt": "wait: premolt",
                "hold": "hold", "measure_first": "measure first", "later": "later", "fits": "fits", "final": "final", "gone": "gone"}
ADVICE_STYLES = {"move_now": "bold green", "conflict": "bold red", "wait_hardening": "cyan", "wait_premolt": "yellow", "hold": "magenta",
                 "measure_first": "bold"}
HEADER = ["animal", "advice", "leg span", "floor ratio", "safe days [a]", "outgrown by (80 %) [a]", "box [a]", "why"]
LEVEL = 0.8
TOLD_NEVER = 0.05  # chance that a box is never outgrown from which it is told


def plan_title(document, remark=None):
    title = f"Rehousing plan for {document['on']}, records up to {document['as_of']}"
    return f"{title} ({remark})" if remark else title


def advice_words(animal):
    """What to do about its box; an animal that is held is said by its verdict, and one to look at first beside what its box needs."""
    if animal["advice"] == "hold":
        return verdict_words(animal)
    look = animal["verdict"]["code"] == "look" and animal["advice"] in ("later", "fits", "measure_first")
    return f"{WORDS['look']}; {ADVICE_WORDS[animal['advice']]}" if look else ADVICE_WORDS[animal["advice"]]


def safe_days(animal):
    """The safe days as a range; no end where it molts no more; after a molt to come only days counted from it."""
    if animal["safe_from"] is None:
        after = animal["safe_after_molt_days"]
        return f"day {after[0]} to {after[1]} after its molt" if after else "-"
    if animal["safe_until"] is None:
        return f"from {animal['safe_from']}"
    return animal["safe_from"] if animal["safe_from"] == animal["safe_until"] else f"{animal['safe_from']} .. {animal['safe_until']}"


def outgrown_days(animal):
    """When its box is outgrown: the middle date and the 80 % band, or the chance at the next molt; and the chance that it never is."""
    outgrown = animal["outgrown"]
    if outgrown["chance_next_molt"] == 1:
        return "now"
    never = outgrown["chance_never"] or 0
    rest = f"; not in its life: {percent(never)}" if never >= TOLD_NEVER else ""
    band = next((band for band in outgrown["bands"] if band["level"] == LEVEL), None)
    if band is None or outgrown["median"] is None:
        chance = outgrown["chance_next_molt"]
        return f"{percent(chance)} at next molt{rest}" if chance else "-"
    end = band["to"] or ("never" if rest else "later")
    return f"{outgrown['median']} ({band['from']} .. {end}){rest}"


def size_text(sides):
    return " x ".join(f"{side:.0f}" for side in sides) + " mm" if sides else "-"


def box_text(animal):
    """The suggested box; own boxes by name."""
    box = animal["suggested"]
    if box is None:
        return "-"
    return f"{box['name']}, {size_text(box['mm'])}" if box["name"] else size_text(box["mm"])


def number_text(value, form, unit=""):
    return "-" if value is None else f"{value:{form}}{unit}"


def plan_row(animal):
    return [animal["animal"], advice_words(animal), number_text(animal["leg_span_mm"], ".0f", " mm"),
            number_text(animal["ratio"], ".1f"), safe_days(animal), outgrown_days(animal), box_text(animal),
            "; ".join(animal["reasons"]) or "-"]


def grouped(document, field):
    """Each text once, with the animals that it is said of, in the order of the plan."""
    groups = {}
    for animal in document["animals"]:
        for text in animal[field]:
            groups.setdefault(text, []).append(animal["animal"])
    return list(groups.items())


def closing_lines(document):
    lines = ["[a] rests on assumptions and on common practice without a source:"]
    lines += [f"  {text}: {', '.join(names)}" for text, names in grouped(document, "assumptions")]
    lines += ["  suggested sizes: middle or lower end of the target for its habit (assumption)", f"  {sources_line()}",
              "Safe days: neither soft nor in premolt, and no molt likely to pass unseen before; outgrown: the molt after which a limit is passed."]
    return lines


def plain_plan(document, remark=None):
    """The whole plan as plain text; make-ready list and the line that defers come last."""
    lines = [plan_title(document, remark), *silence_lines(document), "", *aligned(HEADER, [plan_row(animal) for animal in document["animals"]])]
    lines += ["", "Cautions", *[f"  {line}" for line in caution_lines(document)]]
    lines += ["", *closing_lines(document), "", "Make ready", *[f"  {line}" for line in document["make_ready"]]]
    return visible("\n".join(lines) + "\n", keep="\n")


def rich_plan(document, console, remark=None):
    """The same for a terminal, within its width: reasons stand below the table."""
    rows = [plan_row(animal) for animal in document["animals"]]
    words = {ADVICE_WORDS[advice]: style for advice, style in ADVICE_STYLES.items()} | {WORDS["look"]: "magenta"}
    print_table(console, HEADER, rows, ("why", "box [a]", "outgrown by (80 %) [a]", "leg span", "safe days [a]"),
                title=plan_title(document, remark), bare=("why",), styles={"advice": words.get})
    print_lines(console, silence_lines(document), "dim")
    _print_rest(document, console)


def _print_rest(document, console):
    from moltspan._frames.visible import markup as escape

    console.print("\nCautions", style="bold")
    for text, names in grouped_cautions(document):
        console.print(f"[bold]{escape(who(names, document))}[/]  {escape(text)}", style="yellow")
    print_lines(console, always(), "yellow")
    console.print()
    print_lines(console, closing_lines(document), "dim")
    console.print("\nMake ready", style="bold")
    print_lines(console, (f"  {line}" for line in document["make_ready"]))


def print_plan(document, remark=None, out=None):
    """Writes the plan for whoever reads `out`: a person at a terminal, or a file or pipe."""
    out = out or sys.stdout
    if out.isatty():
        rich_plan(document, console_of(out), remark)
    else:
        out.write(plain_plan(document, remark))
