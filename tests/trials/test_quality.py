"""What stands behind a reading: instruments, consumables, controls, room, traces and methods.

The rules are common practice of careful labs (ISO/IEC 17025 6.4 and 7.10, read in summary).
"""

import io
from datetime import UTC, date, datetime, timedelta
from uuid import uuid4

import numpy as np
import pytest
from django.db import DatabaseError, transaction
from django.utils import timezone

from labsite.errors import Refused
from labsite.roles import Role
from tests.trials.bench_lab import pass_checks
from trials import (
    actions,
    consumables,
    controls,
    environment,
    instruments,
    method_library,
    traces,
)
from trials.models import (
    ConsumableUse,
    Instrument,
    MethodRevision,
    ReviewMark,
    Run,
)
from trials.physics.trace_figures import TraceSettings

pytestmark = pytest.mark.django_db
TODAY = timezone.localdate


@pytest.fixture
def lead(person):
    return person(Role.LEAD)


@pytest.fixture
def thermometer(lead):
    return instruments.add_instrument(
        by=lead,
        fields={"code": "th-1", "name": "Logger", "kind": "thermometer", "unit": "°C"},
    )


def calibration(**more):
    return {
        "done_on": TODAY() - timedelta(days=30),
        "due_on": TODAY() + timedelta(days=300),
        "done_by": "Invented house",
        "expanded_uncertainty": 0.4,
    } | more


def read(lab, by, run, raw, at=None):
    return actions.record_reading(
        by=by,
        entry=actions.ReadingEntry(
            uuid=uuid4(), run=run, raw=raw, measured_at=at or timezone.now()
        ),
    ).reading


# --- instruments ---------------------------------------------------------------------------------


def test_unit_is_kept_as_the_table_names_it(thermometer):
    assert thermometer.unit == "degC"


def test_overdue_needs_a_reason(lead, bench_lab, thermometer):
    run = bench_lab.run_of("contact-heat")
    with pytest.raises(Refused, match="not in calibration"):
        instruments.use_instrument(by=lead, run=run, instrument=thermometer)
    instruments.record_calibration(
        by=lead, instrument=thermometer, fields=calibration(due_on=TODAY() - timedelta(days=1))
    )
    with pytest.raises(Refused, match="not in calibration"):
        instruments.use_instrument(by=lead, run=run, instrument=thermometer)
    use = instruments.use_instrument(by=lead, run=run, instrument=thermometer, reason="No other.")
    assert use.reason == "No other."


def test_in_calibration_needs_none_and_twice_is_once(lead, bench_lab, thermometer):
    instruments.record_calibration(by=lead, instrument=thermometer, fields=calibration())
    run = bench_lab.run_of("contact-heat")
    first = instruments.use_instrument(by=lead, run=run, instrument=thermometer)
    assert instruments.use_instrument(by=lead, run=run, instrument=thermometer) == first


def test_the_last_day_still_counts(lead, thermometer):
    due = TODAY()
    made = instruments.record_calibration(
        by=lead, instrument=thermometer, fields=calibration(due_on=due)
    )
    assert instruments.calibration_on(thermometer, due) == made
    assert instruments.calibration_on(thermometer, due + timedelta(days=1)) is None
    assert instruments.calibration_on(thermometer, made.done_on - timedelta(days=1)) is None


def test_the_wrong_kind_is_refused(lead, bench_lab):
    scale = instruments.add_instrument(
        by=lead, fields={"code": "b-1", "name": "Balance", "kind": "balance", "unit": "g"}
    )
    with pytest.raises(Refused, match="thermometer"):
        instruments.use_instrument(
            by=lead, run=bench_lab.run_of("contact-heat"), instrument=scale, reason="Why not."
        )


