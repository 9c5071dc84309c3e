"""What may be done with logged traces: take a file in, read a figure, keep it as a reading."""

import hashlib
import uuid as uuids
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any, BinaryIO

import numpy as np
from django.db import transaction
from django.utils import timezone
from numpy.typing import NDArray

from labsite import audit
from labsite.errors import Refused
from labsite.models import User
from trials.actions import ReadingEntry, record_reading
from trials.intervals import ReadingKind, plain
from trials.models import MethodRevision, Run, TraceBlock, TraceFile, TraceReading
from trials.physics.errors import PhysicsError
from trials.physics.trace_figures import (
    CODE_VERSION,
    FIGURES,
    Figure,
    TraceSettings,
    read_figure,
)
from trials.physics.trace_file import Table, read_table
from trials.physics.units import convert, is_convertible

MOST_BYTES = 400 * 1024 * 1024
BLOCK_SAMPLES = 131_072  # 1 MB of numbers, so that no row is large


@transaction.atomic
def receive_trace(*, by: User, run: Run, file_name: str, stream: BinaryIO) -> TraceFile:
    """Keep a logger's file of a run as columns of numbers. The same file again is the same trace."""
    if not run.revision.trace:
        raise Refused({"file": ["This method is not read from a logged trace."]})
    digest, byte_count = _digest(stream)
    standing = TraceFile.objects.filter(run=run, digest=digest).first()
    if standing is not None:
        return standing
    try:
        table = read_table(stream)
    except PhysicsError as why:
        raise Refused({"file": [str(why)]}) from why
    columns = [{"label": c.label[:80], "unit": c.unit} for c in table.columns]
    trace = TraceFile.objects.create(
        run=run,
        file_name=file_name[:200],
        byte_count=byte_count,
        digest=digest,
        separator=table.separator,
        columns=columns + ([{"rate_hz": table.sample_rate_hz}] if table.sample_rate_hz else []),
        sample_count=len(table.values[0]),
        received_at=timezone.now(),
        by=by,
    )
    _store_blocks(trace, table)
    audit.record(
        by=by, verb="took in trace", subject=run, detail={"file": file_name, "digest": digest}
    )
    return trace


def _digest(stream: BinaryIO) -> tuple[str, int]:
    digest, count = hashlib.sha256(), 0
    stream.seek(0)
    while piece := stream.read(1 << 20):
        digest.update(piece)
        count += len(piece)
        if count > MOST_BYTES:
            raise Refused({"file": [f"The file is larger than {MOST_BYTES >> 20} MB: cut it."]})
    return digest.hexdigest(), count


def _store_blocks(trace: TraceFile, table: Table) -> None:
    for column, values in enumerate(table.values):
        for position, first in enumerate(range(0, len(values), BLOCK_SAMPLES)):
            part = np.ascontiguousarray(values[first : first + BLOCK_SAMPLES], dtype="<f8")
            TraceBlock.objects.create(
                trace=trace,
                column=column,
                position=position,
                content=zlib.compress(part.tobytes(), 1),
            )


def column_labels(trace: TraceFile) -> list[Mapping[str, Any]]:
    """Label and unit of each column, without the sampling rate that the file may tell."""
    return [column for column in trace.columns if "label" in column]


def told_rate_hz(trace: TraceFile) -> float | None:
    """The sampling rate that the file tells before its header, if it does."""
    return next((c["rate_hz"] for c in trace.columns if "rate_hz" in c), None)


def load_columns(trace: TraceFile, wanted: Sequence[int]) -> list[NDArray[np.float64]]:
    """The columns as numbers; those not wanted stay empty, so that nothing is read for nothing."""
    loaded: list[NDArray[np.float64]] = []
    for column in range(len(column_labels(trace))):
        if column not in wanted:
            loaded.append(np.empty(0))
            continue
        values = np.empty(trace.sample_count)
        filled = 0
        blocks = trace.blocks.filter(column=column).order_by("position")
        for content in blocks.values_list("content", flat=True).iterator(chunk_size=8):
            part = np.frombuffer(zlib.decompress(bytes(content)), dtype="<f8")
            values[filled : filled + part.size] = part
            filled += part.size
        loaded.append(values)
    return loaded


def figure_of(trace: TraceFile, settings: TraceSettings) -> Figure:
    """The figure of a trace; what cannot be read is refused in words."""
    wanted = [*settings.value_columns]
    if settings.time_column is not None:
        wanted.append(settings.time_column)
    try:
        return read_figure(load_columns(trace, wanted), settings)
    except PhysicsError as why:
        raise Refused(str(why)) from why


def method_settings(revision: MethodRevision) -> dict[str, Any]:
    """What the method fixes of how its trace is read."""
    known = set(TraceSettings.__dataclass_fields__)
    return {name: value for name, value in revision.trace.items() if name in known}


