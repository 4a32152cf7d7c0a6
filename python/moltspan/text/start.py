"""Words of `moltspan start`: what was made, and what to do next."""

from shlex import quote

FILES = (("animals.csv", "a row an animal"), ("journal.csv", "a row for each thing written down"), ("taxa.csv", "a row a kind; may stay empty"),
         ("enclosures.csv", "your own boxes; may stay empty"), ("folder.toml", "order of day and month, usual units, own words; may stay as it is"),
         ("how_to_write_down_a_molt.md", "found late, not measured, missed, bought yesterday: the row to write"),
         ("README.txt", "all of this, to keep"))


def start_lines(folder, written):
    """What stands in the new folder, and the next steps with the folder's own name."""
    from moltspan.text.tables import aligned

    names = {str(path) for path in written}
    example = ("examples", "the same tables filled in with invented records; they count for nothing")
    files = aligned(*_head_and_rest([(name, what) for name, what in FILES if name in names] + [example]))
    place = quote(str(folder))
    steps = [("write your animals into", quote(str(folder / "animals.csv")), "a row each"),
             ("after each molt, meal or reading", f'moltspan note {place} "A12 molt 5cm"', "A12 stands for a name from animals.csv"),
             ("look for mistakes", f"moltspan check {place}", ""), ("ask what to do today", f"moltspan today {place}", ""),
             ("ask who molts next", f"moltspan forecast {place}", "")]
    return [f"made in {folder}:", "", *(f"  {line}" for line in files), "", "What to do next", "",
            *(f"  {i}. {line}" for i, line in enumerate(aligned(*_head_and_rest(steps)), 1))]


def _head_and_rest(rows):
    return rows[0], rows[1:]