def test_a_failed_check_sets_aside_and_nobody_measures_with_it(lead, bench_lab, thermometer):
    instruments.record_calibration(by=lead, instrument=thermometer, fields=calibration())
    check = {"at": timezone.now(), "against": "melting ice", "expected": 0.0, "limit": 0.5}
    instruments.record_check(by=lead, instrument=thermometer, fields=check | {"shown": 0.5})
    thermometer.refresh_from_db()
    assert thermometer.state == Instrument.State.IN_SERVICE
    instruments.record_check(by=lead, instrument=thermometer, fields=check | {"shown": 0.6})
    thermometer.refresh_from_db()
    assert thermometer.state == Instrument.State.QUARANTINED
    with pytest.raises(Refused, match="set aside"):
        instruments.use_instrument(
            by=lead, run=bench_lab.run_of("contact-heat"), instrument=thermometer, reason="Hurry."
        )


def test_calibrations_are_never_changed(lead, thermometer):
    made = instruments.record_calibration(by=lead, instrument=thermometer, fields=calibration())
    made.correction = 5
    with pytest.raises(DatabaseError), transaction.atomic():
        made.save()


@pytest.fixture
def reached(lead, bench_lab, checks_passed, technician, thermometer):
    """Three readings: before the check that passed, after it, and one of a void run."""
    instruments.record_calibration(by=lead, instrument=thermometer, fields=calibration())
    now = timezone.now()
    pass_checks(bench_lab, technician)
    readings = []
    for hours in (6, 2, 1):
        run = bench_lab.run_of("contact-heat")
        instruments.use_instrument(by=technician, run=run, instrument=thermometer)
        at = now - timedelta(hours=hours)
        raw = {"seconds": 20, "ended": "failed"}
        readings.append(read(bench_lab, technician, run, raw, at))
    instruments.record_check(
        by=lead,
        instrument=thermometer,
        fields={
            "at": now - timedelta(hours=4),
            "against": "melting ice",
            "expected": 0.0,
            "shown": 0.1,
            "limit": 0.5,
        },
    )
    actions.void_run(
        by=technician, run=readings[2].run, reason="slipped", note="Off.", value_was_known=True
    )
    return readings


def wrong(lead, thermometer, **more):
    fields = {"error": 3.0, "found_at": timezone.now(), "what_happened": "Ice read 3."} | more
    return instruments.report_wrong(by=lead, instrument=thermometer, **fields)


def test_three_kelvin_off_marks_what_was_read_since_it_was_right(lead, thermometer, reached):
    version = reached[1].run.study.inputs_version
    finding = wrong(lead, thermometer)
    assert [mark.reading for mark in finding.marks.all()] == [reached[1]]
    assert "passed" in finding.last_right_words
    thermometer.refresh_from_db()
    assert thermometer.state == Instrument.State.QUARANTINED
    study = type(reached[1].run.study).objects.get(pk=reached[1].run.study_id)
    assert study.inputs_version > version


def test_as_found_out_of_tolerance_reaches_back_to_the_calibration_before(
    lead, thermometer, reached
):
    instruments.record_calibration(
        by=lead,
        instrument=thermometer,
        fields=calibration(done_on=TODAY(), as_found_error=-3.0, tolerance=0.5),
    )
    finding = thermometer.findings.get()
    assert finding.error == -3.0
    # the check of four hours ago passed, so only what came after it is doubtful
    assert [mark.reading for mark in finding.marks.all()] == [reached[1]]


def test_within_tolerance_is_no_finding(lead, thermometer):
    instruments.record_calibration(
        by=lead, instrument=thermometer, fields=calibration(as_found_error=0.5, tolerance=0.5)
    )
    assert not thermometer.findings.exists()


