"""Blind codes."""

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from trials.plans.blind import blind_codes


# a busy machine draws slowly: that says nothing of the codes
@settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.sets(st.text("ABCDEFGH", min_size=4, max_size=4), max_size=80), st.integers(0, 2**32))
def test_every_specimen_has_a_number_of_its_own(specimens, seed):
    codes = blind_codes(sorted(specimens), seed=seed)
    assert set(codes) == specimens
    assert len(set(codes.values())) == len(specimens)
    assert all(code.isdigit() and len(code) in (2, 3) for code in codes.values())


def test_the_order_asked_in_does_not_matter_and_the_seed_does():
    assert blind_codes(["A", "B", "C"], seed=4) == blind_codes(["C", "A", "B"], seed=4)
    draws = {tuple(sorted(blind_codes(["A", "B", "C"], seed=s).items())) for s in range(20)}
    assert len(draws) > 15


def test_later_specimens_never_get_a_number_given_away():
    first = blind_codes([f"A{k}" for k in range(20)], seed=1)
    more = blind_codes([f"B{k}" for k in range(20)], seed=1, taken=first.values())
    assert not set(first.values()) & set(more.values())
