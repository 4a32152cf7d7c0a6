"""The rehousing plan: the document, laws, the page, the calendar and the command. Advice itself is tested in tests/cpp against the table of
situations worked out by hand (tests/reference/housing_by_hand)."""

import json
import re
import math
from datetime import date, timedelta
from html.parser import HTMLParser

import icalendar
import pandas as pd
import polars
import pytest
from typer.testing import CliRunner

import moltspan
from moltspan.cli.app import app

AS_OF = date(2026, 6, 1)
KIND = "Brachypelma hamorii"
KEYS = ["animal", "advice", "reasons", "assumptions", "leg_span_mm", "enclosure_mm", "ratio", "outgrown", "safe_from", "safe_until",
        "safe_after_molt_days", "verdict", "last_entry", "suggested", "cautions"]
ADVICE = {"move_now", "wait_hardening", "wait_premolt", "later", "conflict", "fits", "hold", "measure_first", "final", "gone"}
MEDIAN_DAYS, SPREAD = 60.0, 0.2
# Nothing left to learn: log T = log 60 + .2 W for every animal, so that chances can be worked out by hand.
TIGHT = {"Intercept": ("normal", math.log(MEDIAN_DAYS), 1e-6), "log_size": ("normal", 0.0, 1e-6)} | {
    f"{level}_sd": ("half_normal", 1e-6) for level in ("animal", "cohort", "taxon", "genus")}


def ago(days):
    return (AS_OF - timedelta(days=days)).isoformat()


def later(days):
    return (AS_OF + timedelta(days=days)).isoformat()


def collection(rows, animals=None, enclosures=None, frame=pd.DataFrame, **columns):
    """`rows`: (animal, days ago, event, value, unit); `animals`: id -> columns of its own; `columns`: of all."""
    ids = list(dict.fromkeys([*(animals or {}), *(row[0] for row in rows)]))
    own = [{"animal": name, "taxon": KIND, "habit": "terrestrial", "hazard": "urticating_setae", "adult_leg_span_mm": "140"} | columns
           | (animals or {}).get(name, {}) for name in ids]
    names = list(dict.fromkeys(name for row in own for name in row))
    padded = [(name, ago(days), *rest, *[None] * (3 - len(rest))) for name, days, *rest in rows]
    journal = {name: [None if row[i] is None else str(row[i]) for row in padded]
               for i, name in enumerate(("animal", "date", "event", "value", "unit"))}
    return moltspan.Collection(frame({name: [row.get(name) for row in own] for name in names}), frame(journal), enclosures=enclosures)


def settled(name, box="100x100x80/50 mm", mm=60, molt=30, meal=20):
    """A juvenile that molted and ate; by default its tub is too small."""
    return [(name, molt + 60, "molt"), (name, molt, "molt"), (name, molt, "leg_span", mm, "mm"), (name, molt, "enclosure", box),
            (name, meal, "ate")]


MIXED = (settled("A1") + settled("A2", mm=70) + settled("A3", box="400x400x200/150 mm") + settled("A4", mm=80) + settled("A5", mm=65)
         + settled("A6", molt=2, meal=70) + [("A7", 60, "ate"), ("A8", 40, "molt"), ("A8", 5, "died"), ("A9", 200, "molt"),
         ("A9", 200, "matured"), ("A9", 200, "leg_span", 140, "mm"), ("A9", 200, "enclosure", "250x250x200/100 mm")])
ANIMALS = {"A9": {"sex": "male"}, "B1": {"acquired": ago(3)}, "B2": {}}


@pytest.fixture(scope="module")
def fit():
    return moltspan.fit(collection(MIXED, ANIMALS), as_of=AS_OF)


def plan_of(rows, animals=None, on=None, at_most=None, enclosures=None, **columns):
    return moltspan.fit(collection(rows, animals, enclosures, **columns), as_of=AS_OF).rehouse(on=on, at_most=at_most)


def advice(plan):
    return {animal["animal"]: animal for animal in plan.document["animals"]}


# The document.


