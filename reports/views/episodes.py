"""An episode at the desk: its board, segments, order, history, the presenter's pages."""

import json
from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from labsite.errors import Refused
from labsite.roles import Deed, may, needs, person
from reports import episodes, speech
from reports.claims.figures import Book, Figure, rendered
from reports.episode_content import captions_file, paragraphs, timing
from reports.models import Episode, Segment
from reports.review_forms import EpisodeForm, NewEpisodeForm
from reports.script_checks import (
    StoodFlag,
    book_from,
    episode_contents,
    episode_flags,
    stale_parts,
)
from reports.shots import ShownShot, shot_lines, shots_of, shown_shots


@needs(Deed.SEE_FINDINGS, post=Deed.DRAFT_EDITIONS)
@require_http_methods(["GET", "HEAD", "POST"])
@never_cache
def index(request: HttpRequest) -> HttpResponse:
    """Every episode; a post makes a new one."""
    form = NewEpisodeForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        try:
            made = episodes.create_episode(
                by=person(request),
                fields=form.episode_fields(),
                studies=list(form.cleaned_data["studies"]),
            )
        except Refused as refused:
            _add(form, refused)
        else:
            return redirect("desk-episode", made.slug)
    return render(
        request,
        "reports/desk/episodes.html",
        {
            "form": form,
            "episodes": Episode.objects.prefetch_related("studies", "editions"),
            "may_draft": may(request.user, Deed.DRAFT_EDITIONS),
        },
        status=400 if form.errors else 200,
    )


def _add(form: Any, refused: Refused) -> None:
    for field, sentences in refused.problems.items():
        for sentence in sentences:
            form.add_error(field if field in form.fields else None, sentence)


def _find(slug: str) -> Episode:
    return get_object_or_404(Episode, slug=slug)


@needs(Deed.SEE_FINDINGS, post=Deed.DRAFT_EDITIONS)
@require_http_methods(["GET", "HEAD", "POST"])
@never_cache
def board(request: HttpRequest, slug: str) -> HttpResponse:
    """The whole script, segment by segment; a post changes title, length and pace."""
    episode = _find(slug)
    form = EpisodeForm(
        request.POST or None,
        initial={
            "title": episode.title,
            "question": episode.question,
            "minutes": f"{episode.target_seconds / 60:g}",
            "words_per_minute": episode.words_per_minute,
        },
    )
    if request.method == "POST" and form.is_valid():
        episodes.change_episode(by=person(request), episode=episode, fields=form.episode_fields())
        messages.success(request, "Kept.")
        return redirect("desk-episode", slug)
    return render(
        request,
        "reports/desk/episode.html",
        _board(episode) | {"form": form, "may_draft": may(request.user, Deed.DRAFT_EDITIONS)},
        status=400 if form.errors else 200,
    )


def _board(episode: Episode) -> dict[str, Any]:
    contents = episode_contents(episode)
    book = book_from(contents)
    state = board_state(episode, book)
    segments = state["segments"]
    return {
        "episode": episode,
        "rows": segments,
        "total": state,
        "cut": episode.segments.filter(is_cut=True),
        "figures": figure_list(book),
        "evidence": [one for one in book.shots.values() if not one.is_struck_out],
        "studies": episode.used.select_related("study"),
        "is_closed": len(contents) < episode.used.count(),
    }


def board_state(episode: Episode, book: Book) -> dict[str, Any]:
    """Times, flags and changed figures of every segment."""
    segments = episodes.running(episode)
    flags = episode_flags(episode, segments, book)
    when = timing(episode, segments, book)
    rows = []
    for place, (segment, row) in enumerate(zip(segments, when, strict=True)):
        own = [one for one in flags if one.flag.text in (1 + 2 * place, 2 + 2 * place)]
        own = [one for one in own if one.flag.rule not in ("price", "paid")]
        stale = stale_parts(segment, book)
        rows.append(
            row
            | {
                "segment": segment,
                "pk": segment.pk,
                "version": segment.version,
                "flags": [flag_words(one, place) for one in own],
                "open_flags": sum(one.is_open for one in own),
                "stale": stale,
                "read": rendered(segment.script, book).text,
                "shots": shot_lines(segment.shots),
                "shown": [shot_words(one) for one in shown_shots(segment.shots, book.shots)],
            }
        )
    total = sum(row["seconds"] for row in rows)
    over = total - episode.target_seconds
    return {
        "segments": rows,
        "whole_flags": [
            flag_words(one, 0)
            for one in flags
            if one.flag.text == 0 or one.flag.rule in ("price", "paid")
        ],
        "seconds": total,
        "clock": speech.clock(total),
        "target": speech.clock(episode.target_seconds),
        "over_words": f"{speech.clock(abs(over))} {'over' if over > 0 else 'to spare'}",
        "share": min(100, round(100 * total / episode.target_seconds)),
        "version": episode.version,
    }


