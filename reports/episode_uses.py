"""Episodes that were made from a scorecard's edition, for the list of what leans on it."""

from collections.abc import Iterable

from django.urls import reverse

from reports.errata_queries import Use
from reports.models import Edition, Episode


def episodes_using(edition: Edition) -> Iterable[Use]:
    """Released episodes whose figures came from this edition, then scripts still being written."""
    released = edition.used_by_episodes.select_related("episode").defer("content")
    for one in released.order_by("episode", "number"):
        url = reverse("episode-edition", args=[one.episode.slug, one.number])
        yield Use("episode", f"Episode: {one.episode.title}, edition {one.number}", url, True)
    for episode in Episode.objects.filter(used__study=edition.study_id):
        url = reverse("desk-episode", args=[episode.slug])
        yield Use("episode script", f"Script: {episode.title}", url, False)
