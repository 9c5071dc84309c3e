"""The ends of the audit chain that published editions carried out of the house."""

from collections.abc import Iterator

from labsite.audit import Anchor


def published_heads() -> Iterator[Anchor]:
    """Give the head that each edition noted; editions from before there was a chain have none."""
    from reports.models import Edition

    noted = Edition.objects.exclude(content__audit_head=None).order_by("pk")
    for slug, number, text in noted.values_list(
        "study__slug", "number", "content__audit_head"
    ).iterator():
        yield Anchor.parsed(text, where=f"edition {number} of {slug}")
