"""Where the bench's pages find what lets them open without network."""

from django import template
from django.urls import reverse

from trials.offline import release

register = template.Library()


@register.simple_tag
def worker_address() -> str:
    """The service worker's address; empty where files have no hashed names, as while debugging."""
    return reverse("bench-worker") if release() else ""
