"""Asking a maker before publication: what is sent, and what came back.

A maker is sent its own items, methods and readings only: nothing of another maker's, no script, and
no ratio that another maker's items went into.
"""

from datetime import date
from typing import Any

from django.db import transaction
from django.utils import timezone

from labsite import audit
from labsite.errors import Refused
from labsite.models import User
from labsite.roles import Deed, check_may
from reports.checklist import makers_of
from reports.live_content import live_content
from reports.models import ReplyAnswer, ReplyRequest
from trials.models import Study


def maker_content(study: Study, maker: str) -> dict[str, Any]:
    """What one maker may be shown of a study's findings as they stand."""
    content = live_content(study)
    if content is None:
        raise Refused("The findings are not there yet, so there is nothing to send.")
    arms = []
    for arm in content["arms"]:
        own = [one for one in arm["specimens"] if one["maker"] == maker]
        if own:
            arms.append({"label": arm["label"], "key": arm["key"], "specimens": own})
    codes = {one["code"] for arm in arms for one in arm["specimens"]}
    whole = {
        arm["label"]
        for arm in content["arms"]
        if all(one["maker"] == maker for one in arm["specimens"])
    }
    findings = [
        {
            "property": found["property"],
            "method": found["method"],
            "arm_label": found["arm_label"],
            "baseline_label": found["baseline_label"],
            "sentence": found["sentence"],
            "verdict_words": found["verdict_words"],
            "n_other": found["n_other"],
            "n_baseline": found["n_baseline"],
        }
        for found in content["findings"]
        if {found["arm_label"], found["baseline_label"]} <= whole
    ]
    values = [
        {"property": found["property"], "arm": one["arm"], "words": one["words"], "n": one["n"]}
        for found in content["findings"]
        for one in found["arm_values"]
        if one["arm"] in whole
    ]
    return {
        "question": content["study"]["question"] if _is_alone(content, maker) else "",
        "arms": arms,
        "findings": findings,
        "values": [one for place, one in enumerate(values) if one not in values[:place]],
        "methods": [
            {
                name: one[name]
                for name in ("name", "number", "property", "unit", "relation", "steps")
            }
            for one in content["methods"]
        ],
        "readings": [one for one in content["readings"] if one["specimen"] in codes],
    }


def _is_alone(content: dict[str, Any], maker: str) -> bool:
    # the question of a study of two makers may name the other one's price
    return all(one["maker"] == maker for arm in content["arms"] for one in arm["specimens"])


@transaction.atomic
def ask_maker(
    *, by: User, study: Study, maker: str, sent_to: str, deadline_on: date | None, questions: str
) -> ReplyRequest:
    """Freeze what a maker is sent and asked. Sending it is a person's work."""
    check_may(by, Deed.DRAFT_EDITIONS)
    problems: dict[str, list[str]] = {}
    if maker not in makers_of(study):
        problems["maker"] = ["No item of this study is by that maker."]
    if not sent_to.strip():
        problems["sent_to"] = ["Say to whom it goes: an address or a name."]
    if deadline_on is None or deadline_on <= timezone.localdate():
        problems["deadline_on"] = ["Give a day to come; ten working days are fair."]
    if not questions.strip():
        problems["questions"] = ["Ask something that can be answered."]
    if problems or deadline_on is None:
        raise Refused(problems)
    asked = ReplyRequest.objects.create(
        study=study,
        maker=maker,
        sent_to=sent_to.strip(),
        deadline_on=deadline_on,
        questions=questions.strip(),
        content=maker_content(study, maker),
        by=by,
    )
    audit.record(
        by=by,
        verb="asked a maker",
        subject=study,
        detail={"maker": maker, "to": asked.sent_to, "until": deadline_on.isoformat()},
    )
    return asked


@transaction.atomic
def record_answer(
    *, by: User, request: ReplyRequest, kind: str, text: str = "", changed: str = ""
) -> ReplyAnswer:
    """Write down what a maker answered, or that the day went by without an answer."""
    check_may(by, Deed.DRAFT_EDITIONS)
    problems: dict[str, list[str]] = {}
    if kind not in ReplyAnswer.Kind.values:
        problems["kind"] = ["Choose what came back."]
    if kind == ReplyAnswer.Kind.ANSWER and not text.strip():
        problems["text"] = ["Write down the answer, or its parts that bear on the findings."]
    if kind == ReplyAnswer.Kind.NONE and request.deadline_on >= timezone.localdate():
        problems["kind"] = ["The day named has not passed yet."]
    if problems:
        raise Refused(problems)
    kept = ReplyAnswer.objects.create(
        request=request, kind=kind, text=text.strip(), changed=changed.strip(), by=by
    )
    audit.record(
        by=by,
        verb="recorded a maker's answer",
        subject=request.study,
        detail={"maker": request.maker, "kind": kind},
    )
    return kept
