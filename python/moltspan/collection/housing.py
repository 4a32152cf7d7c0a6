"""The rehousing plan of a collection: `RehousePlan`, `rehouse_document`."""

import json
import math
from pathlib import Path

from moltspan import _core
from moltspan._frames import frames
from moltspan._frames.result import Health, Result
from moltspan.collection.verdict import verdict_document
from moltspan._frames.said import said_of


def plan_of(fit, on=None, at_most=None, rules=None):
    """See `CollectionFit.rehouse`."""
    text = Path(rules).read_text(encoding="utf-8") if rules else ""
    plan = _core.rehouse(fit._core, frames.day_number(on), _count("at_most", at_most), text)
    return RehousePlan(fit, plan, {"on": frames.day_of(plan.on), "at_most": at_most, "rules": rules and str(rules)})


def rehouse_document(fit, on=None, at_most=None, rules=None):
    """The plan as a dict ready for JSON: `as_of`, `on`, `animals` in the order of the plan, `make_ready`. No NaN; None = unknown."""
    return plan_of(fit, on, at_most, rules).document


class RehousePlan(Result):
    """Who needs another enclosure, when it is safe to move it, and what to make ready; nothing in it can be changed.

    `table` has a row an animal, in the order of the plan; `plan["advice"]` is a column of it. `document` is the plan as JSON has it,
    `boxes` the boxes needed within 30, 60 and 90 days, `make_ready` the list for the day.
    """

    _title = "Rehousing plan"

    def __init__(self, fit, core, asked):
        super().__init__(fit=fit, _core=core, asked=asked)

    @property
    def as_of(self):
        """Last day of the records used."""
        return frames.day_of(self._core.as_of)

    @property
    def on(self):
        """Day of the plan."""
        return frames.day_of(self._core.on)

    @property
    def make_ready(self):
        """What to prepare, the closing head count, one line for an escape; last, to whom the plan defers."""
        return list(self._core.make_ready)

    @property
    def document(self):
        """A dict ready for JSON."""
        animals = [_animal(self.as_of, advice) for advice in self._core.animals]
        return {"as_of": self.as_of.isoformat(), "on": self.on.isoformat(), "last_entry": max((a["last_entry"] or "" for a in animals), default="") or None,
                "animals": animals, "make_ready": self.make_ready}

    @property
    def table(self):
        """A row an animal, as a frame of the kind that came in; several texts of one cell are joined by "; "."""
        rows = [_flat_row(animal) for animal in self.document["animals"]]
        names = list(dict.fromkeys(name for row in rows for name in row)) or ["animal"]
        return frames.frame_of({name: [row.get(name) for row in rows] for name in names}, self.fit.collection._kind)

    @property
    def boxes(self):
        """Boxes needed: a row a size; expected number, and 80 % band, within 30, 60 and 90 days."""
        needs = self._core.boxes
        columns = {"box": [need.name for need in needs], "own": [need.own for need in needs]}
        for i, days in enumerate(_core.NEED_HORIZONS_DAYS):
            for name, values in (("expected", "expected"), ("lowest", "lowest"), ("highest", "highest")):
                columns[f"{name}_{days}_days"] = [getattr(need, values)[i] for need in needs]
        return frames.frame_of(columns, self.fit.collection._kind)

    @property
    def sittings(self):
        """`{day: [animals]}`, in order; one sitting unless `at_most` was given."""
        days = {}
        for advice in self._core.animals:
            if advice.sitting:
                days.setdefault(frames.day_of(advice.sitting_day), []).append(advice.id)
        return days

    @property
    def egg_sacs(self):
        """`{animal: day}` of the egg sacs on record that still count on the day of the plan."""
        return {advice.id: frames.day_of(advice.egg_sac) for advice in self._core.animals if advice.egg_sac is not None}

    @property
    def health(self):
        """What to know before using the plan."""
        return Health.of(self._core.health)

    def __getitem__(self, name):
        return self.table[name]

    def __len__(self):
        return len(self._core.animals)

    def _facts(self):
        return [("day", f"{self.on}, records up to {self.as_of}"), ("health", str(self.health))]

    def _table(self):
        from moltspan.text.rehouse import HEADER, plan_row

        return HEADER, [plan_row(animal) for animal in self.document["animals"]]

    def _numbers(self):
        return frames.columns_of(self.table)

    def summary(self):
        """The plan as text, with its health."""
        from moltspan.text.rehouse import plain_plan

        return f"{plain_plan(self.document).rstrip()}\nhealth: {self.health}"

    def _repr_html_(self):
        from moltspan._frames.visible import html as escape

        from moltspan.text.sheet import plan_html

        return f"<div>{plan_html(self.document, self._kinds())}<div><b>health</b> {escape(str(self.health))}</div></div>"

    def _kinds(self):
        return {animal.id: animal.taxon for animal in self.fit.collection._core_collection.animals}

    def sheet(self, remark=None):
        """One page to print, or to read on a phone, as self-contained HTML."""
        from moltspan.text.sheet import sheet_html

        return sheet_html(self.document, remark, self._kinds())

    def calendar(self, remark=None, collection=None):
        """Days to look from (with a reminder), likeliest days of molts, moves that hang on nothing and feeding days as iCalendar text (RFC 5545).

        Taken in again, it replaces the entries of the same `collection` (a name; default: the place that the records were read from) and no others.
        """
        from moltspan.collection.calendar_file import calendar_text

        return calendar_text(self.document, self.fit, remark, collection)

    def to_json(self):
        """The document as JSON text."""
        return json.dumps(self.document, ensure_ascii=False, indent=1, allow_nan=False)


