"""A few rounds of the game of tests/faults/job_rounds.py; the command plays hundreds."""

from random import Random

import pytest

from tests.faults import job_rounds

pytestmark = pytest.mark.services

ROUNDS = 8


@pytest.mark.parametrize("make", [job_rounds.many_hosts, job_rounds.one_machine])
def test_no_reading_is_lost_and_every_finding_is_as_in_a_clean_run(make):
    with make(ROUNDS) as lab:
        job_rounds.play(lab, ROUNDS, Random(job_rounds.SEED))
        counted = job_rounds.count(lab)
    assert counted["entered"] == ROUNDS
    job_rounds.assert_whole(counted)
