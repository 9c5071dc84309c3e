"""What stands around an entry at the bench, in a real browser: scan, photos, keys, paper, grading."""

import re
from base64 import b64decode
from collections.abc import Iterator
from io import BytesIO

import pytest
from django.test import Client
from PIL import Image
from playwright.sync_api import Browser, Page, expect

from labsite import triggers
from labsite.roles import Role
from tests.browser.bench_steps import PORTRAIT, assert_usable, put_on_rig
from tests.faults.bench_seed import METHODS
from tests.trials.bench_lab import BenchLab, build_bench_lab, person_with
from tests.trials.test_aids import photo_of
from trials import actions
from trials.models import MethodRevision, Photo, PhotoOriginal, Reading, SpecimenCheck, VideoMark

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

SHEET = "/bench/worn-against-new/"
# A reader of codes and a camera as a browser that has them would give: the machine of the tests
# has neither. What is read stands in window.inView.
READER = """
window.inView = null;
window.BarcodeDetector = class {
  static getSupportedFormats() { return Promise.resolve(["qr_code"]); }
  detect() { return Promise.resolve(window.inView ? [{rawValue: window.inView}] : []); }
};
Object.defineProperty(navigator, "mediaDevices", {value: {getUserMedia: async () => {
  const canvas = document.createElement("canvas");
  canvas.getContext("2d").fillRect(0, 0, 10, 10);
  window.stream = canvas.captureStream(5);
  return window.stream;
}}});
"""
# Two seconds of film in the browser's own format, whose length it then knows, in base 64.
FILM = """async () => {
  const canvas = document.createElement("canvas");
  [canvas.width, canvas.height] = [320, 180];
  const pen = canvas.getContext("2d");
  const recorder = new MediaRecorder(canvas.captureStream(25), {mimeType: "video/webm"});
  const pieces = [];
  recorder.ondataavailable = ({data}) => pieces.push(data);
  const ended = new Promise((done) => { recorder.onstop = done; });
  recorder.start();
  for (let frame = 0; frame < 50; frame += 1) {
    pen.fillStyle = frame < 25 ? "#e08020" : "#203040";
    pen.fillRect(0, 0, 320, 180);
    pen.fillStyle = "#fff";
    pen.fillText(`${frame}`, 20, 20);
    await new Promise((done) => setTimeout(done, 40));
  }
  recorder.stop();
  await ended;
  const bytes = new Uint8Array(await new Blob(pieces).arrayBuffer());
  return btoa(Array.from(bytes, (byte) => String.fromCharCode(byte)).join(""));
}"""


@pytest.fixture
def lab(browser: Browser, transactional_db: None) -> BenchLab:
    built = build_bench_lab()
    for revision in built.revisions.values():
        actions.acknowledge_safety(
            by=person_with(Role.TECHNICIAN),
            revision=revision,
            answers={check["key"]: True for check in revision.checks},
        )
    return built


@pytest.fixture
def page(browser: Browser, live_server, lab: BenchLab) -> Iterator[Page]:
    client = Client()
    client.force_login(person_with(Role.TECHNICIAN))
    context = browser.new_context(viewport=PORTRAIT, has_touch=True, base_url=live_server.url)
    context.add_cookies(
        [{"name": "sessionid", "value": client.cookies["sessionid"].value, "url": live_server.url}]
    )
    errors: list[str] = []
    opened = context.new_page()
    opened.set_default_timeout(15_000)
    opened.on("pageerror", lambda error: errors.append(str(error)))
    yield opened
    context.close()
    assert errors == []


def go(page: Page, run) -> None:
    page.goto(f"{SHEET}runs/{run.pk}/")
    put_on_rig(page)


def button(page: Page, words: str):
    return page.get_by_role("button", name=re.compile(f"^{re.escape(words)}"))


def eventually(page: Page, is_so) -> None:
    for _ in range(200):
        if is_so():
            return
        page.wait_for_timeout(50)
    raise AssertionError("It did not reach the server within 10 s.")


