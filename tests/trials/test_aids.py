"""What stands around an entry: sketches, prompts, second looks, labels, paper and grading photos."""

import re
import uuid
from datetime import timedelta
from io import BytesIO

import pytest
from django.test import Client
from django.utils import timezone
from PIL import Image

from labsite import triggers
from labsite.models import AuditEntry, Lab
from labsite.roles import Role
from tests.trials.bench_lab import person_with
from trials import actions, labels, photos, rating
from trials.bench_queries import bench_aids, for_aids, today
from trials.models import (
    ArmSpecimen,
    Incident,
    MethodRevision,
    RatingOrder,
    Reading,
    ReadingConfirmation,
    SafetyAcknowledgement,
    SecondKeying,
    SpecimenCheck,
    Study,
)
from trials.safety import FAMILIES, GENERAL_RULES
from trials.sketches import OUTLINES, sketch_of

SHEET = "/bench/worn-against-new/"


def ago(*, minutes):
    return (timezone.now() - timedelta(minutes=minutes)).isoformat()


def sent(client, method, address, body):
    return getattr(client, method)(address, body, content_type="application/json")


def photo_of(run, by, *, shows="grading", colour=(90, 60, 30)):
    out = BytesIO()
    Image.new("RGB", (64, 48), colour).save(out, "JPEG")
    entry = photos.PhotoEntry(uuid.uuid4(), run, out.getvalue(), timezone.now(), shows=shows)
    return photos.keep_photo(by=by, entry=entry).photo


def make_blind(study):
    # registration freezes a study; a blind one is drawn so from the start
    for number, member in enumerate(ArmSpecimen.objects.filter(study=study).order_by("pk"), 37):
        member.blind_code = str(number)
        member.save(update_fields=["blind_code"])


@pytest.fixture
def blind_lab(bench_lab, monkeypatch):
    from labsite import triggers

    triggers.remove()
    Study.objects.filter(pk=bench_lab.study.pk).update(is_blind=True)
    triggers.install()
    bench_lab.study.refresh_from_db()
    make_blind(bench_lab.study)
    return bench_lab


class TestSketches:
    @pytest.mark.parametrize(
        ("kind", "code", "name", "side", "marked"),
        [
            ("jacket", "elbow-left", "Elbow", "left", "the left elbow"),
            ("jacket", "back", "Back", "", "the back"),
            ("trousers", "knee", "Knee", "right", "the right knee"),
            ("gloves", "palm", "Palm, heel", "left", "the heel of the palm"),
            ("boots", "ankle", "Ankle", "left", "the ankle"),
            ("back protector", "lower", "Lower end", "", "the lower end"),
            ("chest protector", "half", "Half", "left", "the wearer's left half"),
            ("limb protector", "crown", "Crown", "", "the middle"),
            ("helmet", "crown", "Crown", "", "the crown"),
            ("harness", "chest-strap", "Chest strap", "", "the chest strap"),
        ],
    )
    def test_a_zone_is_marked_by_its_words(self, kind, code, name, side, marked):
        assert sketch_of(kind, code=code, name=name, side=side).marked.words == marked

    def test_an_unknown_zone_is_not_guessed(self):
        sketch = sketch_of("jacket", code="z-9", name="Pocket flap")
        assert sketch.marked is None
        assert "not marked" in sketch.alt
        assert sketch_of("other", code="x", name="x") is None

    def test_every_part_lies_on_its_outline(self):
        for outline in OUTLINES.values():
            for part in outline.parts:
                assert part.x - part.rx >= 0, part.words
                assert part.x + part.rx <= outline.width, part.words
                assert part.y - part.ry >= 0, part.words
                assert part.y + part.ry <= outline.height, part.words


