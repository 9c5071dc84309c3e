"""Days and moments as people write them, from a date, a datetime or the ISO 8601 text of a frozen edition."""

import datetime as dt

from django import template
from django.utils import formats, timezone, translation
from django.utils.dateparse import parse_date, parse_datetime
from django.utils.html import format_html
from django.utils.safestring import SafeString

register = template.Library()

Day = dt.date | dt.datetime | str | None


def _parsed(at: Day) -> dt.date | dt.datetime | None:
    if not isinstance(at, str):
        return at
    return parse_datetime(at) or parse_date(at)


def _day_format() -> str:
    """How the page's language writes a day: 14 March 2026, 14. März 2026; kept on one line."""
    language = translation.get_language() or "en"
    written = "j F Y" if language.startswith("en") else str(formats.get_format("DATE_FORMAT"))
    return written.replace(" ", "\xa0")


@register.filter
def day(at: Day) -> SafeString | str:
    """`14 March 2026` in a time element; text that is no date comes back as it is, nothing as an empty string."""
    when = _parsed(at)
    if when is None:
        return str(at or "")
    if isinstance(when, dt.datetime) and timezone.is_aware(when):
        when = timezone.localtime(when)
    return format_html(
        '<time datetime="{}">{}</time>', when.isoformat(), formats.date_format(when, _day_format())
    )


@register.filter
def moment(at: Day) -> SafeString | str:
    """`14 March 2026, 09:12` in a time element, in the site's time zone; a bare date stays a day."""
    when = _parsed(at)
    if not isinstance(when, dt.datetime):
        return day(when if when is not None else at)
    if timezone.is_aware(when):
        when = timezone.localtime(when)
    return format_html(
        '<time datetime="{}">{}</time>',
        when.isoformat(),
        formats.date_format(when, f"{_day_format()}, H:i"),
    )
