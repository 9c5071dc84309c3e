"""App configuration: what the database keeps unchanged, and the work done in the background."""

from django.apps import AppConfig


class ReportsConfig(AppConfig):
    """What it means and who reads it."""

    name = "reports"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        """Register the guards and the kinds of background work."""
        from labsite import audit, jobs, triggers
        from reports.audit_heads import published_heads
        from reports.episode_uses import episodes_using
        from reports.errata_queries import register_use
        from reports.kept import register_stamps
        from reports.release import RELEASE_KIND
        from reports.work import SUMMARISE_KIND

        triggers.append_only("reports_summary", what="summaries")
        triggers.append_only("reports_finding", what="findings")
        triggers.append_only("reports_trend", what="trends")
        triggers.append_only("reports_edition", what="published editions")
        triggers.append_only("reports_correction", what="corrections")
        triggers.append_only("reports_withdrawal", what="withdrawals")
        audit.register_anchors("editions", published_heads)
        triggers.append_only("reports_smalllabexemption", what="small-lab exemptions")
        triggers.append_only("reports_signoff", what="sign-offs")
        triggers.append_only("reports_embargo", what="embargoes")
        triggers.append_only("reports_replyrequest", what="requests for a reply")
        triggers.append_only("reports_replyanswer", what="replies")
        triggers.append_only("reports_stand", what="reasons")
        triggers.append_only("reports_segmentversion", what="versions of a segment")
        triggers.append_only("reports_episodeedition", what="released episodes")
        jobs.register(SUMMARISE_KIND)
        jobs.register(RELEASE_KIND)
        register_use("episode", episodes_using)
        register_stamps()
