"""A valid run left out of a named analysis: both analyses are shown, and the record keeps all."""

import re

import pytest
from django.db import IntegrityError, transaction
from django.test import Client
from django.utils import translation

from labsite.errors import Refused
from labsite.roles import Role
from reports import phrases
from reports.exports import readings_csv
from reports.queries import findings_for_page, findings_without, standing, study_inputs
from reports.verification import published_from, verify
from tests.reports.demo_site import (
    AGES,
    PRICES,
    current_reading,
    findings_of,
    person_with,
    publish,
    run_waiting_jobs,
    visible_text,
)
from trials.actions import void_run
from trials.leaving_out import leave_out, left_out_now, take_in_again
from trials.models import RunExclusion, Study, StudyLook

pytestmark = pytest.mark.usefixtures("demo")

NAME = "the torn cuff"
FIGURES = ("n_baseline", "n_other", "retention", "low", "high", "verdict", "scope", "scale")


@pytest.fixture
def ages() -> Study:
    return Study.objects.get(slug=AGES)


def left_out_of(
    study: Study, key: str = "belt-abrasion", *, is_computed: bool = True
) -> RunExclusion:
    row = leave_out(
        by=person_with(Role.LEAD),
        run=current_reading(study, key).run,
        analysis=NAME,
        reason="The cuff was torn before the run.",
        value_was_known=True,
    )
    if is_computed:
        run_waiting_jobs()
    study.refresh_from_db()
    return row


def figures(findings) -> dict:
    return {
        (f.revision.method.key, f.arm.key): tuple(getattr(f, name) for name in FIGURES)
        for f in findings
    }


def test_both_analyses_are_there_and_the_registered_one_does_not_move(ages: Study) -> None:
    before, digest = figures(findings_of(ages)), study_inputs(ages).digest
    left_out_of(ages)
    summary = standing(ages).summary
    assert standing(ages).is_current
    assert summary.inputs_digest == study_inputs(ages).digest != digest
    assert figures(findings_for_page(summary)) == before
    beside = findings_without(summary)
    assert {f.analysis for f in beside} == {NAME}
    assert {f.revision.method.key for f in beside} == {"belt-abrasion"}
    whole = {key: row for key, row in before.items() if key[0] == "belt-abrasion"}
    assert all(row != whole[key] for key, row in figures(beside).items())


def test_without_it_is_what_a_void_of_that_run_would_have_given(ages: Study, lead) -> None:
    # another way to the same figures: the run really gone
    row = left_out_of(ages)
    beside = figures(findings_without(standing(ages).summary))
    void_run(by=lead, run=row.run, reason="slipped", note="The jaw slid.", value_was_known=True)
    run_waiting_jobs()
    ages.refresh_from_db()
    gone = figures(findings_of(ages))
    assert beside == {key: gone[key] for key in beside}
    # what is void is in no analysis, so nothing is left out any more
    assert left_out_now(ages) == []
    assert findings_without(standing(ages).summary) == []


def test_trends_stand_beside_each_other_too(ages: Study) -> None:
    left_out_of(ages)
    trends = standing(ages).summary.trends.filter(revision__method__key="belt-abrasion")
    whole, without = (
        {t.driver: t.details["specimen_count"] for t in trends.filter(analysis=name)}
        for name in ("", NAME)
    )
    assert whole.keys() == without.keys()
    slopes = [trends.get(analysis=name, driver="months").details["slope"] for name in ("", NAME)]
    assert slopes[0] != slopes[1]


def test_taken_in_again_the_old_digest_is_back_and_the_record_keeps_both_rows(ages: Study) -> None:
    digest = study_inputs(ages).digest
    row = left_out_of(ages, is_computed=False)
    take_in_again(
        by=person_with(Role.LEAD), run=row.run, analysis=NAME, reason="It was another cuff."
    )
    assert study_inputs(ages).digest == digest
    assert left_out_now(ages) == []
    kept = RunExclusion.objects.filter(run=row.run).order_by("number")
    assert [(r.number, r.leaves_out) for r in kept] == [(1, True), (2, False)]
    again = left_out_of(ages, is_computed=False)
    assert again.number == 3
    assert study_inputs(ages).digest != digest


def test_the_same_name_in_other_capitals_is_the_same_analysis(ages: Study) -> None:
    left_out_of(ages, is_computed=False)
    other = (
        ages.runs.filter(revision__method__key="belt-abrasion", readings__isnull=False)
        .exclude(exclusions__isnull=False)
        .first()
    )
    leave_out(
        by=person_with(Role.LEAD),
        run=other,
        analysis="  The  TORN cuff ",
        reason="Torn too.",
        value_was_known=True,
    )
    assert {row.analysis for row in left_out_now(ages)} == {NAME}
    (analysis,) = study_inputs(ages).analyses
    assert analysis.name == NAME