def flag_words(one: StoodFlag, place: int) -> dict[str, Any]:
    """A flag as the page and its script take it."""
    flag = one.flag
    return {
        "rule": flag.rule,
        "name": flag.name,
        "field": "screen_text" if flag.text and flag.text % 2 == 0 else "script",
        "start": flag.start,
        "end": flag.end,
        "quote": flag.quote,
        "sentence": flag.sentence,
        "why": flag.why,
        "instead": flag.instead,
        "offers": list(flag.offers),
        "stand": "" if one.stand is None else f"{one.stand.reason} ({one.stand.by.display_name})",
    }


def figure_list(book: Book) -> list[dict[str, str]]:
    """Every figure for the side list and for completion."""
    return [
        {"key": f.key, "words": f.words, "label": f.label, "part": f.part, "source": f.source}
        for f in sorted(book.figures.values(), key=_likely_first)
    ]


_FIRST = ("figure", "kept", "range", "lost", "times", "times-range", "verdict", "unseen", "change")


def _likely_first(figure: Figure) -> tuple[str, int]:
    part = figure.part
    return figure.source, _FIRST.index(part) if part in _FIRST else len(_FIRST)


def shot_words(shot: ShownShot) -> dict[str, Any]:
    """A shot as the page and its script show it."""
    return {
        "what": shot.what,
        "film": " at ".join(filter(None, (shot.film, shot.clock))),
        "seen": [{"url": one.url, "alternative": one.alternative} for one in shot.seen if one.url],
        "problems": shot.problems,
    }


@needs(Deed.SEE_FINDINGS)
@require_safe
@never_cache
def state(request: HttpRequest, slug: str) -> HttpResponse:
    """Times and flags, for the page that shows them while others write too."""
    episode = _find(slug)
    return JsonResponse(_plain(board_state(episode, book_from(episode_contents(episode)))))


def _plain(state: dict[str, Any]) -> dict[str, Any]:
    rows = [{k: v for k, v in row.items() if k != "segment"} for row in state["segments"]]
    return state | {"segments": rows}


@needs(Deed.DRAFT_EDITIONS)
@require_http_methods(["GET", "HEAD", "POST", "PUT"])
@never_cache
def segment(request: HttpRequest, slug: str, pk: int) -> HttpResponse:
    """Keep a segment: by script (PUT with If-Match) or by form (POST with the version)."""
    episode = _find(slug)
    found = get_object_or_404(episode.segments, pk=pk)
    if request.method == "PUT":
        return _put(request, episode, found)
    if request.method != "POST":
        return redirect(f"{reverse('desk-episode', args=[slug])}#segment-{pk}")
    words = _form_words(request.POST)
    book = book_from(episode_contents(episode))
    try:
        episodes.save_segment(
            by=person(request),
            segment=found,
            version=_number(request.POST.get("version")),
            words=words,
            book=book,
        )
    except Refused as refused:
        return _not_kept(request, episode, found, refused)
    messages.success(request, "Kept.")
    return redirect(f"{reverse('desk-episode', args=[slug])}#segment-{pk}")


