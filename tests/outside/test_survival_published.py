"""Product-limit steps against a published worked example.

Freireich et al., Blood 21 (1963), 699: weeks in remission on 6-mercaptopurine, as tabulated with its
product-limit estimates in Kleinbaum and Klein, Survival Analysis, 3rd ed. (2012), chapter 2, table 2.1
(quoted from memory): 6, 6, 6, 6+, 7, 9+, 10, 10+, 11+, 13, 16, 17+, 19+, 20+, 22, 23, 25+, 32+, 32+, 34+, 35+.
"""

import pytest

from reports.pictures.survival import at_risk, product_limit

FAILED = [6, 6, 6, 7, 10, 13, 16, 22, 23]
STOPPED = [6, 9, 10, 11, 17, 19, 20, 25, 32, 32, 34, 35]
RUNS = [(float(t), True) for t in FAILED] + [(float(t), False) for t in STOPPED]
PUBLISHED = {6: 0.8571, 7: 0.8067, 10: 0.7529, 13: 0.6902, 16: 0.6275, 22: 0.5378, 23: 0.4482}
AT_RISK = {6: 21, 7: 17, 10: 15, 13: 12, 16: 11, 22: 7, 23: 6}


def test_shares_are_the_published_ones() -> None:
    steps = {step.at: step for step in product_limit(RUNS)}
    for week, share in PUBLISHED.items():
        assert steps[week].share == pytest.approx(share, abs=5e-5)
        assert steps[week].left == AT_RISK[week]


def test_order_does_not_matter_and_stops_lower_nothing() -> None:
    assert product_limit(reversed(RUNS)) == product_limit(RUNS)
    assert product_limit([(3.0, False), (5.0, False)])[-1].share == 1.0


def test_numbers_at_risk_between_the_steps() -> None:
    steps = product_limit(RUNS)
    assert [at_risk(steps, week) for week in (0, 6, 8, 12, 36)] == [21, 21, 16, 12, 0]
