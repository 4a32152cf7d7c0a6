"""Sentences with codes: what is decided, ordered or left out because of a sentence goes by its codes, never by its words."""


class Said(str):
    """A sentence for people; `codes` name what it says."""

    def __new__(cls, text, codes=()):
        said = super().__new__(cls, text)
        said.codes = tuple(codes)
        return said


def said_of(notes):
    """Notes of the core as sentences."""
    return [Said(note.text, (note.code,)) for note in notes]


def codes_of(texts):
    """The codes of all these sentences; those without any have none."""
    return {code for text in texts for code in getattr(text, "codes", ())}
