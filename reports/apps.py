"""App configuration."""

from django.apps import AppConfig


class ReportsConfig(AppConfig):
    """What it means and who reads it."""

    name = "reports"
    default_auto_field = "django.db.models.BigAutoField"
