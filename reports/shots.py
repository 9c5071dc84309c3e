"""The shots of an episode: as typed, and the photos, marks in films and pictures they name."""

import threading
from collections import OrderedDict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from django.urls import reverse

from reports.claims.evidence import Evidence
from reports.live_content import MOST_KEPT, Content
from reports.picture_queries import pictures_of
from trials.models import Photo, Run, VideoMark

KINDS = ("photo", "mark", "picture")
# of a photo's or a mark's id: ten hexadecimal digits keep thousands apart and can be typed
SHORT = 10
LONGEST = {"what": 200, "video": 120, "at": 20, "photo": 40, "mark": 40, "picture": 80}


# --- as typed --------------------------------------------------------------------------------


def shots_of(text: str) -> list[dict[str, str]]:
    """Shots from the lines of a box: what is seen | photo, mark or picture, or | film | time."""
    shots = []
    for line in text.splitlines():
        parts = [part.strip() for part in line.split("|")]
        if not any(parts):
            continue
        shot = {"what": parts[0]}
        for part in parts[1:]:
            kind, _, name = part.partition(" ")
            if kind.lower() in KINDS and name.strip():
                shot[kind.lower()] = name.strip()
            elif ":" in part or part.replace(".", "").isdigit():
                shot["at"] = part
            elif part:
                shot["video"] = part
        shots.append(shot)
    return shots


def shot_lines(shots: Iterable[Mapping[str, str]]) -> str:
    """Shots as they are typed: one a line, parted by bars."""
    return "\n".join(
        " | ".join([shot["what"], *filter(None, map(shot.get, ("video", "at"))), *_keys(shot)])
        for shot in shots
    )


def _keys(shot: Mapping[str, str]) -> list[str]:
    return [f"{kind} {shot[kind]}" for kind in KINDS if shot.get(kind)]


def keys_of(shots: Iterable[Mapping[str, str]]) -> list[str]:
    """What the shots name, in order."""
    return [key for shot in shots for key in _keys(shot)]


def shot_problems(shots: Iterable[Mapping[str, str]]) -> list[str]:
    """Why shots cannot be kept as they are typed."""
    return [
        f"Shot {place}: at most {LONGEST[part]} characters between two bars."
        for place, shot in enumerate(shots, start=1)
        for part, words in shot.items()
        if len(words) > LONGEST[part]
    ]


# --- what there is to be seen ----------------------------------------------------------------


def evidence_of(contents: Iterable[Content]) -> dict[str, Evidence]:
    """Everything of these studies that a shot may show, by its key. Two queries, and pictures'."""
    told = list(contents)
    slugs = [content["study"]["slug"] for content in told]
    found: dict[str, Evidence] = {}
    drawn = (one for content in told for one in _drawn(content))
    for one in (*drawn, *_photos(slugs), *_marks(slugs)):
        found.setdefault(one.key, one)
    return found


# those of the contents that are kept in memory themselves, known again by being the same object
_drawn_of: OrderedDict[int, tuple[Content, tuple[Evidence, ...]]] = OrderedDict()
_lock = threading.Lock()


def _drawn(content: Content) -> tuple[Evidence, ...]:
    with _lock:
        found = _drawn_of.get(id(content))
    if found is not None and found[0] is content:
        return found[1]
    slug = content["study"]["slug"]
    drawn = tuple(
        Evidence(
            f"picture {one.name}",
            one.title,
            one.alternative,
            slug,
            reverse("desk-picture", args=[slug, one.name, "svg"]),
        )
        for one in pictures_of(content)
    )
    with _lock:
        _drawn_of[id(content)] = content, drawn
        while len(_drawn_of) > MOST_KEPT:
            _drawn_of.popitem(last=False)
    return drawn


_RUN = ("run__study", "run__specimen", "run__zone", "run__revision__method", "run__void")


def _place(run: Run) -> str:
    return f"{run.specimen.code}, {run.zone.name}, {run.revision.method.property}"


def _run_void(run: Run) -> str:
    return f"of a void run: {run.void.get_reason_display()}" if hasattr(run, "void") else ""


def _photos(slugs: Sequence[str]) -> Iterator[Evidence]:
    photos = list(
        Photo.objects.filter(run__study__slug__in=slugs)
        .select_related("void", *_RUN)
        .order_by("run__study__slug", "run__position", "run", "taken_at", "uuid")
    )
    standing = {(p.run_id, p.shows): p for p in photos if not hasattr(p, "void")}
    for photo in photos:
        caption = f": {photo.caption}" if photo.caption else ""
        shows = photo.get_shows_display()
        problem = _run_void(photo.run)
        if hasattr(photo, "void"):
            problem = f"struck out: {photo.void.reason}"
            newer = standing.get((photo.run_id, photo.shows))
            if newer is not None and newer.taken_at >= photo.taken_at:
                problem += f" A later one of the same: photo {_short(newer)}"
        yield Evidence(
            key=f"photo {_short(photo)}",
            title=f"{photo.run.specimen.code}, {shows}{caption}",
            alternative=f"Photo of {_place(photo.run)}, {shows}{caption}",
            study=photo.run.study.slug,
            url=reverse("photo-file", args=[photo.pk, "display"]),
            photo_digest=photo.full_digest,
            problem=problem,
            is_struck_out=hasattr(photo, "void"),
        )


def _marks(slugs: Sequence[str]) -> Iterator[Evidence]:
    marks = VideoMark.objects.filter(run__study__slug__in=slugs).select_related(*_RUN)
    for mark in marks.order_by("run__study__slug", "run__position", "video", "seconds", "uuid"):
        yield Evidence(
            key=f"mark {_short(mark)}",
            title=f"{mark.run.specimen.code}: {mark.caption}",
            alternative=f"Film of {_place(mark.run)}: {mark.caption}",
            study=mark.run.study.slug,
            film=mark.video,
            clock=_film_clock(mark.seconds),
            problem=_run_void(mark.run),
        )


def _film_clock(seconds: float) -> str:
    minutes, tenths = divmod(round(seconds * 10), 600)
    return f"{minutes}:{tenths / 10:04.1f}"


def _short(one: Photo | VideoMark) -> str:
    return one.pk.hex[:SHORT]


# --- both together ---------------------------------------------------------------------------


@dataclass(frozen=True)
class ShownShot:
    """A shot with what it names, for lists and for print."""

    what: str
    film: str
    clock: str
    seen: tuple[Evidence, ...]
    missing: tuple[str, ...]  # names of nothing

    @property
    def problems(self) -> list[str]:
        """What keeps it from being shown as it is."""
        lost = [f"There is no {key} in this episode's studies." for key in self.missing]
        return lost + [f"{one.title} is now {one.problem}" for one in self.seen if one.problem]


def shown_shots(
    shots: Iterable[Mapping[str, str]], evidence: Mapping[str, Evidence]
) -> list[ShownShot]:
    """Shots with what they name. Film and time of a mark stand in where none were typed."""
    shown = []
    for shot in shots:
        seen = tuple(evidence[key] for key in _keys(shot) if key in evidence)
        mark = next((one for one in seen if one.film), None)
        shown.append(
            ShownShot(
                what=shot["what"] or (seen[0].title if seen else ""),
                film=shot.get("video") or (mark.film if mark else ""),
                clock=shot.get("at") or (mark.clock if mark else ""),
                seen=seen,
                missing=tuple(key for key in _keys(shot) if key not in evidence),
            )
        )
    return shown
