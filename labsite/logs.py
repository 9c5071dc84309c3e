"""Which request or job a log line belongs to."""

import logging
from contextvars import ContextVar

# "-" outside any request or job.
origin: ContextVar[str] = ContextVar("origin", default="-")


class OriginFilter(logging.Filter):
    """Give every record the attribute `origin` for the line format in settings."""

    def filter(self, record: logging.LogRecord) -> bool:
        record.origin = origin.get()
        return True
