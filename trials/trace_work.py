"""Long traces are read by a worker: the web only takes the file in and shows how far it is.

The file goes into the database in pieces, each in a transaction of its own, because workers and
web hosts may share nothing else and a bench must not wait for a lock that a large file holds.
"""

import hashlib
import io
import json
import logging
import zlib
from collections.abc import Iterator
from contextlib import closing
from dataclasses import asdict
from datetime import timedelta
from typing import Any, BinaryIO

from django.db import IntegrityError, transaction
from django.utils import timezone

from labsite import jobs
from labsite.errors import Refused
from labsite.jobs import JobKind, ReportProgress
from labsite.models import Job, JobState, User
from trials import traces
from trials.models import Run, TraceFigure, TraceFile, TraceUpload, TraceUploadPiece
from trials.physics.errors import PhysicsError
from trials.physics.trace_figures import CODE_VERSION, TraceSettings
from trials.physics.trace_file import read_table
from trials.traces import Origin, ShownFigure

READ_TRACE = "trials.read_trace"
READ_FIGURE = "trials.read_figure"
# Below these a person waits less than about half a second, which is no work for a worker.
INLINE_BYTES = 4 * 1024 * 1024
INLINE_SAMPLES = 400_000
PIECE_BYTES = 1 << 20
FORGOTTEN_AFTER = timedelta(days=1)  # a file whose sending broke off is not kept for ever


log = logging.getLogger(__name__)

# --- taking a file in --------------------------------------------------------------------------


def take_in(
    *, by: User, run: Run, file_name: str, stream: BinaryIO, byte_count: int
) -> TraceFile | TraceUpload:
    """A small file becomes a trace at once; a large one waits for a worker to read it."""
    traces.check_takes_trace(run)
    traces.check_size(byte_count)
    if byte_count <= INLINE_BYTES:
        return traces.receive_trace(by=by, run=run, file_name=file_name, stream=stream)
    _forget_broken_off(run)
    upload = TraceUpload.objects.create(
        run=run, file_name=file_name[:200], received_at=timezone.now(), by=by
    )
    digest, count = hashlib.sha256(), 0
    stream.seek(0)
    for position, piece in enumerate(iter(lambda: stream.read(PIECE_BYTES), b"")):
        digest.update(piece)
        count += len(piece)
        traces.check_size(count)
        TraceUploadPiece.objects.create(
            upload=upload, position=position, content=zlib.compress(piece, 1)
        )
    return _whole(upload, digest.hexdigest(), count)


def _whole(upload: TraceUpload, digest: str, byte_count: int) -> TraceFile | TraceUpload:
    """All pieces are here: ask a worker, unless this very file is known."""
    known = TraceFile.objects.filter(run=upload.run, digest=digest).first()
    try:
        with transaction.atomic():
            if known is None:
                TraceUpload.objects.filter(run=upload.run, digest=digest, trace=None).exclude(
                    problem=""
                ).delete()
                upload.digest, upload.byte_count = digest, byte_count
                upload.save(update_fields=["digest", "byte_count"])
                jobs.request_job(
                    kind=READ_TRACE, key=f"{upload.pk}:{digest}", payload={"upload": upload.pk}
                )
                return upload
    except IntegrityError:
        log.info("The file of upload %s came twice at once; a worker has the first.", upload.pk)
    TraceUpload.objects.filter(pk=upload.pk).delete()
    return known or TraceUpload.objects.get(run=upload.run, digest=digest)


def _forget_broken_off(run: Run) -> None:
    old = timezone.now() - FORGOTTEN_AFTER
    TraceUpload.objects.filter(run=run, digest="", received_at__lt=old).delete()


# --- the worker's side -------------------------------------------------------------------------


