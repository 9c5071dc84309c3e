"""Run the web process."""

from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError, CommandParser

from labsite.processes import LOOPBACK_HOSTS, become, web_command


class Command(BaseCommand):
    """`manage.py serve`."""

    help = "Run the web process only. The work in the background needs `manage.py worker` too."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--host", default="127.0.0.1")
        parser.add_argument("--port", type=int, default=8000)
        parser.add_argument("--processes", type=int, default=2)

    def handle(self, *, host: str, port: int, processes: int, **_: Any) -> None:
        check_host(host)
        become(web_command(host=host, port=port, processes=processes))


def check_host(host: str) -> None:
    if host not in LOOPBACK_HOSTS and not settings.HOSTS_ARE_NAMED:
        raise CommandError(
            f"Listening on {host} opens the site to the network. Set ALLOWED_HOSTS to the names "
            "it may be called by first."
        )
