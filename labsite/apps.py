"""Start of the site."""

from django.apps import AppConfig


class LabsiteConfig(AppConfig):
    """Frame of the house: people, roles, audit, jobs, settings, commands."""

    name = "labsite"
    verbose_name = "Site"

    def ready(self) -> None:
        from django.db.models.signals import post_migrate

        from labsite import celery, checks, triggers

        celery.app.set_default()
        checks.register_all()
        triggers.append_only("labsite_auditentry", what="Audit entries")
        triggers.append_only("labsite_auditseal", what="Audit seals")
        # A matter of schema, not of flow: see labsite.triggers.
        post_migrate.connect(
            triggers.install_after_migrate, sender=self, dispatch_uid="labsite.triggers"
        )