def _not_kept(
    request: HttpRequest, episode: Episode, found: Segment, refused: Refused
) -> HttpResponse:
    """What was sent, to be put right and kept: over somebody else's words, or after a mistake."""
    theirs = refused.segment if isinstance(refused, episodes.NewerThere) else None
    return render(
        request,
        "reports/desk/segment_conflict.html",
        {
            "episode": episode,
            "segment": theirs or found,
            "theirs": theirs,
            "version": theirs.version if theirs else _number(request.POST.get("version")),
            "mine": request.POST,
            "why": refused.sentences,
        },
        status=409 if theirs else 400,
    )


def _number(posted: str | None) -> int:
    """A version as a form sent it; 0, which none has, for anything else."""
    return int(posted) if posted and posted.isdecimal() and len(posted) < 10 else 0


def _form_words(posted: Any) -> dict[str, Any]:
    words: dict[str, Any] = {
        name: posted[name].replace("\r\n", "\n")
        for name in ("title", "script", "screen_text")
        if name in posted
    }
    if "shots" in posted:
        words["shots"] = shots_of(posted["shots"])
    if "pause_s" in posted:
        pause = str(posted["pause_s"]).strip() or "0"
        words["pause_s"] = int(pause) if pause.isdecimal() and len(pause) < 10 else -1
    return words


def _put(request: HttpRequest, episode: Episode, found: Segment) -> HttpResponse:
    match = request.headers.get("If-Match", "").strip('"')
    if not _number(match):
        return JsonResponse({"problems": ["Say which version was read (If-Match)."]}, status=428)
    try:
        given = json.loads(request.body)
        words = _form_words({k: str(v) for k, v in given.items()})
    except (ValueError, AttributeError):
        return JsonResponse({"problems": ["This is not a segment."]}, status=400)
    book = book_from(episode_contents(episode))
    try:
        kept = episodes.save_segment(
            by=person(request), segment=found, version=_number(match), words=words, book=book
        )
    except episodes.NewerThere as newer:
        now = newer.segment
        return JsonResponse(
            {
                "problems": newer.sentences,
                "current": {
                    "version": now.version,
                    "title": now.title,
                    "script": now.script,
                    "screen_text": now.screen_text,
                    "shots": shot_lines(now.shots),
                    "pause_s": now.pause_s,
                    "by": now.changed_by.display_name,
                    "at": f"{timezone.localtime(now.changed_at):%H:%M}",
                },
            },
            status=412,
        )
    except Refused as refused:
        return JsonResponse({"problems": refused.sentences, "fields": refused.problems}, status=400)
    answer = JsonResponse(_plain(board_state(episode, book)) | {"kept": kept.version})
    answer["ETag"] = f'"{kept.version}"'
    return answer


@needs(Deed.DRAFT_EDITIONS)
@require_POST
def add(request: HttpRequest, slug: str) -> HttpResponse:
    """A new segment at the end."""
    episode = _find(slug)
    made = episodes.add_segment(
        by=person(request), episode=episode, title=request.POST.get("title", "")
    )
    return redirect(f"{reverse('desk-episode', args=[slug])}#segment-{made.pk}")


@needs(Deed.DRAFT_EDITIONS)
@require_POST
def order(request: HttpRequest, slug: str) -> HttpResponse:
    """A new running order: as JSON, or one segment a step up or down by a form."""
    episode = _find(slug)
    if request.content_type == "application/json":
        try:
            given = json.loads(request.body)
            wanted = [int(pk) for pk in given["order"]]
            version = int(given["version"])
        except (ValueError, KeyError, TypeError):
            return JsonResponse({"problems": ["This is not an order."]}, status=400)
        try:
            now = episodes.set_order(
                by=person(request), episode=episode, version=version, order=wanted
            )
        except Refused as refused:
            return JsonResponse({"problems": refused.sentences}, status=409)
        return JsonResponse(_plain(board_state(now, book_from(episode_contents(now)))))
    keys = [s.pk for s in episodes.running(episode)]
    moved, step = request.POST.get("segment", ""), -1 if "up" in request.POST else 1
    if _number(moved) in keys:
        place = keys.index(_number(moved))
        target = min(max(place + step, 0), len(keys) - 1)
        keys.insert(target, keys.pop(place))
        version = _number(request.POST.get("version"))
        episodes.set_order(by=person(request), episode=episode, version=version, order=keys)
    return redirect(f"{reverse('desk-episode', args=[slug])}#order")