def test_document_has_exactly_the_promised_keys_and_is_json(fit):
    document = fit.rehouse().document
    assert list(document) == ["as_of", "on", "last_entry", "animals", "make_ready"]
    assert all(list(animal) == KEYS for animal in document["animals"])
    assert all(list(animal["outgrown"]) == ["median", "bands", "chance_next_molt", "chance_never"] for animal in document["animals"])
    assert json.loads(json.dumps(document, allow_nan=False)) == document
    assert moltspan.rehouse_document(fit) == document == json.loads(fit.rehouse().to_json())


def test_values_have_the_promised_types(fit):
    for animal in fit.rehouse(on=later(2)).document["animals"]:
        assert animal["advice"] in ADVICE
        assert all(isinstance(text, str) and text for field in ("reasons", "assumptions", "cautions") for text in animal[field])
        assert not any("; " in text for text in animal["assumptions"])  # which parts them in tables
        assert animal["reasons"]
        for day in filter(None, (animal["safe_from"], animal["safe_until"], animal["outgrown"]["median"])):
            assert date.fromisoformat(day) >= AS_OF
        assert not animal["safe_until"] or animal["safe_from"] <= animal["safe_until"]
        assert animal["enclosure_mm"] is None or len(animal["enclosure_mm"]) == 3
        assert animal["suggested"] is None or list(animal["suggested"]) == ["name", "mm"]


def test_every_animal_is_answered_once_with_its_advice(fit):
    answers = advice(fit.rehouse())
    assert sorted(answers) == ["A1", "A2", "A3", "A4", "A5", "A6", "A7", "A8", "A9", "B1", "B2"]
    assert {name: a["advice"] for name, a in answers.items()} == {
        "A1": "move_now", "A2": "move_now", "A3": "fits", "A4": "move_now", "A5": "move_now", "A6": "wait_hardening",
        "A7": "measure_first", "A8": "gone", "A9": "final", "B1": "hold", "B2": "measure_first"}


def test_make_ready_counts_heads_and_ends_with_whom_it_defers_to(fit):
    lines = fit.rehouse().make_ready
    assert "local rules" in lines[-1] and "veterinarian" in lines[-1] and "doctor" in lines[-1]
    assert any(line.startswith("head count: 4 animals (A") for line in lines)
    for word in ("catch cup", "card", "brush", "room shut", "escape", "never disturb an animal to measure", "eye protection", "soil"):
        assert any(word in line for line in lines), word
    empty = plan_of(settled("A1", box="250x250x150/100 mm"))
    assert empty.make_ready[0].startswith("no animal is to be moved") and "head count" not in "".join(empty.make_ready)


def test_a_set_aside_animal_is_held_and_named():
    found = advice(plan_of([*settled("A1"), ("A2", 4, "leg_span", "no number")]))
    assert found["A2"]["advice"] == "hold" and "set aside" in found["A2"]["reasons"][0]


def test_a_collection_of_which_nothing_is_known_is_measured_first():
    found = advice(plan_of([("A1", 0, "checked")], {"A2": {}}))
    assert {a["advice"] for a in found.values()} == {"measure_first"}


# Numbers by hand.


def by_hand(rows):
    fitted = moltspan.fit(collection(rows), as_of=AS_OF, priors=TIGHT | {"sigma": ("half_normal", 1.0)})
    return fitted, advice(fitted.rehouse())[rows[0][0]]


def test_size_and_ratio_are_as_read_in_whatever_unit():
    metric = advice(plan_of(settled("A1", box="101.6x127x101.6/50.8 mm", mm=50.8)))["A1"]
    inches = advice(plan_of([("A1", 90, "molt"), ("A1", 30, "molt"), ("A1", 30, "leg_span", 2, "in"),
                             ("A1", 30, "enclosure", "4x5x4/2 in"), ("A1", 20, "ate")]))["A1"]
    assert metric["leg_span_mm"] == pytest.approx(50.8) and metric["ratio"] == pytest.approx(2.0)
    assert inches["leg_span_mm"] == pytest.approx(50.8) and inches["ratio"] == pytest.approx(2.0)
    assert inches["enclosure_mm"] == pytest.approx(metric["enclosure_mm"])
    assert inches["advice"] == metric["advice"] == "later"  # 2.0 is not under 2, but under 2.5