def test_marks_are_settled_only_by_what_is_so(lead, technician, thermometer, reached):
    finding = wrong(lead, thermometer)
    mark = finding.marks.get()
    for outcome, told in (("corrected", "not been amended"), ("voided", "not void")):
        with pytest.raises(Refused, match=told):
            instruments.settle_mark(by=lead, mark=mark, outcome=outcome, note="So.")
    with pytest.raises(Refused, match="1 readings are still"):
        instruments.close_finding(by=lead, finding=finding, cause="A loose plug.")
    actions.record_reading(
        by=technician,
        entry=actions.ReadingEntry(
            uuid=uuid4(),
            run=reached[1].run,
            raw={"seconds": 17, "ended": "failed"},
            measured_at=reached[1].measured_at,
            supersedes=reached[1].pk,
            reason="The logger read 3 degrees too much.",
        ),
    )
    instruments.settle_mark(by=lead, mark=mark, outcome="corrected", note="Worked out again.")
    closed = instruments.close_finding(by=lead, finding=finding, cause="A loose plug.")
    assert closed.closed_by == lead
    assert mark.outcome == ReviewMark.Outcome.CORRECTED


def test_back_in_service_only_when_shown_right(lead, thermometer):
    wrong(lead, thermometer)
    with pytest.raises(Refused, match="calibration or a passed check"):
        instruments.put_back(by=lead, instrument=thermometer, reason="It looks fine.")
    instruments.record_calibration(by=lead, instrument=thermometer, fields=calibration())
    back = instruments.put_back(by=lead, instrument=thermometer, reason="Calibrated.")
    assert back.state == Instrument.State.IN_SERVICE


# --- consumables -----------------------------------------------------------------------------


def lot(lead, pieces=2, **more):
    fields = {"kind": "belt", "name": "60 grit", "lot": "7", "received_on": date(2026, 1, 5)}
    return consumables.add_lot(by=lead, fields=fields | more, piece_count=pieces)


def test_a_one_shot_indicator_cannot_be_used_twice(lead, bench_lab):
    piece = lot(lead, kind="indicator", is_one_shot=True).units.first()
    consumables.use_consumable(by=lead, run=bench_lab.run_of("padding-drop"), unit=piece)
    run = bench_lab.run_of("padding-drop")
    with pytest.raises(Refused, match="works once"):
        consumables.use_consumable(by=lead, run=run, unit=piece, reason="It looks fresh.")
    # and the database says so too, whatever an action forgets
    with pytest.raises(DatabaseError), transaction.atomic():
        ConsumableUse.objects.create(
            run=run, unit=piece, is_one_shot=True, at=timezone.now(), by=lead
        )


def test_past_its_limit_needs_a_reason_and_is_marked(lead, bench_lab):
    piece = lot(lead, use_limit=1).units.first()
    consumables.use_consumable(by=lead, run=bench_lab.run_of("belt-abrasion"), unit=piece)
    run = bench_lab.run_of("belt-abrasion")
    with pytest.raises(Refused, match="its limit"):
        consumables.use_consumable(by=lead, run=run, unit=piece)
    use = consumables.use_consumable(by=lead, run=run, unit=piece, reason="No new belt.")
    assert use.is_past_limit
    assert consumables.use_count(piece) == 2


def test_control_runs_count_as_uses(lead, bench_lab):
    piece = lot(lead).units.first()
    control(lead, bench_lab, consumable=piece)
    assert consumables.use_count(piece) == 1


def test_thrown_away_and_expired(lead, bench_lab):
    pieces = list(lot(lead, expires_on=date(2026, 2, 1)).units.all())
    run = bench_lab.run_of("belt-abrasion")
    with pytest.raises(Refused, match="expired"):
        consumables.use_consumable(by=lead, run=run, unit=pieces[0])
    consumables.discard(by=lead, unit=pieces[1], reason="Torn.")
    with pytest.raises(Refused, match="thrown away"):
        consumables.use_consumable(by=lead, run=run, unit=pieces[1], reason="Still good.")


# --- controls --------------------------------------------------------------------------------


