"""What a scorecard of a study would say now, and the same kept in memory for those who write."""

from typing import Any

from django.utils import timezone

from labsite.kept_pages import Recent
from labsite.models import AuditEntry
from reports.content import draft_cautions, study_content
from reports.models import EditionDraft, Summary
from reports.queries import standing
from trials.models import Study
from trials.studies import is_closed

MOST_KEPT = 16
Content = dict[str, Any]

_kept: Recent[int, tuple[tuple[Any, ...], Content]] = Recent(MOST_KEPT)


def live_content(study: Study) -> Content | None:
    """What a scorecard of the study would say now; None where nothing may be seen yet."""
    summary = _shown(study)
    return None if summary is None else _content(study, summary)


def _shown(study: Study) -> Summary | None:
    """The summary that may be seen; none while a blind study is open."""
    summary = standing(study).summary
    return None if summary is None or is_closed(study) else summary


def _content(study: Study, summary: Summary) -> Content:
    draft = EditionDraft.objects.filter(study=study).first() or EditionDraft(study=study)
    return study_content(study, summary, draft_cautions(draft))


def kept_content(study: Study) -> Content | None:
    """The same from this process's memory, as long as nothing was done that may move it.

    Some seventy queries a study are too slow for words that keep themselves at every pause of a
    hand. What is handed out is shared: nobody may change it.
    """
    summary = _shown(study)
    if summary is None:
        return None
    key = _key(study, summary)  # before anything is read, so that it is never newer than the rest
    found = _kept.get(study.pk)
    if found is not None and found[0] == key:
        return found[1]
    content = _content(study, summary)
    _kept.keep(study.pk, (key, content))
    return content


def _key(study: Study, summary: Summary) -> tuple[Any, ...]:
    """Four narrow queries.

    Whatever else may move a card's words goes on the audit trail. Runs do so too, many a minute
    while the bench works, and those of this study move its `inputs_version`. The time beside the
    number tells rows apart where a transaction was taken back and its number given again.
    """
    done = AuditEntry.objects.exclude(subject_kind="trials.run").order_by("-pk")
    return (
        summary.pk,
        summary.inputs_digest,
        study.inputs_version,
        study.looks.count(),
        EditionDraft.objects.filter(study=study).values_list("extra_cautions").first(),
        done.values_list("pk", "at").first(),
        timezone.localdate(),
    )
