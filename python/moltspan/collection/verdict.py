"""The verdict on an animal and a day, as forecast and plan carry it: `verdict_document`."""

import math

from moltspan._frames import frames

CHANCES = ("soft", "premolt", "between", "molts_no_more", "molted_unseen")


def verdict_document(verdict):
    """What it is in on that day, why, the chances of it, and what to feed; a dict ready for JSON."""
    chances = {name: _known(getattr(verdict.chances, name)) for name in CHANCES}
    return {"on": frames.day_of(verdict.on).isoformat(), "code": verdict.code, "reason": verdict.reason, "why": verdict.why, "chances": chances,
            "feeding": verdict.feeding, "feeding_why": verdict.feeding_why}


def _known(chance):
    return None if math.isnan(chance) else chance
