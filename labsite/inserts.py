"""Many rows at once: values made ready outside a transaction, written inside it by one statement.

On SQLite a transaction holds the only write lock. Turning 50,000 objects into values takes longer
than writing them, so the two are apart here: nobody waits for the first.
"""

from collections.abc import Iterable, Sequence
from typing import Any

from django.db import connection
from django.db.models import Model


class Prepared:
    """The values of rows of one model, in the order of its columns."""

    def __init__(self, model: type[Model], objects: Iterable[Model]) -> None:
        fields = [f for f in model._meta.local_concrete_fields if not _is_given(f)]
        self.columns = [str(field.column) for field in fields]
        self.table = model._meta.db_table
        self.rows = [
            [field.get_db_prep_save(field.pre_save(one, True), connection) for field in fields]
            for one in objects
        ]

    def fill(self, column: str, values: Sequence[Any]) -> None:
        """Set one column of every row, for a number that is known only inside the transaction."""
        place = self.columns.index(column)
        for row, value in zip(self.rows, values, strict=True):
            row[place] = value

    def write(self) -> None:
        """Insert all rows; call it inside a transaction."""
        if not self.rows:
            return
        quote = connection.ops.quote_name
        columns = ", ".join(quote(column) for column in self.columns)
        marks = ", ".join(["%s"] * len(self.columns))
        with connection.cursor() as cursor:
            insert = "INSERT INTO {} ({}) VALUES ({})"  # names are the model's own
            cursor.executemany(insert.format(quote(self.table), columns, marks), self.rows)


def _is_given(field: Any) -> bool:
    """True for a key that the database counts up by itself."""
    return bool(field.primary_key) and field.get_internal_type() in {"AutoField", "BigAutoField"}
