"""The demo's commands on an empty lab: raw records in, computed by the worker, published."""

import pytest
from django.core.management import CommandError, call_command
from django.test import override_settings

from labsite.errors import Refused
from labsite.models import User
from labsite.roles import Role
from reports.models import Edition, Finding, Summary
from tests.reports.demo_site import AGES, PAIR, PRICES, run_waiting_jobs
from trials.models import Reading, Study


def test_loading_brings_raw_records_and_nothing_computed(db: None, tmp_path) -> None:
    with override_settings(VAR_DIR=tmp_path):
        call_command("load_demo", verbosity=0)
    assert Study.objects.registered().count() == 3
    assert Reading.objects.count() > 100
    for computed in (Summary, Finding, Edition):
        assert not computed.objects.exists()
    with pytest.raises(Refused, match="findings are not there yet"):
        call_command("publish_demo")
    run_waiting_jobs()
    call_command("publish_demo")
    assert {e.study.slug for e in Edition.objects.all()} == {AGES, PAIR, PRICES}


def test_publishing_without_an_editor_says_what_to_do(db: None, lead) -> None:
    assert not User.objects.filter(groups__name=Role.EDITOR).exists()
    Study.objects.create(
        slug="alone",
        title="Alone",
        question="?",
        kind=Study.Kind.WORN_NEW,
        is_invented=True,
        registered_at="2026-01-01T00:00:00Z",
        registered_by=lead,
        registration_digest="0" * 64,
    )
    with pytest.raises(CommandError, match="no editor"):
        call_command("publish_demo")
