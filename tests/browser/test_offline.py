"""The bench without network, with a dying server and with a false one: nothing lost, nothing twice.

What must be there is what this file typed, counted in the database and in the tablet's own
database, past the code under test.
"""

import json
import re
from collections.abc import Iterator
from io import BytesIO

import pytest
from PIL import Image
from playwright.sync_api import Browser, Page, expect

from tests.browser.bench_steps import assert_usable
from tests.faults.bench_rounds import count, play
from tests.faults.bench_site import (
    BenchSite,
    answer_doubt,
    database_down,
    fill,
    get_ready,
    keep,
    open_run,
    poke,
    running_bench,
    waiting_ids,
)

pytestmark = pytest.mark.browser
SESSION = 60  # readings, one after the other, of nine methods


@pytest.fixture(scope="module")
def bench(browser: Browser, tmp_path_factory: pytest.TempPathFactory) -> Iterator[BenchSite]:
    with running_bench(tmp_path_factory.mktemp("bench"), runs_each=20) as running:
        yield running


@pytest.fixture(autouse=True)
def network_is_whole(bench: BenchSite) -> Iterator[None]:
    yield
    bench.proxy.faults = lambda line: "pass"


@pytest.fixture
def page(bench: BenchSite, browser: Browser) -> Iterator[Page]:
    opened = bench.tablet(browser)
    yield opened
    opened.context.close()


def words(page: Page):
    return page.locator("[data-queue-words]")


def only(fault: str, beginning: str):
    return lambda line: fault if line.startswith(beginning) else "pass"


def once(fault: str, beginning: str):
    left = [fault]
    return lambda line: left.pop() if left and line.startswith(beginning) else "pass"


def take_photo(page: Page) -> None:
    """A wide one, which travels smaller first."""
    out = BytesIO()
    Image.new("RGB", (2600, 200), (90, 120, 60)).save(out, "JPEG")
    taken = {"name": "shot.jpg", "mimeType": "image/jpeg", "buffer": out.getvalue()}
    page.locator("#photo-file").set_input_files(taken)
    expect(page.locator("[data-photo-words]")).to_contain_text("kept on this tablet. Its original")


def be_ready(page: Page, bench: BenchSite) -> None:
    """The sheet is open, and says that all it leads to opens without network."""
    page.goto(bench.seed["sheet"])
    expect(page.locator("[data-queue-ready]")).to_have_text(
        "This page and the runs it leads to open without network.", timeout=60_000
    )


def values(bench: BenchSite, runs) -> dict[int, object]:
    wanted = {run["id"] for run in runs}
    found = [(run, raw) for run, raw in bench.readings().values() if run in wanted]
    assert len(found) == len({run for run, _ in found}), "a reading is there twice"
    return dict(found)


