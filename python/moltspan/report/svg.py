"""Paths of the small pictures of the report: a line of the calendar, and an animal's past molts and sizes with the band to come.

Only numbers go into a path; texts stand in the templates, where they are escaped.
"""

import math
from datetime import date, timedelta

from moltspan.text.report import band_of

WIDTH, TODAY_X, LINE_HEIGHT = 1000, 150, 20  # of a line of the calendar, in its own units
PAST_DAYS, BEND_DAYS, MOST_DAYS, LEAST_DAYS = 45, 14, 1095, 60
TICKS = ((7, "1 week"), (14, "2 weeks"), (30, "1 month"), (61, "2 months"), (91, "3 months"), (182, "6 months"), (365, "1 year"), (730, "2 years"))
BARS = ((5, 10), (6.5, 7), (8, 4))  # top and height of the widest, the middle and the narrowest band
PICTURE, FOOT, HEAD = (240, 44), 40, 6  # of an animal's picture: size, lines of the smallest and the largest size
SHOWN_MOLTS = 6


def day_of(text):
    return date.fromisoformat(text)


class Axis:
    """Days to places: 45 days back even, then ever more days to the same width, so that slow animals do not squeeze the bars of slings."""

    def __init__(self, document):
        self.on, self.as_of = day_of(document["on"]), day_of(document["as_of"])
        ends = [day_of(band_of(animal, max(document["levels"]))["to"]) for animal in document["animals"] if animal["next_molt"]]
        self.days = min(max([LEAST_DAYS, *((end - self.on).days + 1 for end in ends)]), MOST_DAYS)

    def x(self, day):
        """Place of the beginning of a day; what lies off the axis stands at its end."""
        days = min((day - self.on).days, self.days)
        if days < 0:
            return TODAY_X * (1 + max(days, -PAST_DAYS) / PAST_DAYS)
        return TODAY_X + (WIDTH - TODAY_X) * math.log1p(days / BEND_DAYS) / math.log1p(self.days / BEND_DAYS)

    def ticks(self):
        """`[(percent of the width, words, day)]`."""
        shown = [(days, words) for days, words in TICKS if days <= self.days]
        return [(self.x(self.on + timedelta(days=days)) / WIDTH * 100, words, (self.on + timedelta(days=days)).isoformat()) for days, words in shown]

    def today_percent(self):
        return TODAY_X / WIDTH * 100

    def records_end_percent(self):
        """None where the records end on the day itself."""
        return None if self.as_of == self.on else self.x(self.as_of) / WIDTH * 100


def box(left, right, top, height):
    width = max(right - left, 2)
    return f"M{left:.0f} {top:g}h{width:.0f}v{height:g}h-{width:.0f}z"


def stroke(x, top, height):
    return f"M{x:.0f} {top:g}v{height:g}"


def calendar_line(animal, past, axis, levels):
    """`{class: path}` of one line: bands (b1 widest), median, last molt, signs, hold."""
    paths = {}
    shown = sorted(levels, reverse=True)[:3]
    for level, (top, height), name in zip(shown, BARS, ("b1", "b2", "b3"), strict=False):
        band = band_of(animal, level)
        paths[name] = box(axis.x(day_of(band["from"])), axis.x(day_of(band["to"]) + timedelta(days=1)), top, height)
    paths["m"] = stroke(axis.x(day_of(animal["next_molt"]["median"])), 4, 12)
    near = axis.on - timedelta(days=PAST_DAYS)
    last = animal["last_molt"] and day_of(animal["last_molt"]["latest"])
    if last and last >= near:
        paths["l"] = stroke(axis.x(last), 2, 16)
    paths |= _signs(shown_signs(animal, past, axis.on), axis)
    hold = hold_of(animal, past, axis)
    return paths | ({"h": box(axis.x(hold[0]), axis.x(hold[1]), 17.5, 2)} if hold else {})


def _signs(signs, axis):
    places = [axis.x(day_of(one["day"])) for one in signs]
    return {"s": "".join(stroke(x, 1, 7) for x in places)} if places else {}


def shown_signs(animal, past, on):
    """Signs since its last molt that the axis reaches back to."""
    since = animal["last_molt"]["latest"] if animal["last_molt"] else ""
    near = (on - timedelta(days=PAST_DAYS)).isoformat()
    return [one for one in past.get("signs", []) if one["day"] > since and near <= one["day"] <= on.isoformat()]


