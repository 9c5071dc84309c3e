"""What a tablet tells with an entry so that it may arrive late, twice or in any order."""

import uuid as uuids
from dataclasses import dataclass
from datetime import datetime, timedelta

from django.utils import timezone

from labsite.errors import Refused
from trials.policies import check_clock


def by_server_clock(at: datetime, clock_offset_s: float | None, *, field: str) -> datetime:
    """A tablet's time put right; an offset of None means that nobody measured it."""
    try:
        return at + timedelta(seconds=clock_offset_s or 0.0)
    except OverflowError:
        raise Refused({field: ["This is no time that a clock can show."]}) from None


@dataclass(frozen=True)
class Sent:
    """Which entry of which tablet this is, and when it was made by the server's clock."""

    entry: uuids.UUID
    at: datetime
    clock_offset_s: float | None = None

    def at_most_now(self, *, field: str) -> datetime:
        """When it was made; a little ahead of the server counts as now, more is refused."""
        check_clock(self.at, field=field)
        return min(self.at, timezone.now())