class TestASessionWithoutNetwork:
    def test_sixty_readings_of_every_kind_with_photos(self, bench, browser):
        """Each with its specimen looked at, a photo and the photo's original."""
        page = bench.tablet(browser, has_looked=False)
        be_ready(page, bench)
        runs = bench.take_runs(SESSION)
        typed = {}
        page.context.set_offline(True)
        for number, run in enumerate(runs):
            open_run(page, run)
            typed[run["id"]] = fill(page, run["method"], number)
            take_photo(page)
            keep(page)
            expect(page.locator("[data-kept-head]")).to_have_text("Kept on this tablet")
            if number == SESSION // 3:
                page.reload()
                expect(page.locator("[data-reading-state=waiting]")).to_have_count(1)
                expect(page.locator("[data-photo]")).to_have_count(1)
                expect(page.locator("[data-entry]")).to_be_hidden()
            if number == 2 * SESSION // 3:
                old, page = page, page.context.new_page()
                page.set_default_timeout(20_000)
                old.close()
        assert values(bench, runs) == {}
        assert len(waiting_ids(page)) == SESSION
        expect(words(page)).to_contain_text(re.compile(r"\d+ entries wait on this tablet\."))
        page.context.set_offline(False)
        poke(page)
        bench.wait_for(lambda: len(values(bench, runs)) == SESSION, page, within_s=120)
        assert values(bench, runs) == typed
        expect(words(page)).to_have_text(
            "Everything you entered is on the server.", timeout=120_000
        )
        assert waiting_ids(page) == []
        own = {run["id"] for run in runs}
        photos = [
            (key, run)
            for key, run in bench.site.rows("SELECT uuid, run_id FROM trials_photo")
            if run in own
        ]
        assert sorted(run for _, run in photos) == sorted(own)
        originals = bench.site.rows("SELECT photo_id FROM trials_photooriginal")
        assert {key for key, _ in photos} <= {key for (key,) in originals}
        assert len(originals) == len(set(originals))
        checked = {run for (run,) in bench.site.rows("SELECT run_id FROM trials_specimencheck")}
        left_whole = {run["id"] for run in runs if run["method"] == "water-uptake"}
        assert checked & own == own - left_whole
        page.context.close()

    def test_a_run_added_without_network_opens_at_once(self, bench, page):
        be_ready(page, bench)
        page.context.set_offline(True)
        page.locator("summary", has_text="Add a run").click()
        form = page.locator("[data-add-run]")
        form.locator("[name=specimen]").fill("abcdh")
        form.locator("[name=method]").select_option("belt-abrasion")
        form.locator("[name=zone]").select_option("left-sleeve")
        form.get_by_role("button", name="Add this run").click()
        expect(page.locator("[data-added-head]")).to_contain_text("ABCD-H, Left sleeve")
        assert_usable(page)
        rig = page.locator("[data-specimen-form]")
        rig.locator("[name=code]").fill("abcdh")
        rig.locator("label", has_text="Left sleeve").click()
        rig.get_by_role("button", name="This is on the rig").click()
        raw = fill(page, "belt-abrasion", 3)
        assert_usable(page)
        take_photo(page)
        keep(page)
        page.goto(bench.seed["sheet"])
        page.locator("summary", has_text="Add a run").click()
        expect(page.locator("[data-added-runs] a")).to_contain_text("Added on this tablet")
        page.context.set_offline(False)
        poke(page)
        added = "SELECT id FROM trials_run WHERE entry IS NOT NULL"
        bench.wait_for(
            lambda: (
                [raw]
                == [values(bench, [{"id": key}]).get(key) for (key,) in bench.site.rows(added)]
            ),
            page,
        )
        expect(page.locator("[data-added-runs] a")).to_have_count(0)

    def test_what_a_run_is_made_with_is_chosen_without_network(self, bench, page):
        bench.site.manage(
            "shell",
            "-c",
            "from labsite.models import User; from trials import instruments; "
            "instruments.add_instrument(by=User.objects.get(username='a-lead'), "
            "fields={'code': 'th-1', 'name': 'Logger', 'kind': 'thermometer', 'unit': 'degC'})",
        )
        (run,) = bench.take_runs(1, "contact-heat")
        page.goto(run["page"])
        be_ready(page, bench)
        page.context.set_offline(True)
        page.goto(run["page"])
        section = page.locator("[data-equipment]")
        section.locator("[name=instrument]").select_option(label="Logger (th-1)")
        section.locator("[name=reason]").fill("Not calibrated yet; the only one here.")
        section.get_by_role("button", name="Keep what it is made with").click()
        expect(section).to_contain_text("Logger (th-1): kept on this tablet")
        page.reload()
        expect(section).to_contain_text("Logger (th-1): kept on this tablet")
        get_ready(page)
        raw = fill(page, "contact-heat", 4)
        keep(page)
        page.context.set_offline(False)
        poke(page)
        bench.wait_for(lambda: values(bench, [run]) == {run["id"]: raw}, page)
        used = f"SELECT reason FROM trials_instrumentuse WHERE run_id = {run['id']}"
        bench.wait_for(lambda: len(bench.site.rows(used)) == 1, page)

    def test_the_fire_watch_counts_down_without_network_and_is_kept(self, bench, page):
        (run,) = bench.take_runs(1, "flame-grade")
        be_ready(page, bench)
        page.context.set_offline(True)
        open_run(page, run)
        fill(page, "flame-grade", 1)
        keep(page)
        page.goto(bench.seed["sheet"])
        watch = page.locator("[data-watch-due]:visible")
        expect(watch.locator("[data-watch-left]")).to_have_text(re.compile(r"^(1:00:00|59:\d\d)$"))
        watch.locator("summary").click()
        assert_usable(page)
        watch.locator("[name=watcher]").fill("B. Second")
        watch.get_by_role("button", name="It has ended").click()
        expect(watch.locator("[data-problem=note]")).to_contain_text("say why it ends early")
        watch.locator("[name=note]").fill("The test ends here.")
        watch.get_by_role("button", name="It has ended").click()
        expect(watch).to_have_count(0)
        page.context.set_offline(False)
        poke(page)
        bench.wait_for(lambda: len(bench.site.rows("SELECT watcher FROM trials_watch")) == 1, page)

    def test_safety_checks_passed_without_network_count_from_then(self, bench, browser):
        page = bench.tablet(browser)
        (run,) = bench.take_runs(1, "belt-abrasion")
        bench.site.manage(
            "shell",
            "-c",
            "from labsite import triggers; triggers.remove(); "
            "from trials.models import SafetyAcknowledgement as S; "
            "S.objects.filter(revision__method__key='belt-abrasion').delete(); triggers.install()",
        )
        page.goto(bench.seed["sheet"])
        page.goto(run["page"])
        page.context.set_offline(True)
        expect(page.locator("[data-entry]")).to_be_hidden()
        for box in page.locator("[data-checks-form] input[type=checkbox]").all():
            box.check()
        if page.locator("[name=watcher]").count():
            page.locator("[name=watcher]").fill("Ana Invented")
        page.locator("[data-checks-form] [type=submit]").click()
        get_ready(page)
        raw = fill(page, "belt-abrasion", 1)
        keep(page)
        expect(words(page)).to_contain_text(re.compile(r"[23] entries wait"))
        page.context.set_offline(False)
        bench.wait_for(lambda: values(bench, [run]) == {run["id"]: raw}, page)
        page.context.close()


