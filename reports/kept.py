"""What the public pages of editions depend on, as keys and as a part of the site's stamp."""

from django.db.models import Max

from labsite.kept_pages import register_stamp
from labsite.models import Lab
from reports.episode_models import EpisodeEdition
from reports.models import Correction, Edition, PublishedCard, Withdrawal
from trials.models import MethodRevision, PublishedLimit

# append-only tables: the newest row says whether anything came; its own digest or day that it is
# the same row, also where a transaction was taken back and the number given again
STAMPS = {
    "edition": "SELECT id FROM reports_edition ORDER BY id DESC LIMIT 1",
    "edition digest": "SELECT digest FROM reports_edition ORDER BY id DESC LIMIT 1",
    "correction": "SELECT at FROM reports_correction ORDER BY id DESC LIMIT 1",
    "withdrawal": "SELECT at FROM reports_withdrawal ORDER BY id DESC LIMIT 1",
    # rows are made anew with an edition and by index_editions, and numbers are never given twice
    "index": "SELECT id FROM reports_publishedcard ORDER BY id DESC LIMIT 1",
    "episode": "SELECT id FROM reports_episodeedition ORDER BY id DESC LIMIT 1",
    # a revision goes from draft into force to retired and never back, so that each step shows here
    "methods in force": "SELECT COUNT(*) FROM trials_methodrevision WHERE state = 'in force'",
    "methods retired": "SELECT COUNT(*) FROM trials_methodrevision WHERE state = 'retired'",
    "published limit": "SELECT id FROM trials_publishedlimit ORDER BY id DESC LIMIT 1",
    "lab": "SELECT name FROM labsite_lab WHERE id = 1",
    "note": "SELECT note FROM labsite_lab WHERE id = 1",
    "invented": "SELECT is_invented FROM labsite_lab WHERE id = 1",
    "licence": "SELECT licence FROM labsite_lab WHERE id = 1",
}


def register_stamps() -> None:
    """Called once when the app is ready."""
    for name, sql in STAMPS.items():
        register_stamp(f"reports: {name}", sql)


def lab_key() -> str:
    """The lab's own words, which stand on every page. One query."""
    lab = Lab.objects.values_list("name", "note", "is_invented", "licence").first()
    return repr(lab)


def methods_key() -> str:
    """For pages of methods, which never change once in force. Costs three queries."""
    states = MethodRevision.objects.exclude(state=MethodRevision.State.DRAFT).order_by("pk")
    limit = PublishedLimit.objects.order_by("-pk").values_list("pk", flat=True).first()
    return repr((list(states.values_list("pk", "state")), limit, lab_key()))


def study_key(slug: str, number: int | None = None) -> str | None:
    """Everything that a page of a study's editions depends on; None without such an edition.

    Costs five narrow queries; no content is read.
    """
    editions = list(
        Edition.objects.filter(study__slug=slug).order_by("number").values_list("number", "digest")
    )
    if not editions or (number is not None and number not in {n for n, _ in editions}):
        return None
    corrections = Correction.objects.filter(edition__study__slug=slug).order_by("pk")
    withdrawals = Withdrawal.objects.filter(edition__study__slug=slug).order_by("pk")
    episodes = EpisodeEdition.objects.filter(scorecards__study__slug=slug).order_by("pk").distinct()
    return repr(
        (
            editions,
            list(episodes.values_list("pk", flat=True)),
            [(pk, at.isoformat()) for pk, at in corrections.values_list("pk", "at")],
            [(pk, at.isoformat()) for pk, at in withdrawals.values_list("pk", "at")],
            lab_key(),
        )
    )


def site_key() -> str:
    """For pages that show every edition, episode, correction and withdrawal. Costs six queries."""
    newest = Edition.objects.order_by("-pk").values_list("pk", "digest").first()
    corrected = Correction.objects.aggregate(at=Max("at"))["at"]
    withdrawn = Withdrawal.objects.aggregate(at=Max("at"))["at"]
    indexed = PublishedCard.objects.order_by("-pk").values_list("pk", flat=True).first()
    episode = EpisodeEdition.objects.aggregate(pk=Max("pk"))["pk"]
    return repr((newest, indexed, str(corrected), str(withdrawn), episode, lab_key()))
