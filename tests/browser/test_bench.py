"""The bench in a real browser: what is touched, what is kept, what a dropped network leaves."""

import re
from collections.abc import Callable, Iterator

import pytest
from axe_playwright_python.sync_playwright import Axe
from django.test import Client
from django.utils import timezone
from playwright.sync_api import Browser, Page, Route, expect

from labsite.roles import Role
from tests.browser.bench_steps import put_on_rig
from tests.trials.bench_lab import BenchLab, build_bench_lab, person_with
from trials import actions
from trials.models import (
    Reading,
    ReadingConflict,
    RunVoid,
    SafetyAcknowledgement,
    SpecimenCheck,
)

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

BENCH_VIEWPORT = {"width": 820, "height": 1180}
SMALLEST_TARGET_PX = 56  # practice for gloved hands; the web content guidelines ask for 24
WIDTHS = (320, 390, 820, 1440)


@pytest.fixture
def lab(browser: Browser, transactional_db: None) -> BenchLab:
    return build_bench_lab()


@pytest.fixture
def page(browser: Browser, live_server, lab: BenchLab) -> Iterator[Page]:
    client = Client()
    client.force_login(person_with(Role.TECHNICIAN))
    context = browser.new_context(viewport=BENCH_VIEWPORT, has_touch=True, base_url=live_server.url)
    context.add_cookies(
        [{"name": "sessionid", "value": client.cookies["sessionid"].value, "url": live_server.url}]
    )
    errors: list[str] = []
    opened = context.new_page()
    opened.on("pageerror", lambda error: errors.append(str(error)))
    yield opened
    context.close()
    assert errors == []


def open_run(page: Page, run, *, checked: bool = True, is_on_rig: bool = True) -> None:
    if checked and not SafetyAcknowledgement.objects.filter(revision=run.revision).exists():
        actions.acknowledge_safety(
            by=person_with(Role.TECHNICIAN),
            revision=run.revision,
            answers={check["key"]: True for check in run.revision.checks},
        )
    page.goto(f"/bench/{run.study.slug}/runs/{run.pk}/")
    if is_on_rig:
        put_on_rig(page)


def button(page: Page, words: str):
    return page.get_by_role("button", name=re.compile(f"^{re.escape(words)}"))


def choose(page: Page, words: str) -> None:
    page.locator("label.big-button", has_text=words).first.click()


def keep(page: Page) -> None:
    page.locator("[data-keep]").click()


def expect_kept(page: Page, words: str, interval: str) -> None:
    kept = page.locator("[data-kept]")
    expect(kept).to_be_visible()
    expect(kept).to_be_focused()
    expect(kept.locator("[data-kept-words]")).to_have_text(words)
    expect(kept.locator("[data-kept-interval]")).to_have_text(interval)


def wait_until(page: Page, is_so: Callable[[], bool]) -> None:
    """What is kept on the tablet reaches the server a moment later."""
    for _ in range(200):
        if is_so():
            return
        page.wait_for_timeout(50)
    raise AssertionError("It did not reach the server within 10 s.")