class TestTheServerAndTheNetwork:
    def test_killed_in_mid_request_and_started_again(self, bench, page):
        (run,) = bench.take_runs(1, "water-uptake")
        open_run(page, run)
        raw = fill(page, "water-uptake", 1)

        def die(line: str) -> str:
            if line.startswith("PUT /api/v1/readings") and "web" in bench.site.processes:
                bench.kill()
            return "pass"

        bench.proxy.faults = die
        keep(page)
        expect(words(page)).to_contain_text(re.compile("waits? on this tablet. No answer"))
        assert len(waiting_ids(page)) == 1
        bench.proxy.faults = lambda line: "pass"
        bench.start()
        poke(page)
        bench.wait_for(lambda: values(bench, [run]) == {run["id"]: raw}, page)

    @pytest.mark.parametrize(
        "fault", ["lose answer", "half answer", "half request", "refuse", "twice", "captive"]
    )
    def test_a_cut_network_neither_loses_nor_doubles(self, bench, page, fault):
        (run,) = bench.take_runs(1, "seam-strength")
        open_run(page, run)
        raw = fill(page, "seam-strength", 2)
        bench.proxy.faults = once(fault, "PUT /api/v1/readings")
        keep(page)
        bench.wait_for(lambda: values(bench, [run]) == {run["id"]: raw}, page)
        expect(words(page)).to_have_text("Everything you entered is on the server.")
        bench.wait_for(lambda: waiting_ids(page) == [], page)

    def test_a_guest_network_that_says_200_to_everything_is_not_believed(self, bench, page):
        (run,) = bench.take_runs(1, "seam-strength")
        open_run(page, run)
        raw = fill(page, "seam-strength", 3)
        bench.proxy.faults = lambda line: "captive"
        keep(page)
        expect(words(page)).to_contain_text(re.compile("waits? on this tablet. No answer"))
        bench.proxy.faults = lambda line: "pass"
        poke(page)
        bench.wait_for(lambda: values(bench, [run]) == {run["id"]: raw}, page)

    def test_an_ended_sign_in_asks_again_and_goes_on(self, bench, page):
        (run,) = bench.take_runs(1, "point-challenge")
        open_run(page, run)
        raw = fill(page, "point-challenge", 1)
        page.context.clear_cookies(name="sessionid")
        keep(page)
        expect(words(page)).to_contain_text("sign in and they are sent")
        expect(page.locator("[data-queue-sign-in]")).to_be_visible()
        bench.sign_in(page.context)
        page.reload()
        bench.wait_for(lambda: values(bench, [run]) == {run["id"]: raw}, page)

    def test_two_tabs_at_once(self, bench, page):
        first, second = bench.take_runs(2, "flame-grade")
        other = page.context.new_page()
        bench.proxy.faults = only("slow", "PUT /api/")
        open_run(page, first)
        open_run(other, second)
        one, two = fill(page, "flame-grade", 1), fill(other, "flame-grade", 2)
        page.locator("[data-keep]").click()
        other.locator("[data-keep]").click()
        bench.wait_for(lambda: len(values(bench, [first, second])) == 2, page)
        assert values(bench, [first, second]) == {first["id"]: one, second["id"]: two}
        for tab in (page, other):
            expect(words(tab)).to_have_text("Everything you entered is on the server.")


