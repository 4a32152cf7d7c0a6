"""The report as HTML. Text is escaped wherever it enters (`safe`); only what is built here is `Markup`."""

import re

from moltspan import tables
from moltspan import tables_report as words
from moltspan.report_figure import calendar_svgs
from moltspan.report_style import STYLE
from moltspan.sheet import MOVING, REASONS, WAITING
from moltspan.tables_cautions import always, grouped_cautions, labels, prompted, sources_line, who
from moltspan.tables_rehouse import ADVICE_WORDS, advice_words, box_text, grouped, number_text, outgrown_days, safe_days, size_text
from moltspan.tables_verdict import is_here, silence_lines, verdict_words
from moltspan.visible import html as escape

SECTIONS = (("week", "The week ahead"), ("calendar", "Calendar of molts"), ("feeding", "Feeding round [a]"), ("moves", "Rehousing plan [a]"),
            ("animals", "Animal by animal"), ("records", "Faults and doubts in the records"), ("so-far", "How good the forecasts were so far"),
            ("assumptions", "Assumptions [a], and what the words mean"))


NEVER_SPLIT = re.compile(r"\d{4}-\d\d-\d\d|(?:&[lg]t;)?[\d.]+ (?:%|mm\b)")  # in escaped text: a date, a percentage, a length


class Markup(str):
    """Text that is HTML already."""


def safe(value):
    return value if isinstance(value, Markup) else Markup(NEVER_SPLIT.sub(r'<span class="whole">\g<0></span>', escape(str(value))))


def tag(name, *children, **attributes):
    """An element; children and attribute values are escaped unless they are Markup."""
    said = "".join(f' {key.rstrip("_").replace("_", "-")}="{escape(str(value))}"' for key, value in attributes.items())
    return Markup(f"<{name}{said}>{''.join(map(safe, children))}</{name}>")


def page_html(documents, notes):
    """The whole page. `documents`: see `report_documents`; `notes`: `{animal: text}` of the user."""
    title, page = words.report_title(documents), _Page(documents, notes)
    bodies = (page.week, page.calendar, page.feeding, page.moves, page.animals, page.records, page.so_far, page.assumptions)
    sections = [tag("section", tag("h2", heading, id=name), *body(), aria_labelledby=name) for (name, heading), body in
                zip(SECTIONS, bodies, strict=True)]
    links = tag("ul", *(tag("li", tag("a", heading.removesuffix(" [a]"), href=f"#{name}")) for name, heading in SECTIONS))
    return (f'<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width, initial-scale=1">'
            f"<title>{escape(title)}</title><style>{STYLE}</style></head><body><header>{tag('h1', title)}{page.lead()}"
            f"{tag('nav', links, aria_label='Parts of this page')}</header><main>{''.join(sections)}</main>"
            f"<footer>{tag('p', tables.DEFERENCE)}{page.remark()}</footer></body></html>\n")


def listed(texts):
    return tag("ul", *(tag("li", text) for text in texts))


def table(caption, head, rows, kinds=None):
    """A table with a heading a column and the first cell of each row as its heading; on a phone each row becomes a block.

    The roles are said in full, as browsers forget them where a table is laid out as blocks.
    """
    top = tag("tr", *(tag("th", cell, scope="col", role="columnheader") for cell in head), role="row")
    body = [_row(head, row, kind) for row, kind in zip(rows, kinds or [""] * len(rows), strict=True)]
    return tag("table", tag("caption", caption), tag("thead", top, role="rowgroup"), tag("tbody", *body, role="rowgroup"), role="table")


def _row(head, row, kind):
    cells = [tag("td", tag("span", cell), role="cell", data_label=name) for name, cell in list(zip(head, row, strict=True))[1:]]
    return tag("tr", tag("th", row[0], scope="row", role="rowheader"), *cells, role="row", **({"class_": kind} if kind else {}))


