"""The page that tells how well the intervals do: the tables written into it meet what they promise."""

from pathlib import Path

import reports.degradation

PAGE = (Path(reports.degradation.__file__).parent / "METHOD.md").read_text(encoding="utf-8")


def table(name: str) -> list[list[str]]:
    inside = PAGE.split(f"<!-- {name}: begin -->")[1].split(f"<!-- {name}: end -->")[0]
    rows = [line.strip("|").split("|") for line in inside.splitlines() if line.startswith("| ")]
    return [[cell.strip() for cell in row] for row in rows[1:]]


def covered(cell: str) -> float:
    return float(cell.split(" %")[0])


def width(cell: str) -> float:
    return float(cell.split("(")[1].rstrip(")"))


def test_auto_covers_at_least_93_per_cent_in_every_row() -> None:
    rows = table("coverage table")
    assert len(rows) >= 20
    assert {row[0]: row[1] for row in rows if covered(row[1]) < 93} == {}


def test_three_against_three_is_clearly_narrower_than_with_separate_scatters() -> None:
    rows = {row[0]: row for row in table("coverage table")}
    for name in ("3 against 3", "3 against 3, steps of 26 %", "3 against 3, Weibull"):
        assert width(rows[name][1]) < 0.8 * width(rows[name][4])


def test_the_invented_labs_truth_is_held_as_often_as_promised() -> None:
    rows = table("demo truth table")
    assert len(rows) == 3
    assert all(float(row[2].rstrip(" %")) >= 95 for row in rows)
