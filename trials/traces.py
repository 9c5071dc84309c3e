"""What may be done with logged traces: take a file in, read a figure, keep it as a reading."""

import hashlib
import uuid as uuids
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
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
    FIXED_WORDS,
    Figure,
    TraceSettings,
    read_figure,
)
from trials.physics.trace_file import Table, read_table
from trials.physics.units import convert, is_convertible
from trials.trace_charts import trace_charts

MOST_BYTES = 400 * 1024 * 1024
BLOCK_SAMPLES = 131_072  # 1 MB of numbers, so that no row is large


@transaction.atomic
def receive_trace(*, by: User, run: Run, file_name: str, stream: BinaryIO) -> TraceFile:
    """Keep a logger's file of a run as columns of numbers. The same file again is the same trace."""
    check_takes_trace(run)
    digest, byte_count = _digest(stream)
    standing = TraceFile.objects.filter(run=run, digest=digest).first()
    if standing is not None:
        return standing
    try:
        table = read_table(stream)
    except PhysicsError as why:
        raise Refused({"file": [str(why)]}) from why
    return store_trace(
        by=by,
        run=run,
        origin=Origin(file_name=file_name, byte_count=byte_count, digest=digest),
        packed=pack(table),
    )


def check_takes_trace(run: Run) -> None:
    """Refuse where no figure is read from a trace."""
    if not run.revision.trace:
        raise Refused({"file": ["This method is not read from a logged trace."]})


@dataclass(frozen=True)
class Origin:
    """Where the numbers of a trace came from."""

    file_name: str
    byte_count: int
    digest: str


@dataclass(frozen=True)
class Packed:
    """A table ready to be stored: its description, and its columns as compressed blocks."""

    columns: list[dict[str, Any]]
    separator: str
    sample_count: int
    blocks: list[tuple[int, int, bytes]]  # column, position, content


def pack(table: Table) -> Packed:
    """Compress the columns block by block: what takes time, done before anything is written."""
    columns: list[dict[str, Any]] = [{"label": c.label[:80], "unit": c.unit} for c in table.columns]
    if table.sample_rate_hz:
        columns.append({"rate_hz": table.sample_rate_hz})
    blocks = []
    for column, values in enumerate(table.values):
        for position, first in enumerate(range(0, len(values), BLOCK_SAMPLES)):
            part = np.ascontiguousarray(values[first : first + BLOCK_SAMPLES], dtype="<f8")
            blocks.append((column, position, zlib.compress(part.tobytes(), 1)))
    return Packed(columns, table.separator, len(table.values[0]), blocks)


@transaction.atomic
def store_trace(*, by: User, run: Run, origin: Origin, packed: Packed) -> TraceFile:
    """Write a trace with its blocks and its audit row."""
    trace = TraceFile.objects.create(
        run=run,
        file_name=origin.file_name[:200],
        byte_count=origin.byte_count,
        digest=origin.digest,
        separator=packed.separator,
        columns=packed.columns,
        sample_count=packed.sample_count,
        received_at=timezone.now(),
        by=by,
    )
    TraceBlock.objects.bulk_create(
        (
            TraceBlock(trace=trace, column=column, position=position, content=content)
            for column, position, content in packed.blocks
        ),
        batch_size=16,
    )
    audit.record(
        by=by,
        verb="took in trace",
        subject=run,
        detail={"file": origin.file_name, "digest": origin.digest},
    )
    return trace


def _digest(stream: BinaryIO) -> tuple[str, int]:
    digest, count = hashlib.sha256(), 0
    stream.seek(0)
    while piece := stream.read(1 << 20):
        digest.update(piece)
        count += len(piece)
        check_size(count)
    return digest.hexdigest(), count


def check_size(byte_count: int) -> None:
    """Refuse a file that no logger needs."""
    if byte_count > MOST_BYTES:
        raise Refused({"file": [f"The file is larger than {MOST_BYTES >> 20} MB: cut it."]})


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


@dataclass(frozen=True)
class ShownFigure:
    """A figure as pages show it and readings take it: plain values, so that it can be stored.

    Attributes
    ----------
    beside : tuple of (words, value, unit)
    flaws : tuple of str
    charts : tuple of dict
        Positions of the drawings.
    offset_sensitivity : float or None
        See `Figure`; None where an older release worked it out.
    """

    value: float
    unit: str
    is_reached: bool
    beside: tuple[tuple[str, float, str], ...]
    flaws: tuple[str, ...]
    charts: tuple[dict[str, Any], ...]
    offset_sensitivity: float | None = None


def shown_figure(trace: TraceFile, settings: TraceSettings) -> ShownFigure:
    """Work the figure of a trace out, with its drawings. Slow for a long trace."""
    figure = figure_of(trace, settings)
    return ShownFigure(
        value=figure.value,
        unit=figure.unit,
        is_reached=figure.is_reached,
        beside=tuple((one.words, one.value, one.unit) for one in figure.beside),
        flaws=tuple(flaw.words for flaw in figure.flaws),
        charts=tuple(asdict(chart) for chart in trace_charts(figure)),
        offset_sensitivity=figure.offset_sensitivity,
    )


def method_settings(revision: MethodRevision) -> dict[str, Any]:
    """What the method fixes of how its trace is read."""
    known = set(TraceSettings.__dataclass_fields__)
    return {name: value for name, value in revision.trace.items() if name in known}


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


def raw_of(figure: ShownFigure, revision: MethodRevision) -> dict[str, Any]:
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


def settings_for(trace: TraceFile, chosen: TraceSettings) -> TraceSettings:
    """The settings with what the method fixes: that stands, whatever was sent."""
    return replace(chosen, **method_settings(trace.run.revision))


@dataclass(frozen=True)
class Keeping:
    """What a person says when a figure is kept as the run's reading."""

    settings: TraceSettings
    measured_at: datetime
    flaw_reason: str = ""
    note: str = ""


@transaction.atomic
def keep_figure(
    *, by: User, trace: TraceFile, keeping: Keeping, figure: ShownFigure | None = None
) -> TraceReading:
    """The run's reading, derived from the trace. A flawed trace needs a reason and is cautioned.

    `figure` is what a worker read with these very settings; without it, it is worked out here.
    """
    revision = trace.run.revision
    settings = settings_for(trace, keeping.settings)
    figure = figure or shown_figure(trace, settings)
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
        flaws=list(figure.flaws),
        flaw_reason=keeping.flaw_reason.strip(),
        code_version=CODE_VERSION,
        offset_sensitivity=figure.offset_sensitivity,
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
    return compared(derived, figure.value, figure.unit)


def compared(derived: TraceReading, value: float, unit: str) -> Recomputed:
    """A figure worked out again beside the one that was kept."""
    same = abs(value - derived.value) <= 1e-9 * max(abs(derived.value), 1.0)
    return Recomputed(value, unit, same)


def figure_words(revision: MethodRevision) -> str:
    """What the method reads from its trace."""
    kind = FIGURES.get(str(revision.trace.get("figure")))
    return kind.words if kind else ""