class TestInstruments:
    def test_rising_steps_proposes_the_next_level(self, page, lab):
        open_run(page, lab.run_of("padding-drop", is_looked_at=False))
        button(page, "1 m").click()
        button(page, "Held at 1 m").click()
        expect(page.locator("[data-bracket]")).to_have_text("Held at 1 m. Next: 1.25 m.")
        button(page, "Held at 1.25 m").click()
        button(page, "Failed at 1.6 m").click()
        expect(page.locator("[data-bracket]")).to_have_text("Held at 1.25 m, failed at 1.6 m.")
        expect(button(page, "Held")).to_be_disabled()
        keep(page)
        expect_kept(page, "Held at 1.25 m, failed at 1.6 m", "Between 1.25 and 1.6 m.")
        assert Reading.objects.get().raw == {"held_at": 1.25, "failed_at": 1.6}

    def test_a_step_can_be_taken_back(self, page, lab):
        open_run(page, lab.run_of("padding-drop", is_looked_at=False))
        button(page, "1 m").click()
        button(page, "Failed at 1 m").click()
        button(page, "Undo the last step").click()
        button(page, "Held at 1 m").click()
        keep(page)
        expect_kept(page, "Held at 1 m, never failed", "At least 1 m.")

    def test_levels_show_the_energy_of_a_5_kg_drop(self, page, lab):
        """m g h with m = 5 kg and standard gravity: 1 m is 49.0 J, 2 m is 98.1 J."""
        open_run(page, lab.run_of("padding-drop", is_looked_at=False))
        expect(button(page, "1 m")).to_contain_text("49 J")
        expect(button(page, "2 m")).to_contain_text("98.1 J")

    def test_stopwatch_writes_its_time(self, page, lab):
        open_run(page, lab.run_of("belt-abrasion", is_looked_at=False))
        page.clock.install()
        button(page, "Start").click()
        page.clock.run_for(4200)
        button(page, "Stop").click()
        box = page.locator("[name=seconds]")
        seconds = float(box.input_value())
        assert 4.1 <= seconds <= 4.6
        expect(button(page, "Start over")).to_be_visible()
        choose(page, "Stopped")
        keep(page)
        shown = f"{seconds:g} s"
        expect_kept(page, f"Had not failed when stopped at {shown}", f"At least {shown}.")

    def test_a_time_may_be_typed_with_a_comma(self, page, lab):
        open_run(page, lab.run_of("contact-heat", is_looked_at=False))
        page.locator("[name=seconds]").fill("21,5")
        choose(page, "Failed")
        keep(page)
        expect_kept(page, "Failed at 21.5 s", "Between 21.25 and 21.75 s.")
        assert Reading.objects.get().raw == {"seconds": "21,5", "ended": "failed"}

    def test_tally_counts_and_undoes(self, page, lab):
        open_run(page, lab.run_of("seam-opening", is_looked_at=False))
        for _ in range(8):
            page.locator("[data-tally-up]").click()
        page.locator("[data-tally-down]").click()
        choose(page, "Failed during this turn")
        keep(page)
        expect_kept(page, "Failed during turn 7", "Between 6 and 7 turns.")

    def test_challenge_is_a_level_and_an_outcome(self, page, lab):
        open_run(page, lab.run_of("point-challenge", is_looked_at=False))
        choose(page, "6.3 J")
        choose(page, "Held")
        keep(page)
        expect_kept(page, "Held at 6.3 J", "At least 6.3 J.")

    def test_net_mass_is_shown_at_once(self, page, lab):
        open_run(page, lab.run_of("water-uptake", is_looked_at=False))
        pad = page.locator("[data-keypad]")
        page.locator("[name=before_g]").click()
        for key in "812.1":
            pad.locator(f'button[value="{key}"]').click()
        page.locator("[name=after_g]").click()
        for key in "815.6":
            pad.locator(f'button[value="{key}"]').click()
        expect(page.locator("[data-net]")).to_have_text("Net: 3.5 g")
        keep(page)
        expect_kept(page, "Took up 3.5 g", "Between 3.4 and 3.6 g.")

    def test_each_rater_grades_without_seeing_the_others(self, page, lab):
        run = lab.run_of("flame-grade", is_looked_at=False)
        open_run(page, run)
        page.locator("[name=rater]").fill("A")
        choose(page, "Charred or melted")
        keep(page)
        expect_kept(page, "Grade 3, charred or melted at the surface, no hole (A)", "")
        page.get_by_role("link", name="Next rater").click()
        expect(page.get_by_text("Graded by 1 of 3.")).to_be_visible()
        expect(page.locator(".bench-reading-words")).to_be_hidden()
        page.locator("[name=rater]").fill("B")
        choose(page, "A hole through the outer layer")
        keep(page)
        expect(page.locator("[data-kept-words]")).to_contain_text("(B)")
        assert dict(Reading.objects.values_list("rater", "grade")) == {"A": 3, "B": 4}