class TestPrompts:
    def test_the_page_shows_when_to_stop_and_what_comes_after(self, bench_lab, at_bench):
        text = at_bench.get(f"{SHEET}runs/{bench_lab.run_of('flame-grade').pk}/").content.decode()
        for line in (*FAMILIES["flame"].stop_if, *FAMILIES["flame"].after_run):
            assert line in text

    def test_the_first_rule_is_that_no_body_part_is_a_sensor(self, at_bench, bench_lab):
        assert "No body part is a sensor" in GENERAL_RULES[0]
        assert GENERAL_RULES[0] in at_bench.get("/bench/safety/").content.decode()

    @pytest.mark.parametrize("page", ["/bench/", SHEET, "/bench/safety/", f"{SHEET}paper/"])
    def test_the_emergency_note_is_on_each_page(self, bench_lab, at_bench, page):
        Lab.objects.update_or_create(pk=1, defaults={"name": "L", "emergency": "Call 000, door 3"})
        assert "Call 000, door 3" in at_bench.get(page).content.decode()

    def test_the_lead_writes_the_note_and_nobody_else(self, bench_lab, at_bench):
        Lab.objects.create(pk=1, name="L")
        lead = Client()
        lead.force_login(bench_lab.lead)
        assert at_bench.post("/lab/emergency/", {"emergency": "x"}).status_code == 403
        assert lead.post("/lab/emergency/", {"emergency": "Call 000"}).status_code == 302
        assert Lab.objects.get().emergency == "Call 000"

    def test_a_near_miss_is_told_in_words(self, bench_lab, at_bench):
        assert at_bench.post("/bench/safety/", {"what": " "}).status_code == 400
        assert at_bench.post("/bench/safety/", {"what": "The pin slipped."}).status_code == 302
        assert Incident.objects.get().what == "The pin slipped."

    def test_who_watches_is_kept_with_the_checks(self, bench_lab, at_bench):
        revision = bench_lab.revisions["padding-drop"]
        answers = {check["key"]: True for check in revision.checks}
        address = f"/api/v1/methods/padding-drop/{revision.number}/checks/"
        body = {"answers": answers, "watcher": " A. Second "}
        assert sent(at_bench, "post", address, body).status_code == 201
        assert SafetyAcknowledgement.objects.get().watcher == "A. Second"
        run = bench_lab.run_of("padding-drop")
        aids = bench_aids(for_aids(run.pk, run.study.slug), person_with(Role.TECHNICIAN))
        assert aids.asks_watcher
        assert aids.watcher == "A. Second"


class TestSpecimenChecks:
    def body(self, run, **change):
        return {
            "run": run.pk,
            "code": run.specimen.code,
            "zone": run.zone.code,
            "how": "scanned",
            "checked_at": timezone.now().isoformat(),
        } | change

    def test_right_and_wrong_ones_are_kept(self, bench_lab, at_bench):
        run = bench_lab.run_of("belt-abrasion", is_looked_at=False)
        for change, is_right in (
            ({}, True),
            ({"code": "EFGH-Q"}, False),
            ({"zone": "right-sleeve"}, False),
        ):
            address = f"/api/v1/specimen-checks/{uuid.uuid4()}/"
            answer = sent(at_bench, "put", address, self.body(run, **change))
            assert answer.status_code == 200
            assert answer.json()["is_right"] is is_right
        assert AuditEntry.objects.filter(verb="stopped at a wrong specimen").count() == 2

    def test_sent_twice_it_is_one_and_other_content_is_refused(self, bench_lab, at_bench):
        run = bench_lab.run_of("belt-abrasion", is_looked_at=False)
        address, body = f"/api/v1/specimen-checks/{uuid.uuid4()}/", self.body(run)
        assert sent(at_bench, "put", address, body).status_code == 200
        assert sent(at_bench, "put", address, body).status_code == 200
        assert sent(at_bench, "put", address, body | {"code": "EFGH-Q"}).status_code == 409
        assert SpecimenCheck.objects.count() == 1

    def test_a_blind_study_goes_by_the_number(self, blind_lab, at_bench):
        run = blind_lab.run_of("belt-abrasion", is_looked_at=False)
        wanted = bench_aids(for_aids(run.pk, run.study.slug), blind_lab.lead).wanted_code
        assert wanted == "Item 37"
        address = f"/api/v1/specimen-checks/{uuid.uuid4()}/"
        assert sent(at_bench, "put", address, self.body(run, code=wanted)).json()["is_right"]

    def test_after_a_wrong_one_the_right_one_says_what_was_swapped(self, bench_lab, at_bench):
        run = bench_lab.run_of("belt-abrasion", is_looked_at=False)
        wrong = self.body(run, code="EFGH-Q", checked_at=ago(minutes=5))
        sent(at_bench, "put", f"/api/v1/specimen-checks/{uuid.uuid4()}/", wrong)
        address = f"/api/v1/specimen-checks/{uuid.uuid4()}/"
        told = sent(at_bench, "put", address, self.body(run))
        assert told.status_code == 400
        assert "what was swapped" in told.json()["problems"]["reason"][0]
        reason = "Took the wrong specimen; put it back."
        kept = sent(at_bench, "put", address, self.body(run, reason=reason))
        assert (kept.status_code, kept.json()["reason"]) == (200, reason)
        audited = AuditEntry.objects.get(verb="checked specimen")
        assert audited.detail["reason"] == reason
        # once put right, it is not asked again
        later = f"/api/v1/specimen-checks/{uuid.uuid4()}/"
        assert sent(at_bench, "put", later, self.body(run)).status_code == 200


