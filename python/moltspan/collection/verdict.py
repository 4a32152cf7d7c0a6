"""The verdict on an animal and a day, as forecast and plan carry it: `verdict_document`."""

import math

from moltspan._frames import frames
from moltspan._frames.said import Said

CHANCES = ("soft", "premolt", "between", "molts_no_more", "molted_unseen")


def verdict_document(verdict):
    """What it is in on that day, why, the chances of it, and what to feed; a dict ready for JSON."""
    chances = {name: _known(getattr(verdict.chances, name)) for name in CHANCES}
    return {"on": frames.day_of(verdict.on).isoformat(), "code": verdict.code, "reason": verdict.reason, "why": Said(verdict.why, verdict.why_codes), "chances": chances,
            "feeding": verdict.feeding, "feeding_why": Said(verdict.feeding_why, verdict.feeding_codes)}


def _known(chance):
    return None if math.isnan(chance) else chance
