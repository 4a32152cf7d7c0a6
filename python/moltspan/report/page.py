"""The report as HTML: what each part of the page shows, as plain texts and rows; the template `report.html` makes the page of them."""

import base64
import hashlib

from moltspan.report import svg as report_svg
from moltspan.text import tables
from moltspan.text import report as words
from moltspan.report.style import STYLE
from moltspan.text.render import environment, render
from moltspan.text.sheet import MOVING, REASONS, WAITING
from moltspan.text.cautions import always, grouped_cautions, labels, prompted, sources_line, who
from moltspan.text.rehouse import ADVICE_WORDS, advice_words, box_text, grouped, number_text, outgrown_days, safe_days, size_text
from moltspan.text.today import NO_MEAL, LINES, line_of, today_lines, together
from moltspan.text.verdict import WORDS, is_here, silence_lines, verdict_words

SECTIONS = (("today", "Today"), ("week", "The week ahead"), ("calendar", "Calendar of molts"), ("feeding", "Feeding round [a]"),
            ("moves", "Rehousing plan [a]"), ("animals", "Animal by animal"), ("records", "Faults and doubts in the records"),
            ("so-far", "How good the forecasts were so far"), ("assumptions", "Assumptions [a], and what the words mean"))
CALENDAR_OPEN = 30  # lines of the calendar that are not folded
WEEK_ROWS = 30  # of the week ahead; the others are named with the least chance of those shown
SHARED_NOTE = 4  # animals of which a note is said that stands once, above them all
FOLDED_FEEDING = ("hold", "not_yet")


def page_html(documents, notes):
    """The whole page. `documents`: see `report_documents`; `notes`: `{animal: text}` of the user."""
    return render("report.html", page=_Page(documents, notes), sections=SECTIONS, style=STYLE, script=script(), script_hash=_hash(script()),
                  deference=tables.DEFERENCE)


def script():
    """The page's only script: finds, filters, sorts, folds, darkens. Without it the page is whole and folds all the same."""
    return environment().get_template("report.js").render()


def _hash(text):
    return base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()