class TestTheTablet:
    def test_a_draft_and_a_running_stopwatch_survive_a_reload(self, bench, page):
        (run,) = bench.take_runs(1, "belt-abrasion")
        open_run(page, run)
        page.locator("[data-watch]").click()
        page.wait_for_timeout(700)
        page.reload()
        expect(page.locator("[data-watch]")).to_contain_text("Stop")
        page.wait_for_timeout(300)
        page.locator("[data-watch]").click()
        assert float(page.locator("[name=seconds]").input_value()) >= 1.0
        page.locator("summary", has_text="Add a note").click()
        page.locator("#field-note").fill("It slid a little.")
        page.wait_for_timeout(300)
        page.reload()
        expect(page.locator("#field-note")).to_have_value("It slid a little.")
        assert float(page.locator("[name=seconds]").input_value()) >= 1.0

    def test_steps_and_turns_survive_a_reload(self, bench, page):
        drop, seam = *bench.take_runs(1, "padding-drop"), *bench.take_runs(1, "seam-opening")
        open_run(page, drop)
        page.locator('[data-level="1.0"], [data-level="1"]').first.click()
        page.locator("[data-step=held]").click()
        page.wait_for_timeout(200)
        page.reload()
        expect(page.locator("[data-bracket]")).to_contain_text("Held at 1 m. Next: 1.25 m.")
        open_run(page, seam)
        for _ in range(4):
            page.locator("[data-tally-up]").click()
        page.wait_for_timeout(200)
        page.reload()
        expect(page.locator("[name=turns]")).to_have_value("4")

    def test_a_full_tablet_never_says_kept(self, bench, page):
        (run,) = bench.take_runs(1, "water-uptake")
        page.add_init_script(
            """const put = IDBObjectStore.prototype.put;
            IDBObjectStore.prototype.put = function (...given) {
              if (this.name === 'entries' && window.isFull) {
                throw new DOMException('full', 'QuotaExceededError');
              }
              return put.apply(this, given);
            };"""
        )
        open_run(page, run)
        raw = fill(page, "water-uptake", 4)
        page.evaluate("window.isFull = true")
        page.locator("[data-keep]").click()
        notice = page.locator("[data-entry] [data-not-sent]")
        expect(notice).to_contain_text("this tablet's storage is full")
        expect(page.locator("[data-kept]")).to_be_hidden()
        expect(page.locator("[name=before_g]")).to_have_value(raw["before_g"])
        page.evaluate("window.isFull = false")
        keep(page)
        bench.wait_for(lambda: values(bench, [run]) == {run["id"]: raw}, page)

    def test_a_wrong_clock_is_told_and_corrected(self, bench, browser):
        page = bench.tablet(browser)
        (run,) = bench.take_runs(1, "water-uptake")
        page.add_init_script(
            """const right = Date.now; const late = 3 * 3600 * 1000;
            Date.now = () => right() - late;
            const Right = Date;
            window.Date = class extends Right {
              constructor(...given) { super(...(given.length ? given : [right() - late])); }
            };
            window.Date.now = Date.now;"""
        )
        open_run(page, run)
        expect(page.locator("[data-queue-clock]")).to_contain_text("3 hours behind")
        raw = fill(page, "water-uptake", 5)
        keep(page)
        bench.wait_for(lambda: values(bench, [run]) == {run["id"]: raw}, page)
        ((offset, late),) = bench.site.rows(
            "SELECT clock_offset_s, "
            + (
                "entered_at - measured_at"
                if bench.site.variables.get("DATABASE_URL")
                else "(julianday(entered_at) - julianday(measured_at)) * 86400"
            )
            + f" FROM trials_reading WHERE run_id = {run['id']}"
        )
        assert offset == pytest.approx(3 * 3600, abs=3)
        seconds = late.total_seconds() if hasattr(late, "total_seconds") else late
        assert 0 <= seconds < 60
        page.context.close()

    def test_an_entry_is_sent_only_as_who_made_it(self, bench, page):
        (run,) = bench.take_runs(1, "seam-opening")
        open_run(page, run)
        raw = fill(page, "seam-opening", 3)
        page.context.set_offline(True)
        keep(page)
        # nothing gets through before somebody else is signed in
        bench.proxy.faults = only("refuse", "PUT /api/")
        page.context.set_offline(False)
        page.context.clear_cookies(name="sessionid")
        bench.sign_in(page.context, "ana")
        page.goto(bench.seed["sheet"])
        bench.proxy.faults = lambda line: "pass"
        expect(words(page)).to_contain_text(re.compile("of Technician waits? here until"))
        page.wait_for_timeout(500)
        assert values(bench, [run]) == {}
        page.context.clear_cookies(name="sessionid")
        bench.sign_in(page.context)
        page.goto(bench.seed["sheet"])
        bench.wait_for(lambda: values(bench, [run]) == {run["id"]: raw}, page)

    def test_signing_out_warns_keeps_entries_and_forgets_pages(self, bench, browser):
        page = bench.tablet(browser, name="ana")
        (run,) = bench.take_runs(1, "seam-opening")
        be_ready(page, bench)
        open_run(page, run)
        fill(page, "seam-opening", 4)
        bench.proxy.faults = only("refuse", "PUT /api/")
        keep(page)
        page.get_by_role("button", name="Sign out").first.click()
        dialog = page.locator("#dialog-sign-out")
        expect(dialog).to_contain_text(re.compile("of yours waits? on this tablet"))
        dialog.get_by_role("button", name="Stay signed in").click()
        expect(dialog).to_be_hidden()
        page.get_by_role("button", name="Sign out").first.click()
        dialog.get_by_role("button", name="Sign out, keep them here").click()
        page.wait_for_url(lambda url: "/bench/" not in url)
        assert len(waiting_ids(page)) == 1
        page.context.set_offline(True)
        page.goto("/bench/")
        expect(page.get_by_role("heading", name="No network")).to_be_visible()
        assert "Ana" not in page.content()
        page.context.close()

    def test_a_file_carries_what_waits_to_the_lab(self, bench, browser, page, tmp_path):
        first, second = bench.take_runs(2, "seam-opening")
        typed = {}
        bench.proxy.faults = only("refuse", "PUT /api/")
        for number, run in enumerate((first, second), start=5):
            open_run(page, run)
            typed[run["id"]] = fill(page, "seam-opening", number)
            keep(page)
        page.goto("/bench/tablet/waiting/")
        expect(page.locator("[data-waiting-list] > li").first).to_be_visible()
        with page.expect_download() as download:
            page.get_by_role("button", name="Save all as a file").click()
        path = tmp_path / download.value.suggested_filename
        download.value.save_as(path)
        saved = json.loads(path.read_text())["entries"]
        assert sum(entry["kind"] == "reading" for entry in saved) == 2
        lead = bench.tablet(browser, name="a-lead")
        lead.goto("/lab/tablets/files/")
        lead.locator("input[type=file]").set_input_files(path)
        lead.get_by_role("button", name="Look at this file").click()
        told = lead.locator(".notice[role=status]")
        expect(told.filter(has_text="would give")).to_contain_text("2 stored")
        assert values(bench, [first, second]) == {}
        lead.get_by_role("button", name="Take these entries in").click()
        expect(told.filter(has_text="Taken in:")).to_contain_text("2 stored")
        assert values(bench, [first, second]) == typed
        # the tablet comes back after all: each is known already
        bench.proxy.faults = lambda line: "pass"
        page.get_by_role("button", name="Try to send now").click()
        bench.wait_for(lambda: waiting_ids(page) == [], page)
        assert values(bench, [first, second]) == typed
        lead.context.close()


