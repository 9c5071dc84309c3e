"""App configuration, and what the database itself keeps from being changed."""

from django.apps import AppConfig

REVISION_FIXED = [
    "method_id",
    "number",
    "outcome_kind",
    "quantity",
    "unit",
    "direction",
    "resolution",
    "range_low",
    "range_high",
    "margin",
    "settings",
    "levels",
    "grade_scale",
    "steps",
    "hazards",
    "checks",
    "destructive",
    "spoils",
    "relation",
    "standard_note",
    "control_material",
    "derivation",
    "derivation_settings",
    "minutes",
]
STUDY_FIXED = [
    "slug",
    "title",
    "question",
    "kind",
    "level",
    "margin",
    "scope",
    "exclusion_rules",
    "registered_at",
    "registered_by_id",
    "registration_digest",
]


class TrialsConfig(AppConfig):
    """How it is tested and what was read."""

    name = "trials"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        """Register the guards; they are put in place after every migrate."""
        from labsite import triggers

        triggers.append_only("trials_reading", what="readings")
        triggers.append_only("trials_runvoid", what="voids")
        triggers.append_only("trials_safetyacknowledgement", what="safety acknowledgements")
        triggers.guard(
            triggers.Guard(
                table="trials_methodrevision",
                message="a method revision in force never changes; make a new revision",
                on=("UPDATE",),
                when=f"OLD.state <> 'draft' AND ({_any_changed(REVISION_FIXED)} OR "
                "COALESCE(NEW.detection_limit, -1) <> COALESCE(OLD.detection_limit, -1) OR "
                "NEW.state = 'draft')",
            )
        )
        triggers.guard(
            triggers.Guard(
                table="trials_study",
                message="a registered study keeps its question and design",
                on=("UPDATE",),
                # registration itself fills empty columns, which compare as unknown and so pass
                when=f"OLD.registered_at IS NOT NULL AND ({_any_changed(STUDY_FIXED)} OR "
                "NEW.registered_at IS NULL)",
            )
        )


def _any_changed(columns: list[str]) -> str:
    return " OR ".join(f"NEW.{column} <> OLD.{column}" for column in columns)