def test_nothing_of_the_record_can_be_changed(ages: Study) -> None:
    row = left_out_of(ages, is_computed=False)
    for change in (
        lambda: RunExclusion.objects.filter(pk=row.pk).update(reason="Nothing."),
        lambda: RunExclusion.objects.filter(pk=row.pk).delete(),
    ):
        with pytest.raises(IntegrityError, match="never changed"), transaction.atomic():
            change()


@pytest.mark.parametrize(
    ("change", "field", "words"),
    [
        ({"analysis": " "}, "analysis", "a name"),
        ({"analysis": "x" * 81}, "analysis", "At most 80"),
        ({"reason": " "}, "reason", "Say why"),
    ],
)
def test_refusals_name_the_field(ages: Study, lead, change, field, words) -> None:
    run = current_reading(ages, "belt-abrasion").run
    asked = {"analysis": NAME, "reason": "Torn.", "value_was_known": True} | change
    with pytest.raises(Refused) as refused:
        leave_out(by=lead, run=run, **asked)
    assert words in refused.value.problems[field][0]


def test_void_unread_and_twice_are_refused(ages: Study, lead) -> None:
    row = left_out_of(ages, is_computed=False)
    asked = {"by": lead, "analysis": NAME, "reason": "Torn.", "value_was_known": True}
    with pytest.raises(Refused, match="already"):
        leave_out(run=row.run, **asked)
    void_run(by=lead, run=row.run, reason="slipped", note="Slid.", value_was_known=True)
    with pytest.raises(Refused, match="void"):
        leave_out(run=row.run, **asked)
    other = current_reading(ages, "belt-abrasion").run
    with pytest.raises(Refused, match="not left out"):
        take_in_again(by=lead, run=other, analysis=NAME, reason="Never was.")
    unread = ages.runs.filter(readings__isnull=True, void__isnull=True).first()
    if unread is None:
        last = ages.runs.order_by("position").last()
        unread = type(last).objects.create(
            study=ages,
            revision=last.revision,
            specimen=last.specimen,
            zone=last.zone,
            site=last.site + 90,
            planned_by=lead,
        )
    with pytest.raises(Refused, match="Nothing was read"):
        leave_out(run=unread, **asked)


def test_who_entered_it_or_saw_findings_knew_the_value(ages: Study) -> None:
    reading = current_reading(ages, "belt-abrasion")
    asked = {"run": reading.run, "analysis": NAME, "reason": "Torn.", "value_was_known": False}
    with pytest.raises(Refused, match="You entered this reading"):
        leave_out(by=reading.by, **asked)
    stranger = person_with(Role.EDITOR)
    StudyLook.objects.create(
        study=ages, kind="findings", runs_read=1, runs_planned=9, at=reading.entered_at, by=stranger
    )
    with pytest.raises(Refused, match="have seen findings"):
        leave_out(by=stranger, **asked)


def test_an_edition_tells_both_with_reason_counts_caution_and_file(ages: Study, lead) -> None:
    row = left_out_of(ages)
    edition = publish(ages, by=lead, note="One run was left out.")
    content = edition.content
    (analysis,) = content["left_out"]
    assert analysis["name"] == NAME
    (run,) = analysis["runs"]
    assert (run["specimen"], run["site"]) == (row.run.specimen.code, row.run.site)
    assert run["reason"] == "The cuff was torn before the run."
    assert run["known_words"] == "value known by then"
    for found in analysis["findings"]:
        assert found["whole"] != found["without"]
        assert found["turns"] == (found["whole"]["verdict"] != found["without"]["verdict"])
    for trend in analysis["trends"]:
        assert trend["whole_words"] != trend["without_words"]
    assert sum(count["excluded"] for count in content["counts"]) == 1
    (caution,) = [c for c in content["cautions"] if c["key"] == "E45"]
    assert "The cuff was torn before the run; the value was known by then." in caution["full"]
    marked = [r for r in content["readings"] if r["left_out_of"]]
    assert [(r["specimen"], r["state"]) for r in marked] == [(row.run.specimen.code, "used")]
    assert readings_csv(content).count(NAME) == 1
    # what is published can be worked out again, with the digest of both analyses
    assert [check for check in verify(published_from(content)) if not check.is_equal] == []
    page = visible_text(Client().get(f"/scorecards/{AGES}/").content.decode())
    assert "With every valid run, and without" in page
    assert "The cuff was torn before the run." in page
    assert f"left out of '{NAME}'" in page