@needs(Deed.DRAFT_EDITIONS)
@require_POST
def read(request: HttpRequest, slug: str, pk: int) -> HttpResponse:
    """A person has read the segment with its figures as they are."""
    episode = _find(slug)
    found = get_object_or_404(episode.segments, pk=pk)
    episodes.read_again(
        by=person(request), segment=found, book=book_from(episode_contents(episode))
    )
    messages.success(request, f"{found.title}: read as it is now.")
    return redirect(f"{reverse('desk-episode', args=[slug])}#segment-{pk}")


@needs(Deed.DRAFT_EDITIONS)
@require_POST
def cut(request: HttpRequest, slug: str, pk: int) -> HttpResponse:
    """Take a segment out, or put it back."""
    found = get_object_or_404(_find(slug).segments, pk=pk)
    is_cut = "back" not in request.POST
    episodes.set_cut(by=person(request), segment=found, is_cut=is_cut)
    messages.success(request, f"{found.title} is {'out' if is_cut else 'back, at the end'}.")
    return redirect("desk-episode", slug)


@needs(Deed.SEE_FINDINGS, post=Deed.DRAFT_EDITIONS)
@require_http_methods(["GET", "HEAD", "POST"])
@never_cache
def history(request: HttpRequest, slug: str, pk: int) -> HttpResponse:
    """Every version of a segment; a post puts an older one back, as a new version."""
    episode = _find(slug)
    found = get_object_or_404(episode.segments, pk=pk)
    if request.method == "POST":
        old = get_object_or_404(found.versions, version=_number(request.POST.get("version")))
        words = {name: getattr(old, name) for name in episodes.WORDS}
        episodes.save_segment(
            by=person(request),
            segment=found,
            version=_number(request.POST.get("over")),
            words=words,
            book=book_from(episode_contents(episode)),
        )
        messages.success(request, f"The words of version {old.version} are back.")
        return redirect(f"{reverse('desk-episode', args=[slug])}#segment-{pk}")
    return render(
        request,
        "reports/desk/segment_history.html",
        {
            "episode": episode,
            "segment": found,
            "versions": found.versions.select_related("by"),
            "may_draft": may(request.user, Deed.DRAFT_EDITIONS),
        },
    )


@needs(Deed.SEE_FINDINGS)
@require_safe
@never_cache
def presenter(request: HttpRequest, slug: str) -> HttpResponse:
    """The script in large type with running times, to print or to read from."""
    return _print(request, slug, "reports/desk/presenter.html")


@needs(Deed.SEE_FINDINGS)
@require_safe
@never_cache
def shot_list(request: HttpRequest, slug: str) -> HttpResponse:
    """Every shot with its picture, film and running time, to print for whoever films and cuts."""
    return _print(request, slug, "reports/desk/shots.html")


def _print(request: HttpRequest, slug: str, template: str) -> HttpResponse:
    episode = _find(slug)
    book = book_from(episode_contents(episode))
    segments = episodes.running(episode)
    rows = [
        row
        | {
            "title": s.title,
            "paragraphs": paragraphs(s.script, book),
            "screen": paragraphs(s.screen_text, book),
            "shots": [shot_words(one) for one in shown_shots(s.shots, book.shots)],
            "pause_s": s.pause_s,
        }
        for s, row in zip(segments, timing(episode, segments, book), strict=True)
    ]
    total = sum(row["seconds"] for row in rows)
    return render(
        request,
        template,
        {
            "episode": episode,
            "title": rendered(episode.title, book).text,
            "rows": rows,
            "clock": speech.clock(total),
            "target": speech.clock(episode.target_seconds),
        },
    )


@needs(Deed.SEE_FINDINGS)
@require_safe
@never_cache
def captions(request: HttpRequest, slug: str) -> HttpResponse:
    """The script as it stands, as WebVTT."""
    episode = _find(slug)
    book = book_from(episode_contents(episode))
    return HttpResponse(
        captions_file(episode, episodes.running(episode), book),
        content_type="text/vtt; charset=utf-8",
        headers={"Content-Disposition": f'attachment; filename="{slug}.vtt"'},
    )
