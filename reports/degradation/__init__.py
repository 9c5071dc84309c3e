"""What was lost, and how sure that is: the pure statistics of degradation."""

from reports.degradation.intervals import CannotCompare, Interval, Record, specimen_interval

__all__ = ["CannotCompare", "Interval", "Record", "specimen_interval"]