class TestRefusals:
    def test_a_run_voided_meanwhile_keeps_the_reading_for_a_person(self, bench, browser, page):
        (run,) = bench.take_runs(1, "point-challenge")
        open_run(page, run)
        fill(page, "point-challenge", 2)
        bench.site.manage(
            "shell",
            "-c",
            "from trials import actions; from trials.models import Run; "
            "from labsite.models import User; "
            f"actions.void_run(by=User.objects.get(username='a-lead'), run=Run.objects.get(pk={run['id']}), "
            "reason='slipped', note='It slid.', value_was_known=False)",
        )
        # 'kept' may be there for less than a frame before the server's refusal takes its place
        page.locator("[data-keep]").click()
        answer_doubt(page)
        expect(page.locator("[data-entry] [data-problems]")).to_contain_text("This run is void")
        expect(words(page)).to_contain_text("1 entry not taken by the server")
        page.goto("/bench/tablet/waiting/")
        expect(page.locator("[data-row-problems]")).to_contain_text("This run is void")
        page.get_by_role("button", name="Hand to the lab lead").click()
        expect(page.locator("[data-waiting-none]")).to_be_visible()
        lead = bench.tablet(browser, name="a-lead")
        lead.goto("/lab/tablets/handed-over/")
        expect(lead.get_by_text("This run is void")).to_be_visible()
        lead.context.close()