def control(lead, lab, *, seconds=5.0, ended="failed", at=None, consumable=None):
    revision = lab.revisions["belt-abrasion"]
    material = revision.method.control_materials.first() or controls.add_material(
        by=lead, method=revision.method, fields={"name": revision.control_material}
    )
    entry = controls.ControlEntry(
        revision=revision,
        material=material,
        session_label="morning",
        ran_at=at or timezone.now(),
        raw={"seconds": seconds, "ended": ended},
        consumable=consumable,
    )
    return controls.record_control_run(by=lead, entry=entry)


def test_a_control_run_is_an_interval_like_any_reading(lead, bench_lab):
    run = control(lead, bench_lab)
    assert (run.low, run.high) == (pytest.approx(4.95), pytest.approx(5.05))
    stopped = control(lead, bench_lab, ended="stopped", at=timezone.now() - timedelta(hours=1))
    assert (stopped.low, stopped.high) == (5.0, None)


def test_a_control_run_comes_once_and_not_tomorrow(lead, bench_lab):
    at = timezone.now()
    control(lead, bench_lab, at=at)
    with pytest.raises(Refused, match="already"):
        control(lead, bench_lab, at=at)
    with pytest.raises(Refused, match="future"):
        control(lead, bench_lab, at=at + timedelta(days=1))


# --- the room --------------------------------------------------------------------------------

NOON = datetime(2026, 5, 4, 12, tzinfo=UTC)
LIMITS = {"temperature_degc": [21, 25], "humidity_percent": [45, 55]}


@pytest.mark.parametrize(
    ("climates", "told"),
    [
        ([(-1, 23, 50), (1, 23, 50)], ""),
        ([(-1, 23, 50), (1, 26, 50)], "26 °C"),
        ([(-1, 23, 60)], "60 %"),
        ([(-1, 23, None)], "humidity was not read"),
        ([(-5, 23, 50)], "not read within four hours"),
        # a warm room earlier in the day says nothing when a newer reading is near
        ([(-3, 30, 50), (-1, 23, 50)], ""),
    ],
)
def test_room_against_the_limits_of_a_method(climates, told):
    rows = [
        environment.Climate(NOON + timedelta(hours=hours), warm, damp)
        for hours, warm, damp in climates
    ]
    found = environment.outside_words(LIMITS, NOON, rows)
    assert told in found
    assert bool(found) is bool(told)
    assert environment.outside_words({}, NOON, []) == ""


def test_stays_add_up_when_no_gap_is_too_long():
    hour = timedelta(hours=1)
    stays = [(NOON - 26 * hour, NOON - 6 * hour), (NOON - 5.5 * hour, NOON - 0.5 * hour)]
    assert environment.conditioned_hours(stays, NOON, hour) == pytest.approx(25)
    assert environment.conditioned_hours(stays, NOON, 0.25 * hour) == 0
    assert environment.conditioned_hours(stays, NOON + 9 * hour, hour) == 0
    # a reading taken while the specimen still lay there counts up to that moment
    assert environment.conditioned_hours(stays, NOON - hour, hour) == pytest.approx(24.5)


def test_overlapping_stays_are_refused(lead, bench_lab):
    fields = {
        "place": "Cabinet",
        "started_at": timezone.now() - timedelta(hours=5),
        "ended_at": timezone.now() - timedelta(hours=1),
    }
    specimen = bench_lab.specimens[0]
    environment.record_conditioning(by=lead, specimen=specimen, fields=fields)
    with pytest.raises(Refused, match="overlaps"):
        environment.record_conditioning(by=lead, specimen=specimen, fields=fields)


# --- traces ----------------------------------------------------------------------------------


def drop_file(amplitude=180.0, clip_at=1e9):
    time = np.arange(20_000) / 20_000
    inside = (time > 0.4) & (time < 0.406)
    value = np.where(inside, amplitude * np.sin(np.pi * (time - 0.4) / 0.006), 0.0)
    value = np.minimum(value, clip_at)
    rows = "".join(f"{t:.5f},{v:.4f}\n" for t, v in zip(time, value, strict=True))
    return io.BytesIO(f"time (s),head (g)\n{rows}".encode())