def test_safe_days_end_where_one_in_five_would_be_in_premolt():
    fitted, animal = by_hand(settled("A1", molt=5, meal=1))
    days = fitted.forecast(levels=(0.6,))["from_60"][0]  # chance .2 that it has molted by then
    lead = 18  # juvenile: common practice, no source
    assert animal["safe_until"] == (date.fromisoformat(days) - timedelta(days=lead + 1)).isoformat()


def test_newest_slings_always_get_days_and_wait_near_the_molt():
    rows = [("S1", day, "molt") for day in (68, 51, 34, 17, 0)] + [("S1", 0, "leg_span", 15, "mm"), ("S1", 0, "enclosure", "28x28x50/15 mm")]
    records, found = collection(rows), []
    for days in range(0, 26, 3):
        day = AS_OF + timedelta(days=days)
        animal = advice(moltspan.fit(records, as_of=day).rehouse())["S1"]
        before_molt = animal["safe_from"] and day.isoformat() <= animal["safe_from"] <= animal["safe_until"]
        assert before_molt or animal["safe_after_molt_days"]  # after a molt that is still to come there are no dates
        found.append(animal["advice"])
    # 4 days to harden, 3 of premolt (common practice, no source), stadia of 17 days: free from day 4 on, held when the molt is due.
    assert found[:2] == ["wait_hardening"] * 2 and found[2:4] == ["move_now"] * 2 and found[5] == found[6] == "wait_premolt"


def test_hardening_counts_from_the_latest_possible_day():
    base = [("A1", 90, "molt"), ("A1", 30, "leg_span", 60, "mm"), ("A1", 30, "enclosure", "100x100x80/50 mm")]
    journal = collection(base)
    frame = pd.DataFrame([("A1", ago(8), ago(3), "molt", None, None)], columns=["animal", "date", "until", "event", "value", "unit"])
    rows = pd.DataFrame([(n, ago(d), None, e, *(map(str, v[:1])), *(v[1:] or [None])) if v else (n, ago(d), None, e, None, None)
                         for n, d, e, *v in base], columns=list(frame.columns))
    animals = pd.DataFrame([{"animal": "A1", "taxon": KIND, "habit": "terrestrial", "adult_leg_span_mm": "140"}])
    found = advice(moltspan.fit(moltspan.Collection(animals, pd.concat([rows, frame])), as_of=AS_OF).rehouse())["A1"]
    assert journal.problems().empty
    assert (found["advice"], found["safe_from"]) == ("wait_hardening", later(7))  # 10 - 3


def test_an_animal_not_looked_at_is_looked_at_before_a_move():
    records = collection([*settled("A1"), ("A2", 0, "checked")])
    for watched, said in (("all", False), ("rows", True)):
        plan = moltspan.fit(records, as_of=AS_OF, watched=watched).rehouse()
        assert any(f"last looked at on {ago(20)}" in text for text in advice(plan)["A1"]["reasons"]) == said


# Laws.


def test_order_of_rows_does_not_matter():
    forward = plan_of(MIXED, ANIMALS).document
    turned = plan_of(MIXED[::-1], dict(sorted(({f"A{i}": {} for i in range(1, 9)} | ANIMALS).items(), reverse=True))).document
    assert [a["animal"] for a in turned["animals"]] == [a["animal"] for a in forward["animals"]]
    for a, b in zip(turned["animals"], forward["animals"], strict=True):
        assert (a["advice"], a["safe_from"], a["safe_until"]) == (b["advice"], b["safe_from"], b["safe_until"])


@pytest.mark.parametrize("n", [1, 2, 3, 4, 9])
def test_at_most_cuts_the_one_order_into_sittings(fit, n):
    whole = [a["animal"] for a in fit.rehouse().document["animals"] if a["advice"] == "move_now"]
    plan = fit.rehouse(at_most=n)
    assert [name for names in plan.sittings.values() for name in names] == whole
    assert [len(names) for names in plan.sittings.values()][:-1] == [n] * (len(plan.sittings) - 1)
    assert [a["animal"] for a in plan.document["animals"] if a["advice"] == "move_now"] == whole[:n]
    assert [a["animal"] for a in plan.document["animals"]] == [a["animal"] for a in fit.rehouse().document["animals"]]
    for name in whole[n:]:
        assert "sitting" in advice(plan)[name]["reasons"][0] and advice(plan)[name]["advice"] == "later"


