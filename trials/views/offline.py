"""What a browser asks for to open the bench as an app and without network. Nothing here is secret."""

from django.contrib.auth.decorators import login_not_required
from django.http import Http404, HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import render
from django.templatetags.static import static
from django.urls import reverse
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe

from labsite.roles import Deed, needs
from trials.offline import SCOPE, release, worker_script

ICON_SIZES = (192, 512)


@login_not_required
@never_cache
@require_safe
def worker(request: HttpRequest) -> HttpResponse:
    """The service worker of the bench; it rules the bench's pages and no others."""
    current = release()
    if current is None:
        raise Http404
    response = HttpResponse(worker_script(current), content_type="text/javascript; charset=utf-8")
    response.headers["Service-Worker-Allowed"] = SCOPE
    return response


@login_not_required
@never_cache
@require_safe
def files(request: HttpRequest) -> HttpResponse:
    """The files of the release that is served now, for a worker that is older."""
    current = release()
    if current is None:
        raise Http404
    return JsonResponse({"release": current.name, "files": current.files})


@login_not_required
@require_safe
def manifest(request: HttpRequest) -> HttpResponse:
    """What the bench is called and looks like as an app."""
    icons = [
        {
            "src": static(f"labsite/icons/bench-{size}.png"),
            "sizes": f"{size}x{size}",
            "type": "image/png",
            "purpose": purpose,
        }
        for size in ICON_SIZES
        for purpose in ("any", "maskable")
    ]
    content = {
        "id": SCOPE,
        "name": "Wornproof bench",
        "short_name": "Bench",
        "description": "Enter readings at the bench, with or without network.",
        "lang": "en-GB",
        "start_url": reverse("bench"),
        "scope": SCOPE,
        "display": "standalone",
        "orientation": "any",
        "background_color": "#f5f1e6",
        "theme_color": "#f5f1e6",
        "icons": [
            *icons,
            {"src": static("labsite/icons/bench.svg"), "sizes": "any", "type": "image/svg+xml"},
        ],
    }
    return JsonResponse(content, content_type="application/manifest+json")


@login_not_required
@require_safe
def no_network(request: HttpRequest) -> HttpResponse:
    """What is shown for a page of the bench that was never opened on this tablet."""
    return render(request, "trials/offline/no_network.html")


@never_cache
@require_safe
@needs(Deed.ENTER_READINGS)
def waiting(request: HttpRequest) -> HttpResponse:
    """What waits on this tablet. The page is the same for everybody; its script fills it."""
    trail = [{"label": "Bench", "url": reverse("bench")}, {"label": "This tablet", "url": ""}]
    return render(request, "trials/offline/waiting.html", {"trail": trail})
