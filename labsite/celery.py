"""The Celery application. Tasks are in labsite.tasks, work in labsite.jobs."""

import os
from pathlib import Path

from celery import Celery

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "labsite.settings")

app = Celery("labsite")
app.config_from_object("django.conf:settings", namespace="CELERY")
app.autodiscover_tasks(["labsite"])


def make_broker_folders() -> None:
    """Create what the file-system broker expects to be there, for web and worker alike."""
    from django.conf import settings

    if settings.CELERY_BROKER_URL != "filesystem://":
        return
    for name in ("data_folder_in", "control_folder", "processed_folder"):
        Path(settings.CELERY_BROKER_TRANSPORT_OPTIONS[name]).mkdir(parents=True, exist_ok=True)
