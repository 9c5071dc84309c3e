"""Make a small study, or take the one there, have its scorecard signed off and set its minute."""

from datetime import timedelta

from django.core.management.base import BaseCommand
from django.utils import timezone

from labsite.roles import Role
from reports import review
from reports.actions import save_draft
from specimens.models import Specimen
from tests.reports.demo_site import person_with
from tests.reports.story_lab import build_story, upload
from trials.models import Study


class Command(BaseCommand):
    def add_arguments(self, parser):
        parser.add_argument("--seconds", type=float, required=True)

    def handle(self, *, seconds, **_):
        study = Study.objects.first() or self.made()
        number = study.editions.count() + 1
        lead, editor = person_with(Role.LEAD), person_with(Role.EDITOR)
        words = {
            "headline": "New and worn waders on one bench",
            "summary_text": "What the bench shows.",
            "note": f"Said {'once more' if number > 1 else 'first'}.",
        }
        save_draft(by=lead, study=study, fields=words)
        signed = review.sign_off_study(by=editor, study=study, note="Seen.")
        at = timezone.now() + timedelta(seconds=seconds)
        review.plan_release(by=lead, subject=study, signed=signed, release_at=at)
        self.stdout.write(at.isoformat())

    def made(self):
        story = build_story(method="belt-abrasion", arms={"New": 2, "Worn": 2})
        Specimen.objects.update(paid_by="the lab")
        upload(
            story,
            [
                {"specimen": one.code, "value": seconds, "ended": "failed"}
                for one, seconds in zip(
                    [*story.arms["New"], *story.arms["Worn"]], (4.1, 4.4, 2.9, 3.2), strict=True
                )
            ],
        )
        return story.study