class TestProblems:
    def test_what_is_missing_is_told_beside_its_field(self, page, lab):
        open_run(page, lab.run_of("belt-abrasion", is_looked_at=False))
        keep(page)
        expect(page.locator("#field-seconds-problem")).to_have_text("Time it or type the seconds.")
        expect(page.locator("#field-ended-problem")).to_have_text("Say how it ended.")
        expect(page.locator("[name=seconds]")).to_be_focused()
        expect(page.locator("[data-entry] [role=alert]").first).to_be_visible()

    def test_what_the_server_refuses_is_told_beside_its_field(self, page, lab):
        open_run(page, lab.run_of("belt-abrasion", is_looked_at=False))
        page.locator("[name=seconds]").fill("75")
        choose(page, "Failed")
        keep(page)
        expect(page.locator("#field-seconds-problem")).to_contain_text("outside what this method")
        expect(page.locator("[name=seconds]")).to_be_focused()
        assert Reading.objects.count() == 0
        page.locator("[name=seconds]").fill("7.5")
        keep(page)
        expect_kept(page, "Failed at 7.5 s", "Between 7.45 and 7.55 s.")

    def test_no_network_keeps_it_on_the_tablet_and_sends_it_once(self, page, lab):
        open_run(page, lab.run_of("belt-abrasion", is_looked_at=False))
        page.locator("[name=seconds]").fill("7.5")
        choose(page, "Failed")
        page.context.set_offline(True)
        keep(page)
        expect(page.locator("[data-kept-head]")).to_have_text("Kept on this tablet")
        expect(page.locator("[data-kept-words]")).to_have_text("7.5 s, failed")
        expect(page.locator("[data-queue-words]")).to_contain_text("1 entry waits on this tablet.")
        assert Reading.objects.count() == 0
        page.context.set_offline(False)
        expect_kept(page, "Failed at 7.5 s", "Between 7.45 and 7.55 s.")
        expect(page.locator("[data-queue-words]")).to_have_text(
            "Everything you entered is on the server."
        )
        assert Reading.objects.count() == 1

    def test_a_lost_answer_is_sent_again_as_the_same_reading(self, page, lab):
        sent: list[str] = []

        def lose_first(route: Route) -> None:
            sent.append(route.request.url)
            if len(sent) == 1:
                route.fetch()  # the server stores it, and the answer never arrives
                route.abort()
            else:
                route.continue_()

        open_run(page, lab.run_of("belt-abrasion", is_looked_at=False))
        page.route("**/api/v1/readings/**", lose_first)
        page.locator("[name=seconds]").fill("7.5")
        choose(page, "Failed")
        keep(page)
        expect_kept(page, "Failed at 7.5 s", "Between 7.45 and 7.55 s.")
        assert len(sent) == 2
        assert len(set(sent)) == 1
        assert Reading.objects.count() == 1
        assert ReadingConflict.objects.count() == 0

    def test_an_ended_sign_in_loses_nothing(self, page, lab):
        open_run(page, lab.run_of("belt-abrasion", is_looked_at=False))
        page.locator("[name=seconds]").fill("7.5")
        choose(page, "Failed")
        cookies = page.context.cookies()
        page.context.clear_cookies(name="sessionid")
        keep(page)
        expect(page.locator("[data-queue-words]")).to_contain_text("Your sign-in has ended")
        expect(page.locator("[data-queue-sign-in]")).to_be_visible()
        page.context.add_cookies(cookies)
        page.evaluate("window.dispatchEvent(new Event('online'))")
        expect_kept(page, "Failed at 7.5 s", "Between 7.45 and 7.55 s.")

    def test_a_taken_run_keeps_both(self, page, lab):
        run = lab.run_of("belt-abrasion", is_looked_at=False)
        open_run(page, run)
        actions.acknowledge_safety(
            by=lab.lead,
            revision=run.revision,
            answers={check["key"]: True for check in run.revision.checks},
        )
        other = actions.ReadingEntry(
            uuid="11111111-1111-4111-8111-111111111111",
            run=run,
            raw={"seconds": 9, "ended": "failed"},
            measured_at=timezone.now(),
        )
        actions.record_reading(by=lab.lead, entry=other)
        page.locator("[name=seconds]").fill("7.5")
        choose(page, "Failed")
        keep(page)
        expect(page.locator("[data-kept-head]")).to_have_text("Kept beside another reading")
        expect(page.locator("[data-kept-words]")).to_contain_text("failed at 9 s")
        assert Reading.objects.count() == 1
        assert ReadingConflict.objects.get().content["raw"]["seconds"] == "7.5"