class _Page:
    """The parts of the page as the template reads them. An animal is told by its name; `place` has the link to its passage."""

    def __init__(self, documents, notes):
        self.forecast, self.plan, self.backtest = (documents[name] for name in ("forecast", "rehouse", "backtest"))
        self.remark, self.why_no_backtest, self.left_out = documents.get("remark"), documents["why_no_backtest"], documents.get("backtest_left_out")
        self.notes, self.shelves, self.meals = notes, documents.get("shelves", {}), documents.get("meals", {})
        self.health = [note["text"] for note in documents["health"]]
        self.past = documents.get("past", {})
        self.kept = documents.get("kept")
        self.title = words.report_title(documents)
        self.order = words.in_report_order(self.forecast)
        self.place = {animal["animal"]: i for i, animal in enumerate(self.order, 1)}
        self.by_name = {animal["animal"]: animal for animal in self.order}
        self.kind = {animal["animal"]: animal["taxon"] or "" for animal in self.order}
        self.advice = {animal["animal"]: animal for animal in self.plan["animals"]}
        self.axis = report_svg.Axis(self.forecast)
        self.notes_once = self._notes_once()

    def _notes_once(self):
        """`{text: animals}` of the notes that the forecast says alike of several animals, but for those that the plan counts among its assumptions."""
        found = {}
        for animal in self.order:
            for text in words.notes_of(animal, self.advice.get(animal["animal"])):
                found.setdefault(text, []).append(animal["animal"])
        return {text: names for text, names in found.items() if len(names) >= SHARED_NOTE}

    @property
    def shared_notes(self):
        told = [animal["animal"] for animal in self.order if animal["next_molt"]]
        return [(text, [] if names == told else names) for text, names in self.notes_once.items()]

    @property
    def lead(self):
        here = sum(map(is_here, self.order))
        return (f"{here} animals here, {len(self.order) - here} dead or gone. For {self.forecast['on']}; the records end on {self.forecast['as_of']}. "
                "[a] marks what rests on assumptions or on common practice without a source.")

    @property
    def silence(self):
        return silence_lines(self.forecast)

    def short(self, name):
        return words.short_kind(self.kind.get(name, ""))

    # What the reader may filter by.

    @property
    def kinds(self):
        return sorted({kind for kind in self.kind.values() if kind})

    @property
    def shelf_names(self):
        return sorted({self.shelves[name] for name in self.place if name in self.shelves})

    @property
    def verdicts(self):
        found = {animal["verdict"]["code"] for animal in self.order}
        return [(code, text) for code, text in WORDS.items() if code in found]

    def facts(self, animal):
        """For the script: place of kind, shelf and meal."""
        name, shelf = animal["animal"], self.shelves.get(animal["animal"])
        return {"gone": not is_here(animal), "kind": self.kinds.index(self.kind[name]) if self.kind[name] else "", "verdict": animal["verdict"]["code"],
                "shelf": self.shelf_names.index(shelf) if shelf else "", "meal": (self.meals.get(name, NO_MEAL)["last_meal"] or "").replace("-", "")}

    # The parts.

    @property
    def today(self):
        lines = today_lines(self.forecast, self.plan, self.meals)
        return [(name, text, together(lines[name])) for name, text in LINES.items()]

    @property
    def week(self):
        likely, others = words.week_ahead(self.forecast)
        rows = [[animal["animal"], self.kind[animal["animal"]] or "-", words.chance_of(animal, 7), verdict_words(animal), animal["next_molt"]["median"]]
                for animal in likely[:WEEK_ROWS]]
        more = [animal["animal"] for animal in likely[WEEK_ROWS:]]
        return {"head": ("animal", "kind", "chance within 7 days", "verdict", "most likely around"), "rows": rows, "more": more, "others": others,
                "limit": f"{words.SHOWN_CHANCE * 100:g} %"}

    @property
    def calendar(self):
        """`(open, folded)` lines of the calendar."""
        lines = [self._calendar_line(animal) for animal in tables.in_molt_order(self.forecast)]
        return lines[:CALENDAR_OPEN], lines[CALENDAR_OPEN:]

    def _calendar_line(self, animal):
        past, levels = self.past.get(animal["animal"], {}), self.forecast["levels"]
        band = words.band_of(animal, tables.shown_level(self.forecast))
        signs = "; ".join(f"{one['sign'].replace('_', ' ')} {one['day']}" for one in report_svg.shown_signs(animal, past, self.axis.on))
        said = f"{band['from']} to {band['to']}, most likely around {animal['next_molt']['median']}" + (f"; {signs}" if signs else "")
        return {"animal": animal["animal"], "said": said, "paths": report_svg.calendar_line(animal, past, self.axis, levels)}

    @property
    def calendar_words(self):
        levels = ", ".join(f"{level * 100:g}" for level in sorted(self.forecast["levels"]))
        end = "; thin line: the records end" if self.axis.as_of != self.axis.on else ""
        return (f"Soonest on top{f' ({self.remark})' if self.remark else ''}. Bars, strong to faint: {levels} % of such molts should fall there; gap in them: "
                f"even odds. Strong line: {self.forecast['on']}{end}. Before it, black: last molt; short: a sign. Line below a bar: plain food is held. "
                "Ever more days share the same width towards the right.")

    @property
    def feeding(self):
        groups, _ = words.feeding_round(self.forecast)
        return [{"name": name, "heading": heading, "said": words.FEEDING_WORDS[name], "folded": name in FOLDED_FEEDING, "rows": self._feeding_rows(groups[name])}
                for name, heading in reversed(words.FEEDING.items()) if groups[name]]

    @property
    def not_today(self):
        """Animals of the round that today's lines put elsewhere: those that are moved, and those that ate."""
        lines = today_lines(self.forecast, self.plan, self.meals)
        fed = [name for name, _ in lines["leave"] if line_of(self.by_name[name], self.advice.get(name)) == "feed"]
        moved = [name for name, _ in lines["move"]]
        return [(text, names) for text, names in (("Moved today, without a meal before", moved), ("Has had its food today", fed)) if names]

    feeding_head = ("animal", "kind", "last meal", "refused since", "why", "molts within 7 days")

    def _feeding_rows(self, members):
        return [[animal["animal"], words.short_kind(animal["taxon"]) or "-", *words.meal_cells(animal, self.meals), why, self._soon(animal)]
                for animal, why in words.by_last_meal(members, self.meals)]

    @staticmethod
    def _soon(animal):
        return words.chance_of(animal, 7) if animal["next_molt"] else "molts no more"

    @property
    def not_answered(self):
        return [(animal["animal"], why) for animal, why in words.feeding_round(self.forecast)[1]]

    @property
    def prompts(self):
        """What looking and reaching in has to beware of: `[(text, animals)]`."""
        return prompted(words.feeding_texts(words.feeding_round(self.forecast)[0], self.forecast))

    moving_head = ("animal", "kind", "leg span", "from", "to [a]", "safe days [a]", "why")
    waiting_head = ("animal", "kind", "advice", "floor ratio", "safe days [a]", "outgrown by (80 %) [a]", "why")

    def _planned(self, kinds):
        return [animal for animal in self.plan["animals"] if animal["advice"] in kinds]

    @property
    def moving(self):
        return [[animal["animal"], self.short(animal["animal"]) or "-", number_text(animal["leg_span_mm"], ".0f", " mm"), size_text(animal["enclosure_mm"]),
                 box_text(animal), safe_days(animal), "; ".join(animal["reasons"][:REASONS + 1])] for animal in self._planned(MOVING)]

    @property
    def waiting(self):
        return [[animal["animal"], self.short(animal["animal"]) or "-", advice_words(animal), number_text(animal["ratio"], ".1f"), safe_days(animal),
                 outgrown_days(animal), "; ".join(animal["reasons"][:REASONS]) or "-"] for animal in self._waiting]

    @property
    def _waiting(self):
        return self._planned([advice for advice in WAITING if advice != "measure_first"])

    @property
    def conflicts(self):
        return {animal["animal"] for animal in self._waiting if animal["advice"] == "conflict"}

    @property
    def to_measure(self):
        """Animals whose box cannot be judged, by what is missing: `[(text, animals)]`."""
        missing = {}
        for animal in self._planned(("measure_first",)):
            missing.setdefault(animal["reasons"][0], []).append(animal["animal"])
        return list(missing.items())

    @property
    def staying(self):
        told = [(ADVICE_WORDS[advice], [animal["animal"] for animal in self._planned((advice,))]) for advice in ("fits", "final", "gone")]
        return [(text, names) for text, names in told if names]

    @property
    def cautions(self):
        return [(text, [] if who(names, self.plan) == "all" else names) for text, names in grouped_cautions(self.plan)]

    @property
    def always(self):
        return always()

    def passage(self, animal):
        """One animal: its verdict, why, what is always shown, the rest, its picture, what to beware of."""
        name = animal["animal"]
        past, advice = self.past.get(name, {}), self.advice.get(name)
        verdict, why = words.verdict_and_why(animal)
        return {"verdict": verdict, "why": why, "strip": " ".join(words.strip(animal, advice, self.forecast)),
                "more": " ".join(words.more(animal, words.notes_of(animal, advice, self.notes_once), past, self.notes.get(name))), "beware": labels(advice) if advice else "",
                "picture": report_svg.picture(animal, past, self.axis.as_of), "shelf": self.shelves.get(name),
                "said": f"past molts and sizes of {name}, and the band to come"}

    @property
    def faults(self):
        return [tables.problem_line(problem) for problem in self.forecast["problems"] if tables.is_fault(problem)]

    @property
    def doubts(self):
        return [tables.problem_line(problem) for problem in self.forecast["problems"] if not tables.is_fault(problem)]

    @property
    def aside(self):
        return sorted({problem["animal"] for problem in self.forecast["problems"] if tables.is_fault(problem) and problem["animal"]})

    @property
    def scored(self):
        return {"lines": words.backtest_lines(self.backtest), "coverage": words.coverage_rows(self.backtest), "rules": words.rule_rows(self.backtest)}

    @property
    def kept_picture(self):
        """SVG that matplotlib wrote, in which it has escaped the names."""
        from markupsafe import Markup

        return Markup(self.kept["picture"])

    coverage_head = ("band", "of the molts inside", "forecasts", "animals")
    rules_head = ("plain rule", "forecasts", "rule off by, days", "forecast off by, days", "gained, days", "gained")

    @property
    def meanings(self):
        return [line for line in tables.closing_lines(self.forecast) if line and line not in (tables.DEFERENCE, *self.silence)]

    @property
    def assumptions(self):
        """`[(text, animals)]`, none named where it holds for all."""
        shared = [(text, [] if len(names) == len(self.place) else names) for text, names in grouped(self.plan, "assumptions")]
        return shared

    @property
    def general_assumptions(self):
        return ["suggested sizes: middle or lower end of the target for the habit (assumption)", sources_line()]
