"""How a study was carried out, as far as the record shows it: by lot, blind, looked at, amended."""

from dataclasses import dataclass

from trials.models import ArmSpecimen, Reading, Run, Study, StudyAmendment, StudyLook
from trials.plan_queries import out_of_order, planned_with_first_readings


@dataclass(frozen=True)
class Conduct:
    """What a scorecard must say of the order, the blinding and the looks.

    `unblinded_readers` counts people who took readings although they had seen the key.
    """

    is_randomised: bool
    out_of_order: int
    is_blind: bool
    unblinded_readers: int
    looks: tuple[StudyLook, ...]
    amendments: tuple[StudyAmendment, ...]


def conduct_of(study: Study) -> Conduct:
    """Read it from runs, readings, looks and amendments: four queries, six for a blind study."""
    runs = planned_with_first_readings(study)
    read = [run for run in runs if run.readings.all()]
    unblinded, all_coded = _blinding(study, read) if study.is_blind else (0, False)
    return Conduct(
        is_randomised=bool(read) and all(run.plan_id is not None for run in read),
        out_of_order=out_of_order(runs),
        is_blind=study.is_blind and all_coded and not unblinded,
        unblinded_readers=unblinded,
        looks=tuple(
            study.looks.filter(kind=StudyLook.Kind.FINDINGS).select_related("by").order_by("at")
        ),
        amendments=tuple(study.amendments.select_related("by")),
    )


def _blinding(study: Study, read: list[Run]) -> tuple[int, bool]:
    """People who read although they had seen the key, and whether all had a number."""
    seen = StudyLook.objects.filter(study=study, kind=StudyLook.Kind.CODES).values("by")
    readers = Reading.objects.filter(run__study=study, by__in=seen)
    uncoded = ArmSpecimen.objects.filter(
        study=study, blind_code="", specimen__in={run.specimen_id for run in read}
    )
    return readers.order_by().values("by").distinct().count(), not uncoded.exists()