class TestSpecimenBeforeTheReading:
    """The server takes no reading of a destructive run whose specimen nobody looked at."""

    def reading(self, run, **change):
        raw = {"seconds": 4.2, "ended": "failed"}
        at = timezone.now().isoformat()
        return {"run": run.pk, "raw": raw, "measured_at": at} | change

    def look(self, run, **change):
        return {
            "id": str(uuid.uuid4()),
            "code": run.specimen.code,
            "zone": run.zone.code,
            "how": "scanned",
            "checked_at": ago(minutes=1),
        } | change

    def put(self, client, body, key=None):
        return sent(client, "put", f"/api/v1/readings/{key or uuid.uuid4()}/", body)

    @pytest.fixture
    def run(self, bench_lab, checks_passed):
        return bench_lab.run_of("belt-abrasion", is_looked_at=False)

    def test_without_a_check_it_waits_and_is_taken_once_the_check_came(self, run, at_bench):
        key, body = uuid.uuid4(), self.reading(run)
        told = self.put(at_bench, body, key)
        assert told.status_code == 400
        assert (told.json()["code"], told.json()["waits_for"]) == ("waits", "specimen check")
        assert Reading.objects.count() == 0
        look = self.look(run)
        address = f"/api/v1/specimen-checks/{look.pop('id')}/"
        assert sent(at_bench, "put", address, look | {"run": run.pk}).status_code == 200
        assert self.put(at_bench, body, key).status_code == 201

    def test_a_reading_carries_its_check(self, run, at_bench):
        """Both are stored once, whichever comes first and however often."""
        look = self.look(run)
        key, body = uuid.uuid4(), self.reading(run, specimen_check=look)
        assert self.put(at_bench, body, key).status_code == 201
        assert self.put(at_bench, body, key).status_code == 200
        address = f"/api/v1/specimen-checks/{look['id']}/"
        alone = {name: value for name, value in look.items() if name != "id"} | {"run": run.pk}
        assert sent(at_bench, "put", address, alone).status_code == 200
        kept = SpecimenCheck.objects.get()
        assert (kept.run, kept.is_right, kept.how) == (run, True, "scanned")

    @pytest.mark.parametrize("change", [{"code": "EFGH-Q"}, {"zone": "right-sleeve"}])
    def test_a_wrong_check_is_no_check(self, run, at_bench, change):
        body = self.reading(run, specimen_check=self.look(run, **change))
        assert self.put(at_bench, body).json()["code"] == "waits"
        assert Reading.objects.count() == 0

    def test_one_made_after_the_reading_is_no_check(self, run, at_bench):
        look = self.look(run, checked_at=ago(minutes=1))
        body = self.reading(run, measured_at=ago(minutes=10), specimen_check=look)
        assert self.put(at_bench, body).json()["code"] == "waits"

    def test_what_is_left_whole_needs_none(self, bench_lab, checks_passed, at_bench):
        run = bench_lab.run_of("water-uptake", is_looked_at=False)
        assert run.revision.destructive is False
        body = self.reading(run, raw={"before_g": 812.1, "after_g": 815.6})
        assert self.put(at_bench, body).status_code == 201

    def test_an_amendment_needs_none(self, run, at_bench):
        first = uuid.uuid4()
        self.put(at_bench, self.reading(run, specimen_check=self.look(run)), first)
        amended = self.reading(run, supersedes=str(first), reason="Read the wrong mark.")
        assert self.put(at_bench, amended).status_code == 201


