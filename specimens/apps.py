"""App configuration."""

from django.apps import AppConfig


class SpecimensConfig(AppConfig):
    """What is tested."""

    name = "specimens"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        """Say what files may bring."""
        from specimens import imports
        from specimens.service_rows import SERVICE
        from specimens.specimen_rows import SPECIMENS

        imports.register(SPECIMENS)
        imports.register(SERVICE)