class TestSafety:
    def test_nothing_to_enter_until_each_check_is_ticked(self, page, lab):
        run = lab.run_of("padding-drop", is_looked_at=False)
        open_run(page, run, checked=False)
        expect(page.locator("[data-entry]")).to_be_hidden()
        expect(page.get_by_text("Stop. Make safe. Call for help.")).to_be_visible()
        boxes = page.locator("[data-checks-form] input[type=checkbox]")
        expect(boxes).to_have_count(len(run.revision.checks))
        for box in boxes.all()[1:]:
            box.check()
        page.locator("[name=watcher]").fill("A. Second")
        button(page, "All checks are passed").click()
        expect(page.locator("#check-cage-problem")).to_have_text("Not ticked yet.")
        expect(boxes.first).to_be_focused()
        assert SafetyAcknowledgement.objects.count() == 0
        boxes.first.check()
        button(page, "All checks are passed").click()
        expect(page.locator("[data-entry]")).to_be_visible()
        wait_until(page, SafetyAcknowledgement.objects.exists)
        kept = SafetyAcknowledgement.objects.get()
        assert kept.by.username == "a-technician"
        page.reload()
        expect(page.locator("[data-entry]")).to_be_visible()

    def test_the_emergency_line_stays_in_view(self, page, lab):
        open_run(page, lab.run_of("padding-drop", is_looked_at=False))
        page.evaluate("window.scrollTo(0, document.body.scrollHeight)")
        expect(page.locator(".emergency")).to_be_in_viewport()


class TestAmendAndVoid:
    def test_an_amendment_leaves_the_old_reading_readable(self, page, lab):
        open_run(page, lab.run_of("padding-drop", is_looked_at=False))
        button(page, "1 m").click()
        button(page, "Failed at 1 m").click()
        keep(page)
        button(page, "Amend this reading").click()
        expect(page.locator("[data-bracket]")).to_have_text("Failed at 1 m, the first level tried.")
        button(page, "Undo the last step").click()
        button(page, "1.25 m").click()
        button(page, "Failed at 1.25 m").click()
        keep(page)
        expect(page.locator("#field-reason-problem")).to_have_text(
            "Say why the reading is amended."
        )
        page.locator("#field-reason").fill("Read the wrong mark.")
        keep(page)
        expect_kept(page, "Failed at 1.25 m, the first level", "At most 1.25 m.")
        page.reload()
        expect(page.locator(".bench-reading-superseded")).to_contain_text("Failed at 1 m")
        expect(page.locator(".bench-reading-used")).to_contain_text("Read the wrong mark.")
        expect(page.locator("[data-entry]")).to_be_hidden()
        old, new = Reading.objects.order_by("entered_at")
        assert new.supersedes == old

    def test_a_void_says_why(self, page, lab):
        run = lab.run_of("padding-drop", is_looked_at=False)
        open_run(page, run)
        page.locator("summary", has_text="Void this run").click()
        void = page.locator("[data-void]")
        void.get_by_role("button", name="Void this run").click()
        expect(page.locator("#void-reason-problem")).to_have_text("Choose a reason from the list.")
        void.locator("label", has_text="Specimen slipped").click()
        void.locator("textarea").fill("It slid off the dome.")
        void.locator("label", has_text="No").last.click()
        void.get_by_role("button", name="Void this run").click()
        expect(page.get_by_role("heading", name="This run is void")).to_be_visible()
        kept = RunVoid.objects.get()
        assert (kept.reason, kept.value_was_known) == ("slipped", False)
        expect(page.locator("[data-entry]")).to_have_count(0)


class TestLayout:
    def addresses(self, lab):
        yield "/bench/"
        yield "/bench/worn-against-new/"
        for key in lab.revisions:
            run = lab.run_of(key, is_looked_at=False)
            yield f"/bench/worn-against-new/runs/{run.pk}/"

    def test_no_page_has_a_fault_or_a_small_target_or_scrolls_sideways(self, page, lab):
        for passed in (False, True):
            if passed:
                for revision in lab.revisions.values():
                    actions.acknowledge_safety(
                        by=person_with(Role.TECHNICIAN),
                        revision=revision,
                        answers={check["key"]: True for check in revision.checks},
                    )
            for address in self.addresses(lab):
                page.set_viewport_size(BENCH_VIEWPORT)
                page.goto(address)
                for summary in page.locator(".bench-page summary").all():
                    if summary.is_visible():
                        summary.click()
                found = Axe().run(page).response["violations"]
                assert [fault["id"] for fault in found] == [], address
                for width in WIDTHS:
                    page.set_viewport_size({"width": width, "height": 900})
                    assert page.evaluate(SIDEWAYS) == 0, f"{address} at {width} px"
                    assert page.evaluate(SMALL, SMALLEST_TARGET_PX) == [], f"{address} at {width}"


