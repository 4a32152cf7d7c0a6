"""What to beware of, as every output shows it: each text once, with the animals that it is said of. The texts stand in shared/cautions.toml."""

from functools import cache

from moltspan import _core
from moltspan._frames.said import Said, codes_of

ALWAYS = ("on_back", "skin_looks_dead")  # of every animal: plan and report carry them whoever is in the collection
ASK_FOR_A_LOOK = ("a stadium of at most", "growth of at most")
DEFERS = ("Cautions are common practice of keepers, no source, unless one is named; local rules and those licensed to treat people and animals "
          "come first")


@cache
def by_code():
    """`{code: Caution}`, in the order of shared/cautions.toml."""
    return {caution.code: caution for caution in _core.cautions()}


def text_of(code):
    return by_code()[code].text


def labels(animal):
    """One word a hazard of an animal of the plan, to stand beside its name: `venom, fast`; blank where it has none."""
    said = codes_of(animal["cautions"])
    return ", ".join(caution.label for code, caution in by_code().items() if caution.label and code in said)


def grouped_cautions(document):
    """`[(text, animals)]` of every animal that the plan names, in the order of shared/cautions.toml."""
    names = {code: [] for code in by_code()}
    for animal in document["animals"]:
        for code in codes_of(animal["cautions"]):
            names[code].append(animal["animal"])
    return [(text_of(code), who) for code, who in names.items() if who]


def prompted(said):
    """`[(text, animals)]` of what looking and reaching in has to beware of. `said`: animal -> sentences that it is given."""
    names = {}
    for animal, texts in said.items():
        for code in _core.prompted_cautions(sorted(codes_of(texts))):
            names.setdefault(code, []).append(animal)
    return [(text_of(code), names[code]) for code in by_code() if code in names]


def always():
    """Lines that hold for every animal."""
    return [text_of(code) for code in ALWAYS]


def who(names, document):
    """The names, or `all` where none that has cautions is left out."""
    everyone = sum(1 for animal in document["animals"] if animal["cautions"])
    return "all" if len(names) == everyone > 1 else ", ".join(names)


def caution_lines(document):
    """The cautions of a plan as lines of text."""
    return [*(f"{who(names, document)}: {text}" for text, names in grouped_cautions(document)), *always()]


def sources_line():
    """What the cautions rest on, in a line."""
    named = [f"{caution.label or caution.code.replace('_', ' ')}: {caution.source}" for caution in by_code().values() if caution.source]
    return f"{DEFERS}; {'; '.join(named)}"


def said_by_forecast(document):
    """`{animal: texts}`: its verdict, its remarks, and what its doubts ask for."""
    said = {animal["animal"]: [animal["verdict"]["why"], animal["verdict"]["feeding_why"], *(animal["notes"] or [])] for animal in document["animals"]}
    for problem in document["problems"]:
        if problem.get("animal") in said:
            said[problem["animal"]].append(_next_step(problem))
    return said


def _next_step(problem):
    """What a doubt asks for. Problems of the records have no code of their own yet: those that ask for a look are told by their rule here, and nowhere else."""
    asks = any((problem.get("rule") or "").startswith(rule) for rule in ASK_FOR_A_LOOK)
    return Said(problem["next_step"], ("look_for_molt",)) if asks else problem.get("next_step") or ""
