"""What must hold between all outputs of one fit on one day: each animal has one verdict, and every output shows it."""

import re

import moltspan
from moltspan.report.page import page_html
from moltspan.text.report import FEEDING

MAY_MOVE = ("between", "final")
PHASES = {"dead": {"dead"}, "gone": {"gone"}, "final": {"final"}, "molting": {"postmolt"}, "soft": {"postmolt"}, "premolt": {"premolt"},
          "look": {"overdue", "unknown"}, "sealed": {"postmolt", "intermolt"}, "sac": {"intermolt", "unknown"}, "resting": {"intermolt", "unknown"},
          "between": {"intermolt", "unknown"}, "not_answered": {"unknown"}}
LATER_SAFE = ("soft", "sac", "resting", "molting")  # safe days may come without a molt
FEEDINGS = {"hold": {"molting", "sealed", "look", "premolt"}, "not_yet": {"soft", "resting", "between", "final"}, "lightly": {"premolt", "sac"},
            "offer": {"between", "final", "soft"}, "none": {"dead", "gone", "not_answered"}}


def outputs_of(fit, on):
    """Every output that shows a verdict, for one day."""
    plan = fit.rehouse(on=on)
    documents = {"remark": "invented records", "forecast": moltspan.forecast_document(fit, on=on), "rehouse": plan.document, "health": [],
                 "backtest": None, "why_no_backtest": "not asked for"}
    return {"forecast": documents["forecast"], "plan": plan.document, "sheet": plan.sheet(), "calendar": plan.calendar(),
            "report": page_html(documents, {}), "frame": fit.forecast(on=on), "text": moltspan.text.tables.plain_forecast(documents["forecast"])}


def check_one_verdict(out):
    """Raises AssertionError, with the animal, where two outputs would have it otherwise."""
    plan = {animal["animal"]: animal for animal in out["plan"]["animals"]}
    feeding = _feeding_sections(out["report"])
    frame = dict(zip(out["frame"]["animal"], zip(out["frame"]["verdict"], out["frame"]["phase"], strict=True), strict=True))
    for animal in out["forecast"]["animals"]:
        name, verdict, advice = animal["animal"], animal["verdict"], plan[animal["animal"]]
        code = verdict["code"]
        assert advice["verdict"] == verdict, name
        assert frame[name] == (code, animal["phase"]), name
        assert animal["phase"] in PHASES[code], (name, code, animal["phase"])
        assert code in FEEDINGS[verdict["feeding"]], (name, verdict)
        assert (verdict["feeding"] == "not_yet") == (animal["feed_from"] is not None and animal["feed_from"] > verdict["on"]), (name, verdict)
        _check_chances(name, verdict)
        _check_move(name, code, advice, verdict["on"])
        assert feeding.get(name) == (FEEDING[verdict["feeding"]] if verdict["feeding"] != "none" else None), (name, verdict, feeding.get(name))
        _check_sheet(name, advice, out["sheet"])
        _check_calendar(name, animal, advice, out["calendar"])


def _check_chances(name, verdict):
    chances = verdict["chances"]
    if chances["soft"] is not None:
        parts = [chances[part] for part in ("soft", "premolt", "between", "molts_no_more")]
        assert abs(sum(parts) - 1) < 1e-9 and min(parts) >= -1e-12 and 0 <= chances["molted_unseen"] <= 1, (name, chances)


def _check_move(name, code, advice, on):
    if advice["advice"] == "move_now":
        assert code in MAY_MOVE and advice["safe_from"] == on, (name, code, advice)
    if advice["safe_from"] == on:
        assert code in MAY_MOVE, (name, code, advice)
    if advice["safe_from"]:
        assert code in (*MAY_MOVE, *LATER_SAFE), (name, code, advice)
        assert advice["safe_after_molt_days"] is None, name
    if code == "premolt":
        assert advice["advice"] in ("wait_premolt", "conflict", "fits", "later", "measure_first"), (name, advice)
    if code == "soft":
        assert advice["advice"] in ("wait_hardening", "conflict", "fits", "later", "measure_first", "final"), (name, advice)
    if code in ("molting", "sealed", "sac", "resting"):
        assert advice["advice"] in ("hold", "conflict"), (name, advice)


def _feeding_sections(page):
    """`{animal: heading}` of the feeding round in the report."""
    section = re.search(r'<h2 id="feeding">.*?</section>', page, re.S)[0]
    found = {}
    for heading, body in re.findall(r"<h3>([^<]*) \(\d+\)</h3>(.*?)(?=<h3>|</section>)", section, re.S):
        for name in re.findall(r'<th scope="row"[^>]*><a [^>]*>([^<]+)</a>', body):
            assert name not in found, name
            found[name] = heading
    return found


def _check_sheet(name, advice, sheet):
    moving = re.search(r"<h2>To move, in this order.*?</table>", sheet, re.S)
    listed = [name.strip() for name in re.findall(r'class="who"><span class="box"></span>\d+\. ([^<]+)<', moving[0])] if moving else []
    assert (name in listed) == (advice["advice"] == "move_now"), name


def _check_calendar(name, animal, advice, text):
    events = [event.replace("\r\n ", "") for event in text.split("BEGIN:VEVENT")[1:]]
    own = [event for event in events if re.search(rf"SUMMARY:{re.escape(name)}: ", event)]
    feeding = [event for event in own if "food can be offered again" in event]
    moves = [event for event in own if "for a move" in event]
    assert bool(feeding) == (animal["verdict"]["feeding"] == "not_yet"), (name, animal["verdict"])
    assert not moves or advice["safe_from"], name
    for event in moves:
        assert f"DTSTART;VALUE=DATE:{advice['safe_from'].replace('-', '')}" in event, name
