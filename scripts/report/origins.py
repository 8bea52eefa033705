"""Numbers on the page that know the row of results they come from."""

from dataclasses import dataclass

from markupsafe import Markup


@dataclass(frozen=True)
class Origin:
    """A row of a result table, as a spreadsheet numbers it, and the outcome and window behind it.

    Row 0 is every row of the outcome and window. Without an outcome the mark leads to how any row
    is explained.
    """

    table: str
    row: int
    outcome: str = ""
    window: str = ""

    @classmethod
    def of(cls, table, row):
        """The origin of a row as `itertuples` gives it, of a table that was read whole."""
        return cls(table, row.Index + 2, getattr(row, "outcome", ""), getattr(row, "window", ""))

    @classmethod
    def of_each(cls, table, numbers):
        """The origin of every row of a table that was read whole, or of some of its rows."""
        return [cls.of(table, row) for row in numbers.itertuples()]

    @property
    def anchor(self):
        """Where on the page the number is explained."""
        known = self.outcome and self.window
        return f"from-{self.outcome}-{self.window}" if known else "numbers"


class Told(str):
    """A sentence or cell with the rows that its numbers come from."""

    __slots__ = ("origins",)

    def __new__(cls, text, *origins):
        told = super().__new__(cls, text)
        told.origins = origins
        return told


def marked(shown):
    """What a template prints for a value: behind what is told, a mark for each origin."""
    if not isinstance(shown, Told) or not shown:
        return shown
    return Markup("{}{}").format(str(shown), Markup("").join(map(_mark, shown.origins)))


def _mark(origin):
    row = f"{origin.table}.tsv" + (f", row {origin.row}" if origin.row else "")
    short = f"{origin.table} {origin.row}" if origin.row else origin.table
    # in a table the number of the row alone is shown
    shown = Markup("<span>{} </span>{}").format(origin.table, origin.row)
    return Markup(' <a class="source" href="#{}" title="{}" aria-label="{}: {}">{}</a>').format(
        origin.anchor, row, short, "where it comes from", shown if origin.row else short
    )