def hold_of(animal, past, axis):
    """Days on which plain food is held, as far as they are known: from today or what began it, to the day from which it may be fed, for premolt to
    the end of the 80 % band; None where nothing is held.
    """
    verdict = animal["verdict"]
    if verdict["feeding"] not in ("hold", "not_yet", "lightly"):
        return None
    signs = shown_signs(animal, past, axis.on) if verdict["reason"] in ("sign", "signs_likely") else []
    begin = day_of(signs[0]["day"]) if signs else axis.on
    if animal["feed_from"]:
        return begin, day_of(animal["feed_from"])
    levels = [band["level"] for band in animal["next_molt"]["bands"]]
    end = day_of(band_of(animal, min(levels, key=lambda level: abs(level - 0.8)))["to"]) if verdict["code"] == "premolt" else axis.on
    return begin, max(end, axis.on) + timedelta(days=1)


def picture(animal, past, as_of):
    """`{class: path}`: steps from molt to molt, as high as the size where it is known, dots where it was read, the band to come; None without a molt."""
    molts = [day_of(one["earliest"]) + (day_of(one["latest"]) - day_of(one["earliest"])) / 2 for one in past.get("molts", [])]
    first = max(len(molts) - SHOWN_MOLTS, 0)
    if not molts[first:]:
        return None
    sizes = _sizes_at_molts(past, first, len(molts))
    future = _future(animal, as_of, molts[first])
    scale = _Scale(molts[first], future["end"], [*sizes.values(), *([future["size"]] if future["size"] and sizes else [])])
    heights = _heights(sizes, len(molts) - first, scale)
    return _steps(molts[first:], heights, scale, as_of) | _dots(sizes, molts[first:], heights, scale) | _band(future, heights, scale, as_of)


def _sizes_at_molts(past, first, n):
    """`{place among the molts shown: size}`; of several readings the last."""
    return {one["molts_before"] - 1 - first: one["size"] for one in past["sizes"] if first < one["molts_before"] <= n and one["size"] > 0}


def _future(animal, as_of, begin):
    if not animal["next_molt"]:
        return {"end": as_of, "bands": [], "size": None}
    bands = sorted(animal["next_molt"]["bands"], key=lambda band: -band["level"])[-2:]
    days = [(day_of(band["from"]), day_of(band["to"]) + timedelta(days=1)) for band in bands]
    latest = as_of + max(as_of - begin, timedelta(days=LEAST_DAYS))
    return {"end": min(max(end for _, end in days), latest), "bands": days, "size": (animal.get("next_size") or {}).get("median")}


class _Scale:
    def __init__(self, begin, end, sizes):
        self.begin, self.days = begin, max((end - begin).days, 1)
        self.low, self.high = (math.log(min(sizes)), math.log(max(sizes))) if sizes else (0, 0)

    def x(self, day):
        return 4 + (PICTURE[0] - 8) * min(max((day - self.begin).days / self.days, 0), 1)

    def y(self, size):
        share = (math.log(size) - self.low) / (self.high - self.low) if self.high > self.low else 0.5
        return FOOT - (FOOT - HEAD) * share


def _heights(sizes, n, scale):
    """A height a molt shown: between sizes read it rises evenly, without any it only counts the molts."""
    if not sizes:
        return [FOOT - (FOOT - HEAD) * (i + 1) / (n + 1) for i in range(n)]
    known = sorted((place, scale.y(size)) for place, size in sizes.items())
    return [_between(known, place) for place in range(n)]


def _between(known, place):
    before, after = ([one for one in known if one[0] <= place] or [known[0]])[-1], ([one for one in known if one[0] >= place] or [known[-1]])[0]
    share = (place - before[0]) / (after[0] - before[0]) if after[0] > before[0] else 0
    return before[1] + (after[1] - before[1]) * share


def _steps(molts, heights, scale, as_of):
    path = f"M{scale.x(molts[0]):.0f} {heights[0]:.0f}"
    for molt, height in zip(molts[1:], heights[1:], strict=True):
        path += f"H{scale.x(molt):.0f}V{height:.0f}"
    return {"st": f"{path}H{scale.x(as_of):.0f}", "now": f"M{scale.x(as_of):.0f} 2v40"}


def _dots(sizes, molts, heights, scale):
    places = [f"M{scale.x(molts[place]) + 1:.0f} {heights[place]:.0f}h0" for place in sorted(sizes) if 0 <= place < len(molts)]
    return {"dot": "".join(places)} if places else {}


def _band(future, heights, scale, as_of):
    """At the height of the size to come; where that is not known, a little above the last."""
    size, paths = future["size"], {}
    y = scale.y(size) if size and scale.high > scale.low else max(heights[-1] - 6, HEAD)
    for (begin, end), name, half in zip(future["bands"], ("b2", "b3"), (4, 2.5), strict=False):
        left, right = scale.x(max(begin, as_of)), scale.x(end)
        paths[name] = box(left, right, round(y - half, 1), 2 * half)
    return paths