class PieceStream(io.RawIOBase):
    """The file again, read piece by piece; at most one piece is in memory."""

    def __init__(self, upload: TraceUpload, report_progress: ReportProgress) -> None:
        super().__init__()
        self._upload = upload
        self._report = report_progress
        self._total = max(upload.byte_count, 1)
        self._given = 0
        self._left = b""
        self._pieces = self._each()

    def readable(self) -> bool:
        return True

    def seekable(self) -> bool:
        return True

    def seek(self, offset: int, whence: int = io.SEEK_SET) -> int:
        """Only back to the start, or to where it stands, is ever asked for."""
        if whence == io.SEEK_CUR and offset == 0:
            return self._given
        if (offset, whence) != (0, io.SEEK_SET):
            raise io.UnsupportedOperation("a stream of pieces is read from its start")
        self._pieces = self._each()
        self._left = b""
        self._given = 0
        return 0

    def readinto(self, buffer: Any) -> int:
        """Fill the buffer with what comes next."""
        if not self._left:
            self._left = next(self._pieces, b"")
        part = self._left[: len(buffer)]
        buffer[: len(part)] = part
        self._left = self._left[len(part) :]
        self._given += len(part)
        return len(part)

    def _each(self) -> Iterator[bytes]:
        done = 0
        rows = self._upload.pieces.order_by("position").values_list("content", flat=True)
        for content in rows.iterator(chunk_size=4):
            self._report(done, self._total)
            piece = zlib.decompress(bytes(content))
            done += len(piece)
            yield piece


def read_upload(payload: dict[str, Any], report_progress: ReportProgress) -> dict[str, Any]:
    """Read a file into packed columns, or say why not. Runs outside any transaction."""
    upload = TraceUpload.objects.get(pk=payload["upload"])
    with closing(io.BufferedReader(PieceStream(upload, report_progress), PIECE_BYTES)) as stream:
        try:
            table = read_table(stream)
        except PhysicsError as why:
            return {"problem": str(why)}
    packed = traces.pack(table)
    report_progress(upload.byte_count, upload.byte_count)
    return {"packed": packed}


def store_upload(payload: dict[str, Any], result: dict[str, Any]) -> None:
    """Keep the trace, or the reason; the pieces are no longer needed."""
    upload = TraceUpload.objects.select_related("run__revision", "by").get(pk=payload["upload"])
    if "problem" in result:
        upload.problem = result["problem"]
    else:
        upload.trace = traces.store_trace(
            by=upload.by,
            run=upload.run,
            origin=Origin(upload.file_name, upload.byte_count, upload.digest),
            packed=result["packed"],
        )
    upload.save(update_fields=["problem", "trace"])
    upload.pieces.all().delete()


READ_TRACE_KIND = JobKind(name=READ_TRACE, compute=read_upload, store=store_upload)


# --- figures -----------------------------------------------------------------------------------


def figure_key(settings: TraceSettings) -> str:
    """What names a figure of a trace: its settings and the version of the program."""
    plain = json.dumps([CODE_VERSION, settings.as_json()], sort_keys=True)
    return hashlib.sha256(plain.encode()).hexdigest()


def figure_now(trace: TraceFile, settings: TraceSettings) -> ShownFigure | Job:
    """The figure, or the work that will bring it when the trace is long.

    Raises
    ------
    Refused
        When no figure can be read like this.
    """
    if trace.sample_count <= INLINE_SAMPLES:
        return traces.shown_figure(trace, settings)
    key = figure_key(settings)
    known = TraceFigure.objects.filter(trace=trace, key=key).first()
    if known is None:
        with transaction.atomic():
            job = jobs.request_job(
                kind=READ_FIGURE,
                key=f"{trace.pk}:{key}",
                payload={"trace": trace.pk, "settings": settings.as_json()},
            )
        if job.state != JobState.DONE:
            return job
        known = TraceFigure.objects.get(trace=trace, key=key)
    if "problem" in known.shown:
        raise Refused(known.shown["problem"])
    return ShownFigure(
        **known.shown
        | {
            "beside": tuple(tuple(one) for one in known.shown["beside"]),
            "flaws": tuple(known.shown["flaws"]),
            "charts": tuple(known.shown["charts"]),
        }
    )


def read_figure_of(payload: dict[str, Any], report_progress: ReportProgress) -> dict[str, Any]:
    """Work the figure of a long trace out, or say why there is none."""
    report_progress(0, 2)
    trace = TraceFile.objects.get(pk=payload["trace"])
    try:
        shown = asdict(traces.shown_figure(trace, TraceSettings.from_json(payload["settings"])))
    except Refused as why:
        shown = {"problem": " ".join(why.sentences)}
    report_progress(2, 2)
    return shown


def store_figure(payload: dict[str, Any], result: dict[str, Any]) -> None:
    """Keep the figure under its key."""
    TraceFigure.objects.get_or_create(
        trace_id=payload["trace"],
        key=figure_key(TraceSettings.from_json(payload["settings"])),
        defaults={"shown": result, "at": timezone.now()},
    )


READ_FIGURE_KIND = JobKind(name=READ_FIGURE, compute=read_figure_of, store=store_figure)