def test_a_german_page_says_all_of_it_but_what_people_wrote(ages: Study, lead) -> None:
    left_out_of(ages)
    edition = publish(ages, by=lead, note="One run was left out.")
    page = Client().get(f"/de/scorecards/{AGES}/").content.decode()
    section = page.split('id="left-out"')[1].split("</section>")[0]
    assert "Mit jedem gültigen Lauf und ohne" in section
    assert "Ohne: " in visible_text(section)
    english = set(re.findall(r'<span lang="en">(.*?)</span>', section, re.DOTALL))
    assert english == {NAME, "The cuff was torn before the run."}
    (caution,) = [c for c in edition.content["cautions"] if c["key"] == "E45"]
    with translation.override("de"):
        assert all(is_said for _, is_said in phrases.pieces(caution["full"]))
        assert all(
            is_said for finding in findings_of(ages) for text in finding.cautions
            for _, is_said in phrases.pieces(text)
        )  # fmt: skip


def test_the_desk_and_the_api_show_both(ages: Study, at_desk: Client) -> None:
    left_out_of(ages)
    page = visible_text(at_desk.get(f"/desk/{AGES}/").content.decode())
    assert "Valid runs left out" in page
    assert "with every valid run" in page
    answer = at_desk.get(f"/api/v1/studies/{AGES}/findings/").json()
    assert [one["name"] for one in answer["left_out"]] == [NAME]
    assert len(answer["findings"]) == len(findings_of(ages))


def test_a_verdict_that_turns_is_told_on_the_registered_finding(ages: Study, lead) -> None:
    # leave out every worn specimen of one arm: that arm is not tested then, so the verdict turns
    arm = ages.arms.filter(is_baseline=False).first()
    runs = ages.runs.filter(
        revision__method__key="belt-abrasion",
        specimen__in=arm.specimens.all(),
        readings__isnull=False,
        void__isnull=True,
    ).distinct()
    for run in runs:
        leave_out(by=lead, run=run, analysis=NAME, reason="Torn.", value_was_known=True)
    run_waiting_jobs()
    found = next(
        f for f in findings_of(ages) if f.arm == arm and f.revision.method.key == "belt-abrasion"
    )
    assert any(
        caution == f"The verdict turns on runs that are left out of the analysis '{NAME}': "
        "without them it is 'not tested'."
        for caution in found.cautions
    )


def test_grades_can_be_left_out_as_well() -> None:
    study = Study.objects.get(slug=PRICES)
    graded = [f for f in findings_of(study) if f.kind == "grades"] or findings_of(
        Study.objects.get(slug=AGES)
    )
    key = graded[0].revision.method.key
    study = graded[0].summary.study
    left_out_of(study, key)
    beside = findings_without(standing(study).summary)
    assert beside
    assert {f.revision.method.key for f in beside} == {key}


# --- the lab's page --------------------------------------------------------------------------


def test_a_lead_leaves_a_run_out_and_takes_it_in_on_the_page(ages: Study) -> None:
    office = Client()
    office.force_login(person_with(Role.LEAD))
    address = f"/lab/studies/{AGES}/left-out/"
    run = current_reading(ages, "belt-abrasion").run
    assert current_reading(ages, "belt-abrasion").words not in office.get(address).content.decode()
    wrong = office.post(address, {"run": str(run.pk), "analysis": NAME, "reason": ""})
    assert wrong.status_code == 400
    assert NAME in wrong.content.decode()  # what was typed is not lost
    typed = {
        "run": str(run.pk),
        "analysis": NAME,
        "reason": "<b>Torn</b> cuff.",
        "value_was_known": "yes",
    }
    assert office.post(address, typed).status_code == 302
    row = RunExclusion.objects.get(run=run)
    page = office.get(address).content.decode()
    assert "&lt;b&gt;Torn&lt;/b&gt; cuff." in page
    refused = office.post(f"{address}{row.pk}/take-in/", {f"{row.pk}-reason": " "})
    assert refused.status_code == 400
    done = office.post(f"{address}{row.pk}/take-in/", {f"{row.pk}-reason": "Another cuff."})
    assert done.status_code == 302
    assert left_out_now(ages) == []


@pytest.mark.parametrize("role", [Role.TECHNICIAN, Role.EDITOR])
def test_others_see_it_and_cannot_change_it(ages: Study, role: Role) -> None:
    row = left_out_of(ages, is_computed=False)
    client = Client()
    client.force_login(person_with(role))
    address = f"/lab/studies/{AGES}/left-out/"
    page = client.get(address)
    assert page.status_code == 200
    assert "Take" not in visible_text(page.content.decode()).split("Left out now")[1][:400]
    client.post(address, {"run": str(row.run_id)})
    assert client.post(f"{address}{row.pk}/take-in/").status_code == 403
    assert RunExclusion.objects.count() == 1
