"""What every page for readers shows: where else they can go."""

from django.http import HttpRequest
from django.urls import reverse
from django.utils.translation import gettext, gettext_noop

from labsite.context import Place

PLACES = (
    (gettext_noop("Scorecards"), "scorecards"),
    (gettext_noop("Episodes"), "episodes"),
    (gettext_noop("What goes first"), "goes-first"),
    (gettext_noop("Compare"), "compare"),
    (gettext_noop("Products"), "products"),
    (gettext_noop("Methods"), "methods"),
    (gettext_noop("Cautions"), "cautions"),
    (gettext_noop("Corrections"), "corrections"),
    (gettext_noop("About"), "about"),
)


def readers(request: HttpRequest) -> dict[str, list[Place]]:
    """The public places, with the one at hand marked."""
    match = request.resolver_match
    here = match.url_name if match else ""
    mine = _PLACE_OF.get(here or "", here)
    return {
        "public_places": [
            Place(label=gettext(label), url=reverse(name), current=name == mine)
            for label, name in PLACES
        ]
    }


_PLACE_OF = {
    "scorecard": "scorecards",
    "edition": "scorecards",
    "edition-folder": "scorecards",
    "episode": "episodes",
    "episode-edition": "episodes",
    "product": "products",
    "method": "methods",
    "method-latest": "methods",
}
