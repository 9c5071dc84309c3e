"""Ask for slow work, as an action of an app would."""

from django.core.management.base import BaseCommand
from django.db import transaction

from labsite import jobs
from tests.faults.slow_work.apps import KIND


class Command(BaseCommand):
    def add_arguments(self, parser):
        parser.add_argument("--count", type=int, required=True)
        parser.add_argument("--compute-s", type=float, default=0.0)
        parser.add_argument("--store-s", type=float, default=0.0)

    def handle(self, *, count, compute_s, store_s, **_):
        for number in range(count):
            name = f"work {number}"
            payload = {"name": name, "compute_s": compute_s, "store_s": store_s}
            with transaction.atomic():
                jobs.request_job(kind=KIND, key=name, payload=payload)
