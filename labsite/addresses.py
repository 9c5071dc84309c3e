"""Names that cannot stand in an address, because the site has a page of its own there."""

from collections.abc import Iterator, Sequence

from django.urls import Resolver404, URLPattern, URLResolver, get_resolver, resolve

HOLE = "<slug:slug>"


def hidden_by(name: str) -> str:
    """The address of a thing of that name that would open another page; empty where none would.

    Looks at every address of the site with that one hole, so a page that comes later is looked at
    too. Costs a few dozen resolutions, so it is asked only when something gets its name.
    """
    for route in _routes(get_resolver().url_patterns):
        if route.count("<") == 1 and HOLE in route:
            path = "/" + route.replace(HOLE, name)
            try:
                is_other = resolve(path).route != route
            except Resolver404:
                is_other = True
            if is_other:
                return path
    return ""


def _routes(patterns: Sequence[URLPattern | URLResolver], before: str = "") -> Iterator[str]:
    for pattern in patterns:
        route = before + str(pattern.pattern)
        if isinstance(pattern, URLResolver):
            yield from _routes(pattern.url_patterns, route)
        else:
            yield route
