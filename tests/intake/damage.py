"""Field files and what happens to them between the field and the import.

Each format is a table of cells with a header or without. Each kind of damage changes cells and is
known to leave the true values as they were, so that an import must give those, or refuse. Some
damage a careful person would read as it stands and remark on: there a notice will do.
"""

from dataclasses import dataclass, replace


@dataclass(frozen=True)
class Sheet:
    """A delimited file as a person sees it.

    Attributes
    ----------
    header : tuple of str or None
    rows : tuple of tuple of str
        Cells with a decimal point; written with `decimal`.
    numbers : tuple of int
        Columns that hold numbers.
    raw : tuple of int
        Rows whose cells are written as they are.
    cut : int
        Characters lost at the end.
    """

    header: tuple[str, ...] | None
    rows: tuple[tuple[str, ...], ...]
    numbers: tuple[int, ...]
    delimiter: str = ","
    decimal: str = "."
    before: str = ""
    ending: str = "\n"
    raw: tuple[int, ...] = ()
    cut: int = 0

    def text(self) -> str:
        lines = [] if self.header is None else [self.delimiter.join(self.header)]
        lines += [self.delimiter.join(
            cell.replace(".", self.decimal) if i in self.numbers and (n not in self.raw) else cell
            for i, cell in enumerate(row)) for n, row in enumerate(self.rows)]
        whole = self.before + self.ending.join(lines) + self.ending
        return whole[:len(whole) - self.cut]


def _pick(sheet, rng):
    return int(rng.integers(len(sheet.rows)))


def _with_row(sheet, n, row, raw=False):
    rows = list(sheet.rows)
    rows[n] = tuple(row)
    return replace(sheet, rows=tuple(rows), raw=(*sheet.raw, n) if raw else sheet.raw)


def _written(sheet, row):
    """The cells as they stand in the file."""
    return [cell.replace(".", sheet.decimal) if i in sheet.numbers else cell
            for i, cell in enumerate(row)]


def _scope(sheet, rng):
    """Some rows and one column of numbers: one row, a third, or all."""
    column = int(rng.choice(sheet.numbers))
    kind = rng.integers(3)
    rows = range(len(sheet.rows))
    if kind == 0:
        rows = [_pick(sheet, rng)]
    elif kind == 1:
        rows = [n for n in rows if rng.random() < 0.34] or [0]
    return column, list(rows)


def _cells(sheet, rng, change):
    """Change the written cells of one column in some rows; None where nothing changes."""
    column, rows = _scope(sheet, rng)
    changed = False
    for n in rows:
        cells = _written(sheet, sheet.rows[n])
        new = change(cells[column])
        changed |= new != cells[column]
        cells[column] = new
        sheet = _with_row(sheet, n, cells, raw=True)
    return sheet if changed else None


def cell_more(sheet, rng):
    """A cell too many in one row: a stray delimiter, a note, a number."""
    n = _pick(sheet, rng)
    cells = _written(sheet, sheet.rows[n])
    extra = rng.choice(["", "x", "0", "17", cells[int(rng.choice(sheet.numbers))]])
    cells.insert(int(rng.integers(len(cells) + 1)), str(extra))
    return _with_row(sheet, n, cells, raw=True)


def cell_less(sheet, rng):
    """A cell lost in one row."""
    n = _pick(sheet, rng)
    cells = _written(sheet, sheet.rows[n])
    del cells[int(rng.integers(len(cells)))]
    return _with_row(sheet, n, cells, raw=True)


def cells_joined(sheet, rng):
    """The delimiter between two cells lost."""
    n = _pick(sheet, rng)
    cells = _written(sheet, sheet.rows[n])
    at = int(rng.integers(len(cells) - 1))
    cells[at:at + 2] = [cells[at] + cells[at + 1]]
    return _with_row(sheet, n, cells, raw=True)


def row_shifted(sheet, rng):
    """One row's cells moved one column on, the last to the front or an empty one."""
    n = _pick(sheet, rng)
    cells = _written(sheet, sheet.rows[n])
    cells = [cells[-1] if rng.random() < 0.5 else "", *cells[:-1]]
    return _with_row(sheet, n, cells, raw=True)


def row_exchanged(sheet, rng):
    """Two neighbouring columns of numbers exchanged in one row."""
    pairs = [(i, j) for i, j in zip(sheet.numbers, sheet.numbers[1:], strict=False)]
    if not pairs:
        return None
    i, j = pairs[int(rng.integers(len(pairs)))]
    n = _pick(sheet, rng)
    row = list(sheet.rows[n])
    row[i], row[j] = row[j], row[i]
    return _with_row(sheet, n, row)


def column_late(sheet, rng):
    """One column of numbers pasted a row too low: its first cell is empty."""
    column = int(rng.choice(sheet.numbers))
    cells = ["", *(row[column] for row in sheet.rows[:-1])]
    return replace(sheet, rows=tuple(
        (*row[:column], cell, *row[column + 1:]) for row, cell in zip(sheet.rows, cells,
                                                                      strict=True)))


def decimal_other(sheet, rng):
    """The other decimal mark in some cells of a column."""
    other = "," if sheet.decimal == "." else "."
    return _cells(sheet, rng, lambda cell: cell.replace(sheet.decimal, other))


def decimal_other_everywhere(sheet, rng):
    """The other decimal mark in every number of the file."""
    return replace(sheet, decimal="," if sheet.decimal == "." else ".")


