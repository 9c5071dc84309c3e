"""No number reaches readers unnoticed: drawn scripts over drawn findings.

What counts as a number is taken from Unicode's own property (`str.isnumeric`), not from the
patterns of the code under test; figures are held against the drawn findings by plain arithmetic.
"""

import math
import re
import unicodedata

import hypothesis.strategies as st
from hypothesis import given, settings

from reports.claims.check import check_script
from reports.claims.figures import Book, book_of, rendered
from reports.claims.numbers import typed_numbers
from tests.reports.claims.books import content, finding

NAMES = ("EN 17092-2:2020", "ISO 12947-2", "EN 388", "Rainmile jacket", "A4", "B2-lot")
WORDS = ("The worn ones", "kept more.", "On this bench", "less is better", "after the round,", "so")

shares = st.floats(0.05, 0.95)


@st.composite
def findings(draw: st.DrawFn) -> list[dict]:
    """One to three findings with an interval about their share, each of a method of its own."""
    made = []
    for place in range(draw(st.integers(1, 3))):
        kept, below, above = draw(shares), draw(shares), draw(shares)
        span = (kept, kept * below, kept + (1.2 - kept) * above)
        counts = draw(st.tuples(st.integers(2, 9), st.integers(2, 9)))
        times = draw(st.booleans())
        name = ("belt time", "seam strength", "water uptake")[place]
        made.append(finding(f"method-{place}", name, "some loss", span, counts=counts, times=times))
    return made


plain = st.sampled_from(WORDS)
digits = st.integers(0, 999_999).map(str)
typed = st.one_of(
    digits,
    st.integers(1000, 9_999_999).map(lambda n: f"{n:,}"),
    st.integers(1000, 9_999_999).map(lambda n: f"{n:,}".replace(",", "\u2009")),
    st.decimals(0, 999, places=2).map(str),
    st.tuples(
        digits, st.sampled_from(["%", " %", " per cent", " km", " times", "rd", "×", "²"])
    ).map("".join),
    st.tuples(st.sampled_from(["£", "€", "−", "-", "(", "“", ".", "~", "+"]), digits).map("".join),
    st.sampled_from(
        ["10:30", "2026-03-01", "1.2.3", "1,5", "½", "5½", "⅔", "٣", "٣٤", "10³", "3/4", "Ⅳ"]
    ),
)


@st.composite
def scripts(draw: st.DrawFn) -> tuple[list[dict], list[tuple[str, str]]]:
    """Findings, and a script over them in pieces with what each piece is."""
    told = draw(findings())
    keys = sorted(book_of(content(told)).figures)
    piece = st.one_of(
        plain.map(lambda text: ("plain", text)),
        typed.map(lambda text: ("typed", text)),
        st.sampled_from(NAMES).map(lambda text: ("name", text)),
        st.sampled_from(keys).map(lambda key: ("figure", f"{{{key}}}")),
        st.just(("unknown", "{method-0 worn nonsense}")),
    )
    return told, draw(st.lists(piece, min_size=1, max_size=12))


@settings(deadline=None)
@given(scripts())
def test_every_typed_number_is_flagged_and_names_are_left_alone(
    drawn: tuple[list[dict], list[tuple[str, str]]],
) -> None:
    told, pieces = drawn
    script = " ; ".join(text for _, text in pieces)
    flags = check_script([script], book_of(content(told)), is_whole=False)
    flagged = {
        place
        for flag in flags
        if flag.rule in ("typed-number", "unknown-figure")
        for place in range(flag.start, flag.end)
    }
    at = 0
    for kind, text in pieces:
        numeric = [at + n for n, char in enumerate(text) if char.isnumeric()]
        if kind == "typed":
            assert set(numeric) <= flagged, text
        elif kind == "unknown":
            assert set(range(at, at + len(text))) <= flagged
        else:
            assert not set(range(at, at + len(text))) & flagged, text
        at += len(text) + len(" ; ")


@settings(deadline=None)
@given(scripts())
def test_every_number_of_a_figure_is_in_the_finding_it_names(
    drawn: tuple[list[dict], list[tuple[str, str]]],
) -> None:
    told, pieces = drawn
    script = " ; ".join(text for _, text in pieces)
    read = rendered(script, book_of(content(told)))
    wanted = [text[1:-1] for kind, text in pieces if kind == "figure"]
    assert [figure.key for figure in read.figures] == wanted
    for figure in read.figures:
        if figure.source.startswith("item "):
            continue  # counts and prices of the arms, as the books of these tests state them
        place = int(figure.source[len("method-")])
        for number in re.findall(r"\d+(?:\.\d+)?", figure.words):
            assert any(
                # shown to two or three figures, so within 5 % or half a unit of what it stands for
                math.isclose(float(number), raw, rel_tol=0.05, abs_tol=0.51)
                for raw in raw_numbers(told[place])
            ), figure


def raw_numbers(found: dict) -> list[float]:
    """Everything that a finding's figures may be worked out from."""
    kept, low, high = found["retention"], found["low"], found["high"]
    shares = [kept, low, high, 1 - kept, 1 - low, 1 - high, found["level"], found["margin"]]
    ratios = [1 / kept, 1 / low, 1 / high]
    counts = [found["n_baseline"], found["n_other"]]
    return [100 * share for share in shares] + ratios + [float(n) for n in counts]


@settings(deadline=None)
@given(st.text(alphabet=st.characters(categories=("Nd", "Nl", "No", "Zs", "Po")), max_size=12))
def test_no_numeral_of_any_script_breaks_the_check_or_slips_through(text: str) -> None:
    book = Book()
    read = rendered(text, book)
    found = typed_numbers(read, book)
    covered = {n for one in found for n in range(one.start, one.end)}
    for place, char in enumerate(text):
        if unicodedata.category(char).startswith("N"):
            assert place in covered, (text, char)
    for one in found:
        assert math.isfinite(one.value)