def test_a_wrong_specimen_or_zone_is_stopped_before_anything_is_entered(page, lab):
    run = lab.run_of("belt-abrasion", is_looked_at=False)
    page.add_init_script(READER)
    page.goto(f"{SHEET}runs/{run.pk}/")
    button(page, "Scan with the camera").click()
    page.evaluate("window.inView = 'EFGH-Q'")
    expect(page.locator("#specimen-code-problem")).to_contain_text("Stop: this is EFGH-Q")
    assert page.evaluate("window.stream.getTracks().every((one) => one.readyState === 'ended')")
    expect(page.locator("[data-entry]")).to_be_hidden()
    button(page, "This is on the rig").click()
    expect(page.locator("#specimen-zone-problem")).to_contain_text("Choose the zone")
    page.evaluate("window.inView = null")
    button(page, "Scan with the camera").click()
    page.evaluate("window.inView = 'https://lab.invalid/s/ABCD-H'")
    expect(page.locator("[name=code]").first).to_have_value("ABCD-H")
    page.locator("[data-specimen] label.big-button").first.click()
    button(page, "This is on the rig").click()
    expect(page.locator("[data-specimen-passed]")).to_contain_text("ABCD-H, Left sleeve: scanned")
    expect(page.locator("[data-entry]")).to_be_visible()
    eventually(page, SpecimenCheck.objects.filter(is_right=True, how="scanned").exists)


def test_without_a_reader_of_codes_it_says_so_and_takes_typing(page, lab):
    page.goto(SHEET)
    lab.run_of("belt-abrasion", is_looked_at=False)
    lab.run_of("belt-abrasion", 1, is_looked_at=False)
    page.goto(SHEET)
    expect(page.locator("[data-scan-words]")).to_contain_text("Type the code")
    hand = page.locator("#in-hand")
    hand.fill("efghq")
    hand.press("Enter")
    expect(page.locator("[data-hand-later-words]")).to_contain_text("ABCD-H comes first")
    hand.fill("ABCD-Q")
    hand.press("Enter")
    expect(page.locator("[data-hand-problem]")).to_contain_text("check each character")
    hand.fill("abcdh")
    hand.press("Enter")
    page.wait_for_url("**/runs/**")
    expect(page.locator("#specimen-code")).to_have_value("ABCD-H")


def test_the_stopwatch_by_a_hardware_key_with_splits_and_undo(page, lab):
    go(page, lab.run_of("belt-abrasion", is_looked_at=False))
    page.locator("summary", has_text="Key, sound and vibration").click()
    button(page, "Choose a key").click()
    page.keyboard.press("PageDown")
    expect(page.locator("[data-key-shown]")).to_have_text(
        "The key PageDown works the large button."
    )
    page.clock.install()
    page.keyboard.press("PageDown")
    page.clock.run_for(1500)
    button(page, "Split").click()
    page.clock.run_for(2500)
    page.keyboard.press("PageDown")
    expect(page.locator("[name=seconds]")).not_to_have_value("")
    first = float(page.locator("[name=seconds]").input_value())
    button(page, "Undo").click()
    expect(page.locator("[name=seconds]")).to_have_value("")
    page.clock.run_for(1000)
    page.keyboard.press("PageDown")
    assert float(page.locator("[name=seconds]").input_value()) >= first + 0.9
    page.locator("label.big-button", has_text="Failed").first.click()
    button(page, "Keep").last.click()
    eventually(page, Reading.objects.exists)
    assert Reading.objects.get().note.startswith("Splits: 1.")