class TestWithoutAPointer:
    def tab_to(self, page: Page, selector: str) -> None:
        """Press Tab until it has the focus, as a person without a pointer does."""
        for _ in range(120):
            page.keyboard.press("Tab")
            if page.evaluate("(wanted) => document.activeElement.matches(wanted)", selector):
                return
        raise AssertionError(f"Tab never comes to {selector}")

    def test_a_run_is_checked_and_entered_by_keyboard_alone(self, page, lab):
        run = lab.run_of("belt-abrasion", is_looked_at=False)
        page.goto(f"/bench/{run.study.slug}/runs/{run.pk}/")
        for _ in run.revision.checks:
            self.tab_to(page, "[data-checks-form] input[type=checkbox]")
            page.keyboard.press("Space")
        if page.locator("[name=watcher]").count():
            self.tab_to(page, "[name=watcher]")
            page.keyboard.type("B. Second")
        self.tab_to(page, "[data-checks-form] [type=submit]")
        page.keyboard.press("Enter")
        self.tab_to(page, "#specimen-code")
        page.keyboard.type("abcdh")
        self.tab_to(page, "[data-specimen-form] [name=zone]")
        page.keyboard.press("Space")
        self.tab_to(page, "[data-specimen-form] [type=submit]")
        page.keyboard.press("Enter")
        expect(page.locator("[data-specimen-passed]")).to_be_focused()
        self.tab_to(page, "[name=seconds]")
        page.keyboard.type("4,2")
        self.tab_to(page, "[name=ended]")
        page.keyboard.press("Space")
        self.tab_to(page, "[data-keep]")
        page.keyboard.press("Enter")
        expect(page.locator("[data-kept]")).to_be_focused()
        wait_until(page, Reading.objects.exists)
        assert Reading.objects.get().raw["seconds"] == "4,2"


class TestWhatIsOnTheRig:
    def test_a_wrong_specimen_stops_the_run_and_the_swap_is_kept(self, page, lab):
        run = lab.run_of("belt-abrasion", is_looked_at=False)
        open_run(page, run, is_on_rig=False)
        form = page.locator("[data-specimen-form]")
        form.locator("[name=code]").fill("EFGH-Q")
        choose(page, "Left sleeve")
        button(page, "This is on the rig").click()
        expect(page.locator("#specimen-code-problem")).to_contain_text("Nothing is lost yet")
        form.locator("[name=code]").fill("ABCD-H")
        button(page, "This is on the rig").click()
        expect(page.locator("#specimen-swap-problem")).to_contain_text("what was swapped")
        expect(page.locator("[data-entry]")).to_be_hidden()
        button(page, "Took the wrong specimen").click()
        button(page, "This is on the rig").click()
        page.locator("[name=seconds]").fill("4.2")
        choose(page, "Failed")
        keep(page)
        wait_until(page, Reading.objects.exists)
        found = SpecimenCheck.objects.order_by("checked_at").values_list("is_right", "reason")
        assert list(found) == [(False, ""), (True, "Took the wrong specimen; put it back.")]


SIDEWAYS = "document.documentElement.scrollWidth - document.documentElement.clientWidth"
SMALL = """(least) => [...document.querySelectorAll(
    ".bench button, .bench .big-button, .bench summary, .bench .choice, .bench-link, "
    + ".bench input:not([type=radio], [type=checkbox]), .bench select, .bench textarea")]
  .filter((part) => part.checkVisibility())
  .map((part) => ({part, box: part.getBoundingClientRect()}))
  .filter(({box}) => box.height < least || box.width < least)
  .map(({part, box}) => `${part.outerHTML.slice(0, 80)} ${box.width} x ${box.height}`)"""
