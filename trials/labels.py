"""Labels for specimens: a QR code with the code in plain letters, on sheets of several grids."""

from collections.abc import Iterable
from dataclasses import dataclass

import segno
from django.db.models import Q

from labsite.errors import Refused
from specimens.codes import BadCode, clean_code
from specimens.models import Specimen
from trials.models import ArmSpecimen, Study

MOST_LABELS = 500


@dataclass(frozen=True)
class Grid:
    """A sheet of labels; all lengths in millimetres. The style sheet of its key lays it out."""

    key: str
    words: str
    columns: int
    rows: int
    width_mm: float
    height_mm: float

    @property
    def per_sheet(self) -> int:
        """Labels on one sheet."""
        return self.columns * self.rows


# Sizes that label sheets are sold in (common practice, no source); the margins share the rest.
GRIDS = {
    grid.key: grid
    for grid in (
        Grid("24", "A4, 24 labels of 64 by 34 mm", 3, 8, 64, 33.9),
        Grid("65", "A4, 65 labels of 38 by 21 mm, for small parts", 5, 13, 38.1, 21.2),
        Grid("12", "A4, 12 labels of 64 by 72 mm, read at arm's length", 3, 4, 63.5, 72),
        Grid("roll", "Label printer, 62 by 29 mm each", 1, 1, 62, 29),
    )
}


@dataclass(frozen=True)
class Label:
    """What one label says. In a blind study only the drawn number."""

    code: str
    line: str
    qr_svg: str


@dataclass(frozen=True)
class Sheet:
    """One sheet of labels; None is a place left free."""

    places: tuple[Label | None, ...]


def labels_of_study(study: Study, *, copies: int = 1) -> list[Label]:
    """Labels of a study's specimens: by drawn number when it is blind, else by code."""
    members = ArmSpecimen.objects.filter(study=study).select_related("specimen__product")
    if study.is_blind:
        drawn = sorted((one.blind_code for one in members if one.blind_code), key=int)
        if not drawn:
            raise Refused("This study is blind and has no numbers yet: accept a plan first.")
        return [made for code in drawn for made in [_label(f"Item {code}", "")] * copies]
    ordered = sorted((one.specimen for one in members), key=lambda one: one.code)
    return [made for one in ordered for made in [_of_specimen(one)] * copies]


def labels_of_codes(text: str, *, copies: int = 1) -> list[Label]:
    """Labels of typed codes, in their order; an empty text means every specimen in the lab."""
    typed = text.replace(",", " ").split()
    if not typed:
        chosen = list(Specimen.objects.filter(Q(retired_on__isnull=True)).select_related("product"))
    else:
        chosen = _typed(typed)
    if len(chosen) * copies > MOST_LABELS:
        raise Refused(
            {"codes": [f"That is more than {MOST_LABELS} labels: print fewer at a time."]}
        )
    return [made for one in chosen for made in [_of_specimen(one)] * copies]


def _typed(typed: list[str]) -> list[Specimen]:
    problems, codes = [], []
    for word in typed:
        try:
            codes.append(clean_code(word[:40]))
        except BadCode as why:
            problems.append(str(why))
    found = {
        one.code: one for one in Specimen.objects.filter(code__in=codes).select_related("product")
    }
    problems += [f"The lab has no specimen {code}." for code in codes if code not in found]
    if problems:
        raise Refused({"codes": problems})
    return [found[code] for code in codes]


def _of_specimen(specimen: Specimen) -> Label:
    size = f", size {specimen.size}" if specimen.size else ""
    return _label(specimen.code, f"{specimen.product}{size}")


def _label(code: str, line: str) -> Label:
    # the code alone, so that a scanner that types and a camera without network both understand it
    qr = segno.make(code, error="q", micro=False)
    svg = qr.svg_inline(omitsize=True, border=2, svgclass="label-qr", lineclass=None)
    return Label(code=code, line=line, qr_svg=svg)


def sheets(labels: Iterable[Label], grid: Grid, *, skip: int = 0) -> list[Sheet]:
    """Labels on sheets, the first `skip` places of the first sheet left free."""
    places: list[Label | None] = [None] * skip
    places += labels
    size = grid.per_sheet
    return [Sheet(tuple(places[at : at + size])) for at in range(0, len(places), size)]