def test_the_after_flame_time_goes_in_from_marks_on_a_film(page, lab):
    run = lab.run_of("after-flame")
    page.goto(f"/lab/runs/{run.pk}/film/")
    film = b64decode(page.evaluate(FILM))

    def choose(name: str) -> None:
        page.locator("#film-file").set_input_files(
            {"name": name, "mimeType": "video/webm", "buffer": film}
        )
        page.wait_for_function(
            "() => document.querySelector('video').readyState >= 2", timeout=60_000
        )

    def mark(at_s: float, words: str) -> None:
        page.evaluate("(at) => { document.querySelector('video').currentTime = at; }", at_s)
        page.wait_for_function("() => !document.querySelector('video').seeking")
        button(page, words).click()

    named, first, second = (page.locator(f"[name={it}]") for it in ("video", "from_s", "to_s"))
    named.fill("clip 7")
    choose("cam-a-0017.webm")
    expect(named).to_have_value("clip 7")
    mark(0.2, "First mark")
    # a frame of 25 a second begins every 0.04 s
    expect(first).to_have_value("0.200")
    choose("cam-a-0018.webm")
    expect(named).to_have_value("cam-a-0018.webm")
    expect(first).to_have_value("")
    expect(page.get_by_text("Another film: mark both moments anew.")).to_be_visible()
    mark(0.3, "First mark")
    expect(first).to_have_value("0.280")
    mark(1.02, "Second mark")
    expect(second).to_have_value("1.000")
    button(page, "One frame on").click()
    page.wait_for_function("() => !document.querySelector('video').seeking")
    button(page, "Second mark").click()
    expect(second).to_have_value("1.040")
    assert_usable(page)
    button(page, "Work the time out").click()
    # from 0.28 s to 1.04 s are 19 frames of 0.04 s
    expect(page.get_by_role("status").first).to_contain_text("Ended at 0.76\u00a0s")
    choose("cam-a-0018.webm")
    expect(first).to_have_value("0.280")
    choose("cam-a-0019.webm")
    expect(named).to_have_value("cam-a-0019.webm")
    expect(first).to_have_value("")
    choose("cam-a-0018.webm")
    mark(0.28, "First mark")
    mark(1.04, "Second mark")
    button(page, "Work the time out").click()
    button(page, "Keep it as the reading").click()
    page.wait_for_url(f"**{SHEET}runs/{run.pk}/")
    kept = Reading.objects.get(run=run)
    assert (kept.low, kept.high) == pytest.approx((0.72, 0.8))
    assert {mark.video for mark in VideoMark.objects.all()} == {"cam-a-0018.webm"}


def test_an_unusual_reading_is_asked_about_once(page, lab):
    go(page, lab.run_of("belt-abrasion", is_looked_at=False))
    page.locator("[name=seconds]").fill("42")
    page.locator("label.big-button", has_text="Failed").first.click()
    page.locator("[data-keep]").click()
    expect(page.locator("[data-doubt]")).to_contain_text("Did you mean 4.2 s?")
    expect(page.locator("[data-doubt]")).to_be_focused()
    assert Reading.objects.count() == 0
    page.locator("[data-doubt-sure]").click()
    eventually(page, Reading.objects.exists)
    assert "looked at again" in Reading.objects.get().note


def test_steps_rise_by_the_rule_and_stop_when_narrow_enough(page, lab):
    """blade-cut: start 2.5 N, two levels at a time, back between, 1.7 is narrow enough."""
    go(page, lab.run_of("blade-cut", is_looked_at=False))
    shown = page.locator("[data-bracket]")
    expect(shown).to_have_text("Nothing tried yet. Start at 2.5 N.")
    button(page, "Held at 2.5 N").click()
    expect(shown).to_contain_text("Next: 6.3 N")
    button(page, "Failed at 6.3 N").click()
    expect(shown).to_contain_text("Next: 4 N, on a fresh site")
    button(page, "Held at 4 N").click()
    # 6.3 over 4 is 1.575
    expect(shown).to_contain_text("Narrow enough: stop here")
    expect(button(page, "4 N").locator("[data-level-outcome]")).to_have_text("held")
    page.locator("[data-keep]").click()
    eventually(page, Reading.objects.exists)
    kept = Reading.objects.get()
    assert (kept.low, kept.high) == (4, 6.3)
    assert "2.5\u00a0N held" in kept.note or "2.5 N held" in kept.note


