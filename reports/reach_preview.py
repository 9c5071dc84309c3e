"""What a finding about an instrument would do to what was published: before anything is changed."""

from dataclasses import dataclass
from typing import Any
from uuid import UUID

from reports import words
from reports.models import Edition
from reports.quality import reached_studies
from reports.queries import MethodInputs, StudyInputs, study_inputs
from reports.study_findings import finding_rows
from trials.models import OutOfTolerance, ReviewMark, Study
from trials.physics.calibration import shift_in, shifted
from trials.stands_for import StandsFor, is_moved, stands_for

# An estimate that moves by more than this share of its interval's half width is told to readers.
# Practice of careful labs, no source.
MATERIAL_SHARE = 1 / 3


@dataclass(frozen=True)
class PreviewCell:
    """A finding's figures in one case."""

    figure: str
    verdict: str

    @property
    def words(self) -> str:
        """Both in one."""
        return f"{self.figure}: {self.verdict}" if self.figure else self.verdict


@dataclass(frozen=True)
class PreviewRow:
    """A finding as published beside what it would be; None where a case does not apply."""

    name: str
    published: PreviewCell
    corrected: PreviewCell | None
    without: PreviewCell
    change: str
    is_material: bool


@dataclass(frozen=True)
class StudyPreview:
    """A study that a finding reaches, with its findings in each case."""

    study: Study
    edition: Edition | None
    reading_count: int
    moved_count: int
    rows: tuple[PreviewRow, ...]


def preview_of(finding: OutOfTolerance, study: Study) -> StudyPreview:
    """The study's findings as last published, corrected by the error, and without the readings."""
    marks = [
        mark
        for mark in finding.marks.filter(reading__run__study=study).select_related(
            "reading__run__revision"
        )
        if mark.outcome not in {ReviewMark.Outcome.VOIDED, ReviewMark.Outcome.CORRECTED}
    ]
    now = dict(stands_for(study))
    moved = _moved(finding, marks, now)
    touched = {mark.reading.run.revision_id for mark in marks}
    as_it_is = _by_place(study_inputs(study))
    corrected = _by_place(study_inputs(study, meanwhile=now | moved)) if moved else {}
    left_out: dict[UUID, StandsFor | None] = {mark.reading.pk: None for mark in marks}
    without = _by_place(study_inputs(study, meanwhile=now | left_out))
    edition = study.editions.order_by("-number").first()
    published = _published(edition)
    rows = tuple(
        _row(name, published.get(key, _cell(row)), key, row, corrected, without)
        for key, (name, row) in as_it_is.items()
        if row["revision_id"] in touched
    )
    return StudyPreview(study, edition, len(marks), len(moved), rows)


def _moved(
    finding: OutOfTolerance, marks: list[ReviewMark], now: dict[UUID, StandsFor]
) -> dict[UUID, StandsFor]:
    """The readings as they would be with the error taken out, where it enters them by addition."""
    moved = {}
    for mark in marks:
        reading, revision = mark.reading, mark.reading.run.revision
        shift = shift_in(
            revision.unit,
            correction=-finding.error,
            expanded_uncertainty=0.0,
            coverage_factor=1.0,
            instrument_unit=finding.instrument.unit,
        )
        enters = is_moved(revision.outcome_kind, corrects_by_control=revision.corrects_by_control)
        if shift is None or not enters or reading.low is None:
            continue
        standing = now.get(reading.pk)
        low, high = (standing.low, standing.high) if standing else (reading.low, reading.high)
        low, high = shifted(low, high, shift.amount)
        behind = standing.behind if standing else ()
        moved[reading.pk] = StandsFor(low, high, ("corrected by the error found",), behind)
    return moved


Place = tuple[str, str]
Named = tuple[str, dict[str, Any]]


def _by_place(inputs: StudyInputs) -> dict[Place, Named]:
    methods = {method.revision_pk: method for method in inputs.methods}
    found: dict[Place, Named] = {}
    for row in finding_rows(inputs):
        method = methods[row["revision_id"]]
        arm = next(arm for arm in method.arms if arm.pk == row["arm_id"])
        found[method.key, arm.key] = (_name(method, arm.label), row)
    return found


def _name(method: MethodInputs, label: str) -> str:
    return f"{words.capital(method.property)}, {label}"


def _cell(row: dict[str, Any]) -> PreviewCell:
    known = words.VERDICT_WORDS | words.GRADE_VERDICT_WORDS
    verdict = row.get("refusal") or known.get(row["verdict"], row["verdict"])
    return PreviewCell(_figure(row), verdict)


def _figure(row: dict[str, Any]) -> str:
    told = "" if row.get("retention") is None else words.percent(row["retention"])
    if row.get("low") is None and row.get("high") is None:
        return told
    span = words.percent_range(row.get("low"), row.get("high"))
    return f"{told} ({span})" if told else span


def _published(edition: Edition | None) -> dict[Place, PreviewCell]:
    if edition is None:
        return {}
    return {
        (one["method"]["key"], one["arm"]): PreviewCell(
            _figure(one), one.get("refusal") or one["verdict_words"]
        )
        for one in edition.content["findings"]
    }


def _row(
    name: str,
    published: PreviewCell,
    key: Place,
    row: dict[str, Any],
    corrected: dict[Place, Named],
    without: dict[Place, Named],
) -> PreviewRow:
    after = corrected.get(key)
    spared = without[key][1]
    change, is_material = change_words(row, after[1] if after else spared)
    return PreviewRow(
        name=name,
        published=published,
        corrected=_cell(after[1]) if after else None,
        without=_cell(spared),
        change=change,
        is_material=is_material,
    )


def change_words(before: dict[str, Any], after: dict[str, Any]) -> tuple[str, bool]:
    """What a reader would have to be told, and whether there is such a thing."""
    if after.get("refusal") and not before.get("refusal"):
        return "nothing could be said any more", True
    if before["verdict"] != after["verdict"]:
        return "the verdict changes", True
    old, new = before.get("retention"), after.get("retention")
    low, high = before.get("low"), before.get("high")
    if old is None or new is None:
        return ("the figure goes", True) if old != new else ("no sentence changes", False)
    if low is None or high is None:
        return ("the figure moves", True) if old != new else ("no sentence changes", False)
    if abs(new - old) > MATERIAL_SHARE * (high - low) / 2:
        return "the figure moves by more than a third of its interval's half width", True
    return "no sentence changes", False


def previews(finding: OutOfTolerance) -> list[StudyPreview]:
    """Every study that the finding reaches."""
    return [preview_of(finding, reached.study) for reached in reached_studies(finding)]