def thousands(sheet, rng):
    """A thousands mark in some cells of a column."""
    mark = str(rng.choice([",", ".", "'", " ", "\u2019", "\u00a0", "\u202f"]))

    def marked(cell):
        whole, sign, rest = cell.partition(sheet.decimal)
        minus, digits = ("-", whole[1:]) if whole.startswith("-") else ("", whole)
        if len(digits) < 4 or not digits.isdecimal():
            return cell
        return f"{minus}{digits[:-3]}{mark}{digits[-3:]}{sign}{rest}"

    return None if mark == sheet.decimal else _cells(sheet, rng, marked)


def unit_in_cell(sheet, rng):
    """A unit after some numbers."""
    unit = str(rng.choice([" m", "m", " deg", "\u00b0", " mm", "'", " ft"]))
    return _cells(sheet, rng, lambda cell: cell + unit)


def letters(sheet, rng):
    """Letters for digits, dashes for minus, error marks of a spreadsheet."""
    old, new = [("0", "O"), ("1", "l"), ("-", "\u2212"), ("-", "\u2013"), ("", "#"), ("", "~")][
        rng.integers(6)]
    return _cells(sheet, rng, lambda cell: cell.replace(old, new, 1) if old else new + cell)


def hidden(sheet, rng):
    """A character that does not show at an end or inside."""
    mark = str(rng.choice(["\u0085", "\u200b", "\u00ad", "\u202e", "\u2028", "\x1c", "\x80"]))
    at = int(rng.integers(3))
    return _cells(sheet, rng, lambda cell: cell + mark if at == 0 else mark + cell if at == 1
                  else cell[:1] + mark + cell[1:])


def emptied(sheet, rng):
    """Numbers lost."""
    lost = str(rng.choice(["", "-", "NaN", "n/a", "#N/A", "?", "---", "null", "*"]))
    return _cells(sheet, rng, lambda cell: lost)


def rounded_by_spreadsheet(sheet, rng):
    """Powers of ten with few digits."""
    def power(cell):
        value = float(cell.replace(sheet.decimal, "."))
        return f"{value:.2E}".replace(".", sheet.decimal)

    return _cells(sheet, rng, power)


def rows_copied(sheet, rng):
    """Rows pasted twice: one, some, or all."""
    count = int(rng.choice([1, 2, len(sheet.rows)]))
    start = int(rng.integers(len(sheet.rows) - count + 1))
    return replace(sheet, rows=sheet.rows + sheet.rows[start:start + count])


def copied_under_other_ids(sheet, rng):
    """Every row twice, the second time with a letter after the id."""
    return replace(sheet, rows=sheet.rows + tuple(
        (row[0] + "b", *row[1:]) for row in sheet.rows))


def header_repeated(sheet, rng):
    """The header again among the rows: two files pasted together."""
    if sheet.header is None:
        return None
    at = int(rng.integers(1, len(sheet.rows)))
    rows = (*sheet.rows[:at], sheet.header, *sheet.rows[at:])
    return replace(sheet, rows=rows, raw=(at,))


def unit_in_header(sheet, rng):
    """The header says a unit that is not the declared one."""
    if sheet.header is None:
        return None
    unit = str(rng.choice(["cm", "in", "yd", "US ft", "ft", "km", "mA", "%", "mm", "inches"]))
    column = int(rng.choice(sheet.numbers))
    written = [" ({})", " [{}]", "({})"][rng.integers(3)].format(unit)
    header = list(sheet.header)
    header[column] += written
    return replace(sheet, header=tuple(header))


def too_large(sheet, rng):
    """Values that nothing measures."""
    value = str(rng.choice(["1e9", "-1e12", "999999999", "1e309"]))
    return _cells(sheet, rng, lambda cell: value)


def rows_in_another_order(sheet, rng):
    """The rows shuffled."""
    order = rng.permutation(len(sheet.rows))
    return replace(sheet, rows=tuple(sheet.rows[i] for i in order))


def columns_in_another_order(sheet, rng):
    """Columns shuffled, with their names."""
    if sheet.header is None:
        return None
    order = [int(i) for i in rng.permutation(len(sheet.header))]
    return replace(
        sheet, header=tuple(sheet.header[i] for i in order),
        rows=tuple(tuple(row[i] for i in order) for row in sheet.rows),
        numbers=tuple(order.index(i) for i in sheet.numbers))


def dressed(sheet, rng):
    """Harmless: quotes, spaces, CRLF, a byte order mark, empty lines."""
    kind = rng.integers(5)
    if kind == 0 and sheet.delimiter != " ":
        return replace(sheet, rows=tuple(tuple(f'"{c}"' for c in row) for row in sheet.rows))
    if kind == 1 and sheet.delimiter != " ":
        return replace(sheet, rows=tuple(tuple(f" {c} " for c in row) for row in sheet.rows))
    if kind == 2:
        return replace(sheet, ending="\r\n")
    if kind == 3:
        return replace(sheet, before="\ufeff")
    return replace(sheet, ending="\n\n")


def last_row_cut(sheet, rng):
    """The file ends in the middle of its last row."""
    last = len(sheet.delimiter.join(_written(sheet, sheet.rows[-1]))) + len(sheet.ending)
    return replace(sheet, cut=int(rng.integers(1, last)))


DAMAGE = (
    cell_more, cell_less, cells_joined, row_shifted, row_exchanged, column_late, decimal_other,
    decimal_other_everywhere, thousands, unit_in_cell, letters, hidden, emptied,
    rounded_by_spreadsheet, rows_copied, copied_under_other_ids, header_repeated, unit_in_header,
    too_large, rows_in_another_order, columns_in_another_order, dressed, last_row_cut,
)

#: What a person would read as it stands: a notice is enough.
REMARKABLE = ("row_exchanged", "rows_copied", "rounded_by_spreadsheet", "copied_under_other_ids",
              "last_row_cut")
