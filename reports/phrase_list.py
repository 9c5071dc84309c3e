"""The patterns of frozen sentences."""

from django.utils.translation import gettext_noop as _

PHRASES: tuple[str, ...] = (_("{n} %"),)