class TestSecondPerson:
    @pytest.fixture
    def reading(self, bench_lab, technician, checks_passed):
        run = bench_lab.run_of("belt-abrasion")
        entry = actions.ReadingEntry(
            uuid.uuid4(), run, {"seconds": 4.2, "ended": "failed"}, timezone.now()
        )
        return actions.record_reading(by=technician, entry=entry).reading

    @pytest.fixture
    def lead(self, bench_lab):
        bench_lab.lead.set_password("a-long-secret-of-theirs")
        bench_lab.lead.save()
        return bench_lab.lead

    @pytest.fixture
    def keyed_twice(self, reading):
        triggers.remove()
        MethodRevision.objects.filter(pk=reading.run.revision_id).update(keyed_twice=True)
        triggers.install()

    def type_again(self, client, reading, lead, **raw):
        who = {"username": lead.username, "password": "a-long-secret-of-theirs"}
        return self.confirm(client, reading, **who, raw=raw)

    def test_typed_again_and_the_same_it_is_confirmed(self, at_bench, reading, lead, keyed_twice):
        """4,20 and 4.2 are the same time; what was typed is kept as it was."""
        told = self.type_again(at_bench, reading, lead, seconds="4,20", ended="failed")
        assert told.status_code == 201
        assert ReadingConfirmation.objects.get().by == lead
        typed = SecondKeying.objects.get()
        assert (typed.raw["seconds"], typed.agrees, typed.by) == ("4,20", True, lead)

    def test_a_difference_is_shown_and_kept_and_confirms_nothing(
        self, at_bench, reading, lead, keyed_twice
    ):
        """Two digits the wrong way round, the usual slip of copying."""
        told = self.type_again(at_bench, reading, lead, seconds="2.4", ended="failed")
        assert told.status_code == 409
        sentence = told.json()["problems"][""][0].replace("\u00a0", " ")
        assert "failed at 4.2 s" in sentence
        assert "failed at 2.4 s" in sentence
        assert ReadingConfirmation.objects.count() == 0
        assert SecondKeying.objects.get().agrees is False
        assert AuditEntry.objects.filter(verb="typed a reading again and it differed").exists()
        page = at_bench.get(f"{SHEET}runs/{reading.run_id}/").content.decode()
        assert "Not the same" in page
        again = self.type_again(at_bench, reading, lead, seconds="4.2", ended="failed")
        assert again.status_code == 201

    def test_a_nod_is_not_enough_where_it_is_keyed_twice(
        self, at_bench, reading, lead, keyed_twice
    ):
        who = {"username": lead.username, "password": "a-long-secret-of-theirs"}
        assert self.confirm(at_bench, reading, **who).status_code == 400
        empty = self.type_again(at_bench, reading, lead, seconds=None, ended=None)
        assert empty.status_code == 400
        assert "seconds" in empty.json()["problems"]
        assert SecondKeying.objects.count() == 0

    def test_the_page_does_not_show_the_first_entry_open(self, at_bench, reading, keyed_twice):
        page = at_bench.get(f"{SHEET}runs/{reading.run_id}/").content.decode()
        head, _, rest = page.partition("Show what was typed")
        assert rest
        shown = re.sub(r"<script.*?</script>", "", head, flags=re.DOTALL)
        assert "ailed at 4.2" not in shown.replace("\u00a0", " ").replace("&nbsp;", " ")

    def confirm(self, client, reading, **body):
        return sent(client, "post", f"/api/v1/readings/{reading.pk}/confirm/", body)

    def test_by_their_own_password_at_the_first_ones_tablet(self, at_bench, reading, lead):
        told = self.confirm(
            at_bench, reading, username=lead.username, password="a-long-secret-of-theirs"
        )
        assert told.status_code == 201
        assert told.json()["id"] == str(reading.pk)
        kept = ReadingConfirmation.objects.get()
        assert (kept.by, kept.how) == (lead, "password")
        # the tablet is still the technician's
        assert at_bench.get("/api/v1/session/").json()["username"] == "a-technician"

    def test_a_wrong_password_is_told_and_five_of_them_shut_the_door(self, at_bench, reading, lead):
        for _ in range(5):
            wrong = self.confirm(at_bench, reading, username=lead.username, password="no")
            assert "do not belong together" in wrong.json()["problems"]["password"][0]
        shut = self.confirm(
            at_bench, reading, username=lead.username, password="a-long-secret-of-theirs"
        )
        assert "quarter of an hour" in shut.json()["problems"]["password"][0]
        assert ReadingConfirmation.objects.count() == 0

    def test_nobody_confirms_their_own(self, at_bench, reading):
        answer = self.confirm(at_bench, reading)
        assert "somebody else" in answer.json()["problems"]["username"][0]

    def test_an_editor_may_not(self, at_bench, reading, person):
        editor = person(Role.EDITOR)
        editor.set_password("a-long-secret-of-theirs")
        editor.save()
        answer = self.confirm(
            at_bench, reading, username=editor.username, password="a-long-secret-of-theirs"
        )
        assert "may not enter readings" in answer.json()["problems"]["username"][0]

    def test_by_their_own_sign_in(self, reading, lead):
        client = Client()
        client.force_login(lead)
        assert self.confirm(client, reading).status_code == 201
        assert ReadingConfirmation.objects.get().how == "sign-in"

    def test_the_page_asks_where_the_method_does(self, bench_lab, at_bench, reading):
        address = f"{SHEET}runs/{reading.run_id}/"
        assert "A second person confirms" not in at_bench.get(address).content.decode()

        triggers.remove()
        MethodRevision.objects.filter(pk=reading.run.revision_id).update(needs_second_person=True)
        triggers.install()
        assert "A second person confirms" in at_bench.get(address).content.decode()