def test_worst_need_goes_first(fit):
    moved = next(iter(fit.rehouse().sittings.values()))
    assert moved == ["A4", "A2", "A5", "A1"]  # 80, 70, 65, 60 mm in the same tub


def test_a_later_day_changes_what_waits(fit):
    assert advice(fit.rehouse(on=later(8)))["A6"]["advice"] == "move_now"  # molted 2 days ago, 10 days to harden
    assert advice(fit.rehouse(on=later(7)))["A6"]["advice"] == "wait_hardening"
    long_unwatched = advice(fit.rehouse(on=later(400)))["A1"]
    assert (long_unwatched["advice"], long_unwatched["verdict"]["code"], long_unwatched["safe_from"]) == ("hold", "look", None)


def test_frames_are_of_the_kind_that_came_in(fit):
    assert isinstance(fit.rehouse().table, pd.DataFrame) and len(fit.rehouse().table) == len(fit.rehouse()) == 11
    assert list(fit.rehouse()["advice"])[:4] == ["move_now"] * 4
    fitted = moltspan.fit(collection(settled("A1"), frame=polars.DataFrame), as_of=AS_OF)
    assert isinstance(fitted.rehouse().table, polars.DataFrame) and isinstance(fitted.rehouse().boxes, polars.DataFrame)


# Boxes.


def test_own_boxes_come_first_and_those_in_use_are_not_offered():
    boxes = pd.DataFrame([{"name": "crate", "w": "220", "d": "260", "h": "150", "unit": "mm", "count": "2"}])
    rows = settled("A1") + settled("A2", mm=62) + settled("A3", box="crate", mm=64)
    found = advice(plan_of(rows, enclosures=boxes))
    assert found["A3"]["advice"] == "fits"
    assert found["A2"]["suggested"] == {"name": "crate", "mm": [220, 260, 150]}  # worse off than A1, so it chooses first
    assert found["A1"]["suggested"]["name"] is None  # one of the two crates is lived in, the other is given away
    assert min(found["A1"]["suggested"]["mm"][:2]) / 60 >= 3


def test_boxes_needed_count_those_due_now(fit):
    boxes = fit.rehouse().boxes
    assert boxes["lowest_30_days"].sum() >= 5 and (boxes["lowest_30_days"] <= boxes["expected_30_days"] + 1).all()
    for low, high in (("lowest", "highest"),):
        assert all((boxes[f"{low}_{days}_days"] <= boxes[f"{high}_{days}_days"]).all() for days in (30, 60, 90))
    assert (boxes["expected_30_days"] <= boxes["expected_90_days"] + 1e-9).all()


def test_rules_can_be_replaced(tmp_path, fit):
    file = tmp_path / "mine.toml"
    file.write_text("[terrestrial]\nfloor_due = 1.35\nfloor_plan = 1.4\n")
    assert advice(fit.rehouse(rules=file))["A5"]["advice"] == "later"  # 100 / 65 = 1.5: outgrown after the next molt, at 74 mm
    file.write_text("[terrestrial]\nfloor_doo = 1.2\n")
    with pytest.raises(ValueError, match="terrestrial.floor_doo: no such number"):
        fit.rehouse(rules=file)


# Trouble.


def test_wrong_arguments_are_named(fit):
    with pytest.raises(ValueError, match=r"rehouse: on = 2026-05-31 lies before 2026-06-01"):
        fit.rehouse(on=ago(1))
    with pytest.raises(ValueError, match="rehouse: at_most = 0: give a whole number"):
        fit.rehouse(at_most=0)
    with pytest.raises(TypeError, match="at_most = 1.5"):
        fit.rehouse(at_most=1.5)
    with pytest.raises(AttributeError, match="cannot be changed"):
        fit.rehouse().fit = None


def test_health_says_who_must_be_measured(fit):
    assert "2 of 11 animals lack a size" in str(fit.rehouse().health)


# For people.


