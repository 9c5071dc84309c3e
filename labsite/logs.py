"""Which request or job a log line belongs to."""

import json
import logging
from contextvars import ContextVar
from datetime import UTC, datetime

# "-" outside any request or job.
origin: ContextVar[str] = ContextVar("origin", default="-")


class OriginFilter(logging.Filter):
    """Give every record the attribute `origin` for the line format in settings."""

    def filter(self, record: logging.LogRecord) -> bool:
        record.origin = origin.get()
        return True


class JsonFormatter(logging.Formatter):
    """One JSON object a line, for whatever collects the logs of several machines."""

    def format(self, record: logging.LogRecord) -> str:
        line = {
            "at": datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds"),
            "level": record.levelname.lower(),
            "origin": getattr(record, "origin", "-"),
            "logger": record.name,
            "message": record.getMessage(),
            # what a caller gave as `extra={"told": {...}}`
            **getattr(record, "told", {}),
        }
        if record.exc_info:
            line["trace"] = self.formatException(record.exc_info)
        return json.dumps(line, ensure_ascii=False, default=str)
