"""The Celery application. Tasks are in labsite.tasks, work in labsite.jobs."""

import os
from pathlib import Path
from typing import Any

from celery import Celery
from celery.signals import worker_init
from kombu.transport import TRANSPORT_ALIASES

from labsite.processes import give_way

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "labsite.settings")

# The library has no other place to name a transport of one's own and keep its address.
TRANSPORT_ALIASES["filesystem"] = "labsite.file_broker:Transport"

app = Celery("labsite")
app.config_from_object("django.conf:settings", namespace="CELERY")
app.autodiscover_tasks(["labsite"])


def make_broker_folders(sender: Celery, **_: Any) -> None:
    """Create what the file-system broker expects to be there, for web and worker alike."""
    if sender.conf.broker_url.startswith("filesystem:"):
        for name in ("data_folder_in", "control_folder", "processed_folder"):
            folder = Path(sender.conf.broker_transport_options[name])
            folder.mkdir(parents=True, exist_ok=True)


@worker_init.connect
def work_behind(**_: Any) -> None:
    """A worker's processes inherit this, whatever started it."""
    give_way()


# Runs once in every process, before it first rings or answers.
app.on_after_configure.connect(make_broker_folders)
