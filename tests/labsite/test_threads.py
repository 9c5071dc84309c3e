"""The thread of a retention: where its parts begin and end, and that words in it are escaped."""

import re

import pytest

from labsite.templatetags.threads import strip, verdict

CHART = {
    "x_low": 40.0,
    "x_high": 60.0,
    "x_point": 50.0,
    "open_low": False,
    "open_high": False,
    "margin_low": 70.0,
    "margin_width": 15.0,
    "hundred": 77.0,
}


def drawn(name: str, svg: str) -> list[tuple[str, str]]:
    return re.findall(rf'class="{name}" x1="([\d.]+)%" x2="([\d.]+)%"', svg)


def test_a_thread_runs_to_the_interval_and_dots_run_on_to_a_hundred_percent() -> None:
    svg = strip(CHART, "clear loss")
    assert drawn("strip-thread", svg) == [("0", "40.0")]
    assert drawn("strip-bar", svg) == [("40.0", "60.0")]
    assert drawn("strip-gone", svg) == [("60.0", "77.0")]
    assert 'cx="50.0%"' in svg


@pytest.mark.parametrize("end", ["open_low", "open_high"])
def test_an_open_end_is_an_arrow_and_nothing_is_sure_before_an_open_lower_one(end: str) -> None:
    svg = strip(CHART | {end: True}, "held")
    arrow = {"open_low": "M9 -8 1 0l8 8", "open_high": "M-9 -8-1 0l-8 8"}[end]
    assert arrow in svg
    assert bool(drawn("strip-thread", svg)) == (end == "open_high")


def test_no_interval_draws_no_bar() -> None:
    svg = strip(CHART | {"x_low": None, "x_high": None}, "not resolved")
    assert "strip-doubt" not in svg
    assert "strip-point" in svg


def test_doubt_is_drawn_otherwise_than_a_verdict() -> None:
    assert drawn("strip-doubt", strip(CHART, "not resolved")) == [("40.0", "60.0")]
    assert not drawn("strip-bar", strip(CHART, "not resolved"))


def test_words_are_escaped_and_a_thread_without_words_is_hidden() -> None:
    assert 'aria-label="a &lt;b&gt; &quot;c&quot;"' in strip(CHART, "held", label='a <b> "c"')
    assert 'aria-hidden="true"' in strip(CHART, "held")
    assert "<script>" not in verdict("held", "<script>")


def test_each_verdict_has_a_form_of_its_own_beside_its_word() -> None:
    told = ("clear loss", "some loss", "held", "some gain", "clear gain", "not resolved")
    forms = {re.search(r"<path[^>]*>", verdict(one)).group() for one in told}  # type: ignore[union-attr]
    assert len(forms) == len(told)
    assert "<span>Clear loss</span>" in verdict("clear loss")
    assert "<span>Klarer Verlust</span>" in verdict("clear loss", "klarer Verlust")