def _count(name, value):
    if value is None or (isinstance(value, int) and not isinstance(value, bool)):
        return value
    raise TypeError(f"rehouse: {name} = {value!r}: a whole number of animals a sitting expected, or None for all in one")


def _known(value):
    return None if math.isnan(value) else value


def _date(day):
    return None if day is None else frames.day_of(day).isoformat()


def _animal(as_of, a):
    return {"animal": a.id, "advice": a.advice, "reasons": said_of(a.reasons), "assumptions": said_of(a.assumptions),
            "leg_span_mm": _known(a.leg_span_mm) if a.by_leg_span else None, "enclosure_mm": _enclosure(a.enclosure), "ratio": _known(a.ratio),
            "outgrown": _outgrown(as_of, a.outgrown), "safe_from": _date(a.safe_from), "safe_until": _date(a.safe_until),
            "safe_after_molt_days": None if a.safe_after_molt_days is None else list(a.safe_after_molt_days), "verdict": verdict_document(a.verdict), "last_entry": _date(a.last_entry),
            "suggested": _suggested(a.suggested), "cautions": said_of(a.cautions)}


def _enclosure(box):
    return None if box is None else [box.w_mm, box.d_mm, box.h_mm]


def _outgrown(as_of, outgrown):
    def date(days):
        return None if math.isnan(days) else frames.day_after(as_of, days).isoformat()

    bands = [{"level": band.level, "from": date(band.from_days), "to": date(band.to_days)} for band in outgrown.bands]
    return {"median": date(outgrown.median_days), "bands": bands, "chance_next_molt": _known(outgrown.chance_next_molt),
            "chance_never": _known(outgrown.chance_never)}


def _suggested(box):
    return None if box is None else {"name": box.name or None, "mm": [box.w_mm, box.d_mm, box.h_mm]}


def _flat_row(animal):
    row = {"animal": animal["animal"], "verdict": animal["verdict"]["code"]}
    row |= {name: animal[name] for name in ("advice", "leg_span_mm", "ratio", "safe_from", "safe_until")}
    row |= {f"enclosure_{side}_mm": size for side, size in zip("wdh", animal["enclosure_mm"] or (None,) * 3, strict=True)}
    outgrown, box = animal["outgrown"], animal["suggested"] or {}
    row |= {"outgrown": outgrown["median"], "chance_outgrown_next_molt": outgrown["chance_next_molt"],
            "chance_never_outgrown": outgrown["chance_never"]}
    for band in outgrown["bands"]:
        row |= {f"outgrown_from_{band['level'] * 100:g}": band["from"], f"outgrown_to_{band['level'] * 100:g}": band["to"]}
    row |= {"suggested_box": box.get("name")}
    row |= {f"suggested_{side}_mm": size for side, size in zip("wdh", box.get("mm") or (None,) * 3, strict=True)}
    return row | {name: "; ".join(animal[name]) for name in ("reasons", "assumptions", "cautions")}
