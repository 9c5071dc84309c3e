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
    "work_family",
    "spoils_rules",
    "relation",
    "standard_note",
    "control_material",
    "derivation",
    "derivation_settings",
    "minutes",
    "corrects_by_control",
    "change_note",
    "needs_instruments",
    "needs_consumables",
    "conditions",
    "trace",
    "hazard_family",
    "stop_if",
    "after_run",
    "needs_second_person",
    "keyed_twice",
    "step_rule",
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
    "is_simultaneous",
    "is_blind",
    "change_of_mind",
    "population",
    "not_claimed",
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
        from labsite import audit, jobs, triggers
        from specimens import imports
        from trials.method_rows import METHODS
        from trials.studies import SHUT, runs_kept_shut
        from trials.trace_work import READ_FIGURE_KIND, READ_TRACE_KIND
        from trials.work import SERVICE_CHANGED_KIND

        imports.register(METHODS)
        audit.register_veil("trials.run", runs_kept_shut, shown=f"words {SHUT}")
        jobs.register(SERVICE_CHANGED_KIND)
        jobs.register(READ_TRACE_KIND)
        jobs.register(READ_FIGURE_KIND)
        triggers.append_only("trials_reading", what="readings")
        triggers.append_only("trials_runvoid", what="voids")
        triggers.append_only("trials_runexclusion", what="runs left out of an analysis")
        triggers.append_only("trials_studyamendment", what="amendments of a study")
        triggers.append_only("trials_studylook", what="looks at a study")
        triggers.append_only("trials_safetyacknowledgement", what="safety acknowledgements")
        triggers.append_only("trials_calibration", what="calibrations")
        triggers.append_only("trials_instrumentcheck", what="checks of instruments")
        triggers.append_only("trials_instrumentuse", what="instruments of a run")
        triggers.append_only("trials_consumableuse", what="uses of consumables")
        triggers.append_only("trials_roomreading", what="readings of a room")
        triggers.append_only("trials_conditioning", what="stays of a specimen")
        triggers.append_only("trials_publishedlimit", what="published limits")
        triggers.append_only("trials_uncertaintybudget", what="uncertainty budgets")
        triggers.append_only("trials_tracefile", what="traces")
        triggers.append_only("trials_traceblock", what="traces")
        triggers.append_only("trials_tracereading", what="derived readings")
        triggers.append_only("trials_photo", what="photos")
        triggers.append_only("trials_photooriginal", what="photos")
        triggers.append_only("trials_photovoid", what="strikings-out of photos")
        triggers.append_only("trials_videomark", what="marks in films")
        triggers.append_only("trials_specimencheck", what="checks of specimen codes")
        triggers.append_only("trials_secondkeying", what="second keyings")
        triggers.append_only("trials_readingconfirmation", what="confirmations")
        triggers.append_only("trials_ratingorder", what="orders of grading")
        triggers.append_only("trials_watch", what="fire watches")
        triggers.append_only("trials_incident", what="incidents")
        triggers.guard(
            triggers.Guard(
                table="trials_heldentry",
                message="an entry handed over stays as it came",
                on=("DELETE",),
            )
        )
        triggers.guard(
            triggers.Guard(
                table="trials_methodrevision",
                message="a method revision in force never changes; make a new revision",
                on=("UPDATE",),
                when=f"OLD.state <> 'draft' AND ({_any_changed(REVISION_FIXED)} OR "
                "COALESCE(NEW.detection_limit, -1) <> COALESCE(OLD.detection_limit, -1) OR "
                "COALESCE(NEW.control_drift_limit, -1) <> COALESCE(OLD.control_drift_limit, -1) OR "
                "COALESCE(NEW.plausible_low, -1) <> COALESCE(OLD.plausible_low, -1) OR "
                "COALESCE(NEW.plausible_high, -1) <> COALESCE(OLD.plausible_high, -1) OR "
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
