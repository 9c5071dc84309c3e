"""Data for machines inside a page."""

import json
from typing import Any

from django import template
from django.utils.safestring import SafeString, mark_safe

register = template.Library()
# what could end the element or begin another one
ESCAPES = {ord(">"): "\\u003E", ord("<"): "\\u003C", ord("&"): "\\u0026"}


@register.filter
def linked_data(value: Any) -> SafeString:
    """JSON-LD in a script element, which browsers read as data and never run.

    Written as Django's own json_script does, which knows only one type.
    """
    text = json.dumps(value, ensure_ascii=False, allow_nan=False).translate(ESCAPES)
    return mark_safe(f'<script type="application/ld+json">{text}</script>')  # nosec B308, B703  # ESCAPES leaves no < in it