class TestLabels:
    def test_a_label_holds_the_code_as_a_qr_code_and_in_letters(self, bench_lab, at_bench):
        answer = at_bench.get("/lab/labels/", {"grid": "24", "codes": "abcdh efgh-q", "copies": 2})
        text = answer.content.decode()
        assert text.count("<strong>ABCD-H</strong>") == 2
        assert text.count('class="label-qr"') == 4
        # the strict policy lets no style attribute act
        assert "style=" not in text

    def test_sheets_are_filled_from_where_the_last_one_ended(self, bench_lab):
        grid = labels.GRIDS["24"]
        made = labels.labels_of_codes("", copies=13)
        sheets = labels.sheets(made, grid, skip=5)
        assert [len(sheet.places) for sheet in sheets] == [24, 7]
        assert sheets[0].places[:5] == (None,) * 5

    @pytest.mark.parametrize("grid", labels.GRIDS.values(), ids=lambda grid: grid.key)
    def test_a_sheet_fits_its_paper(self, grid):
        """A4 is 210 mm by 297 mm (ISO 216)."""
        if grid.key != "roll":
            assert grid.columns * grid.width_mm <= 210
            assert grid.rows * grid.height_mm <= 297

    def test_a_blind_study_prints_numbers_only(self, blind_lab, at_bench):
        answer = at_bench.get("/lab/labels/", {"grid": "24", "study": blind_lab.study.slug})
        sheet = re.search(
            r'<section class="label-sheet.*?</section>', answer.content.decode(), re.S
        )
        assert "<strong>Item 37</strong>" in sheet[0]
        assert "ABCD-H" not in sheet[0]
        assert "Testwear" not in sheet[0]

    def test_a_wrong_code_is_told_beside_its_box(self, bench_lab, at_bench):
        answer = at_bench.get("/lab/labels/", {"grid": "24", "codes": "ABCD-Q"})
        assert answer.status_code == 400
        assert "check each character" in answer.content.decode()


class TestToday:
    def test_the_first_session_with_something_to_do_in_its_order(
        self, bench_lab, technician, checks_passed
    ):
        runs = [bench_lab.run_of(key) for key in ("belt-abrasion", "contact-heat", "seam-opening")]
        for run, session in zip(runs, (1, 2, 2), strict=True):
            run.session = session
            run.save()
        assert [line.id for line in today(bench_lab.study).runs] == [runs[0].pk]
        entry = actions.ReadingEntry(
            uuid.uuid4(), runs[0], {"seconds": 4, "ended": "failed"}, timezone.now()
        )
        actions.record_reading(by=technician, entry=entry)
        now = today(bench_lab.study)
        assert (now.session, now.done_count, now.all_count) == (2, 0, 2)
        assert [line.id for line in now.runs] == [runs[1].pk, runs[2].pk]