class _Page:
    """The parts of the page, each a list of elements under its heading."""

    def __init__(self, documents, notes):
        self.forecast, self.plan, self.backtest = (documents[name] for name in ("forecast", "rehouse", "backtest"))
        self.said, self.why_no_backtest, self.notes, self.health = documents.get("remark"), documents["why_no_backtest"], notes, documents["health"]
        self.order = words.in_report_order(self.forecast)
        self.places = {animal["animal"]: f"animal-{i}" for i, animal in enumerate(self.order, 1)}

    def link(self, name):
        return tag("a", name, href=f"#{self.places[name]}") if name in self.places else safe(name)

    def links(self, names):
        return Markup(", ".join(map(self.link, names)))

    def remark(self):
        return tag("p", self.said, class_="remark") if self.said else ""

    def lead(self):
        here = sum(map(is_here, self.order))
        days = f"For {self.forecast['on']}; the records end on {self.forecast['as_of']}. "
        return Markup(tag("p", f"{here} animals here, {len(self.order) - here} dead or gone. {days}[a] marks what rests on assumptions or on common "
                               "practice without a source.", class_="lead") + "".join(tag("p", line) for line in silence_lines(self.forecast)))

    def week(self):
        likely, others = words.week_ahead(self.forecast)
        rows = [[self.link(animal["animal"]), animal["taxon"] or "-", words.chance_of(animal, 7), verdict_words(animal), animal["next_molt"]["median"]]
                for animal in likely]
        head = ("animal", "kind", "chance within 7 days", "verdict", "even odds by")
        parts = [table("Animals that may molt within 7 days, likeliest first", head, rows)] if rows else []
        limit = f"{words.SHOWN_CHANCE:.0%}".replace("%", " %")
        if others:
            parts.append(tag("p", f"Under {limit} each: ", self.links(others), "."))
        return parts or [tag("p", "No animal has a forecast.")]

    def calendar(self):
        if not tables.in_molt_order(self.forecast):
            return [tag("p", "No animal has a forecast: there is nothing to draw.")]
        levels = ", ".join(f"{level * 100:g}" for level in sorted(self.forecast["levels"]))
        caption = (f"Next molts, soonest on top{f' ({self.said})' if self.said else ''}. Bars, dark to pale: {levels} % of such molts should fall "
                   "there; white tick: even odds; broken line: the records end; an arrow: the bar goes on. All dates stand below, animal by animal.")
        return [tag("figure", *map(Markup, calendar_svgs(self.forecast)), tag("figcaption", caption))]

    def feeding(self):
        groups, others = words.feeding_round(self.forecast)
        parts = []
        for name, heading in words.FEEDING.items():
            rows = [[self.link(animal["animal"]), animal["taxon"] or "-", why, self._soon(animal)] for animal, why in groups[name]]
            if rows:
                parts += [tag("h3", f"{heading} ({len(rows)})"),
                          table(words.FEEDING_WORDS[name], ("animal", "kind", "why", "molts within 7 days"), rows)]
        parts += [tag("p", self.link(animal["animal"]), f": not answered: {why}.") for animal, why in others]
        prompts = self._prompts(words.feeding_texts(groups, self.forecast))
        return [*parts, *prompts] if parts else [tag("p", "No animal to feed.")]

    @staticmethod
    def _soon(animal):
        return words.chance_of(animal, 7) if animal["next_molt"] else "molts no more"

    def moves(self):
        moving, waiting = ([animal for animal in self.plan["animals"] if animal["advice"] in kinds] for kinds in (MOVING, WAITING))
        parts = [tag("p", f"For {self.plan['on']}.")]
        parts += [tag("h3", f"To move, in this order ({len(moving)})"), self._moving(moving)] if moving else [tag("p", "No move is due now.")]
        parts += [tag("h3", f"Not now ({len(waiting)})"), self._waiting(waiting)] if waiting else []
        parts += [tag("h3", "Cautions", id="cautions"), self.cautions()]
        stay = [(ADVICE_WORDS[advice], [a["animal"] for a in self.plan["animals"] if a["advice"] == advice]) for advice in ("fits", "final", "gone")]
        parts += [tag("h3", "Stay, or are gone"), listed(Markup(f"{word}: {self.links(names)}") for word, names in stay if names)] \
            if any(names for _, names in stay) else []
        return [*parts, tag("h3", "Make ready, and close with"), listed(self.plan["make_ready"])]

    def cautions(self):
        """Of every animal that is there or escaped, and those that hold for all."""
        told = [self._told(text, names) for text, names in grouped_cautions(self.plan)]
        return listed([*told, *always()])

    def _told(self, text, names):
        return Markup(f"{'all' if who(names, self.plan) == 'all' else self.links(names)}: {safe(text)}")

    def _prompts(self, said):
        """What looking and reaching in has to beware of; `said`: animal -> texts that this part of the page gives it."""
        found = prompted(said)
        lines = [Markup(f"{self.links(names)}: {safe(text)}") for text, names in found]
        beware = Markup("What each animal has to beware of stands under " + tag("a", "Cautions", href="#cautions") + ".")
        return [tag("h3", "Before you look or reach in"), listed([*lines, beware])]

    def _moving(self, animals):
        rows = [[self.link(animal["animal"]), number_text(animal["leg_span_mm"], ".0f", " mm"), size_text(animal["enclosure_mm"]), box_text(animal),
                 safe_days(animal), "; ".join(animal["reasons"][:REASONS + 1])] for animal in animals]
        return table("Animals to move", ("animal", "leg span", "from", "to [a]", "safe days [a]", "why"), rows)

    def _waiting(self, animals):
        rows = [[self.link(animal["animal"]), advice_words(animal), number_text(animal["ratio"], ".1f"), safe_days(animal),
                 outgrown_days(animal), "; ".join(animal["reasons"][:REASONS]) or "-"] for animal in animals]
        kinds = ["conflict" if animal["advice"] == "conflict" else "" for animal in animals]
        return table("Animals that wait", ("animal", "advice", "floor ratio", "safe days [a]", "outgrown by (80 %) [a]", "why"), rows, kinds)

    def animals(self):
        advice = {animal["animal"]: animal for animal in self.plan["animals"]}
        return [tag("article", tag("h3", words.name_and_kind(animal), id=self.places[animal["animal"]]),
                    tag("p", " ".join(words.passage(animal, advice.get(animal["animal"]), self.notes.get(animal["animal"]), self.forecast))),
                    *self._beware(advice.get(animal["animal"])))
                for animal in self.order]

    @staticmethod
    def _beware(advice):
        beware = labels(advice) if advice else ""
        return [tag("p", "Beware: ", tag("strong", beware), "; see ", tag("a", "Cautions", href="#cautions"), ".")] if beware else []

    def records(self):
        problems = self.forecast["problems"]
        faults = [tables.problem_line(problem) for problem in problems if tables.is_fault(problem)]
        doubts = [tables.problem_line(problem) for problem in problems if not tables.is_fault(problem)]
        aside = sorted({problem["animal"] for problem in problems if tables.is_fault(problem) and problem["animal"]})
        parts = [tag("h3", f"Faults ({len(faults)})"), listed(faults)] if faults else [tag("p", "No fault.")]
        parts += [tag("p", "Set aside until mended: ", self.links(aside), ".")] if aside else []
        return [*parts, *([tag("h3", f"Doubts, answered all the same ({len(doubts)})"), listed(doubts)] if doubts else [tag("p", "No doubt.")])]

    def so_far(self):
        if self.backtest is None:
            return [tag("p", f"Past forecasts were not scored: {self.why_no_backtest}.")]
        rules = ("plain rule", "forecasts", "rule off by, days", "forecast off by, days", "gained, days", "gained")
        return [*(tag("p", line) for line in words.backtest_lines(self.backtest)),
                table("Molts inside the bands", ("band", "of the molts inside", "forecasts", "animals"), words.coverage_rows(self.backtest)),
                table("Beside plain rules; mean days off, of a rule and of the middle of the forecast", rules, words.rule_rows(self.backtest))]

    def assumptions(self):
        lines = [Markup(f"{safe(text)}: {self.links(names) if len(names) < len(self.places) else 'all'}")
                 for text, names in grouped(self.plan, "assumptions")]
        meanings = [line for line in tables.closing_lines(self.forecast) if line and line != tables.DEFERENCE]
        health = [note["text"] for note in self.health]
        return [listed(meanings), listed([*lines, "suggested sizes: middle or lower end of the target for the habit (assumption)", sources_line()]),
                *([tag("h3", "Before using the numbers"), listed(health)] if health else [])]
