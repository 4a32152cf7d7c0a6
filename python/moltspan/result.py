"""What results share: a state of health in words, and small tables as text and HTML."""

from dataclasses import dataclass
from html import escape

ORDER = ("good", "warning", "bad")


@dataclass(frozen=True)
class Health:
    """State of a result: "good", "warning" or "bad", and the notes that made it so."""

    state: str
    notes: tuple

    @classmethod
    def of(cls, notes):
        """From the notes of the core: the worst state counts."""
        found = tuple((note.state.name, note.topic, note.text) for note in notes)
        return cls(max((state for state, _, _ in found), key=ORDER.index, default="good"), found)

    def __str__(self):
        if not self.notes:
            return self.state
        return self.state + ": " + "; ".join(text for _, _, text in self.notes)


def text_table(head, rows):
    """Aligned text: the first column to the left, the others to the right."""
    lines = [tuple(map(str, head)), *[tuple(map(str, row)) for row in rows]]
    widths = [max(len(line[i]) for line in lines) for i in range(len(head))]
    return "\n".join("  ".join(cell.ljust(w) if i == 0 else cell.rjust(w) for i, (cell, w) in enumerate(zip(line, widths, strict=True))).rstrip()
                     for line in lines)


def html_table(caption, facts, head, rows):
    """A small table with a caption and lines of facts above it."""
    lines = "".join(f"<div><b>{escape(name)}</b> {escape(str(value))}</div>" for name, value in facts)
    top = "".join(f"<th>{escape(str(cell))}</th>" for cell in head)
    body = "".join("<tr>" + "".join(f"<td>{escape(str(cell))}</td>" for cell in row) + "</tr>" for row in rows)
    return f"<div><div><b>{escape(caption)}</b></div>{lines}<table><thead><tr>{top}</tr></thead><tbody>{body}</tbody></table></div>"