class TestPaper:
    def typed(self, page, **head):
        """The form as a browser sends it: every named box of the page."""
        text = page.content.decode()
        names = re.findall(
            r'<(?:input|select)[^>]* name="([a-z_]+-\d+)"(?: value="([^"]*)")?', text
        )
        base = {"day": timezone.localdate().isoformat(), "ran_by": "B. Tester", "ticked": "yes"}
        return dict(names) | base | head

    @pytest.fixture
    def runs(self, bench_lab):
        return [bench_lab.run_of(key) for key in ("belt-abrasion", "padding-drop", "flame-grade")]

    @pytest.fixture
    def clock(self):
        # a minute ago, by the wall clock of the lab
        return f"{timezone.localtime() - timedelta(minutes=1):%H:%M}"

    def test_rows_that_are_right_are_kept_and_say_where_they_came_from(self, at_bench, runs, clock):
        form = self.typed(at_bench.get(f"{SHEET}paper/"))
        abrasion, drop, flame = (run.pk for run in runs)
        form |= {
            f"time-{abrasion}": clock,
            f"seconds-{abrasion}": "4,2",
            f"ended-{abrasion}": "failed",
            f"time-{drop}": clock.replace(":", "."),
            f"held_at-{drop}": "1.25",
            f"failed_at-{drop}": "1.6",
            f"time-{flame}": clock.replace(":", ""),
            f"grade-{flame}": "3",
            f"rater-{flame}": "A",
        }
        assert at_bench.post(f"{SHEET}paper/", form).status_code == 302
        kept = {reading.run_id: reading for reading in Reading.objects.all()}
        assert kept[abrasion].words == "failed at 4.2\u00a0s"
        assert kept[drop].words == "held at 1.25\u00a0m, failed at 1.6\u00a0m"
        assert kept[flame].rater == "A"
        assert {reading.entered_from for reading in kept.values()} == {"paper"}
        assert kept[abrasion].note == "From paper, run by B. Tester."
        assert f"{timezone.localtime(kept[abrasion].measured_at):%H:%M}" == clock

    def test_a_wrong_row_stays_as_typed_while_the_others_are_kept(self, at_bench, runs, clock):
        form = self.typed(at_bench.get(f"{SHEET}paper/"))
        abrasion, drop = runs[0].pk, runs[1].pk
        form |= {
            f"time-{abrasion}": clock,
            f"seconds-{abrasion}": "1,234",
            f"ended-{abrasion}": "failed",
            f"time-{drop}": clock,
            f"held_at-{drop}": "1.25",
        }
        answer = at_bench.post(f"{SHEET}paper/", form)
        text = answer.content.decode()
        assert answer.status_code == 400
        assert "1 kept." in text
        assert "two ways" in text
        assert 'value="1,234"' in text
        assert "held at 1.25" in text
        # sent again with the slip put right, the one kept before is not doubled
        form[f"seconds-{abrasion}"] = "12.34"
        at_bench.post(f"{SHEET}paper/", form)
        assert Reading.objects.count() == 2

    @pytest.mark.parametrize(
        ("change", "why"),
        [
            ({"ticked": ""}, "tell the lead"),
            ({"ran_by": " "}, "who ran it"),
            ({"day": "yesterday"}, "Type the day"),
        ],
    )
    def test_without_the_head_of_the_sheet_nothing_is_kept(
        self, at_bench, runs, clock, change, why
    ):
        pk = runs[0].pk
        form = self.typed(at_bench.get(f"{SHEET}paper/"), **change)
        form |= {f"time-{pk}": clock, f"seconds-{pk}": "4.2", f"ended-{pk}": "failed"}
        answer = at_bench.post(f"{SHEET}paper/", form)
        assert answer.status_code == 400
        assert why in answer.content.decode()
        assert 'value="4.2"' in answer.content.decode()
        assert Reading.objects.count() == 0

    @pytest.mark.parametrize("at", ["", "25:00", "noon", "9", "9:7"])
    def test_a_time_that_is_none_is_told(self, at_bench, runs, at):
        pk = runs[0].pk
        form = self.typed(at_bench.get(f"{SHEET}paper/"))
        form |= {f"time-{pk}": at, f"seconds-{pk}": "4.2", f"ended-{pk}": "failed"}
        answer = at_bench.post(f"{SHEET}paper/", form)
        assert "such as 9:05" in answer.content.decode()

    def test_a_run_read_meanwhile_keeps_what_was_typed(
        self, at_bench, runs, clock, technician, checks_passed
    ):
        pk = runs[0].pk
        form = self.typed(at_bench.get(f"{SHEET}paper/"))
        form |= {f"time-{pk}": clock, f"seconds-{pk}": "4.2", f"ended-{pk}": "failed"}
        entry = actions.ReadingEntry(
            uuid.uuid4(), runs[0], {"seconds": 9, "ended": "failed"}, timezone.now()
        )
        actions.record_reading(by=technician, entry=entry)
        at_bench.post(f"{SHEET}paper/", form)
        assert runs[0].conflicts.get().content["raw"]["seconds"] == "4.2"


