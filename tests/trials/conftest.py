"""People and a lab for the tests of this app."""

from collections.abc import Callable
from typing import Any

import pytest
from django.test import Client

from labsite.models import User
from labsite.roles import Role
from tests.trials.bench_lab import TYPED, BenchLab, build_bench_lab, person_with
from trials import actions
from trials.models import SafetyAcknowledgement


@pytest.fixture
def person(db: None) -> Callable[[Role], User]:
    return person_with


@pytest.fixture
def technician(person: Callable[[Role], User]) -> User:
    return person(Role.TECHNICIAN)


@pytest.fixture
def at_bench(technician: User) -> Client:
    client = Client()
    client.force_login(technician)
    return client


@pytest.fixture
def bench_lab(db: None) -> BenchLab:
    return build_bench_lab()


@pytest.fixture
def checks_passed(bench_lab: BenchLab, technician: User) -> None:
    for revision in bench_lab.revisions.values():
        actions.acknowledge_safety(
            by=technician,
            revision=revision,
            answers={check["key"]: True for check in revision.checks},
        )
    assert SafetyAcknowledgement.objects.count() == len(bench_lab.revisions)


@pytest.fixture(params=sorted(TYPED))
def typed(request: pytest.FixtureRequest) -> tuple[str, dict[str, Any], str, Any, Any]:
    raw, words, low, high = TYPED[request.param]
    return request.param, raw, words, low, high
