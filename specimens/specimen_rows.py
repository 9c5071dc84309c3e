"""Specimens in files: what their lines are."""

from collections.abc import Iterator, Sequence
from typing import Any

from labsite.errors import Refused
from labsite.models import User
from specimens.actions import checked_specimen, keep_specimens
from specimens.forms import SpecimenForm
from specimens.imports import Checked, Kind, Lines, Row, as_typed, problems_of
from specimens.models import Product, Specimen

COLUMNS = {
    "code": "From a label printed before. Left empty, a fresh one is made.",
    "maker": "As in the record of products.",
    "product": "Its name there.",
    "size": "",
    "lot": "",
    "acquired": f"How it came: {', '.join(Specimen.Acquired.values)}.",
    "acquired_on": "Such as 2026-03-14.",
    "price_paid": "A number, such as 189.00.",
    "currency": "Three letters.",
    "paid_by": "",
    "owner_alias": "A stand-in such as 'carrier 07', never the name.",
    "condition_at_intake": "Marks, smell, damp, dirt.",
}
SAID = tuple(name for name in COLUMNS if name not in ("code", "maker", "product"))


def check(rows: Sequence[Row]) -> Checked:
    """The specimens of all lines."""
    products = {(one.maker.casefold(), one.name.casefold()): one for one in Product.objects.all()}
    record = {one.code: one for one in Specimen.objects.all()}
    first_lines: dict[str, int] = {}
    found = Lines()
    for row in rows:
        try:
            specimen = _specimen(row, products)
            code = specimen.code
            if code and first_lines.setdefault(code, row.line) != row.line:
                raise Refused({"code": [f"Line {first_lines[code]} has this code already."]})
            if code in record:
                _check_same(specimen, record[code])
                found.same_count += 1
                continue
        except Refused as refused:
            found.problems += problems_of(row.line, refused.problems)
            continue
        found.things.append(specimen)
    return found.checked()


def _specimen(row: Row, products: dict[tuple[str, str], Product]) -> Specimen:
    maker, name = row.cells["maker"], row.cells["product"]
    product = products.get((maker.casefold(), name.casefold()))
    # the form asks the database for the product of each line; it is known already
    cells = {field: cell for field, cell in row.cells.items() if field not in ("maker", "product")}
    form = SpecimenForm(as_typed(SpecimenForm, cells))
    del form.fields["product"]
    problems: dict[str, list[str]] = {}
    if product is None:
        wanted = f"{maker} {name}".strip()[:60]
        problems["product"] = [f"The record has no product '{wanted}': add it first."]
    if not form.is_valid():
        problems |= {field: list(map(str, told)) for field, told in form.errors.items()}
    if problems or product is None:
        raise Refused(problems)
    return checked_specimen(product=product, **form.cleaned_data)


def _check_same(specimen: Specimen, there: Specimen) -> None:
    """A file adds specimens; it does not change what was recorded when they came."""
    problems = {
        name: [f"{there.code} is in the record with '{getattr(there, name) or ''}'."]
        for name in SAID
        if getattr(specimen, name) != getattr(there, name)
    }
    if specimen.product_id != there.product_id:
        problems["product"] = [f"{there.code} is in the record as another product."]
    if problems:
        raise Refused(problems)


def keep(by: User, found: Checked) -> bool:
    """Write the specimens, unless somebody took one of their codes meanwhile."""
    return keep_specimens(by=by, specimens=found.things)


def records() -> Iterator[dict[str, Any]]:
    """Every specimen of the record."""
    for specimen in Specimen.objects.select_related("product").order_by("code"):
        own = {name: getattr(specimen, name) for name in SAID}
        yield own | {
            "code": specimen.code,
            "maker": specimen.product.maker,
            "product": specimen.product.name,
        }


SPECIMENS = Kind(
    key="specimens",
    words=("specimen", "specimens"),
    about="One line for each physical item. Its product has to be in the record. A line without a "
    "code makes a new specimen whenever a changed file comes, so write the codes down.",
    columns=COLUMNS,
    needed=frozenset({"maker", "product", "acquired", "acquired_on"}),
    example={
        "maker": "Invented maker",
        "product": "Fell jacket",
        "size": "M",
        "acquired": "bought",
        "acquired_on": "2026-03-14",
        "price_paid": "189.00",
        "currency": "GBP",
        "paid_by": "the lab",
    },
    check=check,
    keep=keep,
    records=records,
    home=("Specimens", "lab-specimens"),
)