class TestGradingPhotos:
    RATE = f"{SHEET}rate/flame-grade/"

    @pytest.fixture
    def shot(self, bench_lab):
        runs = [bench_lab.run_of("flame-grade", n % 2) for n in range(6)]
        for n, run in enumerate(runs):
            photo_of(run, bench_lab.lead, colour=(n * 20, 60, 30))
        return runs

    def shown(self, client):
        text = client.get(self.RATE).content.decode()
        found = re.search(r'name="run" value="(\d+)"', text)
        reading = re.search(r'name="reading" value="([^"]+)"', text)
        return (int(found[1]), reading[1], text) if found else (None, "", text)

    def grade(self, client, value):
        run, reading, _ = self.shown(client)
        client.post(self.RATE, {"run": run, "reading": reading, "grade": value})
        return run

    def test_each_rater_grades_all_once_in_an_order_of_their_own(self, shot, at_bench, bench_lab):
        lead = Client()
        lead.force_login(bench_lab.lead)
        orders = {
            name: [self.grade(client, "3") for _ in shot]
            for name, client in (("technician", at_bench), ("lead", lead))
        }
        wanted = {run.pk for run in shot}
        assert set(orders["technician"]) == set(orders["lead"]) == wanted
        for order in RatingOrder.objects.select_related("rater"):
            drawn = sorted(wanted, key=lambda run: rating.place_in_order(order.seed, run))
            assert orders[order.rater.username.removeprefix("a-")] == drawn
        assert "You have graded all 6." in self.shown(at_bench)[2]
        assert Reading.objects.filter(entered_from="photos").count() == 12

    def test_the_order_stays_after_a_reload_and_with_new_photos(self, shot, at_bench, bench_lab):
        first = self.shown(at_bench)[0]
        assert self.shown(at_bench)[0] == first
        seed = RatingOrder.objects.get().seed
        late = bench_lab.run_of("flame-grade")
        photo_of(late, bench_lab.lead)
        self.shown(at_bench)
        assert RatingOrder.objects.get().seed == seed

    def test_no_specimen_arm_caption_or_other_grade_is_shown(self, shot, at_bench, bench_lab):
        text = self.shown(at_bench)[2]
        main = text[text.index("<main") :]
        for word in ("ABCD-H", "EFGH-Q", "Testwear", "site 1", "Lead", "before the run"):
            assert word not in main
        assert " new" not in main.lower().replace("worn against new", "")

    def test_the_last_grade_can_be_changed_and_says_so(self, shot, at_bench):
        run = self.grade(at_bench, "2")
        again = at_bench.get(f"{self.RATE}?again").content.decode()
        assert f'name="run" value="{run}"' in again
        fresh = re.search(r'name="reading" value="([^"]+)"', again)[1]
        at_bench.post(self.RATE, {"run": run, "reading": fresh, "grade": "4"})
        old, new = Reading.objects.filter(run=run).order_by("entered_at")
        assert (old.grade, new.grade) == (2, 4)
        assert new.supersedes == old
        assert new.reason == rating.CHANGED_AT_ONCE

    def test_sent_twice_it_is_one_grade(self, shot, at_bench):
        run, reading, _ = self.shown(at_bench)
        for _ in range(2):
            at_bench.post(self.RATE, {"run": run, "reading": reading, "grade": "2"})
        assert Reading.objects.count() == 1

    @pytest.mark.parametrize("grade", ["", "9", "x", "²"])
    def test_a_grade_that_is_none_is_told(self, shot, at_bench, grade):
        run, reading, _ = self.shown(at_bench)
        answer = at_bench.post(self.RATE, {"run": run, "reading": reading, "grade": grade})
        assert answer.status_code == 400
        assert Reading.objects.count() == 0

    def test_a_run_without_a_photo_is_not_graded_from_photos(self, bench_lab, at_bench):
        run = bench_lab.run_of("flame-grade")
        answer = at_bench.post(
            self.RATE, {"run": run.pk, "reading": str(uuid.uuid4()), "grade": "2"}
        )
        assert answer.status_code == 400

    def test_the_sheet_tells_that_it_was_graded_not_how(self, shot, at_bench):
        self.grade(at_bench, "5")
        text = at_bench.get(SHEET).content.decode()
        assert "Graded by a-technician" in text
        assert "flaming drips" not in text