def test_shots_go_up_and_down_and_each_arm_climbs_for_itself(page, lab):
    runs = [lab.run_of("point-challenge", is_looked_at=False) for _ in range(3)]
    other = lab.run_of("point-challenge", 1, is_looked_at=False)
    triggers.remove()
    MethodRevision.objects.filter(pk=runs[0].revision_id).update(
        step_rule={"start": 2.5, "up_and_down": True}
    )
    triggers.install()
    shown, level = page.locator("[data-next-shot]"), page.locator("[name=level]:checked")

    def shoot(run, told: str, outcome: str) -> None:
        go(page, run)
        expect(shown).to_have_text(told)
        page.locator("label.big-button", has_text=outcome).first.click()
        page.locator("[data-keep]").click()
        expect(page.locator("[data-kept-head]")).to_contain_text("Kept")

    shoot(runs[0], "Shot 1 of 3. Start at 2.5 J.", "Held")
    eventually(page, Reading.objects.exists)
    # the next stays on the tablet, and counts all the same
    page.route("**/api/v1/readings/**", lambda route: route.abort())
    shoot(runs[1], "Shot 2 of 3. The last one held at 2.5 J, so 3.15 J now.", "Failed")
    go(page, runs[2])
    expect(shown).to_have_text("Shot 3 of 3. The last one failed at 3.15 J, so 2.5 J now.")
    expect(level).to_have_value("2.5")
    expect(page.locator("[data-shots] li")).to_have_text(["2.5 J held", "3.15 J failed"])
    marks = page.locator("[data-shots-drawing] circle")
    assert [one.get_attribute("class") for one in marks.all()] == ["shots-held", "shots-failed"]
    first, second = (float(one.get_attribute("cy") or 0) for one in marks.all())
    assert second < first, "the higher level is not drawn higher"
    assert_usable(page)
    go(page, other)
    expect(shown).to_have_text("Shot 1 of 1. Start at 2.5 J.")
    page.unroute("**/api/v1/readings/**")
    page.reload()
    eventually(page, lambda: Reading.objects.count() == 2)
    kept = Reading.objects.order_by("measured_at").values_list("run", "low", "high")
    assert list(kept) == [(runs[0].pk, 2.5, None), (runs[1].pk, 0.0, 3.15)]


def test_a_photo_goes_smaller_first_and_its_original_follows_online_and_offline(page, lab):
    out = BytesIO()
    Image.effect_noise((3000, 2000), 40).convert("RGB").save(out, "JPEG", quality=80)
    go(page, lab.run_of("point-challenge", is_looked_at=False))
    taken = {"name": "shot.jpg", "mimeType": "image/jpeg", "buffer": out.getvalue()}
    page.locator("#photo-caption").fill("Point through")
    page.locator("#photo-file").set_input_files(taken)
    expect(page.locator("[data-photo-words]")).to_contain_text("original follows")
    expect(page.locator("[data-photo-state]")).to_have_text("Kept.")
    page.context.set_offline(True)
    page.locator("#photo-file").set_input_files(taken)
    expect(page.locator("[data-photo-state]").last).to_contain_text("not yet with the server")
    page.context.set_offline(False)
    eventually(page, lambda: PhotoOriginal.objects.count() == 2)
    for photo in Photo.objects.select_related("original"):
        assert (photo.width_px, photo.is_original) == (2048, False)
        assert (photo.original.width_px, photo.original.height_px) == (3000, 2000)
    first = Photo.objects.order_by("taken_at").first()
    assert (first.caption, first.shows) == ("Point through", "event")


