"""The API of the bench. Every answer is JSON; every problem is application/problem+json.

In a problem, `problems` maps a field to its sentences. A field of the raw entry goes by its own
name, such as "seconds"; "raw" itself is named only when it is no raw entry at all.
"""

import uuid as uuids
from collections.abc import Mapping
from io import BytesIO
from typing import Any

from django.middleware.csrf import get_token
from django.shortcuts import get_object_or_404
from django.utils import timezone
from django.utils.decorators import method_decorator
from django.views.decorators.cache import never_cache
from rest_framework import exceptions, status
from rest_framework.parsers import JSONParser
from rest_framework.request import Request
from rest_framework.response import Response

from labsite.api_policy import DeedView
from labsite.errors import NotYet, Refused
from labsite.models import User
from labsite.problems import PROBLEM_TYPE, problem_body
from labsite.roles import Deed, check_may, person
from trials import actions, queries
from trials.added_runs import add_run_once
from trials.models import MethodRevision, Reading, Run, Study
from trials.serializers import (
    AcknowledgedAnswer,
    GivenAnswers,
    GivenReading,
    GivenRun,
    GivenVoid,
    ReadingAnswer,
    RunAnswer,
    RunNamedAnswer,
    RunPageAnswer,
    SessionAnswer,
    StudiesAnswer,
    StudyAnswer,
    StudyDetailAnswer,
    parse_reading_id,
    sent_of,
)
from trials.studies import check_sees_readings
from trials.tablets import by_server_clock
from trials.witness import CheckEntry, record_bench_reading

LARGEST_BODY = 2 * 1024 * 1024  # bytes; a reading is under 1 kB


class BenchJSON(JSONParser):
    """JSON as the standard has it: no NaN, no infinity, no bottomless nesting."""

    def parse(
        self,
        stream: Any,
        media_type: str | None = None,
        parser_context: Mapping[str, Any] | None = None,
    ) -> Any:
        content = stream.read(LARGEST_BODY + 1)
        if len(content) > LARGEST_BODY:
            raise exceptions.ParseError("That is far more than a reading: nothing was stored.")
        try:
            return super().parse(BytesIO(content), media_type, parser_context)
        except RecursionError:
            raise exceptions.ParseError("The JSON is nested too deeply.") from None


@method_decorator(never_cache, name="dispatch")
class BenchView(DeedView):
    """What the bench talks to: never cached, strict about its JSON."""

    parser_classes = [BenchJSON]

    def check_permissions(self, request: Request) -> None:
        super().check_permissions(request)
        _check_entered_by(request)


class OtherPerson(exceptions.PermissionDenied):
    """An entry is sent only in the name of the person who made it."""

    told: Mapping[str, str] = {"code": "other person"}


def _check_entered_by(request: Request) -> None:
    """A shared tablet says whose entry it sends; someone else may have signed in since."""
    entered_by = request.headers.get("X-Entered-By")
    if entered_by is not None and entered_by != str(person(request).pk):
        raise OtherPerson("Somebody else is signed in than the person who entered this.")


class SessionView(BenchView):
    """Who is signed in, with a fresh token for the next request that writes."""

    deeds = {"GET": None}
    gives = {"GET": SessionAnswer}

    def get(self, request: Request) -> Response:
        user = person(request)
        return Response(
            {
                "user": user.pk,
                "username": user.get_username(),
                "display_name": user.display_name,
                "csrf_token": get_token(request._request),
                # by which a tablet finds out that its clock is wrong
                "now": timezone.now().isoformat(),
            }
        )


class ReadingView(BenchView):
    """One reading, under the id that the bench made for it."""

    deeds = {"GET": Deed.SEE_LAB, "PUT": Deed.ENTER_READINGS}
    takes = {"PUT": GivenReading}
    gives = {"GET": ReadingAnswer, "PUT": ReadingAnswer}

    def get(self, request: Request, reading_id: str) -> Response:
        found = Reading.objects.select_related("run__study", "run__revision", "by")
        reading = get_object_or_404(found, pk=parse_reading_id(reading_id))
        check_sees_readings(user=person(request), study=reading.run.study)
        return Response(ReadingAnswer(queries.reading_line(reading)).data)

    def put(self, request: Request, reading_id: str) -> Response:
        uuid = parse_reading_id(reading_id)
        given = GivenReading(data=request.data)
        given.is_valid(raise_exception=True)
        recorded, entry = record_given(person(request), uuid, given.validated_data)
        return _recorded(recorded, entry)


def record_given(
    by: User, uuid: uuids.UUID, content: dict[str, Any]
) -> tuple[actions.Recorded, actions.ReadingEntry]:
    """Store a reading as `GivenReading` understood it, with the look at the rig it carries."""
    content["run"] = run_named(content["run"])
    offset = content["clock_offset_s"]
    content["measured_at"] = by_server_clock(content["measured_at"], offset, field="measured_at")
    look = content.pop("specimen_check")
    entry = actions.ReadingEntry(uuid=uuid, **content)
    check = None
    if look is not None:
        at = by_server_clock(look.pop("checked_at"), offset, field="specimen_check")
        check = CheckEntry(
            uuid=look.pop("id"), run=entry.run, checked_at=at, clock_offset_s=offset, **look
        )
    return record_bench_reading(by=by, entry=entry, check=check), entry


def run_named(name: int | uuids.UUID) -> Run:
    """The run of that number, or the one that this entry added or is still to add."""
    # in no order: the one that people see costs joins that finding one row does not need
    runs = Run.objects.select_related("study", "revision__method", "specimen", "zone").order_by()
    if isinstance(name, int):
        run = runs.filter(pk=name).first()
        if run is None:
            raise Refused({"run": [f"There is no run {name}."]})
        return run
    run = runs.filter(entry=name).first()
    if run is None:
        raise NotYet({"run": ["The run of this entry has not arrived."]}, waits_for="run")
    return run


