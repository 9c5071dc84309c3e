"""Units on pages."""

from django import template

from trials.physics import units

register = template.Library()


@register.filter
def written(unit: str) -> str:
    """A unit as people write it: °C for the table's degC."""
    return units.written(unit)