class TestANewVersion:
    def test_no_page_is_shown_half_updated_and_nothing_waiting_is_lost(self, bench, page):
        """Meanwhile the server got a new version whose files the network does not let through."""
        (run,) = bench.take_runs(1, "strap-pull")
        be_ready(page, bench)
        open_run(page, run)
        raw = fill(page, "strap-pull", 6)
        bench.proxy.faults = only("refuse", "PUT /api/")
        keep(page)
        bench.kill()
        new_bar = become_new_version(bench)
        bench.start()
        version = "document.documentElement.dataset.version ?? 'old'"
        bench.proxy.faults = lambda line: (
            "refuse" if new_bar in line or line.startswith("PUT /api/") else "pass"
        )
        page.goto(bench.seed["sheet"])
        expect(words(page)).to_contain_text(re.compile("waits? on this tablet"))
        assert page.evaluate(version) == "old"
        bench.proxy.faults = only("refuse", "PUT /api/")
        page.goto(bench.seed["sheet"])
        expect(words(page)).to_contain_text(re.compile("waits? on this tablet"))
        assert page.evaluate(version) == "new"
        page.context.set_offline(True)
        page.goto(bench.seed["sheet"])
        expect(words(page)).to_contain_text(re.compile("waits? on this tablet"))
        page.context.set_offline(False)
        bench.proxy.faults = lambda line: "pass"
        poke(page)
        bench.wait_for(lambda: values(bench, [run]) == {run["id"]: raw}, page)

    def test_the_first_load_is_small(self, bench, browser):
        """Under 300 kB on the wire for the page itself, and for all that is kept for offline."""
        page = bench.tablet(browser, service_workers="block")
        page.goto(bench.take_runs(1, "strap-pull")[0]["page"])
        page.wait_for_load_state("networkidle")
        sent = page.evaluate(
            "['navigation', 'resource'].flatMap((kind) => performance.getEntriesByType(kind))"
            ".reduce((sum, entry) => sum + entry.encodedBodySize, 0)"
        )
        assert 20_000 < sent < 300_000
        told = json.loads(bench.site.get(f"{bench.url}/offline/files.json")[1])
        static = bench.site.folder / "static"
        kept = 0
        for address in told["files"]:
            path = static / address.removeprefix("/static/")
            packed = path.with_name(f"{path.name}.gz")
            kept += (packed if packed.exists() else path).stat().st_size
        assert 20_000 < kept < 300_000
        page.context.close()


def become_new_version(bench: BenchSite) -> str:
    """Give the page's entry module a new name and content, and take the old one away."""
    static = bench.site.folder / "static"
    manifest = json.loads((static / "staticfiles.json").read_text())
    old = manifest["paths"]["trials/js/queue/bar.js"]
    new = "trials/js/queue/bar.0123456789ab.js"
    text = (static / old).read_text()
    (static / new).write_text(f'document.documentElement.dataset.version = "new";\n{text}')
    for path in static.glob("trials/js/queue/bar.*"):
        if path.name != new.rsplit("/", 1)[1] and path.name != "bar.js":
            path.unlink()
    manifest["paths"]["trials/js/queue/bar.js"] = new
    (static / "staticfiles.json").write_text(json.dumps(manifest))
    return new


class TestTheDatabase:
    def test_a_database_that_is_down_loses_nothing(self, bench, page):
        (run,) = bench.take_runs(1, "strap-pull")
        open_run(page, run)
        raw = fill(page, "strap-pull", 7)
        with database_down(bench):
            keep(page)
            expect(words(page)).to_contain_text(re.compile("waits? on this tablet. No answer"))
            page.wait_for_timeout(1500)
            assert len(waiting_ids(page)) == 1
        poke(page)
        bench.wait_for(lambda: values(bench, [run]) == {run["id"]: raw}, page)


class TestRoundsOfFaults:
    def test_twelve_rounds_lose_and_double_nothing(self, bench, page):
        game = play(bench, page, rounds=12)
        counted = count(bench, game)
        assert counted["typed"] == counted["stored"] == 12
        assert counted["lost"] == counted["doubled"] == counted["changed"] == 0