FIXED_WORDS = {
    "cfc": "Filter: channel frequency class {}",
    "rise_k": "Rise: {} K",
    "level_g": "Level: {} times gravity",
    "jaw_speed_mm_min": "Speed of the jaw: {} mm/min",
    "seam_width_mm": "Length of seam: {} mm",
}


def fixed_words(revision: MethodRevision) -> list[str]:
    """What the method fixes, as lines for the page."""
    return [
        words.format(plain(float(revision.trace[name])))
        for name, words in FIXED_WORDS.items()
        if revision.trace.get(name) is not None
    ]


def first_choice(trace: TraceFile) -> dict[str, Any]:
    """How the file is read before anybody chose: by the units of its header."""
    columns = column_labels(trace)
    kind = FIGURES.get(str(trace.run.revision.trace.get("figure")))
    rate = told_rate_hz(trace)
    times = [i for i, c in enumerate(columns) if c["unit"] in {"s", "ms"}]
    if not times and rate is None and len(columns) > 1:
        times = [0]
    values = [
        i
        for i, c in enumerate(columns)
        if i not in times and kind and c["unit"] and is_convertible(c["unit"], kind.trace_unit)
    ] or [i for i in range(len(columns)) if i not in times[:1]][:1]
    unit = columns[values[0]]["unit"] if values else ""
    return {
        "value_columns": [str(i) for i in values[:3]],
        "value_unit": unit or (kind.trace_unit if kind else ""),
        "time_column": str(times[0]) if times else "",
        "time_unit": columns[times[0]]["unit"] or "s" if times else "s",
        "sample_rate_hz": "" if rate is None or times else str(rate),
    }


def raw_of(figure: Figure, revision: MethodRevision) -> dict[str, Any]:
    """The figure as an entry of the method, rounded to what the method can tell apart."""
    value = convert(figure.value, figure.unit, revision.unit)
    step = revision.resolution
    rounded = round(round(value / step) * step, 10)
    if revision.outcome_kind == ReadingKind.TIMER:
        ended = "failed" if figure.is_reached else "stopped"
        return {"seconds": rounded, "ended": ended}
    if revision.outcome_kind == ReadingKind.VALUE and figure.is_reached:
        return {"value": rounded}
    raise Refused("This method cannot take a figure from a trace as its reading.")


@dataclass(frozen=True)
class Keeping:
    """What a person says when a figure is kept as the run's reading."""

    settings: TraceSettings
    measured_at: datetime
    flaw_reason: str = ""
    note: str = ""


@transaction.atomic
def keep_figure(*, by: User, trace: TraceFile, keeping: Keeping) -> TraceReading:
    """The run's reading, derived from the trace. A flawed trace needs a reason and is cautioned."""
    revision = trace.run.revision
    # the method's own settings stand, whatever was sent
    settings = replace(keeping.settings, **method_settings(revision))
    figure = figure_of(trace, settings)
    if figure.flaws and not keeping.flaw_reason.strip():
        raise Refused({"flaw_reason": ["Say why this trace is kept with its flaws, or log again."]})
    recorded = record_reading(
        by=by,
        entry=ReadingEntry(
            uuid=uuids.uuid4(),
            run=trace.run,
            raw=raw_of(figure, revision),
            measured_at=keeping.measured_at,
            note=keeping.note.strip(),
        ),
    )
    if recorded.state != "stored":
        raise Refused("The run has a reading already. Amend it at the bench if it is wrong.")
    derived = TraceReading.objects.create(
        reading=recorded.reading,
        trace=trace,
        figure=settings.figure,
        settings=settings.as_json(),
        value=figure.value,
        unit=figure.unit,
        flaws=[flaw.words for flaw in figure.flaws],
        flaw_reason=keeping.flaw_reason.strip(),
        code_version=CODE_VERSION,
    )
    audit.record(
        by=by,
        verb="derived reading from trace",
        subject=trace.run,
        detail={"trace": trace.digest, "figure": settings.figure, "value": figure.value},
    )
    return derived


@dataclass(frozen=True)
class Recomputed:
    """A derived reading worked out again from its trace."""

    value: float
    unit: str
    is_same: bool


def recompute(derived: TraceReading) -> Recomputed:
    """Work the figure out again from the stored columns and settings."""
    figure = figure_of(derived.trace, TraceSettings.from_json(derived.settings))
    same = abs(figure.value - derived.value) <= 1e-9 * max(abs(derived.value), 1.0)
    return Recomputed(figure.value, figure.unit, same)


def figure_words(revision: MethodRevision) -> str:
    """What the method reads from its trace."""
    kind = FIGURES.get(str(revision.trace.get("figure")))
    return kind.words if kind else ""
