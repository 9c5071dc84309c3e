"""Where in the lab office a page is."""

from django.urls import reverse


def lab_trail(*places: tuple[str, str] | str) -> list[dict[str, str]]:
    """The way from the lab's first page: pairs of words and address, the page itself last."""
    trail = [{"label": "Lab", "url": reverse("lab")}]
    for place in places:
        label, url = (place, "") if isinstance(place, str) else place
        trail.append({"label": label, "url": url})
    return trail