def test_assumptions_are_marked_in_table_json_and_page(fit):
    plan = fit.rehouse()
    for text in (plan.summary(), plan.sheet(), json.dumps(plan.document)):
        assert "due under 2 (assumption)" in text
        assert "(common practice, no source)" in text
        assert "hold over 20 % (assumption)" in json.dumps(plan.document)
    assert "[a] rests on assumptions" in plan.summary() and "safe days [a]" in plan.sheet()
    assert all(animal["assumptions"] for animal in plan.document["animals"] if animal["advice"] not in ("gone", "final"))


class Tags(HTMLParser):
    """Checks that tags are closed in order, and gathers the words."""

    def __init__(self):
        super().__init__()
        self.open, self.words, self.seen = [], [], set()

    def handle_starttag(self, tag, attributes):
        self.seen.add(tag)
        if tag not in ("meta", "br"):
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        self.words.append(data)


def test_page_is_whole_self_contained_and_escapes_what_comes_from_records():
    name = "<script>alert(1)</script>&"
    page = plan_of([(name, *row[1:]) for row in settled("x")]).sheet(remark="invented <records>")
    tags = Tags()
    tags.feed(page)
    assert not tags.open and "script" not in tags.seen and name in "".join(tags.words)
    assert not re.search(r"https?:", page) and "src=" not in page
    assert "invented <records>" in "".join(tags.words)
    assert "@media print" in page and "@page" in page


def test_notebook_form_is_closed_html(fit):
    tags = Tags()
    tags.feed(fit.rehouse()._repr_html_())
    assert not tags.open


# The calendar: read back by a general iCalendar library.


def events_of(plan, remark=None):
    return [event for event in icalendar.Calendar.from_ical(plan.calendar(remark)).walk("VEVENT")]


def test_calendar_is_read_back_by_another_program(fit):
    events = {(str(event["SUMMARY"])): event for event in events_of(fit.rehouse(), "invented records")}
    window = events["A1: quiet days for a move: look first (invented records)"]
    a1 = advice(fit.rehouse())["A1"]
    assert window["DTSTART"].dt.isoformat() == a1["safe_from"]
    assert (window["DTEND"].dt - window["DTSTART"].dt).days == min(14, (date.fromisoformat(a1["safe_until"]) - window["DTSTART"].dt).days + 1)
    assert f"quiet until {a1['safe_until']}" in str(window["DESCRIPTION"])
    assert str(window["DESCRIPTION"]).endswith(a1["reasons"][-1])  # semicolons and commas came through
    molt, look = events["A1: next molt likeliest (invented records)"], events["A1: look from today, a molt may come (invented records)"]
    band = fit.forecast(levels=(0.5, 0.8)).set_index("animal").loc["A1"]
    assert band["from_50"] <= molt["DTSTART"].dt.isoformat() <= band["next_molt"] <= (molt["DTEND"].dt - timedelta(days=1)).isoformat() <= band["to_50"]
    assert f"(8 in 10: {band['from_80']} to {band['to_80']})" in str(molt["DESCRIPTION"])
    assert look["DTSTART"].dt.isoformat() == max(band["from_80"], fit.as_of.isoformat()) and (look["DTEND"].dt - look["DTSTART"].dt).days == 1
    [alarm] = look.walk("VALARM")
    assert str(alarm["ACTION"]) == "DISPLAY" and alarm["TRIGGER"].dt == timedelta(hours=9) and not molt.walk("VALARM")
    feeding = events["A6: food can be offered again (invented records)"]
    assert feeding["DTSTART"].dt.isoformat() == later(10)  # 12 days (common practice, no source) from 2 days ago


def test_calendar_keeps_the_line_rules_of_rfc_5545(fit):
    rows = [("Ä;,\\ö" * 9, *row[1:]) for row in settled("x")]
    raw = plan_of(rows).calendar().encode()
    lines = raw.split(b"\r\n")
    assert lines[-1] == b"" and b"\n" not in raw.replace(b"\r\n", b"")
    assert max(map(len, lines)) <= 75 and all(line.decode() for line in lines[:-1])  # no letter is cut in two
    (name,) = {str(event["SUMMARY"]).partition(":")[0] for event in events_of(plan_of(rows))}
    assert name == "Ä;,\\ö" * 9


