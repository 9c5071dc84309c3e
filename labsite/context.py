"""What every page shows: the lab's name and the places this person may go."""

from typing import TypedDict

from django.http import HttpRequest

from labsite.access import TABLET_COOKIE
from labsite.languages import Language, same_page
from labsite.models import Lab
from labsite.roles import Deed, may


class Place(TypedDict):
    """One entry of the navigation."""

    label: str
    url: str
    current: bool


PLACES: tuple[tuple[str, str, Deed | None], ...] = (
    ("Scorecards", "/", None),
    ("Bench", "/bench/", Deed.ENTER_READINGS),
    ("Lab", "/lab/", Deed.SEE_LAB),
    ("Desk", "/desk/", Deed.SEE_FINDINGS),
    ("Audit", "/audit/", Deed.READ_AUDIT),
    ("People", "/people/", Deed.ADMINISTER),
    ("Jobs", "/jobs/", Deed.ADMINISTER),
    ("Administration", "/admin/", Deed.ADMINISTER),
)


def lab(request: HttpRequest) -> dict[str, object]:
    """Costs one query a page."""
    row = Lab.objects.first()
    if row is None:
        return {
            "lab_name": "Wornproof",
            "lab_note": "",
            "lab_emergency": "",
            "invented": False,
        }
    return {
        "lab_name": row.name,
        "lab_note": row.note,
        "lab_emergency": row.emergency,
        "invented": row.is_invented,
    }


def export(request: HttpRequest) -> dict[str, bool]:
    """Whether this page is being written into a file: what needs a server has no place there."""
    return {"is_export": bool(request.META.get("wornproof.export"))}


def languages(request: HttpRequest) -> dict[str, list[Language]]:
    """The page at hand in every language it has."""
    return {"languages": same_page(request)}


def navigation(request: HttpRequest) -> dict[str, list[Place]]:
    user = getattr(request, "user", None)
    return {
        "nav": [
            Place(label=label, url=url, current=_is_current(request.path, url))
            for label, url, deed in PLACES
            if deed is None or (user is not None and may(user, deed))
        ]
    }


def tablet(request: HttpRequest) -> dict[str, bool]:
    """Say whether this device is one of the lab's tablets; the switch page asks the database."""
    return {"is_tablet": bool(request.COOKIES.get(TABLET_COOKIE))}


def _is_current(path: str, url: str) -> bool:
    if url == "/":
        return path == "/" or path.startswith("/scorecards/")
    return path.startswith(url)
