"""Runs added at the bench, which may arrive late and more than once."""

import uuid as uuids
from collections.abc import Mapping
from typing import Any

from django.db import IntegrityError, transaction

from labsite.errors import Conflict
from labsite.models import User
from trials import actions
from trials.models import Run, Study


def add_run_once(
    *, by: User, study: Study, entry: uuids.UUID, codes: Mapping[str, Any]
) -> tuple[Run, bool]:
    """The run that this entry adds, and whether it was added only now. `codes` are those of a person's form."""
    standing = _added_by(entry)
    if standing is None:
        try:
            with transaction.atomic():
                run = actions.plan_run_by_codes(by=by, study=study, **codes)
                run.entry = entry
                run.save(update_fields=["entry"])
                return run, True
        except IntegrityError:
            # the same entry came twice at once, and the other was quicker
            standing = _added_by(entry)
            if standing is None:
                raise
    if not _is_same(standing, by=by, study=study, codes=codes):
        raise Conflict("Another run was added under this id; this one was not.")
    return standing, False


def _added_by(entry: uuids.UUID) -> Run | None:
    return (
        Run.objects.select_related("specimen", "zone", "revision__method")
        .filter(entry=entry)
        .first()
    )


def _is_same(run: Run, *, by: User, study: Study, codes: Mapping[str, Any]) -> bool:
    return (
        run.study_id == study.pk
        and run.planned_by_id == by.pk
        and run.specimen.code == codes["specimen"]
        and run.revision.method.key == codes["method"]
        and run.zone.code == codes["zone"]
        and codes.get("site") in (None, run.site)
    )