def test_uids_stay_when_days_move(fit):
    first, second = ({str(event["SUMMARY"]): str(event["UID"]) for event in events_of(fit.rehouse(on=day))} for day in (None, later(8)))
    both = set(first) & set(second)
    assert len(set(first.values())) == len(first) and len(both) > 10 and all(first[name] == second[name] for name in both)
    assert fit.rehouse().calendar() == fit.rehouse().calendar()


def test_moves_in_the_calendar_hang_on_nothing(fit):
    """Advice and verdict of each move; those that wait, conflict or have to be looked at have none."""
    plan = fit.rehouse()
    told = advice(plan)
    moves = {str(event["SUMMARY"]).partition(":")[0] for event in events_of(plan) if "for a move" in str(event["SUMMARY"])}
    assert moves and all(told[name]["advice"] in ("move_now", "later") and told[name]["verdict"]["code"] in ("between", "final") for name in moves)
    with_days = {name for name, animal in told.items() if animal["safe_from"]}
    assert with_days - moves, "some animal with safe days of another state must be among them for this to tell anything"


def test_no_entry_spans_a_season_and_two_collections_leave_each_other_alone(fit, folder):
    plan = fit.rehouse()
    events = events_of(plan)
    assert max((event["DTEND"].dt - event["DTSTART"].dt).days for event in events) <= 28
    uids = {str(event["UID"]) for event in events}
    other = {str(event["UID"]) for event in icalendar.Calendar.from_ical(plan.calendar(collection="upstairs")).walk("VEVENT")}
    assert len(uids) == len(other) == len(events) and not uids & other
    read = moltspan.fit(moltspan.read(folder(settled("x"))), as_of=AS_OF, threads=1).rehouse()
    assert {str(event["UID"]) for event in events_of(read)} & {str(event["UID"]) for event in events_of(plan_of(settled("x")))} == set()


# The command.


@pytest.fixture
def folder(tmp_path):
    def write(rows, animals=None, **columns):
        records = collection(rows, animals, **columns)
        records.animals.to_csv(tmp_path / "animals.csv", index=False)
        records.journal.to_csv(tmp_path / "journal.csv", index=False)
        return str(tmp_path)

    return write


def run(*arguments):
    return CliRunner().invoke(app, ["rehouse", *map(str, arguments)])


def test_command_answers_with_status_zero_and_the_same_numbers(folder, tmp_path, fit):
    result = run(folder(MIXED, ANIMALS), "--as-of", AS_OF, "--json", "-", "--at-most", "2", "--sheet", tmp_path / "s.html", "--ics",
                 tmp_path / "p.ics")
    assert (result.exit_code, result.stderr) == (0, "")
    assert json.loads(result.stdout) == fit.rehouse(at_most=2).document
    assert (tmp_path / "s.html").read_text(encoding="utf-8").startswith("<!DOCTYPE html>")
    assert icalendar.Calendar.from_ical((tmp_path / "p.ics").read_bytes())


def test_command_table_holds_every_animal_and_ends_with_the_deference(folder):
    result = run(folder(MIXED, ANIMALS), "--as-of", AS_OF, "--remark", "invented records")
    lines = result.stdout.splitlines()
    assert "(invented records)" in lines[0] and "local rules" in lines[-1]
    table = lines[lines.index("") + 2:lines.index("Cautions") - 1]
    assert {line.split()[0] for line in table} == {f"A{i}" for i in range(1, 10)} | {"B1", "B2"}


def test_faults_give_status_one_and_strict_no_answer(folder):
    place = folder([*settled("A1"), ("A2", 4, "leg_span", "no number")])
    result = run(place, "--as-of", AS_OF)
    assert result.exit_code == 1 and "A1" in result.stdout and "animal A2" in result.stderr
    result = run(place, "--as-of", AS_OF, "--strict")
    assert (result.exit_code, result.stdout) == (1, "")


@pytest.mark.parametrize("wrong", [["--on", "2026-02-30"], ["--on", "2026-05-01"], ["--at-most", "0"], ["--at-most", "two"],
                                   ["--rules", "no-such-file.toml"], ["--no-such-option"]])
def test_wrong_usage_is_status_two_and_no_answer(folder, wrong):
    result = run(folder(settled("A1")), "--as-of", AS_OF, *wrong)
    assert (result.exit_code, result.stdout) == (2, "") and result.stderr
