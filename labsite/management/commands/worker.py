"""Run a worker process."""

from typing import Any

from django.core.management.base import BaseCommand, CommandParser

from labsite.processes import become, worker_command


class Command(BaseCommand):
    """`manage.py worker`."""

    help = (
        "Run a worker only. On the embedded broker run exactly one; it sweeps by itself. "
        "On Redis or RabbitMQ run any number, and one `manage.py beat`."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--concurrency", type=int, default=2)

    def handle(self, *, concurrency: int, **_: Any) -> None:
        become(worker_command(concurrency=concurrency))
