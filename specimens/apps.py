"""App configuration."""

from django.apps import AppConfig


class SpecimensConfig(AppConfig):
    """What is tested."""

    name = "specimens"
    default_auto_field = "django.db.models.BigAutoField"
