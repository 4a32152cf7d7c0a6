"""What a person at a terminal sees: lines broken at words, tables within the width; what has no room in a table stands below it."""


def console_of(out):
    """A console that writes to `out`."""
    from rich.console import Console

    return Console(file=out, highlight=False)


def print_lines(console, lines, style=None):
    """Plain lines, broken at words."""
    from moltspan._frames.visible import markup as escape

    for line in lines:
        console.print(escape(line), style=style)


def print_pairs(console, pairs):
    """Names and what is said of them, the latter broken at words within its own column."""
    from moltspan._frames.visible import markup as escape
    from rich.table import Table

    grid = Table.grid(padding=(0, 2))
    grid.add_column(no_wrap=True)
    for name, text in pairs:
        grid.add_row(escape(name), escape(text))
    console.print(grid)


def columns_that_fit(header, rows, width, least=(), cap=None):
    """The columns that say anything and have room; those of `least` leave first, in their order. `cap`: most that a column asks for, by name."""
    wide = {name: max(len(row[i]) for row in [header, *rows]) for i, name in enumerate(header)}
    wide |= {name: min(most, wide[name]) for name, most in (cap or {}).items()}
    columns = [name for i, name in enumerate(header) if any(row[i] != "-" for row in rows) or not i]
    for name in least:
        if sum(wide[column] + 2 for column in columns) <= width:
            break
        if name in columns:
            columns.remove(name)
    return columns


def print_table(console, header, rows, least=(), *, title=None, label=1, bare=(), cap=None, styles=None):
    """A table within the width of the console; below it, a line a row, what had no room.

    The first `label` columns name the row. Columns of `bare` speak without their heading. `styles`: column -> its style, or a function
    of the cell that gives one.
    """
    from moltspan._frames.visible import markup as escape
    from rich.table import Table

    rows = [list(map(str, row)) for row in rows]
    columns = columns_that_fit(header, rows, console.width, least, cap)
    table = Table(title=title and escape(title), title_justify="left", box=None, header_style="bold", pad_edge=False, padding=(0, 1))
    for name in columns:
        table.add_column(escape(name), no_wrap=name not in (cap or ()))
    for row in rows:
        cells = dict(zip(header, row, strict=True))
        table.add_row(*[_styled(escape(cells[name]), (styles or {}).get(name)) for name in columns])
    console.print(table)
    print_below(console, header, rows, columns, label, bare)


def _styled(cell, style):
    style = style(cell) if callable(style) else style
    return f"[{style}]{cell}[/]" if style else cell


def print_below(console, header, rows, columns, label=1, bare=()):
    """What the table had no room for, a line a row, under the row's name."""
    from moltspan._frames.visible import markup as escape

    moved = [name for name in header[label:] if name not in columns]
    told = []
    for row in rows:
        cells = dict(zip(header, row, strict=True))
        said = [cells[name] if name in bare else f"{name} {cells[name]}" for name in moved if cells[name] not in ("", "-")]
        told += [(", ".join(cell for cell in row[:label] if cell != "-"), "; ".join(said))] if said else []
    if told:
        console.print()
    for name, said in told:
        console.print(f"[bold]{escape(name)}[/]  {escape(said)}")