AXIS = TraceSettings("hic_36", (1,), "g_n", time_column=0)


@pytest.fixture
def helmet_run(bench_lab, checks_passed) -> Run:
    return bench_lab.run_of("headform-drop")


def test_a_drop_becomes_a_reading_that_can_be_worked_out_again(technician, helmet_run):
    trace = traces.receive_trace(
        by=technician, run=helmet_run, file_name="drop.csv", stream=drop_file()
    )
    assert trace.sample_count == 20_000
    keeping = traces.Keeping(settings=AXIS, measured_at=timezone.now())
    derived = traces.keep_figure(by=technician, trace=trace, keeping=keeping)
    # half sine: 0.4146 A^2.5 T; the filter of class 1000 takes a little of it
    assert derived.value == pytest.approx(0.4146 * 180**2.5 * 0.006, rel=0.01)
    assert derived.settings["cfc"] == 1000
    assert derived.reading.low == pytest.approx(round(derived.value) - 0.5)
    again = traces.recompute(derived)
    assert again.is_same
    assert again.value == derived.value


def test_the_same_file_again_is_the_same_trace(technician, helmet_run):
    first, second = (
        traces.receive_trace(by=technician, run=helmet_run, file_name=name, stream=drop_file())
        for name in ("drop.csv", "copy.csv")
    )
    assert first == second


def test_the_method_s_settings_stand_whatever_is_sent(technician, helmet_run):
    trace = traces.receive_trace(by=technician, run=helmet_run, file_name="d", stream=drop_file())
    sent = TraceSettings("peak_acceleration", (1,), "g_n", time_column=0, cfc=60)
    derived = traces.keep_figure(
        by=technician, trace=trace, keeping=traces.Keeping(sent, timezone.now())
    )
    assert (derived.figure, derived.settings["cfc"]) == ("hic_36", 1000)


def test_a_clipped_trace_needs_a_reason(technician, helmet_run):
    trace = traces.receive_trace(
        by=technician, run=helmet_run, file_name="c", stream=drop_file(clip_at=120)
    )
    keeping = traces.Keeping(AXIS, timezone.now())
    with pytest.raises(Refused, match="flaws"):
        traces.keep_figure(by=technician, trace=trace, keeping=keeping)
    derived = traces.keep_figure(
        by=technician,
        trace=trace,
        keeping=traces.Keeping(AXIS, timezone.now(), flaw_reason="No second helmet."),
    )
    assert "clipped" in derived.flaws[0]


def test_a_run_takes_one_figure(technician, helmet_run):
    trace = traces.receive_trace(by=technician, run=helmet_run, file_name="d", stream=drop_file())
    keeping = traces.Keeping(AXIS, timezone.now())
    traces.keep_figure(by=technician, trace=trace, keeping=keeping)
    with pytest.raises(Refused, match="has a reading already"):
        traces.keep_figure(by=technician, trace=trace, keeping=keeping)
    assert helmet_run.readings.count() == 1


def test_a_rise_that_was_not_reached_is_at_least(technician, bench_lab, checks_passed):
    run = bench_lab.run_of("contact-heat")
    rows = "".join(f"{t},{20 + 0.1 * t}\n" for t in range(61))
    trace = traces.receive_trace(
        by=technician,
        run=run,
        file_name="heat.csv",
        stream=io.BytesIO(f"time (s),sensor (degC)\n{rows}".encode()),
    )
    settings = TraceSettings("rise_time", (1,), "degC", time_column=0)
    derived = traces.keep_figure(
        by=technician, trace=trace, keeping=traces.Keeping(settings, timezone.now())
    )
    assert (derived.reading.low, derived.reading.high) == (60.0, None)


