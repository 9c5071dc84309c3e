"""Frozen English texts on pages of any language."""

from typing import Any

from django import template
from django.utils.safestring import SafeString

from reports import phrases
from trials.physics.units import written

register = template.Library()


@register.filter
def said(text: Any) -> SafeString:
    """The text in the page's language, marked as English where it is not known."""
    return phrases.said("" if text is None else str(text))


@register.filter
def unit_said(unit: str) -> SafeString:
    """A unit as people write it, in the page's language."""
    return phrases.said(written(unit))


@register.filter
def said_plainly(text: Any) -> str:
    """The same for an attribute."""
    return phrases.said_plainly("" if text is None else str(text))


@register.filter
def starts_sentence(text: Any) -> SafeString | str:
    """The text in the page's language with a capital first letter."""
    shown = phrases.said("" if text is None else str(text))
    if shown.startswith("<"):
        return shown
    begun = shown[:1].upper() + shown[1:]
    return SafeString(begun)  # nosec B703  # `said` has escaped it