def _recorded(recorded: actions.Recorded, entry: actions.ReadingEntry) -> Response:
    line = queries.reading_line(recorded.reading, is_new=recorded.state == "stored")
    answer = ReadingAnswer(line).data
    if recorded.state == "stored":
        return Response(answer, status=status.HTTP_201_CREATED)
    if recorded.state == "stored before":
        return Response(answer)
    same = recorded.reading.pk == entry.uuid
    what = "This entry was stored before with other content" if same else "This place is taken"
    sentence = (
        f"{what}: {line.words}, entered by {line.by}. That reading stands. "
        "Yours is kept beside it for a person to settle."
    )
    body = problem_body(409, {"": [sentence]})
    # the id is the one that was sent, so that the bench knows which entry this answers
    body |= {"id": str(entry.uuid), "both_kept": True, "standing": answer}
    return Response(body, status=status.HTTP_409_CONFLICT, content_type=PROBLEM_TYPE)


class StudiesView(BenchView):
    """All studies, with how their runs stand."""

    deeds = {"GET": Deed.SEE_LAB}
    gives = {"GET": StudiesAnswer}

    def get(self, request: Request) -> Response:
        lines = queries.studies_with_counts(Study.objects.all())
        return Response({"studies": StudyAnswer(lines, many=True).data})


class StudyView(BenchView):
    """One study with its methods and specimens."""

    deeds = {"GET": Deed.SEE_LAB}
    gives = {"GET": StudyDetailAnswer}

    def get(self, request: Request, slug: str) -> Response:
        study = get_object_or_404(Study, slug=slug)
        return Response(StudyDetailAnswer(queries.study_detail(study)).data)


class RunsView(BenchView):
    """The runs of a study in sheet order, and adding one."""

    deeds = {"GET": Deed.SEE_LAB, "POST": Deed.ENTER_READINGS}
    takes = {"POST": GivenRun}
    gives = {"GET": RunPageAnswer, "POST": RunNamedAnswer}

    def get(self, request: Request, slug: str) -> Response:
        study = get_object_or_404(Study, slug=slug)
        check_sees_readings(user=person(request), study=study)
        start = request.query_params.get("start", "0")
        if not (start.isascii() and start.isdigit() and len(start) < 10):
            raise Refused({"start": ["Start counts runs from 0."]})
        return Response(RunPageAnswer(queries.runs_page(study, start=int(start))).data)

    def post(self, request: Request, slug: str) -> Response:
        study = get_object_or_404(Study, slug=slug)
        if study.registered_at is None:
            check_may(request.user, Deed.MANAGE_STUDIES)
        given = GivenRun(data=request.data)
        given.is_valid(raise_exception=True)
        entry = given.validated_data.pop("entry")
        codes = given.validated_data
        if entry is None:
            run = actions.plan_run_by_codes(by=person(request), study=study, **codes)
            is_new = True
        else:
            run, is_new = add_run_once(by=person(request), study=study, entry=entry, codes=codes)
        return Response(
            _named(run.pk, entry),
            status=status.HTTP_201_CREATED if is_new else status.HTTP_200_OK,
        )


def _named(run_id: int, entry: uuids.UUID | None) -> dict[str, Any]:
    """The run, with the entry that this answers, so that a tablet can believe it."""
    return {**RunAnswer(queries.run_by_id(run_id)).data, "entry": entry and str(entry)}


class RunView(BenchView):
    """One run as it stands. Its ETag is what If-Match of a void is held against."""

    deeds = {"GET": Deed.SEE_LAB}
    gives = {"GET": RunAnswer}

    def get(self, request: Request, run_id: int) -> Response:
        study = get_object_or_404(Study, runs=run_id)
        check_sees_readings(user=person(request), study=study)
        return Response(RunAnswer(queries.run_by_id(run_id)).data)


class VoidView(BenchView):
    """Voiding a run. The same void sent again is the same void.

    If-Match takes the ETag of the run.
    """

    deeds = {"POST": Deed.VOID_RUNS}
    takes = {"POST": GivenVoid}
    gives = {"POST": RunNamedAnswer}

    def standing(self, request: Request, run_id: int) -> Any:
        return RunAnswer(queries.run_by_id(run_id)).data

    def post(self, request: Request, run_id: int) -> Response:
        run = get_object_or_404(Run.objects.select_related("study"), pk=run_id)
        given = GivenVoid(data=request.data)
        given.is_valid(raise_exception=True)
        sent = sent_of(given.validated_data, field="voided_at")
        actions.void_run(by=person(request), run=run, sent=sent, **given.validated_data)
        return Response(_named(run.pk, sent.entry if sent else None))


class ChecksView(BenchView):
    """Passing a method's safety checks: each answered with true, none left out."""

    deeds = {"POST": Deed.ENTER_READINGS}
    takes = {"POST": GivenAnswers}
    gives = {"POST": AcknowledgedAnswer}

    def post(self, request: Request, key: str, number: int) -> Response:
        revision = get_object_or_404(
            MethodRevision.objects.select_related("method"), method__key=key, number=number
        )
        given = GivenAnswers(data=request.data)
        given.is_valid(raise_exception=True)
        sent = sent_of(given.validated_data, field="passed_at")
        passed = actions.acknowledge_safety(
            by=person(request),
            revision=revision,
            answers=given.validated_data["answers"],
            watcher=given.validated_data["watcher"],
            sent=sent,
        )
        answer = {
            **AcknowledgedAnswer(queries.acknowledged_line(passed)).data,
            "entry": str(sent.entry) if sent else None,
        }
        return Response(answer, status=status.HTTP_201_CREATED)