def test_a_second_person_confirms_by_their_own_password(page, lab):
    run = lab.run_of("belt-abrasion", is_looked_at=False)
    triggers.remove()
    MethodRevision.objects.filter(pk=run.revision_id).update(needs_second_person=True)
    triggers.install()
    lab.lead.set_password("a-long-secret-of-theirs")
    lab.lead.save()
    go(page, run)
    page.locator("[name=seconds]").fill("4.2")
    page.locator("label.big-button", has_text="Failed").first.click()
    page.locator("[data-keep]").click()
    eventually(page, Reading.objects.exists)
    page.reload()
    form = page.locator("[data-confirm]")
    form.locator("[name=username]").fill(lab.lead.username)
    form.locator("[name=password]").fill("wrong")
    form.get_by_role("button", name="I saw the same").click()
    expect(form.locator("[data-problem=password]")).to_contain_text("do not belong together")
    form.locator("[name=password]").fill("a-long-secret-of-theirs")
    form.get_by_role("button", name="I saw the same").click()
    expect(page.get_by_text("Confirmed by Lead")).to_be_visible()


def test_a_paper_sheet_is_typed_in_by_keyboard_alone(page, lab):
    runs = [lab.run_of("belt-abrasion", n, is_looked_at=False) for n in (0, 1)]
    page.goto(f"{SHEET}paper/")
    page.locator("#paper-by").fill("B. Tester")
    page.locator("#paper-ticked").press("Space")
    page.locator(f"[name=time-{runs[0].pk}]").focus()
    page.keyboard.type("0:01")
    page.keyboard.press("Enter")
    expect(page.locator(f"[name=time-{runs[1].pk}]")).to_be_focused()
    page.keyboard.press("Shift+Enter")
    page.keyboard.press("Tab")
    page.keyboard.type("4,2")
    page.keyboard.press("Tab")
    page.keyboard.type("f")
    page.locator("[type=submit]", has_text="Keep what is typed").press("Enter")
    expect(page.get_by_text("Kept 1 from paper.")).to_be_visible()
    assert Reading.objects.get().entered_from == "paper"


def test_a_reading_is_typed_again_by_a_second_person(page, lab):
    run = lab.run_of("belt-abrasion", is_looked_at=False)
    triggers.remove()
    MethodRevision.objects.filter(pk=run.revision_id).update(keyed_twice=True)
    triggers.install()
    lab.lead.set_password("a-long-secret-of-theirs")
    lab.lead.save()
    go(page, run)
    page.locator("[name=seconds]").fill("4.2")
    page.locator("label.big-button", has_text="Failed").first.click()
    page.locator("[data-keep]").click()
    eventually(page, Reading.objects.exists)
    page.reload()
    form = page.locator("[data-confirm]")
    assert_usable(page)
    form.locator("[name=seconds]").fill("4.3")
    form.locator("[name=ended]").select_option("failed")
    form.locator("[name=username]").fill(lab.lead.username)
    form.locator("[name=password]").fill("a-long-secret-of-theirs")
    form.get_by_role("button", name="Compare both").click()
    expect(page.locator("main")).to_contain_text("Lead typed")
    assert_usable(page)
    page.reload()
    form.locator("[name=seconds]").fill("4.2")
    form.locator("[name=ended]").select_option("failed")
    form.locator("[name=username]").fill(lab.lead.username)
    form.locator("[name=password]").fill("a-long-secret-of-theirs")
    form.get_by_role("button", name="Compare both").click()
    expect(page.get_by_text("Confirmed by Lead")).to_be_visible()


@pytest.mark.parametrize("key", sorted(METHODS))
def test_every_instrument_is_usable_however_the_tablet_lies(page, lab, key):
    go(page, lab.run_of(key, is_looked_at=False))
    page.evaluate(
        "document.querySelectorAll('main details').forEach((fold) => { fold.open = true; })"
    )
    expect(page.locator("[data-entry]")).to_be_visible()
    assert_usable(page)


def test_no_page_has_a_fault_a_small_target_or_scrolls_sideways(page, lab):
    run = lab.run_of("flame-grade", is_looked_at=False)
    lab.run_of("padding-drop", is_looked_at=False)
    photo_of(run, lab.lead)
    for address in (
        SHEET,
        f"{SHEET}paper/",
        f"{SHEET}rate/",
        f"{SHEET}rate/flame-grade/",
        "/bench/safety/",
    ):
        page.goto(address)
        assert_usable(page)
