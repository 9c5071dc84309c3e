"""Days and moments as pages write them."""

import datetime as dt

import pytest
from django.utils import timezone

from labsite.templatetags.days import day, moment

# Worked out by hand: 23:30 UTC on 31 December is 00:30 on 1 January an hour further east.
NEW_YEAR = "2026-12-31T23:30:00+00:00"
EAST = dt.timezone(dt.timedelta(hours=1))


def test_a_day_is_that_of_the_sites_time_zone() -> None:
    with timezone.override(EAST):
        assert ">1\xa0January\xa02027<" in day(NEW_YEAR)
    with timezone.override(dt.UTC):
        assert ">31\xa0December\xa02026<" in day(NEW_YEAR)


def test_a_moment_carries_its_time_and_a_bare_date_does_not() -> None:
    with timezone.override(EAST):
        assert ">1\xa0January\xa02027, 00:30<" in moment(NEW_YEAR)
    assert moment(dt.date(2026, 3, 14)) == (
        '<time datetime="2026-03-14">14\xa0March\xa02026</time>'
    )


@pytest.mark.parametrize(("given", "shown"), [(None, ""), ("", ""), ("spring 2024", "spring 2024")])
def test_what_is_no_date_comes_back_as_it_is(given: str | None, shown: str) -> None:
    assert day(given) == shown
    assert moment(given) == shown