def test_a_method_without_a_trace_takes_no_file(technician, bench_lab):
    run = bench_lab.run_of("belt-abrasion")
    with pytest.raises(Refused, match="not read from a logged trace"):
        traces.receive_trace(by=technician, run=run, file_name="x", stream=drop_file())


# --- methods ---------------------------------------------------------------------------------


def test_a_draft_is_changed_put_in_force_and_then_stands(lead, bench_lab):
    old = bench_lab.revisions["contact-heat"]
    draft = method_library.draft_revision(by=lead, method=old.method)
    with pytest.raises(Refused, match="a draft already"):
        method_library.draft_revision(by=lead, method=old.method)
    method_library.change_draft(by=lead, revision=draft, fields={"minutes": 25})
    with pytest.raises(Refused, match="what changed"):
        method_library.put_in_force(by=lead, revision=draft, change_note=" ")
    method_library.put_in_force(by=lead, revision=draft, change_note="Longer rest.")
    old.refresh_from_db()
    assert (old.state, draft.state) == ("retired", "in force")
    with pytest.raises(Refused, match="Only a draft"):
        method_library.change_draft(by=lead, revision=draft, fields={"minutes": 5})
    for field, value in (("needs_instruments", []), ("trace", {}), ("control_drift_limit", 0.5)):
        with pytest.raises(DatabaseError), transaction.atomic():
            MethodRevision.objects.filter(pk=draft.pk).update(**{field: value})


@pytest.mark.parametrize(
    ("fields", "named"),
    [
        ({"steps": []}, "steps"),
        ({"range_high": 0.1}, "range_high"),
        ({"levels": [2, 1]}, "levels"),
        ({"unit": "furlong"}, "unit"),
        ({"derivation": "impact.energy_from_height"}, "derivation_settings"),
        ({"trace": {"figure": "seam_work"}}, "trace_settings"),
        ({"trace": {"figure": "peak_force"}}, "unit"),
        ({"corrects_by_control": True, "control_material": ""}, "control_material"),
        ({"step_rule": {"start": 7}}, "step_start"),
        ({"step_rule": {"up_and_down": True}}, "step_up_and_down"),
    ],
)
def test_a_draft_that_makes_no_sense_is_refused(lead, bench_lab, fields, named):
    method = bench_lab.revisions["contact-heat"].method
    draft = method_library.draft_revision(by=lead, method=method)
    with pytest.raises(Refused) as refused:
        method_library.change_draft(by=lead, revision=draft, fields=fields)
    assert named in refused.value.problems


def test_shots_go_up_and_down_by_levels_and_the_changes_tell_it(lead, bench_lab):
    old = bench_lab.revisions["point-challenge"]
    draft = method_library.draft_revision(by=lead, method=old.method)
    rule = {"start": 2.5, "up_and_down": True}
    with pytest.raises(Refused) as refused:
        method_library.change_draft(
            by=lead, revision=draft, fields={"levels": [], "step_rule": {"up_and_down": True}}
        )
    assert "name them" in refused.value.problems["step_up_and_down"][0]
    draft.refresh_from_db()
    method_library.change_draft(by=lead, revision=draft, fields={"step_rule": rule})
    (changed,) = method_library.changes_between(old, draft)
    assert [line.text for line in changed.lines] == ["start: 2.5", "up and down: yes"]


def test_changes_are_told_line_by_line(lead, bench_lab):
    old = bench_lab.revisions["contact-heat"]
    draft = method_library.draft_revision(by=lead, method=old.method)
    assert method_library.changes_between(old, draft) == []
    draft.minutes = old.minutes + 5
    draft.steps = [*old.steps[1:], "Wait."]
    changed = {one.words: one for one in method_library.changes_between(old, draft)}
    assert set(changed) == {"Minutes a run", "Steps"}
    marks = {line.text: line.mark for line in changed["Steps"].lines}
    assert (marks[old.steps[0]], marks["Wait."]) == ("removed", "added")
    assert marks[old.steps[1]] == "same"
