"""The second part of the demo lab goes through the lab's own ways and shows what it is there for."""

import json
from pathlib import Path

import pytest
from django.core.management import call_command

from fixtures.make_demo_bench import GLOVES_SLUG, HELMETS_SLUG, SEED, generate
from reports.content import study_content
from reports.queries import standing
from reports.reach_preview import previews
from tests.reports.demo_site import findings_of, run_waiting_jobs
from trials.models import ControlRun, Instrument, OutOfTolerance, Study, TraceReading

FOLDER = Path(__file__).resolve().parents[2] / "fixtures" / "demo-bench"
TRUTH = json.loads((FOLDER / "truth.json").read_text(encoding="utf-8"))


def test_files_are_made_again_byte_for_byte(tmp_path):
    generate(SEED, tmp_path)
    made = {path.name: path.read_bytes() for path in tmp_path.iterdir()}
    assert made == {path.name: path.read_bytes() for path in FOLDER.iterdir()}


@pytest.fixture
def bench(demo):
    call_command("load_demo_bench", verbosity=0)
    run_waiting_jobs()


@pytest.mark.django_db
@pytest.mark.usefixtures("bench")
def test_what_the_second_part_is_there_for():
    # belts that wear: the reference cloth lasts half as long again by the end of a day
    day = list(ControlRun.objects.filter(session_label="2025-11-10").order_by("ran_at"))
    assert day[-1].low / day[0].high > 1.4
    gloves, helmets = (Study.objects.get(slug=slug) for slug in (GLOVES_SLUG, HELMETS_SLUG))
    (found,) = findings_of(gloves)
    truth = TRUTH["retention"][GLOVES_SLUG]
    assert found.low < truth < found.high
    assert found.retention == pytest.approx(truth, abs=0.08)
    assert found.details["correction"]["most_factor"] > found.details["correction"]["least_factor"]
    # helmets: four drops at 20 kHz, each a reading that can be worked out again
    assert TraceReading.objects.count() == 4
    (found,) = findings_of(helmets)
    assert found.low < TRUTH["retention"][HELMETS_SLUG] < found.high
    content = study_content(helmets, standing(helmets).summary, [])
    assert not {"E29", "E34", "E40"} & {caution["key"] for caution in content["cautions"]}
    # the thermometer: right in June, 3 K off in October; the trousers of September lie between
    finding = OutOfTolerance.objects.get()
    assert {mark.reading.run.study.slug for mark in finding.marks.all()} == {
        "causeway-trousers-one-pair"
    }
    (shown,) = previews(finding)
    assert shown.moved_count == 0
    assert [row.name for row in shown.rows] == [
        "Contact heat resistance, Worn, about 14\u202f000\u00a0km"
    ]
    assert Instrument.objects.get(code="th-1").state == Instrument.State.QUARANTINED
    before = Instrument.objects.count()
    call_command("load_demo_bench", verbosity=0)
    assert Instrument.objects.count() == before
