"""The templates of the HTML pages. Everything that enters them is text: escaped, with control characters made visible, by the environment itself."""

import re
from functools import cache
from pathlib import Path

from moltspan._frames.visible import visible

UNITS = re.compile(r"(?<=\d) (?=%|mm\b)")  # a number and its unit stay on one line
DATES = re.compile(r"\d{4}-\d\d-\d\d")  # nor is a date split at its hyphens, as browsers would


def render(name, **values):
    """The text of a template; `values` are plain texts, numbers, lists and dicts."""
    return environment().get_template(name).render(**values)


@cache
def environment():
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    made = Environment(loader=FileSystemLoader(Path(__file__).parent / "templates"), autoescape=True, undefined=StrictUndefined, trim_blocks=True,
                       lstrip_blocks=True, finalize=_shown)
    made.filters["whole"] = _whole
    return made


def _whole(text):
    """Text between tags, not in attributes: dates in one piece."""
    from markupsafe import Markup, escape

    return Markup(DATES.sub(r"<span class=w>\g<0></span>", str(escape(_shown(text)))))


def _shown(value):
    """Runs on each value before it is escaped; what a template made itself is left alone."""
    if value is None:
        return ""
    if isinstance(value, str) and not hasattr(value, "__html__"):
        return UNITS.sub("\N{NO-BREAK SPACE}", visible(value, keep="\n"))
    return value