class TestBlindness:
    def test_no_page_or_answer_of_the_bench_names_a_specimen(self, blind_lab, at_bench):
        run = blind_lab.run_of("flame-grade")
        photo = photo_of(run, blind_lab.lead)
        pages = [
            SHEET,
            f"{SHEET}runs/{run.pk}/",
            f"{SHEET}paper/",
            f"{SHEET}rate/",
            f"{SHEET}rate/flame-grade/",
            "/api/v1/studies/worn-against-new/",
            "/api/v1/studies/worn-against-new/runs/",
            f"/api/v1/photos/{photo.pk}/",
            "/lab/labels/?grid=24&study=worn-against-new",
        ]
        for page in pages:
            answer = at_bench.get(page)
            assert answer.status_code == 200, page
            text = answer.content.decode()
            for word in ("ABCD-H", "EFGH-Q", "Testwear", "ABCDH"):
                assert word not in text, f"{page} shows {word}"

    @pytest.fixture
    def half_read(self, blind_lab, checks_passed, technician):
        """One run of two is read, twice and differently; the study is closed until the other is."""
        run, waits = blind_lab.run_of("belt-abrasion"), blind_lab.run_of("belt-abrasion", 1)
        for seconds in (7.3, 8.9):
            enter(run, seconds, by=technician)
        return run, waits

    def addresses_of(self, run):
        reading = run.readings.get()
        return [
            f"/api/v1/readings/{reading.pk}/",
            f"/api/v1/runs/{run.pk}/",
            f"/api/v1/studies/{run.study.slug}/runs/",
        ]

    @pytest.mark.parametrize("role", [Role.EDITOR, Role.AUDITOR])
    def test_away_from_the_bench_readings_stay_shut_until_the_last(
        self, half_read, role, technician
    ):
        run, waits = half_read
        client = Client()
        client.force_login(person_with(role))
        for address in self.addresses_of(run):
            answer = client.get(address)
            assert answer.status_code == 403, address
            assert "7.3" not in answer.content.decode(), address
            assert "once its last run is read" in str(answer.json())
        assert client.get("/api/v1/readings/").json()["results"] == []
        enter(waits, 5.5, by=technician)
        for address in self.addresses_of(run):
            assert "7.3" in client.get(address).content.decode(), address

    def test_the_bench_reads_them_under_their_numbers(self, half_read, at_bench):
        run, _ = half_read
        for address in self.addresses_of(run):
            text = at_bench.get(address).content.decode()
            assert "7.3" in text, address
            assert "ABCD-H" not in text, address

    def test_second_readings_are_settled_under_the_number(self, half_read, blind_lab):
        client = Client()
        client.force_login(blind_lab.lead)
        conflict = half_read[0].conflicts.get()
        for page in ("/lab/conflicts/", f"/lab/conflicts/{conflict.pk}/"):
            text = client.get(page).content.decode()
            assert "Item 37" in text, page
            assert "8.9" in text, page
            assert "ABCD-H" not in text, page

    @pytest.mark.parametrize("role", [Role.EDITOR, Role.AUDITOR])
    def test_second_readings_show_no_values_away_from_the_bench(self, half_read, role, technician):
        client = Client()
        client.force_login(person_with(role))
        text = client.get("/lab/conflicts/").content.decode()
        assert "Item 37" in text
        assert "shut until the last run" in text
        for value in ("7.3", "8.9"):
            assert value not in text
        enter(half_read[1], 5.5, by=technician)
        assert "8.9" in client.get("/lab/conflicts/").content.decode()

    @pytest.mark.parametrize("role", [Role.LEAD, Role.AUDITOR, Role.ADMINISTRATOR])
    def test_the_audit_trail_keeps_item_and_value_shut_until_then(
        self, half_read, role, technician
    ):
        client = Client()
        client.force_login(person_with(role))
        for address in ("/audit/", "/audit/?words=ABCD", "/audit/?kind=trials.run"):
            text = client.get(address).content.decode()
            for word in ("ABCD-H", "failed at 7.3", "failed at 8.9"):
                assert word not in text, f"{address} shows {word}"
        text = client.get("/audit/").content.decode()
        assert "entered reading" in text
        assert "words shut until the last run of this blind study is read" in text
        enter(half_read[1], 5.5, by=technician)
        text = client.get("/audit/?words=ABCD").content.decode()
        assert "ABCD-H" in text
        assert "failed at 7.3" in text


def enter(run, seconds, *, by):
    entry = actions.ReadingEntry(
        uuid=uuid.uuid4(),
        run=run,
        raw={"seconds": seconds, "ended": "failed"},
        measured_at=timezone.now(),
    )
    return actions.record_reading(by=by, entry=entry)
