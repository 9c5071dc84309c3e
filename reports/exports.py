"""Files made from an edition's frozen content."""

import csv
import io
from typing import Any

from labsite.tables import guarded

READING_COLUMNS = (
    "specimen",
    "arm_label",
    "property",
    "method_key",
    "zone",
    "site",
    "measured_at",
    "low",
    "high",
    "used_low",
    "used_high",
    "unit",
    "grade",
    "rater",
    "state",
    "reason",
    "words",
    "used_words",
    "left_out_of",
)


def readings_csv(content: dict[str, Any]) -> str:
    """Every reading with its interval; an empty `high` means no upper end.

    `low` and `high` are as read; `used_low` and `used_high` as they went into findings, after
    corrections. Editions from before there were any have the latter empty.
    """
    out = io.StringIO()
    writer = csv.writer(out, quoting=csv.QUOTE_NONNUMERIC, lineterminator="\r\n")
    writer.writerow(READING_COLUMNS)
    for reading in content["readings"]:
        row = {**reading, "left_out_of": "; ".join(reading.get("left_out_of", ()))}
        writer.writerow([guarded(row.get(column)) for column in READING_COLUMNS])
    return out.getvalue()
