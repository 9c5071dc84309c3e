"""Contents of invented scorecards, small, for the tests of the claim check."""

from typing import Any

from reports import words
from reports.claims.figures import Book, book_of


def finding(
    method: str,
    name: str,
    verdict: str,
    kept: tuple[float | None, float | None, float | None],
    *,
    arm: str = "worn",
    label: str = "Worn",
    counts: tuple[int, int] = (4, 4),
    unseen: float | None = None,
    times: bool = False,
) -> dict[str, Any]:
    retention, low, high = kept
    return {
        "property": name,
        "method": {"key": method, "name": name, "number": 1},
        "arm": arm,
        "arm_label": label,
        "baseline_label": "New",
        "kind": "ratio",
        "n_baseline": counts[0],
        "n_other": counts[1],
        "level": 0.95,
        "margin": 0.1,
        "retention": retention,
        "low": low,
        "high": high,
        "verdict": verdict,
        "verdict_words": verdict.capitalize(),
        "smallest_visible_loss": unseen,
        "refusal": "",
        "cautions": [],
        "retention_words": "" if retention is None else words.percent(retention),
        "interval_words": words.percent_range(low, high),
        "sentence": f"{label} kept some of the {name} of New.",
        "times_sentence": "That is more." if times else "",
    }


def specimen(code: str, **given: Any) -> dict[str, Any]:
    return {
        "code": code,
        "product": "Rainmile jacket",
        "maker": "Dunmarl",
        "size": "M",
        "lot": "D1",
        "price": "£189",
        "source_words": "bought by the lab for £189",
        "service_words": "new",
        "condition": "",
    } | given


def content(
    findings: list[dict[str, Any]], *, kind: str = "worn-new", cautions: tuple[str, ...] = ()
) -> dict[str, Any]:
    short = {"E6": "One of each: an illustration.", "E7": "One owner."}
    return {
        "study": {"slug": "jackets", "kind": kind, "title": "Jackets", "question": ""},
        "findings": findings,
        "trends": [],
        "arms": [
            {"key": "new", "label": "New", "specimens": [specimen("A"), specimen("B")]},
            {
                "key": "worn",
                "label": "Worn",
                "specimens": [
                    specimen(
                        "C", price="", source_words="lent by the owner", service_words="14 000 km"
                    )
                ],
            },
        ],
        "cautions": [{"key": key, "short": short[key], "full": short[key]} for key in cautions],
    }


ABRASION = finding(
    "belt-abrasion", "abrasion resistance", "clear loss", (0.72, 0.62, 0.83), unseen=0.08
)
SEAM = finding("seam-opening", "seam strength", "not resolved", (0.93, 0.71, 1.22), unseen=0.24)
HEAT = finding("contact-heat", "contact heat", "held", (0.98, 0.94, 1.03), unseen=0.05)
WATER = finding(
    "water-uptake", "water uptake", "clear loss", (0.17, 0.14, 0.22), unseen=0.1, times=True
)
DROP = finding("padding-drop", "drop energy", "clear gain", (1.4, 1.25, 1.6), unseen=0.1)
ALL = [ABRASION, SEAM, HEAT, WATER, DROP]
SINGLE = [f | {"n_baseline": 1, "n_other": 1} for f in ALL]


def many() -> Book:
    """Several owners, four items each."""
    return book_of(content(ALL))


def single() -> Book:
    """One worn item of one owner beside one new one."""
    return book_of(content(SINGLE, cautions=("E6", "E7")))


def prices() -> Book:
    """Two prices, both new."""
    return book_of(content(ALL, kind="price"))


BOOKS = {"many": many(), "single": single(), "prices": prices()}
