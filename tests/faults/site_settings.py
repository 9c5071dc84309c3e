"""The site's settings with slow work added and its patience shortened, for the fault tests."""

from labsite.settings import *  # noqa: F403, TID251
from labsite.settings import CELERY_BEAT_SCHEDULE, INSTALLED_APPS  # noqa: TID251
from tests.faults import jumping_clock

jumping_clock.follow()

INSTALLED_APPS = [*INSTALLED_APPS, "tests.faults.slow_work.apps.SlowWorkConfig"]
JOB_LEASE_SECONDS = 3
JOB_RING_AGAIN_SECONDS = 1
for entry in CELERY_BEAT_SCHEDULE.values():
    entry["schedule"] = 1
    entry["options"] = {"expires": 5}
